"""Greases and the seasonal plan, in words."""

from typing import Any, Final

from analytics.planning.greases import AHEAD_WEEKS, SOURCE, Change, Grease
from dashboard import formatting
from dashboard.queries.greases import Season, SeasonRow

MEANING: Final = (
    f"By the normal cold of each of the next {AHEAD_WEEKS} weeks: what a tenth of the depot's own readings of that week of the year lie"
    " below, in the years that were recorded. A week of which nothing was read is not known, and says nothing. What to fill instead has the"
    " same thickener and can be pumped then by its data sheet; the maker's manual of the pump decides."
)
MIXING: Final = (
    f"Whether thickeners may meet is told by {SOURCE}, which is a guide only; other tables differ from it. Where they do, or where a"
    " thickener is not in it, ask the makers of both."
)
NO_GREASES: Final = (
    "No grease is listed yet, so nothing is told of cold or mixing. Enter each with thickener, grade and lowest pumpable temperature from"
    " its data sheet: under Set-up, Greases, or with `tallow grease add`."
)


def grease(one: Grease) -> str:
    """Lithium EP, NLGI 2: lithium, pumpable down to -20 °C."""
    return f"{one.called}: {one.thickener}, pumpable down to {temperature(one.lowest_c)}"


def temperature(celsius: float) -> str:
    """-20 °C, or in the unit of whoever asks."""
    return formatting.in_my_units(f"{celsius:.0f} °C")


def change(one: Change) -> str:
    """Before 30 Nov 2026 (week 49, normally -18 °C): NLGI 1 instead."""
    week = one.before.isocalendar().week
    instead = (
        f"fill {one.instead.called} instead"
        if one.instead is not None
        else f"no grease of the list with its thickener can be pumped at {temperature(one.coldest_c)}"
    )
    return f"before {formatting.day(one.before)} (week {week}, cold nights {temperature(one.low_c)}): {instead}"


def season(row: SeasonRow) -> str:
    """What to change at a depot."""
    units = ", ".join(row.units[:8]) + (f" and {len(row.units) - 8} more" if len(row.units) > 8 else "")
    return f"{row.depot}, {row.change.held.called}, {change(row.change)}. Vehicles: {units}"


def unknown(told: Season) -> list[str]:
    """What nobody knows."""
    lines = [f"{depot}: {called or 'a grease without a name'} is not on the list." for depot, called in told.unlisted]
    few = {depot: number for depot, number in told.known_weeks.items() if number < AHEAD_WEEKS}
    return lines + [f"{depot}: the cold of {number} of {AHEAD_WEEKS} weeks is known." for depot, number in few.items()]


def as_object(told: Season) -> dict[str, Any]:
    """For other programs."""
    return {
        "changes": [
            {"depot": one.depot, "grease": one.change.held.called, "before": str(one.change.before), "low_c": one.change.low_c,
             "coldest_c": one.change.coldest_c, "instead": one.change.instead and one.change.instead.called, "units": list(one.units)}
            for one in told.rows
        ],
        "not_listed": [{"depot": depot, "grease": called} for depot, called in told.unlisted],
        "known_weeks": told.known_weeks,
    }  # fmt: skip
