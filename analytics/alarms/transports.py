"""Sending one message by mail, HTTP or MQTT, each try in a process of its own: what takes too long is ended, whatever it waits for."""

import json
import logging
import multiprocessing
import os
import re
import socket
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import Any, Final
from urllib.parse import urlsplit

from analytics.alarms import hooks, push, targets
from analytics.alarms.routes import Route, masked
from ingest.environment import ALERT_LOCAL, CA_FILE, alert_broker_files
from ingest.errors import Problem
from ingest.messages import ALERT_ROOT

SEND_TIMEOUT_S: Final = 15.0  # for all of a try
_START_S: Final = 60.0  # for the process to be there, which is this machine's matter
_APART: Final = multiprocessing.get_context("forkserver")
NEEDED: Final = (
    "apprise.plugins.email",
    "analytics.alarms.transports",
)  # by the processes that send, loaded once for all

# What servers answer, as the library's log has it.
_SMTP: Final = re.compile(r"(?:\(|refused: )(\d{3}),? b'([^']*)'")
_HTTP: Final = re.compile(r"error=(\d{3})")
# RFC 4954: who sends is not known there; that says nothing of the message or whoever it is for.
_NOT_SIGNED_IN: Final = (530, 534, 535, 538)
# RFC 9110 and RFC 6585: too slow, too early, too many.
_LATER: Final = (408, 425, 429)


@dataclass(frozen=True)
class Message:
    """One message on its way to one of its route's recipients (empty: to all there are); `also` are others that it tells of."""

    id: int
    key: str
    route: Route
    title: str
    body: str
    detail: dict[str, Any]
    recipient: str = ""
    also: tuple[int, ...] = ()


class Undelivered(Exception):
    """A route did not take a message; says why, whether it never will, and whether there is nobody any more whom it leads to."""

    def __init__(self, why: str, *, for_good: bool = False, gone: bool = False) -> None:
        super().__init__(why)
        self.for_good, self.gone = for_good, gone


Send = Callable[[Message], str | None]  # what was answered, where that says anything


def sender(wait_s: float = SEND_TIMEOUT_S) -> Send:
    """Sends through the apprise library, to an MQTT broker, a web hook or a browser."""

    def send(message: Message) -> str | None:
        _check_target(message.route.address)
        # The account for alerts is another one than that for recording; so are its secrets.
        secrets = dict(alert_broker_files())
        _APART.set_forkserver_preload(list(NEEDED))
        ours, theirs = _APART.Pipe(duplex=False)
        process = _APART.Process(
            target=_send_apart, args=(theirs, message, wait_s, secrets, ALERT_LOCAL.value == "yes"), daemon=True
        )
        process.start()
        theirs.close()
        try:
            if not ours.poll(_START_S) or not ours.recv():
                raise Undelivered("the process that sends did not start")
            if not ours.poll(wait_s):
                raise Undelivered(f"no answer within {wait_s:.0f} s")
            why, answer, for_good, gone = ours.recv()
        except EOFError:
            raise Undelivered("the process that sends ended by itself") from None
        finally:
            process.kill()
            process.join()
            process.close()
            ours.close()
        if why is not None:
            raise Undelivered(why, for_good=for_good, gone=gone)
        said: str | None = answer
        return said

    return send


def _send_apart(answer: Connection, message: Message, wait_s: float, secrets: Mapping[str, str], local: bool) -> None:
    """Send, and answer (None or why not, what was answered, whether for good, whether it leads nowhere any more); ends with the process
    that waits for the answer."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    threading.Thread(target=lambda: (wait([parent.sentinel]), os._exit(0)), daemon=True).start()
    answer.send(True)
    refused = [] if local else targets.stay_elsewhere()
    try:
        said = None
        if hooks.is_hook(message.route.address):
            _post(message, wait_s, local=local)
        elif push.is_push(message.route.address):
            said = _push(message, wait_s, secrets, local=local)
        elif message.route.to_programs:
            _publish(message, wait_s, dict(secrets))
        else:
            _notify(message, wait_s, local=local)
    except Exception as error:  # noqa: BLE001  # whatever a library raises, it was not sent
        told = error if isinstance(error, Undelivered) else Undelivered(f"{type(error).__name__}: {error}")
        if refused:  # whatever a library made of it
            told = Undelivered(str(refused[0]), for_good=True)
        answer.send((str(told), None, told.for_good, told.gone))
    else:
        answer.send((None, said, False, False))


class _Heard(logging.Handler):
    """What a library says of its work."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.said: list[tuple[int, str]] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep it."""
        self.said.append((record.levelno, record.getMessage()))


