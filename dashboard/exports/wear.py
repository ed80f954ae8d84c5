"""What gets worse slowly, in words."""

from typing import Any

from dashboard import formatting
from dashboard.queries.wear import Wearing
from ingest.times import rfc3339

WHAT = {"pressure": "pressure", "rest": "pressure left after the pump stopped", "supply": "supply voltage"}
MEANING = (
    "A straight line through the days' medians over ignition hours, temperature taken out; listed where the 95 % limits leave no doubt"
    " that it changes and it passes its limit within half a year at the present pace. What all lines of a pump do together is the grease"
    " and is taken out. It is a note, not an alarm: look at it with the next"
    " planned visit."
)


def where(one: Wearing) -> str:
    """Line 5, kingpin upper right; lines 1, 2, 3; the pump."""
    lines = one.trend.lines
    if not lines:
        return "pump"
    if len(lines) == 1:
        return f"line {lines[0]}, {one.points[0]}"
    return f"lines {', '.join(map(str, lines))}"


def change(one: Wearing) -> str:
    """+12 % in 1,000 ignition hours (+8 to +16)."""
    told = one.trend
    return f"{told.percent:+.0f} % in 1,000 ignition hours ({told.percent_low:+.0f} to {told.percent_high:+.0f})"


def passes(one: Wearing) -> str:
    """The month in which it is expected to pass its limit, and the earliest."""
    early_us, expected_us = one.trend.early_us, one.trend.expected_us
    if early_us is None or expected_us is None:
        return "not within half a year"
    early, expected = (f"{formatting.local(at, one.timezone):%b %Y}" for at in (early_us, expected_us))
    return expected if early == expected else f"{expected}, {early} at the earliest"


def as_object(one: Wearing) -> dict[str, Any]:
    """For other programs."""
    told = one.trend
    return {
        "fleet": one.fleet, "vehicle": one.vehicle, "what": told.what, "channel": told.channel, "lines": list(told.lines),
        "ignition_hours": told.hours, "percent_per_1000_h": told.percent, "percent_low": told.percent_low,
        "percent_high": told.percent_high, "changed_percent": told.changed_percent,
        "passes_early": None if told.early_us is None else rfc3339(told.early_us),
        "passes_expected": None if told.expected_us is None else rfc3339(told.expected_us),
    }  # fmt: skip
