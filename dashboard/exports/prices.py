"""Money at risk and prices, in words."""

from collections.abc import Sequence
from typing import Final

from analytics.account.prices import LOOKED_AT, HourlyRate, Price, of_a_dry_hour
from dashboard.queries.prices import AtRisk
from ingest.languages import cldr, later, tr

_MODEL: Final = later(
    "Money at risk is a model: the price of a dry hour, times the ignition hours since grease surely arrived, times the probability that"
    " the point is dry. The price of a dry hour is part, work and standstill over the hours that such a point lasts dry. The probability"
    " is how often findings of that kind were not nothing, once {number} were looked at; until then 1. Points without a price are not"
    " in it."
)
NO_PRICES: Final = later(
    "No price is known, so no money is told. Say what an hour of work and of standstill costs (tallow price rates), and what a kind of"
    " point costs (tallow price set), or both under Set-up, Prices."
)


def model() -> str:
    """What money at risk is."""
    return tr(_MODEL, number=LOOKED_AT)


def money(value: float, currency: str) -> str:
    """EUR 1,240."""
    return f"{currency} {cldr.grouped(value)}"


def at_risk(told: AtRisk | None, currency: str) -> str:
    """EUR 1,240; not known, where nobody knows since when points are dry; nothing where none is."""
    if told is None:
        return ""
    if told.unknown and not told.money:
        return tr("not known")
    return tr("at least {money}", money=money(told.money, currency)) if told.unknown else money(told.money, currency)


def price(one: Price, rate: HourlyRate | None) -> str:
    """Kingpin: part 120, 2 h of work, 4 h of standstill, lasts 500 h dry: EUR 1.50 a dry hour."""
    text = tr(
        "{point}: part {part}, {work} h of work, {standstill} h of standstill",
        point=one.point_kind,
        part=cldr.plain(one.part),
        work=cldr.plain(one.work_h),
        standstill=cldr.plain(one.standstill_h),
    )
    text += tr(", lasts {life} h dry", life=cldr.plain(one.dry_life_h))
    return (
        text
        if rate is None
        else tr(
            "{price}: {currency} {amount} a dry hour",
            price=text,
            currency=rate.currency,
            amount=cldr.decimal(of_a_dry_hour(one, rate), 2),
        )
    )


def hourly(rate: HourlyRate | None) -> str:
    """EUR 65 an hour of work, 90 an hour of standstill."""
    if rate is None:
        return tr("Nobody has said what an hour costs.")
    return tr(
        "{currency} {work} an hour of work, {standstill} an hour of standstill",
        currency=rate.currency,
        work=cldr.plain(rate.work),
        standstill=cldr.plain(rate.standstill),
    )


def price_lines(prices: Sequence[Price], rate: HourlyRate | None) -> list[str]:
    """Everything that was said."""
    return [hourly(rate), *(price(one, rate) for one in prices)]
