"""The month's report that goes out by itself: to each route of people, once, of its depot or of all depots."""

from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy import Engine

from analytics.alarms import depots, letters
from dashboard.accounts import OPERATOR, acting_as
from dashboard.exports.report import as_text, title
from dashboard.queries import account
from dashboard.queries.report import read_report
from dashboard.queries.scope import Scope, has_vehicles
from ingest.database import writing
from ingest.times import instant

FIRST_DAY: Final = 3  # of the month after: by then most of what vehicles kept to themselves has come
LAST_DAY: Final = 9  # later nobody waits for it any more


def post_reports(engine: Engine, now_us: int) -> int:
    """Write down the reports of the last month that are due by their depots' clocks; to how many recipients. `outbox` delivers them."""
    with acting_as(OPERATOR):
        return sum(_post(engine, depot, now_us) for depot in _asked(engine, now_us))


def _asked(engine: Engine, now_us: int) -> list[str]:
    """The depots ("": all) whose routes wait for their report."""
    with engine.connect() as connection:
        return [
            depot
            for depot, zone in letters.places(connection)
            if (at := instant(now_us).astimezone(ZoneInfo(zone)))
            and FIRST_DAY <= at.day <= LAST_DAY
            and at.hour * 60 + at.minute >= depots.depot(connection, depot).digest_min
            and letters.unposted(connection, _key(at), depot)
        ]


def _post(engine: Engine, depot: str, now_us: int) -> int:
    with engine.connect() as connection:
        zone = dict(letters.places(connection))[depot]
    at, scope = instant(now_us).astimezone(ZoneInfo(zone)), Scope(depot=depot)
    # Of whom nothing is accounted for somebody has to hear, too.
    if _month(at) not in account.months(engine, scope) and not has_vehicles(engine, scope):
        return 0
    told = read_report(engine, _month(at), scope)
    with writing(engine) as connection:
        return letters.post(connection, _key(at), depot, title(told), as_text(told), now_us, own=True)


def _month(at: datetime) -> str:
    """The month before."""
    return f"{at.replace(day=1) - timedelta(days=1):%Y-%m}"


def _key(at: datetime) -> str:
    return f"monthly/{_month(at)}"
