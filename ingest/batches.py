"""Batches of messages on their way to the recorder's process: one is in hand there, the next waits here."""

import select
import threading
import time
from collections import deque
from collections.abc import Sequence
from typing import Any, Final, Protocol

import structlog

from ingest.messages import Arrival
from ingest.metrics import Metrics
from ingest.recorder import Tally
from ingest.recorder_process import Away, Committed

log = structlog.get_logger("tallow.ingest")

BATCH: Final = 1_000
MOST_WAITING: Final = 2 * BATCH
LONGEST_PAUSE_S: Final = 30.0
_FIRST_PAUSE_S: Final = 0.25


class Records(Protocol):
    """What commits batches: a `RecorderProcess`."""

    def fileno(self) -> int:
        """Readable when an answer is there."""

    def hand_over(self, arrivals: list[Arrival]) -> None:
        """Have a batch committed."""

    def take(self) -> Committed | Away:
        """What became of it."""


# Generation of the connection, packet identifier, QoS, what the publication became. Not the client's own message: thousands
# of those, with all that hangs on them, would keep the garbage collector busier than the reading.
Waiting = tuple[int, int, int, Sequence[Arrival]]


class Batches:
    """Hands over what waits; a batch that finds the database away is handed over again, which is said once."""

    def __init__(self, recorder: Records, metrics: Metrics, stop: threading.Event) -> None:
        self._recorder, self._metrics, self._stop = recorder, metrics, stop
        self._waiting: deque[Waiting] = deque()
        self._batch: list[Waiting] = []  # not committed yet
        self.in_hand = False  # whether the batch is with the recorder's process
        self._database_away, self._pause_s, self._retry_at = False, _FIRST_PAUSE_S, 0.0
        self.tally = Tally()

    def __len__(self) -> int:
        """Messages received and not committed."""
        return len(self._waiting) + len(self._batch)

    @property
    def number_waiting(self) -> int:
        """Messages that are in no batch yet."""
        return len(self._waiting)

    @property
    def full(self) -> bool:
        """Whether nothing more is to be read until a batch is committed."""
        return len(self._waiting) >= MOST_WAITING

    @property
    def enough(self) -> bool:
        """Whether there is a batch to hand over, or as much waits behind one as may."""
        return len(self._waiting) >= (MOST_WAITING if self._batch else BATCH)

    @property
    def unfinished(self) -> bool:
        """Whether a batch is not committed yet."""
        return bool(self._batch)

    def add(self, one: Waiting) -> None:
        """A message was received."""
        self._waiting.append(one)

    def sources(self) -> list[Any]:
        """What becomes readable when a batch is committed."""
        return [self._recorder] if self.in_hand else []

    def is_answered(self, wait_s: float) -> bool:
        """Whether the batch in hand is committed, or could not be, within a while."""
        return self.in_hand and bool(select.select([self._recorder], [], [], wait_s)[0])

    def settle(self, wait_s: float, *, more: bool) -> list[Waiting]:
        """What is committed now and may be acknowledged; with `more` the next batch is handed over."""
        done: list[Waiting] = []
        if self.is_answered(wait_s):
            answer, self.in_hand = self._recorder.take(), False
            if isinstance(answer, Committed):
                self._note_committed(answer)
                done, self._batch = self._batch, []
            else:
                self._note_away(answer)
        if more and not self.in_hand:
            self._hand_over()
        return done

    def wait_for_database(self) -> None:
        """Do not ask a database that is away again at once."""
        if not self.in_hand and self._batch and time.monotonic() < self._retry_at:
            self._stop.wait(0.05)

    @property
    def comes_once(self) -> bool:
        """Whether something is not committed that no broker delivers again: QoS 0."""
        return any(not qos for _, _, qos, _ in (*self._batch, *self._waiting))

    def drop(self) -> None:
        """The connection ended: what was not acknowledged will be delivered again; what needs no acknowledgement will not, and stays."""
        self._waiting = deque(one for one in self._waiting if not one[2])
        if not self.in_hand:
            self._batch = [one for one in self._batch if not one[2]]

    def _hand_over(self) -> None:
        if not self._batch:
            self._batch = [self._waiting.popleft() for _ in range(min(BATCH, len(self._waiting)))]
        if self._batch and time.monotonic() >= self._retry_at:
            self._recorder.hand_over([arrival for *_, arrivals in self._batch for arrival in arrivals])
            self.in_hand = True

    def _note_committed(self, answer: Committed) -> None:
        self._metrics.recorded(answer.tally, len(self._batch), answer.seconds)
        self.tally.add(answer.tally)
        self._pause_s, self._retry_at = _FIRST_PAUSE_S, 0.0
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
