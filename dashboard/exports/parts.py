"""Parts to have, what fails more often and how long things last: in words, as rows of text for files, and for other programs."""

from collections import defaultdict
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from analytics.account.lives import DIMENSIONS, FAILURES, FEWEST, Comparison, Curve, as_rows
from analytics.account.parts import Need
from analytics.kinds import FINDING_KINDS
from dashboard import formatting
from dashboard.queries.lives import PUMP, Lasting
from ingest.languages import cldr, later, tr

_LEAST: Final = 0.05  # of a part: less is not worth a figure
AGES_H: Final = (250.0, 500.0, 1000.0, 2000.0, 5000.0)  # at which curves are told
PARTS_MEANING: Final = later(
    "A model, not a promise: what fails now needs its part; what gets worse slowly is expected to fail by its trend; everything else fails"
    " as often as its kind did so far, at each vehicle's own pace and age. 'Enough' is what suffices nine times in ten. What one repair"
    " takes is common practice: tube of the line's length and two fittings for a broken line, a fitting (and an injector where there are"
    " injectors) for a blocked one, a pumping element where too little is delivered. See on the vehicle what it really takes."
)
_OFTEN_MEANING: Final = later(
    "Failures over ignition hours, by Poisson or negative binomial regression: each group against all others, with the other properties"
    " held equal. Only what stands out beyond chance is told, and nothing of groups of fewer than {fewest} failures."
)
LIVES_MEANING: Final = later(
    "Of lines that a sensor of their own watches, and of pumps: the share that reaches an age, in ignition hours from fitting or the latest"
    " repair, with 95 % limits. What was fitted before it was watched counts from the age at which it came in, reckoned at the vehicle's"
    " own pace; what has not failed counts as long as it lasted. Findings that somebody found to be nothing count as no failure."
)
NOTHING: Final = later(
    "Nothing is known yet: it takes vehicles with a line list that have been analysed (tallow analyse, or the watch). Failures are what"
    " findings tell: lines broken or blocked, too little delivered, cycles missed."
)


def often_meaning() -> str:
    """How it is told that something fails more often."""
    return tr(_OFTEN_MEANING, fewest=FEWEST)


def amount(value: float | None, unit: str) -> str:
    """3; 12 m; below 1 m; 4.5 l in the reader's unit; too few failures to say."""
    if value is None:
        return tr("not known")
    if unit == "l":
        return formatting.litres(value)
    if unit == "m":
        return tr("below {amount}", amount="1 m") if 0 < value < 1 else f"{np.ceil(value):.0f} m"
    if 0 < value < _LEAST:
        return tr("below {amount}", amount=cldr.plain(_LEAST))
    return cldr.decimal(value, 1 if value < 10 and value != round(value) else 0)


def expected(one: Need) -> str:
    """3.7; at least 3.7 where of some of its failures nobody knows."""
    if one.enough is not None or one.unit == "l":
        return amount(one.expected, one.unit)
    return (
        tr("not known")
        if one.expected is None or one.expected < _LEAST
        else tr("at least {amount}", amount=amount(one.expected, one.unit))
    )


def told(needs: Sequence[Need]) -> list[Need]:
    """Those of which anything is known."""
    return [one for one in needs if expected(one) != tr("not known") or one.now or one.wearing >= _LEAST]


def untold(needs: Sequence[Need]) -> list[str]:
    """Of which parts nobody can say what to expect, by depot."""
    known = {(one.depot, one.part) for one in told(needs)}
    left = defaultdict[str, list[str]](list)
    for one in needs:
        if (one.depot, one.part) not in known:
            left[one.depot].append(one.part)
    return [
        tr(
            "{depot}: too few failures so far to say how much is needed of: {names}",
            depot=depot,
            names="; ".join(parts),
        )
        for depot, parts in left.items()
    ]


def times(one: Comparison) -> str:
    """2.0 times as often (1.2 to 3.1)."""
    return tr(
        "{ratio} times as often ({low} to {high})",
        ratio=cldr.decimal(one.ratio, 1),
        low=cldr.decimal(one.low, 1),
        high=cldr.decimal(one.high, 1),
    )


def where(one: Comparison) -> str:
    """Kingpin at Dry Fork Pit; class day truck."""
    told = [level if name == "point" else f"{tr(DIMENSIONS[name])} {level}" for name, level in one.where]
    return ", ".join(told)


def sentence(one: Comparison) -> str:
    """Line blocked, kingpin, depot Dry Fork Pit: 2.0 times as often (1.2 to 3.1) as elsewhere; 14 failures in 3,400 ignition hours."""
    others = tr("as the same kind elsewhere") if len(one.where) > 1 else tr("as all others")
    return tr(
        "{what}, {where}: {times} {others}; {failures} failures in {hours} ignition hours",
        what=title(one.what),
        where=where(one),
        times=times(one),
        others=others,
        failures=one.failures,
        hours=cldr.grouped(one.hours, 0),
    )


def title(what: str) -> str:
    """What people call a way to fail."""
    return FINDING_KINDS[what].title


def reaches(curve: Curve, hours: float) -> str:
    """83 % (70 to 91); nothing where no part was seen so old or so young."""
    if not curve.from_h <= hours <= curve.at_h[-1]:
        return ""
    place = int(np.searchsorted(curve.at_h, hours, "right"))
    if place == 0:
        return "100 %"
    share, low, high = (100 * float(values[place - 1]) for values in (curve.share, curve.low, curve.high))
    return tr(
        "{share} % ({low} to {high})",
        share=cldr.decimal(share, 0),
        low=cldr.decimal(low, 0),
        high=cldr.decimal(high, 0),
    )


def group_name(curve: Curve) -> str:
    """What a curve is of, and since which age."""
    name = {"all": tr("all"), PUMP: tr("pumps")}.get(curve.group, curve.group)
    return (
        name
        if curve.from_h == 0
        else tr("{name}, of those that reached {age} h", name=name, age=cldr.grouped(curve.from_h, 0))
    )


def need_table(needs: Sequence[Need]) -> list[dict[str, str]]:
    """Parts to have as rows of text, in metres and litres."""
    return [
        {
            "depot": one.depot, "part": one.part, "unit": one.unit or "pieces",
            "expected": "" if one.expected is None else f"{one.expected:.2f}", "enough": "" if one.enough is None else f"{one.enough:.2f}",
            "failed_now": f"{one.now:.2f}", "by_trend": f"{one.wearing:.2f}",
        }
        for one in needs
    ]  # fmt: skip


def as_object(told: Lasting, days: float) -> dict[str, Any]:
    """Everything for other programs."""
    return {
        "days": days,
        "vehicles": told.vehicles,
        "parts": [
            {"depot": one.depot, "part": one.part, "unit": one.unit or "pieces", "expected": _rounded(one.expected),
             "enough": _rounded(one.enough), "failed_now": _rounded(one.now), "by_trend": _rounded(one.wearing)}
            for one in told.needs
        ],
        "failures": told.failures,
        "more_often": as_rows(told.more_often),
        "same_age": as_rows(told.same_age),
        "lives": [
            {"what": what, "group": one.group, "parts": one.parts, "failures": one.failures, "from_ignition_hours": round(one.from_h, 1),
             "ignition_hours": _list(one.at_h, 1), "share": _list(one.share), "low": _list(one.low), "high": _list(one.high)}
            for what in FAILURES for one in told.curves[what]
        ],
    }  # fmt: skip


def _list(values: Any, digits: int = 4) -> list[float]:
    return [round(float(value), digits) for value in values]


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
