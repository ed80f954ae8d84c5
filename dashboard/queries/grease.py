"""Litres of grease by month, depot and grease."""

from sqlalchemy import Engine, func, select

from analytics.planning.usage import AHEAD_DAYS, Amount
from dashboard.queries.scope import EVERYTHING, Scope, visible, within
from ingest import schema


def read_amounts(engine: Engine, scope: Scope = EVERYTHING) -> list[Amount]:
    """Litres of a scope by month, depot and grease, in that order. A month counts at the depot at which the vehicle was then."""
    table, who = schema.supply, schema.vehicle_summary
    chosen = visible(who, depot=table.c.depot)
    chosen += [who.c.fleet == scope.fleet] if scope.fleet else []
    chosen += [table.c.depot == scope.depot] if scope.depot else []
    keys = table.c.month, table.c.depot, table.c.grease
    sums = (func.sum(table.c[name]) for name in ("used_l", "filled_l", "held_l", "unaccounted_l"))
    with engine.connect() as connection:
        rows = connection.execute(
            select(*keys, func.count(), *sums)
            .join(who, who.c.vehicle_id == table.c.vehicle_id)
            .where(*chosen)
            .group_by(*keys)
            .order_by(*keys)
        )
        return [Amount(*row) for row in rows]


def read_ahead_l(engine: Engine, scope: Scope = EVERYTHING) -> dict[tuple[str, str], float]:
    """(depot, grease) -> litres that the cycles of the next AHEAD_DAYS will use, at their present pace."""
    table = schema.vehicle_summary
    chosen = [~table.c.sold, table.c.use_l_a_day > 0, *within(table, scope)]
    keys = table.c.depot, table.c.grease
    with engine.connect() as connection:
        rows = connection.execute(
            select(*keys, func.sum(table.c.use_l_a_day)).where(*chosen).group_by(*keys).order_by(*keys)
        )
        return {(place, grease): litres * AHEAD_DAYS for place, grease, litres in rows}
