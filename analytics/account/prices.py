"""What a dry hour costs: a model, of what the lead says and of what was found.

A point that runs dry lasts so many hours; then it costs a part, hours of work and hours of standstill. An hour without grease is worth
its share of that. Money at risk is that price, times the ignition hours since grease surely arrived, times the probability that the point
is dry at all: that findings of the kind which says so were not nothing, by those who went there, once LOOKED_AT of them were looked
at; until then they are taken as true. No price is assumed, and points of a kind without one are not in it.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from analytics.account.found import Tally
from ingest.errors import Problem

LOOKED_AT: Final = 5
_MOST: Final = 1e9


@dataclass(frozen=True, kw_only=True)
class Price:
    """Of a kind of point: a new part in the lead's currency, hours of work, hours that the machine stands, and ignition hours that
    such a point lasts once it runs dry."""

    point_kind: str
    part: float
    work_h: float
    standstill_h: float
    dry_life_h: float


@dataclass(frozen=True, kw_only=True)
class HourlyRate:
    """What an hour of work and an hour of standstill cost."""

    currency: str
    work: float
    standstill: float


def checked_price(price: Price) -> Price:
    """The same. Raises Problem where it cannot be meant."""
    for name in ("part", "work_h", "standstill_h"):
        if not 0 <= getattr(price, name) <= _MOST:
            raise Problem(f"{name}: a number from 0 on")
    if not (math.isfinite(price.dry_life_h) and 1 <= price.dry_life_h <= _MOST):
        raise Problem("dry_life_h: at least one ignition hour")
    if not price.point_kind.strip() or len(price.point_kind) > 256:
        raise Problem("name the kind of point")
    return price


def checked_rate(rate: HourlyRate) -> HourlyRate:
    """The same. Raises Problem where it cannot be meant."""
    if not (rate.currency.isalpha() and 1 <= len(rate.currency) <= 8):
        raise Problem("currency: letters, such as EUR")
    if not (0 <= rate.work <= _MOST and 0 <= rate.standstill <= _MOST):
        raise Problem("an hourly rate is a number from 0 on")
    return rate


def of_a_dry_hour(price: Price, rate: HourlyRate) -> float:
    """What an ignition hour without grease is worth."""
    return (price.part + price.work_h * rate.work + price.standstill_h * rate.standstill) / price.dry_life_h


def probabilities(told: Iterable[Tally]) -> dict[str, float]:
    """Kind of finding -> probability that something was wrong where it said so (mean of a beta by Jeffreys); kinds of which too few were
    looked at are left out: 1."""
    return {one.kind: (one.true.of - one.nothing + 0.5) / (one.true.of + 1) for one in told if one.true.of >= LOOKED_AT}
