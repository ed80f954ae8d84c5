"""Keeps results, alarms and deliveries up to date for as long as it is let: what `tallow watch` does."""

import threading
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, field

import structlog
from sqlalchemy import Engine

from analytics import alarms, delivery, run
from ingest.messages import now_us
from ingest.store import Unreachable, reachable, writing

log = structlog.get_logger("tallow.watch")

STALE_US = 3_600_000_000  # all vehicles are analysed again once an hour: time passes, whatever is heard
DELIVER_EVERY_S = 2.0


def look(engine: Engine, pool: Executor, at_us: int) -> tuple[int, int]:
    """One pass: (vehicles analysed because of news or age, alarms changed). Without news it costs a few queries."""
    analysed = run.keep(engine, run.outcomes(engine, at_us, pool, lambda done, of: None, stale_us=STALE_US))
    changed = 0
    with engine.connect() as connection:
        waiting = alarms.due(connection, at_us)
    for vehicle_id in waiting:
        with writing(engine) as connection:
            changed += alarms.bring_up(connection, vehicle_id, at_us)
    return analysed, changed


def deliver(engine: Engine, at_us: Callable[[], int], send: delivery.Send) -> int:
    """Make the digests that are due, and send what is to be sent; how many messages were."""
    with writing(engine) as connection:
        delivery.make_digests(connection, alarms.open_at, at_us())
    return delivery.deliver(engine, at_us, send)


@dataclass
class Watch:
    """Looks every so many seconds until told to stop; delivers beside it, so that a slow route holds nothing up."""

    engine: Engine
    pool: Executor
    every_s: float
    stop: threading.Event
    send: delivery.Send = field(default_factory=delivery.sender)

    def run(self) -> None:
        """Until stopped; waits for a database that is away."""
        beside = threading.Thread(target=self._deliver, name="delivery", daemon=True)
        beside.start()
        self._often(lambda: look(self.engine, self.pool, now_us()), self.every_s)
        beside.join(delivery.SEND_TIMEOUT_S)

    def _deliver(self) -> None:
        self._often(lambda: deliver(self.engine, now_us, self.send), DELIVER_EVERY_S)

    def _often(self, work: Callable[[], object], every_s: float) -> None:
        said = False
        while not self.stop.is_set():
            try:
                with reachable(self.engine):
                    work()
                said = False
            except Unreachable as problem:
                if not said:
                    log.warning("database is away; waiting for it", reason=str(problem))
                    said = True
            self.stop.wait(every_s)
