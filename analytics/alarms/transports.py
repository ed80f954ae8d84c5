"""Sending one message by mail, HTTP or MQTT."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import apprise
import structlog
from paho.mqtt.enums import MQTTProtocolVersion

from analytics.alarms.routes import Route, masked
from ingest.broker import broker_of, make_client
from ingest.environment import alert_broker_files
from ingest.errors import Problem
from ingest.messages import ALERT_ROOT

log = structlog.get_logger("tallow.delivery")


SEND_TIMEOUT_S: Final = 30.0


_ASSET: Final = apprise.AppriseAsset(app_id="tallow", app_desc="tallow alerts", app_url="")


@dataclass(frozen=True)
class Message:
    """One message on its way."""

    id: int
    key: str
    route: Route
    title: str
    body: str
    detail: dict[str, Any]


class Undelivered(Exception):
    """A route did not take a message; says why."""


Send = Callable[[Message], None]


def sender(wait_s: float = SEND_TIMEOUT_S) -> Send:
    """Sends through the apprise library, or to an MQTT broker."""

    def send(message: Message) -> None:
        if message.route.to_programs:
            _publish(message, wait_s)
            return
        way = apprise.Apprise(asset=_ASSET)
        if not way.add(message.route.address):
            raise Undelivered("the address is not understood")
        # Said to be plain text, so that nothing in it becomes markup on its way.
        plain = apprise.NotifyFormat.TEXT
        result = way.notify(title=message.title, body=message.body, body_format=plain, timeout=wait_s)
        if not result:
            said = [str(getattr(entry, "message", entry)) for entry in result.logs()]
            raise Undelivered(said[-1] if said else "it was not taken")

    return send


def _publish(message: Message, wait_s: float) -> None:
    # The account for alerts is another one than that for recording; so are its secrets.
    try:
        broker = broker_of(message.route.address, alert_broker_files())
        client = make_client(broker, "", MQTTProtocolVersion.MQTTv311)
        client.connect_timeout = wait_s
        client.connect(broker.host, broker.port)
        client.loop_start()
        topic = f"{ALERT_ROOT}/{message.detail['fleet']}/{message.detail['vehicle']}"
        published = client.publish(topic, json.dumps({"key": message.key, **message.detail}, ensure_ascii=False), qos=1)
        published.wait_for_publish(wait_s)
        arrived = published.is_published()
        client.disconnect()
        client.loop_stop()
    except (OSError, ValueError, RuntimeError, Problem) as error:
        raise Undelivered(str(error) or type(error).__name__) from None
    if not arrived:
        raise Undelivered("the broker did not acknowledge it in time")


def try_route(route: Route, send: Send) -> None:
    """Send a message that says that it is a test. Raises Problem where it does not arrive."""
    about = {"fleet": "test", "vehicle": "test", "event": "test"}
    message = Message(0, "test", route, "tallow: a test", "If you read this, alerts arrive here.", about)
    try:
        send(message)
    except Undelivered as problem:
        raise Problem(f"nothing arrived at {masked(route.address)}: {problem}") from None
