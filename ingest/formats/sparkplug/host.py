"""Listening to edge nodes at a broker: asks for births, says what the mapping does not name, and tells that it is there."""

import json
import time
from collections.abc import Sequence
from typing import Final

import structlog

from ingest.formats.sparkplug.mapping import Plan
from ingest.formats.sparkplug.payload import NAMESPACE, SUBSCRIPTION
from ingest.formats.sparkplug.sessions import Sessions
from ingest.messages import Arrival
from ingest.times import now_us

log = structlog.get_logger("tallow.ingest")

_TELL_EVERY_S: Final = 60.0


class Host:
    """What `listener.Listener` listens to and does there."""

    subscription = SUBSCRIPTION

    def __init__(self, plan: Plan) -> None:
        self.sessions = Sessions(plan)
        self._host_id = plan.session.host_id
        self._told, self._told_s = 0, time.monotonic()

    def presence(self) -> tuple[str, bytes, bytes] | None:
        """Topic, and what is said there while this host is there and once it is not (4.4); None where it has no name.

        Edge nodes that wait for a host by this name keep their data while it is away. Without one nobody waits, and this is a
        listener that asks for births, not a host in the specification's sense (10.1.2). Otherwise than a host should (5.13) it keeps
        its session at the broker, so that no death is missed while it is away.
        """
        if self._host_id is None:
            return None
        there, gone = (
            json.dumps({"online": online, "timestamp": now}).encode()
            for now in (now_us() // 1000,)
            for online in (True, False)
        )
        return f"{NAMESPACE}/STATE/{self._host_id}", there, gone

    def began(self) -> None:
        """The session at the broker began anew."""
        self.sessions.interrupted()

    def arrivals(self, topic: str, payload: bytes, received_us: int) -> Sequence[Arrival]:
        """What a publication becomes."""
        return self.sessions.arrivals(topic, payload, received_us, time.monotonic())

    def requests(self) -> list[tuple[str, bytes]]:
        """What is to be published now, with QoS 0."""
        now_s, unknown = time.monotonic(), self.sessions.unknown
        if len(unknown) > self._told and now_s - self._told_s >= _TELL_EVERY_S:
            self.tell_unknown()
        return self.sessions.requests(now_s, now_us() // 1000)

    def tell_unknown(self) -> None:
        """Say which metrics the mapping does not read."""
        if told := self.sessions.shown_unknown():
            log.info("some metrics are not read", told=told)
        self._told, self._told_s = len(self.sessions.unknown), time.monotonic()
