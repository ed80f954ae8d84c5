"""What gets worse slowly, in words."""

from typing import Any

from analytics.trends import Trend
from dashboard import formatting
from dashboard.line_numbers import line_numbers
from dashboard.queries.wear import Wearing
from ingest.languages import Words, cldr, later, tr, trn
from ingest.times import rfc3339

WHAT = Words(
    {
        "pressure": later("pressure"),
        "rest": later("pressure left after the pump stopped"),
        "rise": later("time in which pressure rises"),
        "supply": later("supply voltage"),
        "dose": later("grease per cycle"),
    }
)
# `Trend.latest` for other programs.
LATEST = {"pressure": "kpa", "rest": "share_of_peak", "rise": "rise_s", "supply": "supply_v", "dose": "litres_a_cycle"}
AGAINST = Words(
    {"commissioning": later("since it was commissioned"), "first month": later("since its first sound month")}
)
MEANING = later(
    "A straight line through the days' medians over ignition hours, temperature taken out; listed where the 95 % limits leave no doubt"
    " that it changes and it passes its limit within half a year at the present pace. What all lines of a pump do together is taken out of"
    " their pressures and told of the pump: it wears, or its grease is another one. How fast pressure rises is known only where controllers"
    " send its course; grease per cycle is what left the reservoir over what the line list says. It is a note, not an alarm: look at it"
    " with the next"
    " planned visit."
)


def where(one: Wearing) -> str:
    """Line 5, kingpin upper right; lines 1 to 3; the pump."""
    lines = one.trend.lines
    if not lines:
        return tr("pump")
    if len(lines) == 1:
        return tr("line {line}, {point}", line=lines[0], point=one.points[0])
    return trn("line {lines}", "lines {lines}", len(lines), lines=line_numbers(lines))


def change(one: Wearing) -> str:
    """+12 % in 1,000 ignition hours (+8 to +16), +6 % since it was commissioned."""
    return f"{in_1000_h(one.trend)}, {since(one.trend)}"


def in_1000_h(told: Trend) -> str:
    """+12 % in 1,000 ignition hours (+8 to +16)."""
    return tr(
        "{change} % in 1,000 ignition hours ({low} to {high})",
        change=cldr.signed(told.percent), low=cldr.signed(told.percent_low), high=cldr.signed(told.percent_high),
    )  # fmt: skip


def since(told: Trend) -> str:
    """+6 % since it was commissioned."""
    return f"{told.changed_percent:+.0f} % {AGAINST[told.baseline]}"


def latest(told: Trend) -> str:
    """How it stands now, at the usual temperature, in the reader's units."""
    if told.what == "pressure":
        return formatting.pressure(told.latest)
    if told.what == "rest":
        return tr("{share} % of the peak", share=cldr.decimal(100 * told.latest, 0))
    if told.what == "rise":
        return f"{cldr.decimal(told.latest, 0)} s"
    if told.what == "supply":
        return f"{cldr.decimal(told.latest, 1)} V"
    return tr("{amount} cm3 a cycle", amount=cldr.decimal(1000 * told.latest, 2))


def passes(one: Wearing) -> str:
    """The month in which it is expected to pass its limit, and the earliest."""
    return passes_in(one.trend, one.timezone)


def passes_in(told: Trend, timezone: str) -> str:
    """The same of a trend alone."""
    early_us, expected_us = told.early_us, told.expected_us
    if early_us is None or expected_us is None:
        return tr("not within half a year")
    early, expected = (cldr.month(formatting.local(at, timezone)) for at in (early_us, expected_us))
    return expected if early == expected else tr("{expected}, {early} at the earliest", expected=expected, early=early)


def as_object(one: Wearing) -> dict[str, Any]:
    """For other programs."""
    told = one.trend
    return {
        "fleet": one.fleet, "vehicle": one.vehicle, "what": told.what, "channel": told.channel, "lines": list(told.lines),
        "ignition_hours": told.hours, "percent_per_1000_h": told.percent, "percent_low": told.percent_low,
        "percent_high": told.percent_high, "changed_percent": told.changed_percent, "baseline": told.baseline,
        LATEST[told.what]: told.latest,
        "passes_early": None if told.early_us is None else rfc3339(told.early_us),
        "passes_expected": None if told.expected_us is None else rfc3339(told.expected_us),
    }  # fmt: skip
