"""What is said of a thing that gets worse slowly. How it is found stands in `vehicle/wear.py`."""

from dataclasses import dataclass
from typing import Literal

What = Literal["pressure", "rest", "rise", "supply", "dose"]
Baseline = Literal["commissioning", "first month"]


@dataclass(frozen=True, kw_only=True)
class Trend:
    """The trend of one thing on a channel (None: the pump), over `hours` of ignition: percent in 1,000 hours with 95 % limits, percent
    by which it has changed since its baseline, and when it is expected to pass its limit, at the earliest and most likely (None: not
    within half a year, or not that way). `worsens` where the limits leave no doubt that it changes, and it passes by then. `latest` is
    how it stands at the usual temperature: kPa, share of the peak, seconds, volts, or litres a cycle."""

    what: What
    channel: str | None
    lines: tuple[int, ...]
    hours: float
    percent: float
    percent_low: float
    percent_high: float
    changed_percent: float
    baseline: Baseline
    latest: float
    early_us: int | None
    expected_us: int | None
    worsens: bool
