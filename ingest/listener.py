"""Records what a broker delivers: has a batch of messages committed, and only then acknowledges them.

One thread reads and acknowledges; another process commits, one batch at a time, while the next is read. The broker sends
no more than it may leave unacknowledged, so a slow database stops it. What was not acknowledged when a connection or a
process ends is delivered again; recording is idempotent, so that is harmless.
"""

import select
import ssl
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final, Protocol

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ingest.batches import BATCH, LONGEST_PAUSE_S, Batches, Records
from ingest.broker import SESSION_S, Broker, make_client
from ingest.errors import Problem
from ingest.messages import SUBSCRIPTION, Arrival, Rejected
from ingest.metrics import Metrics
from ingest.recorder import Tally
from ingest.times import now_us

log = structlog.get_logger("tallow.ingest")

RECEIVE_MAXIMUM: Final = 3 * BATCH  # one in hand, one waiting, one on its way
# A broker that stops at few unacknowledged messages must not wait for a batch to fill.
IDLE_S: Final = 0.002
LOOK_UP_EVERY: Final = 64  # packets: then see whether a batch is committed
FINISH_S: Final = 4.0
# A broker that knows MQTT 3.1.1 only may refuse a version 5 hello, or not understand it and keep silent.
ANSWER_S: Final = 2.0
_VERSION_REFUSED: Final = (129, 130, 132)
_LOGIN_REFUSED: Final = (134, 135, 138, 140)
_TAKEN_OVER: Final = (
    142  # MQTT 5.0, 0x8E: another client of this name came. Mosquitto 2.0 closes the connection without a word:
)
_SOON_S: Final = 30.0  # sessions that end so soon after they began, so many times in a row and for no reason, are taken for that, too
_TIMES: Final = 3


class Form(Protocol):
    """What is published at the broker: where, what it becomes, and what is said to those who publish."""

    @property
    def subscription(self) -> str:
        """The topics."""

    def presence(self) -> tuple[str, bytes, bytes] | None:
        """Topic, and what is retained there while somebody listens and once nobody does; None where nobody asks."""

    def began(self) -> None:
        """A session at the broker began."""

    def arrivals(self, topic: str, payload: bytes, received_us: int) -> Sequence[Arrival]:
        """What a publication becomes."""

    def requests(self) -> Iterable[tuple[str, bytes]]:
        """What is to be published now, with QoS 0."""


class Messages:
    """Our own messages: each is what it is, and nobody is asked for anything."""

    subscription: Final = SUBSCRIPTION

    def presence(self) -> None:
        """Nobody waits for it."""

    def began(self) -> None:
        """Nothing depends on it."""

    def arrivals(self, topic: str, payload: bytes, received_us: int) -> Sequence[Arrival]:
        """Itself."""
        return (Arrival(topic, payload, received_us),)

    def requests(self) -> Iterable[tuple[str, bytes]]:
        """None."""
        return ()


