"""Records what a broker delivers: has a batch of messages committed, and only then acknowledges them.

One thread reads and acknowledges; another process commits, one batch at a time, while the next is read. The broker sends
no more than it may leave unacknowledged, so a slow database stops it. What was not acknowledged when a connection or a
process ends is delivered again; recording is idempotent, so that is harmless.
"""

import select
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any, Final, Protocol

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ingest.broker import SESSION_S, Broker, make_client
from ingest.errors import Problem
from ingest.messages import SUBSCRIPTION, Arrival, Rejected
from ingest.metrics import Metrics
from ingest.recorder import Tally
from ingest.recorder_process import Away, Committed
from ingest.times import now_us

log = structlog.get_logger("tallow.ingest")

BATCH: Final = 1_000
RECEIVE_MAXIMUM: Final = 3 * BATCH  # one in hand, one waiting, one on its way
MOST_WAITING: Final = 2 * BATCH
# A broker that stops at few unacknowledged messages must not wait for a batch to fill.
IDLE_S: Final = 0.002
LOOK_UP_EVERY: Final = 64  # packets: then see whether a batch is committed
FINISH_S: Final = 4.0
LONGEST_PAUSE_S: Final = 30.0
# A broker that knows MQTT 3.1.1 only may refuse a version 5 hello, or not understand it and keep silent.
ANSWER_S: Final = 2.0
_VERSION_REFUSED: Final = (129, 130, 132)
_LOGIN_REFUSED: Final = (134, 135, 138, 140)


class Records(Protocol):
    """What commits batches: a `Recording`."""

    def fileno(self) -> int:
        """Readable when an answer is there."""

    def hand_over(self, arrivals: list[Arrival]) -> None:
        """Have a batch committed."""

    def take(self) -> Committed | Away:
        """What became of it."""


# Generation of the connection, packet identifier, QoS, arrival. Not the client's own message: thousands of those, with
# all that hangs on them, would keep the garbage collector busier than the reading.
Waiting = tuple[int, int, int, Arrival]


