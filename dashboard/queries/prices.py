"""What leads say that points cost, and the money at risk on vehicles by it."""

from collections.abc import Collection, Iterable
from dataclasses import asdict, dataclass
from typing import Any, Final

from sqlalchemy import Connection, Engine, case, delete, func, insert, literal, select
from sqlalchemy.sql.selectable import Subquery

from analytics.account.found import tallies
from analytics.account.points import point_kind
from analytics.account.prices import HourlyRate, Price, checked_price, checked_rate, of_a_dry_hour, probabilities
from dashboard.queries.found import read_verdicts
from dashboard.queries.patterns import latest_setups
from dashboard.queries.scope import Scope, visible, within
from ingest import schema
from ingest.errors import Problem

MOST: Final = 500


@dataclass(frozen=True, kw_only=True)
class AtRisk:
    """Money at risk on a vehicle, and how many points there are of which nobody knows since when they are dry."""

    money: float
    unknown: int


@dataclass(frozen=True, kw_only=True)
class RiskRow:
    """A vehicle with it."""

    fleet: str
    vehicle: str
    unit: str
    depot: str
    at_risk: AtRisk


def read_prices(connection: Connection) -> list[Price]:
    """What was said, by kind of point."""
    table = schema.price
    rows = connection.execute(select(table).order_by(table.c.point_kind)).mappings()
    return [Price(**{name: value for name, value in row.items() if name != "changed_us"}) for row in rows]


def read_rate(connection: Connection) -> HourlyRate | None:
    """What an hour costs; None where nobody has said it."""
    table = schema.hourly_rate
    row = connection.execute(select(table.c.currency, table.c.work, table.c.standstill)).mappings().one_or_none()
    return None if row is None else HourlyRate(**row)


def keep_price(connection: Connection, price: Price, now_us: int) -> None:
    """Keep a price; one of its kind is replaced. Raises Problem."""
    table, values = schema.price, asdict(checked_price(price))
    connection.execute(delete(table).where(table.c.point_kind == price.point_kind))
    connection.execute(insert(table).values(**values, changed_us=now_us))


def drop_price(connection: Connection, kind: str) -> None:
    """Forget a price. Raises Problem where there is none."""
    table = schema.price
    if not connection.execute(delete(table).where(table.c.point_kind == kind)).rowcount:
        raise Problem(f"there is no price of {kind!r}")


def keep_rate(connection: Connection, rate: HourlyRate) -> None:
    """Keep what an hour costs. Raises Problem."""
    checked_rate(rate)
    connection.execute(delete(schema.hourly_rate))
    connection.execute(insert(schema.hourly_rate).values(id=1, **asdict(rate)))


def point_kinds(engine: Engine) -> list[str]:
    """The kinds of point on line lists."""
    line, latest, who = schema.line, latest_setups(), schema.vehicle_summary
    asked = (
        select(line.c.point)
        .join(latest, latest.c.id == line.c.setup_id)
        .join(who, who.c.vehicle_id == latest.c.vehicle_id)
        .where(latest.c.number == 1, *visible(who))
        .distinct()
    )
    with engine.connect() as connection:
        return sorted({point_kind(point) for point in connection.execute(asked).scalars()})


@dataclass(frozen=True)
class Priced:
    """What prices say, ready to be asked for: by vehicle, `money` and `unknown`; in a currency."""

    currency: str
    by_vehicle: Subquery
    by_point: Subquery  # vehicle_id, line, finding, money, unknown


@dataclass(frozen=True)
class PointAtRisk:
    """A dry point with a price: its line, the kind of finding that says it is dry, and what is at risk."""

    line: int
    finding: str
    at_risk: AtRisk


def together(points: Iterable[PointAtRisk]) -> AtRisk | None:
    """What is at risk on some points; None where there are none."""
    told = [one.at_risk for one in points]
    return AtRisk(money=sum(one.money for one in told), unknown=sum(one.unknown for one in told)) if told else None


def of_finding(points: Iterable[PointAtRisk], kind: str, lines: Collection[int]) -> AtRisk | None:
    """What is at risk on the points that a finding of this kind says are dry: those of its lines, of all where it names none."""
    return together(one for one in points if one.finding == kind and (not lines or one.line in lines))


def dry_points(connection: Connection, priced: Priced, ids: Collection[int]) -> dict[int, list[PointAtRisk]]:
    """Vehicle id -> its dry points with a price, of those of these vehicles that whoever asks may see."""
    who, told = schema.vehicle_summary, priced.by_point
    asked = (
        select(told).join(who, who.c.vehicle_id == told.c.vehicle_id).where(who.c.vehicle_id.in_(ids), *visible(who))
    )
    found: dict[int, list[PointAtRisk]] = {}
    for r in connection.execute(asked):
        one = PointAtRisk(r.line, r.finding, AtRisk(money=r.money, unknown=r.unknown))
        found.setdefault(r.vehicle_id, []).append(one)
    return found


def read_priced(connection: Connection) -> Priced | None:
    """Money at risk by vehicle, as a query; None where there is no price, or nobody said what an hour costs."""
    rate, prices = read_rate(connection), read_prices(connection)
    if rate is None or not prices:
        return None
    table = schema.dry_point
    an_hour = case({one.point_kind: of_a_dry_hour(one, rate) for one in prices}, value=table.c.point_kind, else_=0.0)
    known = probabilities(tallies(read_verdicts(connection)))
    chance: Any = case(known, value=table.c.finding, else_=1.0) if known else literal(1.0)
    point = (
        select(
            table.c.vehicle_id,
            table.c.line,
            table.c.finding,
            (func.coalesce(table.c.hours, 0.0) * an_hour * chance).label("money"),
            case((table.c.hours.is_(None), 1), else_=0).label("unknown"),
        )
        .where(table.c.point_kind.in_([one.point_kind for one in prices]))
        .subquery()
    )
    sums = (func.sum(point.c[name]).label(name) for name in ("money", "unknown"))
    vehicle = select(point.c.vehicle_id, *sums).group_by(point.c.vehicle_id).subquery()
    return Priced(rate.currency, vehicle, point)


def read_at_risk(connection: Connection, priced: Priced, ids: Collection[int]) -> dict[tuple[str, str], AtRisk]:
    """(fleet, vehicle) -> money at risk, of those of these vehicles that have dry points with a price."""
    who, told = schema.vehicle_summary, priced.by_vehicle
    asked = (
        select(who.c.fleet, who.c.vehicle, told.c.money, told.c.unknown)
        .join(told, told.c.vehicle_id == who.c.vehicle_id)
        .where(who.c.vehicle_id.in_(ids), *visible(who))
    )
    return {(r.fleet, r.vehicle): AtRisk(money=r.money, unknown=r.unknown) for r in connection.execute(asked)}


def at_risk(connection: Connection, priced: Priced, scope: Scope, most: int = MOST) -> list[RiskRow]:
    """The vehicles with most money at risk."""
    who, told = schema.vehicle_summary, priced.by_vehicle
    asked = (
        select(who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot, told.c.money, told.c.unknown)
        .join(told, told.c.vehicle_id == who.c.vehicle_id)
        .where(~who.c.sold, *within(who, scope))
        .order_by(told.c.money.desc(), told.c.unknown.desc(), who.c.fleet, who.c.vehicle)
        .limit(most)
    )
    return [
        RiskRow(fleet=r.fleet, vehicle=r.vehicle, unit=r.unit, depot=r.depot, at_risk=AtRisk(money=r.money, unknown=r.unknown))
        for r in connection.execute(asked)
    ]  # fmt: skip
