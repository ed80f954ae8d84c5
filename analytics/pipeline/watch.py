"""Keeps results, alarms and deliveries up to date for as long as it is let: what `tallow watch` does."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import structlog
from prometheus_client import CollectorRegistry
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector
from sqlalchemy import Engine, func, select
from sqlalchemy.exc import DBAPIError

from analytics.alarms import digests, not_recorded, outbox, records, transports
from analytics.alarms.performance import NEEDED_DAYS, read_figures
from analytics.alarms.routes import read_routes
from analytics.pipeline import claims, results
from analytics.pipeline.results import Wanting
from analytics.pipeline.workers import Stopped, Workers
from ingest import schema, strangers
from ingest.database import reachable, writing
from ingest.errors import Unreachable
from ingest.metrics import application
from ingest.times import machine_us, now_us, pace

if TYPE_CHECKING:
    from wsgiref.types import WSGIApplication

log = structlog.get_logger("tallow.watch")

STALE_US = 3_600_000_000  # all vehicles are analysed again once an hour: time passes, whatever is heard
_HURRY = 10.0  # in a demo, whose time runs faster, they are analysed no more often than so many times an hour of the machine's
OLD_A_PASS = 200  # vehicles that are analysed for their age only: the rest waits for the next pass
PASS_S = 60.0  # then what has run out meanwhile is looked at, before more is analysed
DELIVER_EVERY_S = 2.0
LATE_S = 300.0  # a batch of a cluster's may take so long
TIDY_EVERY_S = 3_600.0
ASK_EVERY_S = 60.0
MOST_PASSES = 2  # that a vehicle with news may have to wait for
LEAVE_S = 2.0  # so long a message that is on its way may take when told to stop; it is sent again else


def look(
    engine: Engine, pool: Workers, clock: Callable[[], int], enough: Callable[[], bool] = lambda: False
) -> tuple[int, int]:
    """One pass: (vehicles analysed because of news or age, alarms changed). A vehicle's alarms follow at once, and without news or age
    it costs a few queries; it ends early once there is `enough`."""
    analysed = changed = 0
    with engine.connect() as connection:
        waiting = records.due(connection, clock())
    for vehicle_id in waiting:
        with writing(engine) as connection:
            changed += records.bring_up(connection, vehicle_id, clock())
    stale_us = int(STALE_US * max(1.0, pace() / _HURRY))
    found = results.renew(engine, clock, pool, lambda done, of: None, Wanting(stale_us, OLD_A_PASS))
    with closing(found):
        for outcome in found:
            analysed += 1
            with writing(engine) as connection:
                changed += records.bring_up(connection, outcome.vehicle_id, max(clock(), outcome.as_of_us))
            if enough():
                break
    return analysed, changed


def deliver(
    engine: Engine, at_us: Callable[[], int], send: transports.Send, step: Callable[[str], None] = lambda _: None,
    enough: Callable[[], bool] = lambda: False,
) -> int:  # fmt: skip
    """Make the digests that are due, and send what is to be sent until there is `enough`; how many messages were."""
    digests.make(engine, at_us())
    digests.renew(engine, at_us())
    outbox.forget(engine, at_us())
    return outbox.deliver(engine, at_us, send, step, enough)


class AlarmFigures(Collector):
    """What `/metrics` says of alarms and their delivery, read when it is asked for."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """The standards' measures over the last 30 days, alarms by state, and what waits to be delivered; only that the database is
        away where it is."""
        try:
            found = list(self._read())
        except DBAPIError:
            found = []
        yield GaugeMetricFamily("tallow_database_away", "1 while the database is away", value=float(not found))
        yield from found

    def _read(self) -> Iterator[GaugeMetricFamily]:
        table, at_us = schema.alarm, now_us()
        with self.engine.connect() as connection:
            told = read_figures(connection, NEEDED_DAYS, at_us)
            by = connection.execute(
                select(table.c.state, table.c.severity, func.count()).where(table.c.state != "normal")
                .group_by(table.c.state, table.c.severity)
            ).all()  # fmt: skip
            number, oldest_us = outbox.waiting(connection, at_us)
            routes, refused = read_routes(connection), outbox.refused(connection, at_us)
        alarms_ = GaugeMetricFamily("tallow_alarms", "Alarms that are not normal", labels=["state", "severity"])
        for state, severity, count in by:
            alarms_.add_metric([state, severity], count)
        yield alarms_
        values = {
            "tallow_alarms_per_day_and_person": ("Alarms raised a day and person, last 30 days", told.per_day_and_person),
            "tallow_alarms_standing": ("Alarms that stand", told.standing),
            "tallow_alarms_stale": ("Alarms that stand for more than a day", told.stale),
            "tallow_alarms_chattering": ("Alarms raised three times within a minute", told.chattering),
            "tallow_alarms_busiest_10_min": ("Most alarms raised in ten minutes", told.busiest_10_min),
            "tallow_alarm_floods": ("Floods of alarms, last 30 days", told.floods),
            "tallow_alarm_flood_share": ("Share of the time in flood", told.flood_share),
            "tallow_alerts_waiting": ("Messages that are not delivered yet", number),
            "tallow_alerts_oldest_seconds": (
                "Seconds since the oldest of them was due", 0 if oldest_us is None else max(0, at_us - oldest_us) / 1e6
            ),
        }  # fmt: skip
        for name, (text, value) in values.items():
            yield GaugeMetricFamily(name, text, value=value)
        failing = GaugeMetricFamily("tallow_route_failures", "Failures of a route in a row", labels=["route"])
        for route in routes:
            failing.add_metric([str(route.id)], route.failures)
        yield failing
        aside = GaugeMetricFamily(
            "tallow_alerts_refused", "Alerts that will never be taken, set aside", labels=["route"]
        )
        for number_, count in refused.items():
            aside.add_metric([str(number_)], count)
        yield aside


@dataclass
class Watch:
    """Looks every so many seconds until told to stop; delivers beside it, so that a slow route holds nothing up."""

    engine: Engine
    pool: Workers
    every_s: float
    stop: threading.Event
    report: Callable[[Engine, int], object] | None = None  # what else goes out by itself, looked at once an hour
    send: transports.Send = field(default_factory=transports.sender)
    looked_s: float = field(default_factory=time.monotonic)  # when the last pass ended
    delivered_s: float = field(default_factory=time.monotonic)
    tidied_s: float = float("-inf")
    asked_s: float = float("-inf")  # when it last looked whether anything is recorded
    away: set[str] = field(default_factory=set)  # which of the two finds the database away
    waits: dict[int, tuple[int | None, int]] = field(
        default_factory=dict
    )  # vehicle with news -> (its results' time, passes)

    def health(self) -> tuple[str, str]:
        """(state, why): ok; waiting for the database; stale where no pass has ended for long; behind where vehicles with news wait."""
        if self.away:
            return "waiting", "the database is away"
        passed = time.monotonic() - min(self.looked_s, self.delivered_s)
        if passed > LATE_S + 3 * self.every_s:
            return "stale", f"no pass has ended for {passed:.0f} s"
        late = sum(passes > MOST_PASSES for _, passes in self.waits.values())
        if late:
            return "behind", f"{late} vehicles with news have waited for more than {MOST_PASSES} passes"
        return "ok", ""

    def answers(self) -> "WSGIApplication":
        """The application that answers /metrics and /health."""
        registry = CollectorRegistry()
        registry.register(AlarmFigures(self.engine))
        return application(registry, self.health)

    def run(self) -> None:
        """Until stopped; waits for a database that is away."""
        beside = threading.Thread(target=self._deliver, name="delivery", daemon=True)
        beside.start()
        looked = threading.Event()
        threading.Thread(target=self._leave, args=(looked,), name="leaving", daemon=True).start()
        self._often("look", self._look, self.every_s)
        looked.set()
        beside.join(LEAVE_S)

    def _leave(self, looked: threading.Event) -> None:
        self.stop.wait()
        if not looked.wait(LEAVE_S / 2):  # an analysis that takes its time is begun anew another time
            self.pool.stop()

    def _look(self) -> None:
        until = time.monotonic() + PASS_S
        look(self.engine, self.pool, now_us, lambda: self.stop.is_set() or time.monotonic() > until)
        self.looked_s = time.monotonic()
        self.tidy()
        with self.engine.connect() as connection:
            now = claims.with_news(connection, now_us())
        before = self.waits
        self.waits = {
            id_: (as_of_us, before[id_][1] + 1 if id_ in before and before[id_][0] == as_of_us else 1)
            for id_, as_of_us in now.items()
        }

    def tidy(self) -> None:
        """Once an hour: forget strangers, and have reports written."""
        if time.monotonic() <= self.tidied_s + TIDY_EVERY_S:
            return
        self.tidied_s = time.monotonic()
        strangers.forget(self.engine, now_us())
        if self.report is not None:
            self.report(self.engine, now_us())

    def _deliver(self) -> None:
        def note(_: str = "") -> None:
            self.delivered_s = time.monotonic()

        def work() -> None:
            if time.monotonic() > self.asked_s + ASK_EVERY_S:
                self.asked_s = time.monotonic()
                not_recorded.make(self.engine, now_us(), began_us)
            deliver(self.engine, now_us, self.send, note, self.stop.is_set)
            note()

        began_us = machine_us()

        self._often("deliver", work, DELIVER_EVERY_S)

    def _often(self, name: str, work: Callable[[], object], every_s: float) -> None:
        while not self.stop.is_set():
            try:
                with reachable(self.engine):
                    work()
                self.away.discard(name)
            except Unreachable as problem:
                if not self.away:
                    log.warning("database is away; waiting for it", reason=str(problem))
                self.away.add(name)
            except Stopped:
                return
            except Exception:
                log.exception("a pass failed")
            self.stop.wait(every_s)
