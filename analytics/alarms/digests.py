"""The digest of the day: one message to each recipient that lists what stands at a depot; a line of `outbox` like any other."""

import hashlib
from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine, insert, select, update

from analytics.alarms import depots, letters, records
from analytics.alarms.not_analysed import not_analysed
from analytics.alarms.outbox import due, name_of
from analytics.alarms.routes import Route, read_routes, recipients
from analytics.alarms.wording import ByHand, Told, digest, site
from ingest import schema
from ingest.database import writing
from ingest.languages import speaking
from ingest.setups import Setup
from ingest.times import instant

WITHIN_MIN: Final = 360  # a digest that could not be made for so long is left out
_DEPOT: Final = "digest_of"  # in the detail of a message


def make(engine: Engine, now_us: int) -> int:
    """Write down the digests of the day that are due by their depots' clocks; how many."""
    made = 0
    with engine.connect() as connection:
        people = [route for route in read_routes(connection) if not route.to_programs and not route.after_min]
        places = [(depot, zone) for depot, zone in letters.places(connection) if depot] if people else []
        wishes = {name: depots.depot(connection, name) for name, _ in places}
    for name, timezone in places:
        zone = ZoneInfo(timezone)
        at = instant(now_us).astimezone(zone)
        late_min = (at.hour * 60 + at.minute - wishes[name].digest_min) % (24 * 60)
        mine = [route for route in people if route.is_of(name)]
        if mine and late_min <= WITHIN_MIN:
            day = (at - timedelta(minutes=late_min)).date().isoformat()
            made += _make(engine, mine, wishes[name], zone, day, now_us)
    return made


def _make(engine: Engine, routes: Sequence[Route], wishes: depots.Depot, zone: ZoneInfo, day: str, now_us: int) -> int:
    """Those of one depot and day that nobody wrote down yet; how many have something to tell."""
    table, made, name = schema.outbox, 0, wishes.name
    place = hashlib.sha256(name.encode()).hexdigest()[:16]
    keys = {
        name_of(f"digest/{day}/{route.id}/{place}", one): (route, one)
        for route in routes
        for one in recipients(route.address)
    }
    with engine.connect() as connection:
        done = set(connection.execute(select(table.c.key).where(table.c.key.in_(list(keys)))).scalars())
        stands = _Standing(connection, name, now_us) if len(done) < len(keys) else None
    if stands is None:
        return 0
    with writing(engine) as connection:
        for key, (route, recipient) in keys.items():
            if connection.scalar(select(table.c.id).where(table.c.key == key)) is not None:
                continue
            text = stands.told(route)
            title, body = text or ("", "")
            due_us = now_us if route.at_any_hour else wishes.not_before(now_us, zone)
            nothing = {} if text else {"done_us": now_us, "dropped_why": "nothing stands"}
            values = {"made_us": now_us, "due_us": due_us, "title": title, "body": body, "detail": {_DEPOT: name}}
            connection.execute(
                insert(table).values(key=key, route_id=route.id, recipient=recipient or None, **values, **nothing)
            )
            made += text is not None
    return made


def renew(engine: Engine, now_us: int) -> None:
    """Say anew what was written down and waited, over quiet hours or a failing route: what stands now, of what may be told there now.
    Vehicles move meanwhile, and people come to see less."""
    table = schema.outbox
    with engine.connect() as connection:  # the usual case takes no lock
        if not any(_waiting(connection, now_us)):
            return
    with writing(engine) as connection:
        routes = {route.id: route for route in read_routes(connection)}
        for row in list(_waiting(connection, now_us)):
            route = routes.get(row.route_id)
            if route is None:  # removed: whoever delivers drops what waits for it
                continue
            text = _Standing(connection, row.detail[_DEPOT], now_us).told(route)
            if text is None:
                why = {"done_us": now_us, "dropped_why": "nothing stands any more of what may be told here"}
                connection.execute(update(table).where(table.c.id == row.id).values(**why))
            elif text != (row.title, row.body):
                connection.execute(update(table).where(table.c.id == row.id).values(title=text[0], body=text[1]))


def _waiting(connection: Connection, now_us: int) -> Iterator[Any]:
    """The digests that are to be sent now."""
    table = schema.outbox
    asked = select(table).where(table.c.alarm_id.is_(None), *due(now_us)).with_for_update(skip_locked=True)
    return (row for row in connection.execute(asked) if _DEPOT in row.detail)


class _Standing:
    """What stands at a depot, what is to be greased by hand there, and of which vehicles (fleet, name) nobody knows it."""

    def __init__(self, connection: Connection, depot: str, now_us: int) -> None:
        self.depot = depot
        self.alarms: list[tuple[Setup, Told]] = records.open_at(connection, depot)
        self.by_hand = _by_hand(connection, depot, now_us)
        who = schema.vehicle_summary.c.depot == depot
        self.unanalysed: list[tuple[str, str]] = [
            (row.fleet, f"{row.unit} ({row.vehicle})") for row in connection.execute(not_analysed(now_us, who))
        ]

    def told(self, route: Route) -> tuple[str, str] | None:
        """(title, text) for who reads there; None where nothing stands of what may be told there."""
        chosen = [
            one for one in self.alarms if route.takes(one[0].fleet, self.depot, one[1].severity, one[1].kind.group)
        ]
        by_hand = _heard_by(route, self.depot, self.by_hand)
        group = (route.groups or ("refill",))[0]  # of no kind, since it may be of any
        unknown = [unit for fleet, unit in self.unanalysed if route.takes(fleet, self.depot, "act_now", group)]
        if not any(told.stands for _, told in chosen) and not by_hand.due and not unknown:
            return None
        with speaking(route.language):
            return digest(self.depot, chosen, site(), by_hand, unknown)


def _by_hand(connection: Connection, depot: str, now_us: int) -> list[tuple[str, bool]]:
    """What is due to be greased by hand at a depot, by the newest analyses: (fleet, whether steering or braking depends on it) of each."""
    table, who = schema.hand_due, schema.vehicle_summary
    due = (
        select(who.c.fleet, table.c.critical)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(who.c.depot == depot, ~who.c.sold, table.c.due_us <= now_us)
    )
    return [(row.fleet, row.critical) for row in connection.execute(due)]


def _heard_by(route: Route, depot: str, due: Sequence[tuple[str, bool]]) -> ByHand:
    """What a route hears of it: as of refills, which it goes with."""
    mine = [
        critical for fleet, critical in due if route.takes(fleet, depot, "act_now" if critical else "plan", "refill")
    ]
    return ByHand(len(mine), sum(mine))
