"""Points greased by hand, in words and as rows of text for files."""

from collections.abc import Sequence
from typing import Any, Final

from analytics.planning.rounds import HandNeed
from dashboard import formatting
from dashboard.queries.hand import HandDue
from ingest.setups import HandPoint
from ingest.times import rfc3339

MEANING: Final = (
    "A point is due again when its interval has passed since somebody recorded that it was greased: hours by the controller's meter, by one"
    " that another system reads, or as people read it; kilometres as people read them; days by the calendar. The date follows from the"
    " pace of the meter in its latest four weeks. Where nobody knows, it says so, and that is never counted as greased."
)
NOTHING: Final = (
    "No point greased by hand is registered. A file points.csv beside vehicles.csv and lines.csv names them: Set-up has an"
    " example."
)
GUN: Final = (
    "Clean the fitting first. A hand gun on a blocked point builds very high pressure: never hold the hose at its end, and stop where the"
    " point takes no grease."
)
WORDS: Final = {"due": "Due", "unknown": "Not known", "soon": "Due within 7 days", "ok": "Not due yet"}
_UNITS: Final = {"h": "h", "km": "km", "d": "days"}


def every(interval: float, unit: str) -> str:
    """Every 250 h; every day."""
    return "every day" if unit == "d" and interval == 1 else f"every {interval:,g} {_UNITS[unit]}"


def amount(one: HandDue | HandNeed | HandPoint) -> str:
    """12 g, or 6 strokes."""
    if one.grams is not None:
        return f"{one.grams:g} g"
    return f"{one.strokes:g} stroke{'' if one.strokes == 1 else 's'}"


def since(one: HandDue) -> str:
    """What has passed since it was greased, and how long its meter has not been read."""
    if one.greased_us is None:
        return "never greased by record"
    if one.since is None:
        return f"greased {formatting.day(formatting.local(one.greased_us, one.timezone))}"
    told = f"{one.since:,.0f} {_UNITS[one.interval_unit]}"
    if one.interval_unit == "d" or one.hours_since is None:
        return told if one.hours_since is None else f"{told}, {one.hours_since:,.0f} h of ignition"
    return told


def due(one: HandDue) -> str:
    """Its date, or why there is none."""
    if one.due_us is None:
        return f"not known: {one.reason}"
    day = formatting.day(formatting.local(one.due_us, one.timezone))
    return f"since {day}" if one.state == "due" else day


def hand_table(found: Sequence[HandDue]) -> list[dict[str, str]]:
    """The due list as rows of text."""
    return [{name: "" if value is None else _text(value) for name, value in as_object(one).items()} for one in found]


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def as_object(one: HandDue) -> dict[str, Any]:
    """A point for other programs: units in the names, what is not known None."""
    times = {name: getattr(one, f"{name}_us") for name in ("greased", "read", "due")}
    return {
        "fleet": one.fleet, "vehicle": one.vehicle, "unit": one.unit, "depot": one.depot, "number": one.number, "point": one.point,
        "critical": one.critical, "every": one.every, "interval_unit": one.interval_unit, "grams": one.grams, "strokes": one.strokes,
        "grease": one.grease or None, "since": one.since, "hours_since_grease": one.hours_since,
        **{f"{name}_at": None if us is None else rfc3339(us) for name, us in times.items()},
        "state": one.state, "reason": one.reason or None,
    }  # fmt: skip