def _notify(message: Message, wait_s: float, *, local: bool) -> None:
    import apprise  # here, since it takes long to load
    from apprise.plugins.email import NotifyEmail

    # Redirects are not followed: they may lead to where alerts must not go.
    asset = apprise.AppriseAsset(app_id="tallow", app_desc="tallow alerts", app_url="", http_redirects=False)
    heard, logger = _Heard(), logging.getLogger("apprise")
    logger.setLevel(logging.DEBUG)
    logger.propagate = False
    logger.addHandler(heard)
    try:
        plugin = apprise.Apprise.instantiate(message.route.address, asset=asset)
        if plugin is None:
            raise Undelivered("the address is not understood")
        # An address may name another server than the one that stands in front, such as mailto://…?smtp=….
        for host in filter(None, (plugin.host, getattr(plugin, "smtp_host", None)) if not local else ()):
            _check_host(host.strip("[]"))
        plugin.redirects = False
        plugin.socket_connect_timeout = plugin.socket_read_timeout = wait_s
        if message.recipient and isinstance(plugin, NotifyEmail):
            plugin.targets, plugin.cc, plugin.bcc = [(False, message.recipient)], set(), set()
        way = apprise.Apprise(asset=asset)
        way.add(plugin)
        # Said to be plain text, so that nothing in it becomes markup on its way.
        if not way.notify(title=message.title, body=message.body, body_format=apprise.NotifyFormat.TEXT):
            raise refusal_of(heard.said)
    finally:
        logger.removeHandler(heard)


def refusal_of(said: list[tuple[int, str]]) -> Undelivered:
    """Why a message was not taken, from (level, text) of what the library logged: in the server's own words where it had some."""
    for _, text in said:
        if smtp := _SMTP.search(text):
            code, words = int(smtp[1]), smtp[2]
            return Undelivered(f"{code} {words}", for_good=code >= 500 and code not in _NOT_SIGNED_IN)
        if http := _HTTP.search(text):
            code = int(http[1])
            if 300 <= code < 400:
                return Undelivered(f"HTTP {code}: it answers by a redirect, which is not followed", for_good=True)
            return Undelivered(f"HTTP {code}", for_good=400 <= code < 500 and code not in _LATER)
    words = [text for level, text in said if level >= logging.WARNING]
    return Undelivered(words[-1] if words else "it was not taken")


def _check_target(address: str) -> None:
    """Raises Undelivered for a server on this machine or this link, unless a setting allows those."""
    try:
        host = urlsplit(address).hostname
    except ValueError:
        raise Undelivered("the address cannot be read", for_good=True) from None
    if ALERT_LOCAL.value != "yes" and host:
        _check_host(host)


def _check_host(host: str) -> None:
    try:
        found = {str(info[4][0]) for info in socket.getaddrinfo(host, None)}
    except (OSError, UnicodeError):
        return  # no server, or none that an address of this form names: whoever sends will say so
    try:
        targets.check_elsewhere(host, found)
    except Problem as problem:
        raise Undelivered(str(problem), for_good=True) from None


def _post(message: Message, wait_s: float, *, local: bool) -> None:
    try:
        hooks.post(message.route.address, message.key, {"key": message.key, **message.detail}, wait_s, local=local)
    except hooks.Refused as refused:
        code = refused.status or 0
        raise Undelivered(str(refused), for_good=300 <= code < 500 and code not in _LATER) from None
    except Problem as problem:
        raise Undelivered(str(problem), for_good=True) from None


def _push(message: Message, wait_s: float, secrets: Mapping[str, str], *, local: bool) -> str:
    about, route = message.detail, message.route
    try:
        return push.post(
            route.address, route.signing_key, message.title, message.body, about, wait_s, local=local,
            ca_file=secrets.get(CA_FILE.name, ""),
        )  # fmt: skip
    except push.Refused as refused:
        code = refused.status or 0
        raise Undelivered(str(refused), for_good=300 <= code < 500 and code not in _LATER, gone=refused.gone) from None
    except Problem as problem:
        raise Undelivered(str(problem), for_good=True) from None


def _publish(message: Message, wait_s: float, secrets: dict[str, str]) -> None:
    from paho.mqtt.enums import MQTTProtocolVersion  # here, as apprise: who only lists alarms needs neither

    from ingest.broker import broker_of, make_client

    try:
        broker = broker_of(message.route.address, secrets)
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


def try_route(route: Route, send: Send) -> str | None:
    """Send a message that says that it is a test; what was answered. Raises Problem where it does not arrive."""
    try:
        return send(trial_of(route))
    except Undelivered as problem:
        raise Problem(f"nothing arrived at {masked(route.address)}: {problem}") from None


def trial_of(route: Route) -> Message:
    """A message that says that it is a test."""
    about = {"fleet": "test", "vehicle": "test", "event": "test"}
    return Message(0, "test", route, "tallow: a test", "If you read this, alerts arrive here.", about)
