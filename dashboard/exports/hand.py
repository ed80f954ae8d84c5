"""Points greased by hand, in words and as rows of text for files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from dashboard import formatting
from ingest.languages import Words, cldr, later, tr, trn
from ingest.times import rfc3339

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.planning.rounds import HandNeed
    from dashboard.queries.hand import HandDue
    from ingest.setups import HandPoint

MEANING: Final = later(
    "A point is due again when its interval has passed since somebody recorded that it was greased: hours by the controller's meter, by one"
    " that another system reads, or as people read it; kilometres as people read them; days by the calendar. The date follows from the"
    " pace of the meter in its latest four weeks. Where nobody knows, it says so, and that is never counted as greased."
)
NOTHING: Final = later(
    "No point greased by hand is registered. A file points.csv beside vehicles.csv and lines.csv names them: Set-up has an"
    " example."
)
GUN: Final = later(
    "Clean the fitting first. A hand gun on a blocked point builds very high pressure: never hold the hose at its end, and stop where the"
    " point takes no grease."
)
WORDS: Final = Words(
    {
        "due": later("Due"),
        "unknown": later("Not known"),
        "soon": later("Due within 7 days"),
        "ok": later("Not due yet"),
    }
)
_UNITS: Final = Words({"h": "h", "km": "km", "d": later("days")})


def every(interval: float, unit: str) -> str:
    """Every 250 h; every day."""
    if unit == "d" and interval == 1:
        return tr("every day")
    number = cldr.grouped(interval) if interval == round(interval) else cldr.plain(interval)
    return tr("every {interval} {unit}", interval=number, unit=_UNITS[unit])


def amount(one: HandDue | HandNeed | HandPoint) -> str:
    """12 g, or 6 strokes."""
    if one.grams is not None:
        return f"{cldr.plain(one.grams)} g"
    strokes = one.strokes or 0
    return trn("{strokes} stroke", "{strokes} strokes", 1 if strokes == 1 else 2, strokes=cldr.plain(strokes))


def hand_due(number: int) -> str:
    """That so many points greased by hand are due."""
    return trn("{n} point greased by hand is due.", "{n} points greased by hand are due.", number)


def hand_undated(number: int) -> str:
    """That of so many points greased by hand nobody knows when they are due."""
    return trn(
        "Nobody knows when {n} point greased by hand is due.",
        "Nobody knows when {n} points greased by hand are due.",
        number,
    )


def to_grease(one: HandNeed) -> str:
    """5 kingpin, 12 g (steering or braking)."""
    told = f"{one.number} {one.point}, {amount(one)}"
    return f"{told} ({tr('steering or braking')})" if one.critical else told


def amount_of(one: HandDue) -> str:
    """12 g of Lithium EP."""
    return tr("{amount} of {grease}", amount=amount(one), grease=one.grease) if one.grease else amount(one)


def since(one: HandDue) -> str:
    """What has passed since it was greased, by its meter's latest reading."""
    if one.greased_us is None:
        return tr("never greased by record")
    if one.since is None:
        return tr("greased {day}", day=formatting.day(formatting.local(one.greased_us, one.timezone)))
    told = f"{cldr.grouped(one.since)} {_UNITS[one.interval_unit]}"
    if one.interval_unit == "d" or one.hours_since is None:
        return (
            told
            if one.hours_since is None
            else tr("{since}, {hours} h of ignition", since=told, hours=cldr.grouped(one.hours_since, 0))
        )
    return told


def meter_of(one: HandDue) -> str:
    """The day its meter was read, up to which `since` counts; empty where none was."""
    return (
        ""
        if one.read_us is None
        else tr("meter of {day}", day=formatting.day(formatting.local(one.read_us, one.timezone)))
    )


def since_by_meter(one: HandDue) -> str:
    """Both, in one line: 44 h, meter of 24 Nov 2026."""
    return ", ".join(filter(None, (since(one), meter_of(one))))


def due(one: HandDue) -> str:
    """Its date, or why there is none."""
    return tr("not known: {reason}", reason=tr(one.reason)) if one.due_us is None else date_or_why(one)


def date_or_why(one: HandDue) -> str:
    """Its date, or only why there is none."""
    if one.due_us is None:
        return tr(one.reason)
    day = formatting.day(formatting.local(one.due_us, one.timezone))
    if one.state != "due":
        return day
    by_pace = one.interval_unit != "d" and one.read_us is not None and one.due_us > one.read_us
    return tr("since about {day}", day=day) if by_pace else tr("since {day}", day=day)


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
