"""How well the pressure model fits, in words and as rows of text."""

from typing import Final

from analytics.vehicle.model_check import FEWEST, Check, Remark
from dashboard import accounts

MEANING: Final = (
    "What is left of each channel's readings once temperature, grease and the line's own past are taken out. Where it is more than noise,"
    " findings on that channel come late or may be wrong: first make sure what is listed here, then believe them."
)
# What is wrong in short, and what to do about it.
WORDS: Final[dict[Remark, str]] = {
    "leans": "follows the temperature",
    "remembers": "goes on from cycle to cycle",
    "wide": "scatters widely",
    "outside": "often beyond its limits",
}
TO_DO: Final[dict[Remark, str]] = {
    "leans": "Is the temperature sensor at the pump, neither in the sun nor at something hot? Are the grease and grade of the set-up those"
    " that are filled?",
    "remembers": "Something slow moves that is not recorded. Look at this channel's slow changes; record work on the line, another grease,"
    " or another sensor that nobody entered.",
    "wide": "A blockage is told later than elsewhere. Look at the sensor: its plug, supply, range and resolution.",
    "outside": "It scatters more at times. Look for a loose plug, air after fills, or a line that the set-up shares with another.",
}


def what(one: Check) -> str:
    """What is wrong with a channel; that the model fits, or that it is not known where too few readings tell."""
    if one.worst is None:
        return f"not known: {one.readings} sound readings, it takes {FEWEST}"
    return ", ".join(WORDS[name] for name in one.remarks) or "the model fits"


def spread(one: Check) -> str:
    """One standard deviation."""
    return "not known" if one.spread_percent is None else f"±{one.spread_percent:.0f} %"


def outside(one: Check) -> str:
    """Share outside limits that should hold 95 %."""
    return "not known" if one.outside is None else f"{100 * one.outside:.0f} %"


def memory(one: Check) -> str:
    """Correlation of a reading with the next, and what pure noise would have."""
    if one.memory is None or one.memory_limit is None:
        return "not known"
    return f"{one.memory:+.2f} (±{one.memory_limit:.2f})"


def lean(one: Check) -> str:
    """Percent in ten degrees with its limits."""
    if one.lean_percent is None or one.lean_low is None or one.lean_high is None:
        return "not known"
    return f"{one.lean_percent:+.1f} % ({one.lean_low:+.1f} to {one.lean_high:+.1f})"


def heads() -> tuple[str, ...]:
    """What the figures are, and what they should be; ten degrees are eighteen for who reads in those."""
    step = "18 °F" if accounts.my_units().temperature == "°F" else "10 °C"
    return "Spread", "Outside limits (5 % is right)", "Memory (noise: within)", f"In {step} (95 % limits)"


def where(one: Check) -> str:
    """Which lines a channel watches."""
    watched = ", ".join(map(str, one.lines))
    return f"{one.channel} (line{'s' * (len(one.lines) != 1)} {watched})" if one.lines else one.channel
