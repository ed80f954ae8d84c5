"""Publishes a simulated fleet to a broker, faster than life until it has caught up with the present."""

import threading
import time
from collections.abc import Callable, Iterator

import paho.mqtt.client as mqtt

from ingest.messages import encode, topic
from simulators import SimulationError
from simulators.machine import Sent

# Further back than this nothing is paced: it comes at once.
PACED_US = 16 * 3_600_000_000


def publish(
    client: mqtt.Client,
    fleet: str,
    messages: Iterator[tuple[str, Sent]],
    from_us: int,
    speed: float,
    stop: threading.Event,
    told: Callable[[int, int], None],
) -> None:
    """Publish what arrives after `from_us`, `speed` times as fast as life, until the present; from then on as it comes.

    `told` hears (messages published, time reached in microseconds) about once a second. Raises SimulationError where the
    broker goes away for long.
    """
    began_us, began = _now_us(), time.monotonic()
    base_us = max(from_us, began_us - PACED_US)

    def reached() -> int:
        return int(min(base_us + (time.monotonic() - began) * 1e6 * speed, _now_us()))

    number, last_told = 0, 0.0
    for vehicle, sent in messages:
        if sent.arrives_us <= from_us:
            continue
        while sent.arrives_us > reached() and not stop.is_set():
            if time.monotonic() - last_told > 1:
                told(number, reached())
                last_told = time.monotonic()
            stop.wait(min(1.0, (sent.arrives_us - reached()) / 1e6 / speed + 0.01))
        if stop.is_set():
            break
        info = client.publish(
            topic(fleet, vehicle, sent.kind), encode(sent.message), qos=1, retain=sent.kind == "state"
        )
        number += 1
        if number % 100 == 0:
            _confirmed(info, stop)
    told(number, reached())


def _confirmed(info: mqtt.MQTTMessageInfo, stop: threading.Event) -> None:
    until = time.monotonic() + 60
    while not info.is_published() and not stop.is_set():
        if time.monotonic() > until:
            raise SimulationError("the broker has not acknowledged anything for a minute; is it still there?")
        stop.wait(0.01)


def _now_us() -> int:
    return time.time_ns() // 1000
