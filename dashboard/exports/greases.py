"""Greases and the seasonal plan, in words."""

from typing import Any, Final

from analytics.planning.greases import AHEAD_WEEKS, SOURCE, Change, Grease
from dashboard import formatting
from dashboard.queries.greases import Season, SeasonRow
from ingest.languages import later, tr

_MEANING: Final = later(
    "By the normal cold of each of the next {weeks} weeks: what a tenth of the depot's own readings of that week of the year lie"
    " below, in the years that were recorded. A week of which nothing was read is not known, and says nothing. What to fill instead has the"
    " same thickener and can be pumped then by its data sheet; the maker's manual of the pump decides."
)
_MIXING: Final = later(
    "Whether thickeners may meet is told by {source}, which is a guide only; other tables differ from it. Where they do, or where a"
    " thickener is not in it, ask the makers of both."
)
NO_GREASES: Final = later(
    "No grease is listed yet, so nothing is told of cold or mixing. Enter each with thickener, grade and lowest pumpable temperature from"
    " its data sheet: under Set-up, Greases, or with tallow grease add."
)


def meaning() -> str:
    """How the seasonal plan comes about."""
    return tr(_MEANING, weeks=AHEAD_WEEKS)


def mixing() -> str:
    """Who says whether thickeners may meet."""
    return tr(_MIXING, source=SOURCE)


def grease(one: Grease) -> str:
    """Lithium EP, NLGI 2: lithium, pumpable down to -20 °C."""
    return tr(
        "{called}: {thickener}, pumpable down to {temperature}",
        called=one.called,
        thickener=one.thickener,
        temperature=temperature(one.lowest_c),
    )


def temperature(celsius: float) -> str:
    """-20 °C, or in the unit of whoever asks."""
    return formatting.in_my_units(f"{celsius:.0f} °C")


def change(one: Change) -> str:
    """Before 30 Nov 2026 (week 49, normally -18 °C): NLGI 1 instead."""
    week = one.before.isocalendar().week
    instead = (
        tr("fill {grease} instead", grease=one.instead.called)
        if one.instead is not None
        else tr(
            "no grease of the list with its thickener can be pumped at {temperature}",
            temperature=temperature(one.coldest_c),
        )
    )
    return tr(
        "before {day} (week {week}, cold nights {temperature}): {instead}",
        day=formatting.day(one.before),
        week=week,
        temperature=temperature(one.low_c),
        instead=instead,
    )


def season(row: SeasonRow) -> str:
    """What to change at a depot."""
    units = ", ".join(row.units[:8])
    if len(row.units) > 8:
        units += f" {tr('and {left} more', left=len(row.units) - 8)}"
    return tr(
        "{depot}, {grease}, {change}. Vehicles: {units}",
        depot=row.depot, grease=row.change.held.called, change=change(row.change), units=units,
    )  # fmt: skip


def unknown(told: Season) -> list[str]:
    """What nobody knows."""
    lines = [
        tr("{depot}: {grease} is not on the list.", depot=depot, grease=called or tr("a grease without a name"))
        for depot, called in told.unlisted
    ]
    few = {depot: number for depot, number in told.known_weeks.items() if number < AHEAD_WEEKS}
    return lines + [
        tr(
            "{depot}: the cold of {number} of {all} weeks is known.",
            depot=depot,
            number=number,
            all=AHEAD_WEEKS,
        )
        for depot, number in few.items()
    ]


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
