"""Money at risk and prices, in words."""

from collections.abc import Sequence
from typing import Final

from analytics.account.prices import LOOKED_AT, HourlyRate, Price, of_a_dry_hour
from dashboard.queries.prices import AtRisk

MODEL: Final = (
    "Money at risk is a model: the price of a dry hour, times the ignition hours since grease surely arrived, times the probability that"
    " the point is dry. The price of a dry hour is part, work and standstill over the hours that such a point lasts dry. The probability"
    f" is how often findings of that kind were not nothing, once {LOOKED_AT} were looked at; until then 1. Points without a price are not"
    " in it."
)
NO_PRICES: Final = (
    "No price is known, so no money is told. Say what an hour of work and of standstill costs (`tallow price rates`), and what a kind of"
    " point costs (`tallow price set`), or both under Set-up, Prices."
)


def money(value: float, currency: str) -> str:
    """EUR 1,240."""
    return f"{currency} {value:,.0f}"


def at_risk(told: AtRisk | None, currency: str) -> str:
    """EUR 1,240; not known, where nobody knows since when points are dry; nothing where none is."""
    if told is None:
        return ""
    if told.unknown and not told.money:
        return "not known"
    return f"at least {money(told.money, currency)}" if told.unknown else money(told.money, currency)


def price(one: Price, rate: HourlyRate | None) -> str:
    """Kingpin: part 120, 2 h of work, 4 h of standstill, lasts 500 h dry: EUR 1.50 a dry hour."""
    text = f"{one.point_kind}: part {one.part:g}, {one.work_h:g} h of work, {one.standstill_h:g} h of standstill"
    text += f", lasts {one.dry_life_h:g} h dry"
    return text if rate is None else f"{text}: {rate.currency} {of_a_dry_hour(one, rate):.2f} a dry hour"


def hourly(rate: HourlyRate | None) -> str:
    """EUR 65 an hour of work, 90 an hour of standstill."""
    if rate is None:
        return "Nobody has said what an hour costs."
    return f"{rate.currency} {rate.work:g} an hour of work, {rate.standstill:g} an hour of standstill"


def price_lines(prices: Sequence[Price], rate: HourlyRate | None) -> list[str]:
    """Everything that was said."""
    return [hourly(rate), *(price(one, rate) for one in prices)]