class Listener:
    """Listens until stopped; waits for a broker or a database that is away, and says so once."""

    def __init__(
        self,
        broker: Broker,
        client_id: str,
        recorder: Records,
        stop: threading.Event,
        share: str | None = None,
        metrics: Metrics | None = None,
        taken_over: Callable[[], None] = lambda: None,
        form: Form | None = None,
    ) -> None:
        """`taken_over` is told when another client took this one's session; without `form` it listens to our own messages."""
        self._broker, self._client_id, self._stop = broker, client_id, stop
        self._form: Form = form or Messages()
        topics = self._form.subscription
        self._subscription = topics if share is None else f"$share/{share}/{topics}"
        self._presence: tuple[str, bytes, bytes] | None = None
        self._metrics = metrics or Metrics()
        self._batches = Batches(recorder, self._metrics, stop)
        self._metrics.waiting = lambda: self.waiting
        self._over = self._answered = self._subscribed = False
        self._taken_over, self._rival, self._short, self._began_s = taken_over, False, 0, 0.0
        self._generation = 0  # of the connection: an acknowledgement must not reach a later session
        self._version = MQTTProtocolVersion.MQTTv5
        self._away = False
        self._refused: Problem | None = None
        self._retry_version = False

    @property
    def waiting(self) -> int:
        """Messages received and not committed."""
        return len(self._batches)

    @property
    def listens(self) -> bool:
        """Whether it is subscribed, and all that came is committed."""
        return self._subscribed and not self._over and not self.waiting

    @property
    def tally(self) -> Tally:
        """What became of all that was committed."""
        return self._batches.tally

    def run(self, ready: Callable[[], None] = lambda: None) -> None:
        """Record until stopped. Raises Problem where the broker refuses for good; `ready` is called once subscribed."""
        self._ready = ready
        pause_s = 0.5
        while not self._stop.is_set():
            client = self._client()
            if not self._reaches(client):
                self._stop.wait(pause_s)
                pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
                continue
            try:
                subscribed = self._serve(client)
            finally:
                self._leave(client)
            if self._refused is not None:
                raise self._refused
            if self._retry_version:
                self._retry_version = False
                continue
            # Who is fought for its name leaves the other more and more time, so that what comes is recorded meanwhile.
            pause_s = 0.5 if subscribed and not self._rival else min(2 * pause_s, LONGEST_PAUSE_S)
            self._stop.wait(pause_s)

    def _reaches(self, client: mqtt.Client) -> bool:
        """Connect; whether the broker is there. Raises Problem where its TLS will not do, now or later."""
        try:
            self._connect(client)
        except ssl.SSLCertVerificationError as error:
            reason = error.verify_message or str(error)
            raise Problem(f"broker {self._broker.shown} shows a certificate that is not trusted: {reason}") from None
        except ssl.SSLEOFError:  # a server that goes down in the middle of it
            self._say_away("it ends the connection before TLS is agreed; is that its port for TLS?")
        except ssl.SSLError as error:
            raise Problem(f"broker {self._broker.shown} does not speak TLS as asked: {error.reason}") from None
        except (OSError, ValueError) as error:
            self._say_away(error)
        else:
            return True
        return False

    def _client(self) -> mqtt.Client:
        options: dict[str, Any] = {"manual_ack": True, "reconnect_on_failure": False}
        if self._version == MQTTProtocolVersion.MQTTv311:
            options["clean_session"] = False
        client = make_client(self._broker, self._client_id, self._version, **options)
        client.on_connect, client.on_message = self._on_connect, self._on_message
        client.on_subscribe, client.on_disconnect = self._on_subscribe, self._on_disconnect
        self._over = self._answered = self._subscribed = False
        self._presence = self._form.presence()
        if self._presence is not None:
            where, _, gone = self._presence
            client.will_set(where, gone, qos=1, retain=True)
        return client

    def _connect(self, client: mqtt.Client) -> None:
        self._generation += 1
        if self._version == MQTTProtocolVersion.MQTTv5:
            wishes = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            wishes.SessionExpiryInterval = SESSION_S
            wishes.ReceiveMaximum = RECEIVE_MAXIMUM
            client.connect(self._broker.host, self._broker.port, 60, clean_start=False, properties=wishes)
        else:
            client.connect(self._broker.host, self._broker.port, 60)

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._answered = True
        if not reason.is_failure:
            self._form.began()
            client.subscribe(self._subscription, qos=1)
            return
        if reason.value in _VERSION_REFUSED and self._version == MQTTProtocolVersion.MQTTv5:
            self._other_version()
        elif reason.value in _LOGIN_REFUSED:
            self._refused = Problem(
                f"broker {self._broker.shown} refuses this user, password or certificate ({reason.getName()})"
            )
        else:
            self._say_away(reason.getName())
        self._over = True

    def _on_subscribe(self, client: mqtt.Client, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._refused = Problem(
                f"broker {self._broker.shown} does not let this user read {self._subscription} ({reasons[0].getName()})"
            )
            self._over = True
            return
        version = "5" if self._version == MQTTProtocolVersion.MQTTv5 else "3.1.1"
        log.info("listening", broker=self._broker.shown, mqtt=version, client_id=self._client_id)
        self._away, self._subscribed, self._began_s = False, True, time.monotonic()
        self._metrics.listening(yes=True)
        if self._presence is not None:
            client.publish(*self._presence[:2], qos=1, retain=True)
        self._ready()

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if self._subscribed:
            self._metrics.listening(yes=False)
            self._see_rival(reason.value if flags.is_disconnect_packet_from_server else None)
        if not self._stop.is_set() and self._refused is None and not self._retry_version:
            self._say_away(reason.getName())
        self._over = True

    def _see_rival(self, reason: int | None) -> None:
        """Whether the session ended because another client of this name took it; `reason` is what the broker said, if anything."""
        soon = time.monotonic() - self._began_s < _SOON_S and not self._stop.is_set() and reason is None
        self._short = self._short + 1 if soon else 0
        self._rival = reason == _TAKEN_OVER or self._short >= _TIMES
        if self._rival:
            log.warning(
                "another client of this name took the session: give each ingester its own --client-id",
                client_id=self._client_id,
            )
            self._metrics.taken_over()
            self._taken_over()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        arrivals = self._arrivals(message, now_us())
        if arrivals or message.qos:
            self._batches.add((self._generation, message.mid, message.qos, arrivals))

    def _arrivals(self, message: mqtt.MQTTMessage, received_us: int) -> Sequence[Arrival]:
        try:
            return self._form.arrivals(message.topic, bytes(message.payload), received_us)
        except UnicodeDecodeError:
            shown = message._topic.decode("utf-8", "replace")
            return (Arrival(shown, bytes(message.payload), received_us, Rejected("topic", "it is not UTF-8")),)

    def _say_away(self, reason: object) -> None:
        if not self._away:
            log.warning("broker is away; waiting for it", broker=self._broker.shown, reason=str(reason))
            self._away = True

    def _serve(self, client: mqtt.Client) -> bool:
        """Have batches committed until the connection ends or it is time to stop; whether it got as far as listening."""
        patience = time.monotonic() + ANSWER_S
        while not self._stop.is_set() and not self._over:
            if not self._answered and time.monotonic() > patience:
                self._other_version()
                if self._version == MQTTProtocolVersion.MQTTv5:  # it answered in neither
                    self._say_away("it does not answer")
                    self._retry_version = False
                break
            self._read(client, 0.2)
            # With as much waiting as may, nothing is read until a batch is committed.
            self._settle(client, wait_s=0.05 if self._batches.full else 0)
            for where, payload in self._form.requests():
                client.publish(where, payload)
        self._settle(client, wait_s=FINISH_S)
        if self._stop.is_set():
            self._finish()
        return self._subscribed

    def _finish(self) -> None:
        """What the broker would not send again is committed before the end."""
        until = time.monotonic() + FINISH_S
        while self._batches.comes_once and time.monotonic() < until:
            self._batches.settle(0.1, more=True)

    def _read(self, client: mqtt.Client, wait_s: float) -> None:
        """Take in what the broker has sent, until there is something to do about it or nothing more is there."""
        until, batches = time.monotonic() + wait_s, self._batches
        while not self._over and not self._stop.is_set():
            before = batches.number_waiting
            if batches.enough or client.loop_read() != mqtt.MQTT_ERR_SUCCESS:
                break
            if batches.number_waiting > before:
                if before % LOOK_UP_EVERY == 0 and batches.is_answered(0):
                    break
            elif not self._more(client, 0 if before and not batches.unfinished else until - time.monotonic()):
                break
        client.loop_misc()

    def _more(self, client: mqtt.Client, wait_s: float) -> bool:
        """Whether more can be read within a while; what has to be written goes out meanwhile."""
        socket = client.socket()
        if socket is None:
            return False
        if client.want_write():
            client.loop_write()
        if isinstance(socket, ssl.SSLSocket) and socket.pending():
            return True
        watched: list[Any] = [socket, *self._batches.sources()]
        return socket in select.select(watched, [], [], max(wait_s, IDLE_S))[0]

    def _other_version(self) -> None:
        five, three = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311
        self._version, self._retry_version = three if self._version == five else five, True

    def _settle(self, client: mqtt.Client, wait_s: float) -> None:
        """Acknowledge what is committed, and hand over what waits; a batch that finds the database away comes again."""
        for generation, mid, qos, _ in self._batches.settle(wait_s, more=not self._over and not self._stop.is_set()):
            if generation == self._generation and qos:
                client.ack(mid, qos)
        self._batches.wait_for_database()

    def _leave(self, client: mqtt.Client) -> None:
        if self._presence is not None and self._subscribed and not self._over:
            where, _, gone = self._presence
            client.publish(where, gone, qos=1, retain=True)
        until = time.monotonic() + 2
        while client.want_write() and not self._over and time.monotonic() < until:
            client.loop_write()
            time.sleep(0.01)
        client.disconnect()
        self._batches.drop()
        self._over = True
