"""How well the pressure model fits, in words and as rows of text."""

from typing import Final

from analytics.vehicle.model_check import FEWEST, Check, Remark
from dashboard import accounts
from dashboard.line_numbers import line_numbers
from ingest.languages import cldr, later, tr, trn

MEANING: Final = later(
    "What is left of each channel's readings once temperature, grease and the line's own past are taken out. Where it is more than noise,"
    " findings on that channel come late or may be wrong: first make sure what is listed here, then believe them."
)
# What is wrong in short, and what to do about it.
WORDS: Final[dict[Remark, str]] = {
    "leans": later("follows the temperature"),
    "remembers": later("goes on from cycle to cycle"),
    "wide": later("scatters widely"),
    "outside": later("often beyond its limits"),
}
TO_DO: Final[dict[Remark, str]] = {
    "leans": later(
        "Is the temperature sensor at the pump, neither in the sun nor at something hot? Are the grease and grade of the set-up those"
        " that are filled?"
    ),
    "remembers": later(
        "Something slow moves that is not recorded. Look at this channel's slow changes; record work on the line, another grease,"
        " or another sensor that nobody entered."
    ),
    "wide": later(
        "A blockage is told later than elsewhere. Look at the sensor: its plug, supply, range and resolution."
    ),
    "outside": later(
        "It scatters more at times. Look for a loose plug, air after fills, or a line that the set-up shares with another."
    ),
}


def what(one: Check) -> str:
    """What is wrong with a channel; that the model fits, or that it is not known where too few readings tell."""
    if one.worst is None:
        return tr("not known: {readings} sound readings, it takes {fewest}", readings=one.readings, fewest=FEWEST)
    return ", ".join(tr(WORDS[name]) for name in one.remarks) or tr("the model fits")


def spread(one: Check) -> str:
    """One standard deviation."""
    return (
        tr("not known") if one.spread_percent is None else f"±{cldr.decimal(one.spread_percent, 0)}\N{NO-BREAK SPACE}%"
    )


def outside(one: Check) -> str:
    """Share outside limits that should hold 95 %."""
    return tr("not known") if one.outside is None else f"{cldr.decimal(100 * one.outside, 0)}\N{NO-BREAK SPACE}%"


def memory(one: Check) -> str:
    """Correlation of a reading with the next, and what pure noise would have."""
    if one.memory is None or one.memory_limit is None:
        return tr("not known")
    return f"{_signed(one.memory, 2)} (±{cldr.decimal(one.memory_limit, 2)})"


def lean(one: Check) -> str:
    """Percent in ten degrees with its limits."""
    if one.lean_percent is None or one.lean_low is None or one.lean_high is None:
        return tr("not known")
    return tr(
        "{share} % ({low} to {high})",
        share=_signed(one.lean_percent), low=_signed(one.lean_low), high=_signed(one.lean_high),
    )  # fmt: skip


def _signed(value: float, digits: int = 1) -> str:
    shown = round(value, digits) + 0.0  # no zero below zero
    return f"{'+' if shown >= 0 else ''}{cldr.decimal(shown, digits)}"


def heads() -> tuple[str, ...]:
    """What the figures are, and what they should be; ten degrees are eighteen for who reads in those."""
    step = "18 °F" if accounts.my_units().temperature == "°F" else "10 °C"
    return (
        tr("Spread"),
        tr("Outside limits (5 % is right)"),
        tr("Memory (noise: within)"),
        tr("Per {step} (95 % limits)", step=step),
    )


def where(one: Check) -> str:
    """Which lines a channel watches."""
    lines = trn("line {lines}", "lines {lines}", len(one.lines), lines=line_numbers(one.lines))
    return f"{one.channel} ({lines})" if one.lines else one.channel
