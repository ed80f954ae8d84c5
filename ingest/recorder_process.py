"""A recorder in a process of its own, so that reading the next batch goes on while one is committed.

The two speak through the process's standard input and output: batches in, answers out, in turn. A batch is packed as
MessagePack, which takes a fraction of the time that pickling its messages one by one does.
"""

import contextlib
import gc
import os
import pickle
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import msgspec
from sqlalchemy.exc import DBAPIError

from ingest.database import connect, is_away
from ingest.entries import Entries, entries_of
from ingest.environment import demo_clock
from ingest.errors import Problem
from ingest.messages import Arrival
from ingest.recorder import Recorder, Tally
from ingest.times import Clock, follow_clock

_PACK = msgspec.msgpack.Encoder()
_ARRIVALS = msgspec.msgpack.Decoder(list[Arrival])
_ENTRIES = msgspec.msgpack.Decoder(Entries)


@dataclass(frozen=True)
class Committed:
    """What became of a batch, and the seconds it took."""

    tally: Tally
    seconds: float


@dataclass(frozen=True)
class Away:
    """The database is away: nothing of the batch is recorded."""

    reason: str


class RecorderProcess:
    """Hand over one batch, take what became of it, hand over the next."""

    def __init__(self, url: str, name: str) -> None:
        command = [sys.executable, "-P", "-c", "from ingest.recorder_process import main; main()"]
        # A session of its own: Ctrl-C is for the process that reads, which ends this one in order.
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, pipesize=1 << 20, start_new_session=True
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._to, self._from = self._process.stdin, self._process.stdout
        self._write((url, name))

    def fileno(self) -> int:
        """Readable when an answer is there."""
        return self._from.fileno()

    def hand_over(self, batch: Entries | Sequence[Arrival]) -> None:
        """Have a batch committed. The answer to the one before must have been taken."""
        self._write((isinstance(batch, Entries), _PACK.encode(batch)))

    def take(self) -> Committed | Away:
        """What became of the batch; waits for it. Raises Problem where the process ended."""
        try:
            answer: Committed | Away = pickle.load(self._from)
        except (EOFError, pickle.UnpicklingError):
            raise self._ended() from None
        return answer

    def __enter__(self) -> Self:
        """The process runs already."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the process; what it has in hand it finishes."""
        with contextlib.suppress(BrokenPipeError):
            self._to.close()
        self._from.close()
        self._process.wait(10)

    def _write(self, what: object) -> None:
        try:
            pickle.dump(what, self._to, pickle.HIGHEST_PROTOCOL)
            self._to.flush()
        except BrokenPipeError:
            raise self._ended() from None

    def _ended(self) -> Problem:
        return Problem(
            f"the process that records ended by itself (status {self._process.wait(10)}); what it had in hand is not"
            " acknowledged and comes again: start tallow again"
        )


def _answer(recorder: Recorder, batch: bytes, *, is_read: bool) -> Committed | Away:
    began = time.monotonic()
    try:
        tally = recorder.keep(_ENTRIES.decode(batch) if is_read else entries_of(_ARRIVALS.decode(batch)))
    except DBAPIError as error:
        if not is_away(error):
            raise
        return Away(str(error.orig).strip().splitlines()[0])
    return Committed(tally, time.monotonic() - began)


def main() -> None:
    """Record what comes in until there is no more."""
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    source, sink = sys.stdin.buffer, sys.stdout.buffer
    sys.stdout = sys.stderr  # nobody else may write there
    # A batch is tens of thousands of objects without a ring among them, which the collector would visit again and again.
    gc.set_threshold(200_000, 20, 20)
    if (clock := demo_clock()) is not None:
        follow_clock(Clock(*clock))
    url, name = pickle.load(source)
    recorder = Recorder(connect(url), name)
    while True:
        try:
            is_read, batch = pickle.load(source)
        except EOFError:
            return
        answer = _answer(recorder, batch, is_read=is_read)
        try:
            pickle.dump(answer, sink, pickle.HIGHEST_PROTOCOL)
            sink.flush()
        except BrokenPipeError:
            os._exit(0)  # nobody waits for it