class Listener:
    """Listens until stopped; waits for a broker or a database that is away, and says so once."""

    def __init__(
        self,
        broker: Broker,
        client_id: str,
        recording: Records,
        stop: threading.Event,
        share: str | None = None,
        metrics: Metrics | None = None,
    ) -> None:
        self._broker, self._client_id, self._recording, self._stop = broker, client_id, recording, stop
        self._subscription = SUBSCRIPTION if share is None else f"$share/{share}/{SUBSCRIPTION}"
        self._metrics = metrics or Metrics()
        self._metrics.waiting = lambda: self.waiting
        self._waiting: deque[Waiting] = deque()
        self._batch: list[Waiting] = []  # not committed yet
        self._in_hand = False  # whether the batch is with the recording process
        self._database_away, self._pause_s, self._retry_at = False, 0.25, 0.0
        self._over = self._answered = self._subscribed = False
        self._generation = 0  # of the connection: an acknowledgement must not reach a later session
        self._version = MQTTProtocolVersion.MQTTv5
        self._away = False
        self._refused: Problem | None = None
        self._retry_version = False
        self.tally = Tally()

    @property
    def waiting(self) -> int:
        """Messages received and not committed."""
        return len(self._waiting) + len(self._batch)

    def run(self, ready: Callable[[], None] = lambda: None) -> None:
        """Record until stopped. Raises Problem where the broker refuses for good; `ready` is called once subscribed."""
        self._ready = ready
        pause_s = 0.5
        while not self._stop.is_set():
            client = self._client()
            try:
                self._connect(client)
            except ssl.SSLCertVerificationError as error:
                reason = error.verify_message or str(error)
                raise Problem(
                    f"broker {self._broker.shown} shows a certificate that is not trusted: {reason}"
                ) from None
            except ssl.SSLEOFError:  # a server that goes down in the middle of it
                self._say_away("it ends the connection before TLS is agreed; is that its port for TLS?")
                self._stop.wait(pause_s)
                pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
                continue
            except ssl.SSLError as error:
                raise Problem(f"broker {self._broker.shown} does not speak TLS as asked: {error.reason}") from None
            except (OSError, ValueError) as error:
                self._say_away(error)
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
            pause_s = 0.5 if subscribed else min(2 * pause_s, LONGEST_PAUSE_S)
            self._stop.wait(pause_s)

    def _client(self) -> mqtt.Client:
        options: dict[str, Any] = {"manual_ack": True, "reconnect_on_failure": False}
        if self._version == MQTTProtocolVersion.MQTTv311:
            options["clean_session"] = False
        client = make_client(self._broker, self._client_id, self._version, **options)
        client.on_connect, client.on_message = self._on_connect, self._on_message
        client.on_subscribe, client.on_disconnect = self._on_subscribe, self._on_disconnect
        self._over = self._answered = self._subscribed = False
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

    def _on_subscribe(self, _client: mqtt.Client, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._refused = Problem(
                f"broker {self._broker.shown} does not let this user read {self._subscription} ({reasons[0].getName()})"
            )
            self._over = True
            return
        version = "5" if self._version == MQTTProtocolVersion.MQTTv5 else "3.1.1"
        log.info("listening", broker=self._broker.shown, mqtt=version, client_id=self._client_id)
        self._away, self._subscribed = False, True
        self._metrics.listening(yes=True)
        self._ready()

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if self._subscribed:
            self._metrics.listening(yes=False)
        if not self._stop.is_set() and self._refused is None and not self._retry_version:
            self._say_away(reason.getName())
        self._over = True

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        arrival = _arrival(message, now_us())
        self._waiting.append((self._generation, message.mid, message.qos, arrival))

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
            self._settle(client, wait_s=0.05 if len(self._waiting) >= MOST_WAITING else 0)
        self._settle(client, wait_s=FINISH_S)
        return self._subscribed

    def _read(self, client: mqtt.Client, wait_s: float) -> None:
        """Take in what the broker has sent, until there is something to do about it or nothing more is there."""
        until = time.monotonic() + wait_s
        while not self._over and not self._stop.is_set():
            before = len(self._waiting)
            if before >= (MOST_WAITING if self._batch else BATCH) or client.loop_read() != mqtt.MQTT_ERR_SUCCESS:
                break
            if len(self._waiting) > before:
                if self._in_hand and before % LOOK_UP_EVERY == 0 and self._is_answered(0):
                    break
            elif not self._more(client, 0 if before and not self._batch else until - time.monotonic()):
                break
        client.loop_misc()

    def _is_answered(self, wait_s: float) -> bool:
        return bool(select.select([self._recording], [], [], wait_s)[0])

    def _more(self, client: mqtt.Client, wait_s: float) -> bool:
        """Whether more can be read within a while; what has to be written goes out meanwhile."""
        socket = client.socket()
        if socket is None:
            return False
        if client.want_write():
            client.loop_write()
        if isinstance(socket, ssl.SSLSocket) and socket.pending():
            return True
        watched: list[Any] = [socket, self._recording] if self._in_hand else [socket]
        return socket in select.select(watched, [], [], max(wait_s, IDLE_S))[0]

    def _other_version(self) -> None:
        five, three = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311
        self._version, self._retry_version = three if self._version == five else five, True

    def _settle(self, client: mqtt.Client, wait_s: float) -> None:
        """Acknowledge what is committed, and hand over what waits; a batch that finds the database away comes again."""
        done: list[Waiting] = []
        if self._in_hand and self._is_answered(wait_s):
            answer, self._in_hand = self._recording.take(), False
            if isinstance(answer, Committed):
                self._note_committed(answer)
                done, self._batch = self._batch, []
            else:
                self._note_away(answer)
        if not self._in_hand and not self._over and not self._stop.is_set():
            self._hand_over()
        for generation, mid, qos, _ in done:
            if generation == self._generation and qos:
                client.ack(mid, qos)
        if not self._in_hand and self._batch and time.monotonic() < self._retry_at:
            self._stop.wait(0.05)

    def _hand_over(self) -> None:
        if not self._batch:
            self._batch = [self._waiting.popleft() for _ in range(min(BATCH, len(self._waiting)))]
        if self._batch and time.monotonic() >= self._retry_at:
            self._recording.hand_over([arrival for *_, arrival in self._batch])
            self._in_hand = True

    def _note_committed(self, answer: Committed) -> None:
        self._metrics.recorded(answer.tally, len(self._batch), answer.seconds)
        self.tally.add(answer.tally)
        self._pause_s, self._retry_at = 0.25, 0.0
        if self._database_away:
            log.info("database is back")
            self._metrics.database_away(yes=False)
            self._database_away = False

    def _note_away(self, answer: Away) -> None:
        if not self._database_away:
            log.warning("database is away; waiting for it, nothing is acknowledged meanwhile", reason=answer.reason)
            self._metrics.database_away(yes=True)
            self._database_away = True
        self._retry_at = time.monotonic() + self._pause_s
        self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)

    def _leave(self, client: mqtt.Client) -> None:
        until = time.monotonic() + 2
        while client.want_write() and not self._over and time.monotonic() < until:
            client.loop_write()
            time.sleep(0.01)
        client.disconnect()
        self._waiting.clear()  # not acknowledged: it will be delivered again
        if not self._in_hand:
            self._batch = []
        self._over = True


def _arrival(message: mqtt.MQTTMessage, received_us: int) -> Arrival:
    try:
        return Arrival(message.topic, bytes(message.payload), received_us)
    except UnicodeDecodeError:
        shown = message._topic.decode("utf-8", "replace")
        return Arrival(shown, bytes(message.payload), received_us, Rejected("topic", "it is not UTF-8"))
