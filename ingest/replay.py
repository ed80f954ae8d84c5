"""Log files of messages: one JSON object a line, `{"topic": …, "payload": {…}, "received_at": …}`, gzip where the name ends in .gz."""

import gzip
import io
import sys
import zlib
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from ingest.errors import Problem, Unreachable
from ingest.messages import Arrival, Rejected
from ingest.recorder import Tally
from ingest.recorder_process import Away, RecorderProcess
from ingest.times import Instant, microseconds

BATCH = 5_000
STANDARD_INPUT = Path("-")


class LogLine(Struct, frozen=True):
    """One line of a log file."""

    topic: Annotated[str, Meta(max_length=65_535)]
    payload: msgspec.Raw
    received_at: Instant | None = None


_DECODER = msgspec.json.Decoder(LogLine)


def read_log(path: Path, progress: Callable[[int], None]) -> Iterator[Arrival]:
    """The arrivals in a log file, in its order; `progress` is told how many bytes of the file were read.

    A line that is no log line comes as an arrival with that flaw, and goes to quarantine.
    Raises Problem where the file cannot be read.
    """
    try:
        source = nullcontext(sys.stdin.buffer) if path == STANDARD_INPUT else path.open("rb")
        with source as raw, gzip.GzipFile(fileobj=raw) if path.suffix == ".gz" else nullcontext(raw) as lines:
            for number, line in enumerate(lines, start=1):
                if number % BATCH == 0 and raw.seekable():
                    progress(raw.tell())
                text = line.strip()
                if not text:
                    continue
                try:
                    entry = _DECODER.decode(text)
                except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
                    yield Arrival(f"{path.name}:{number}", text, None, Rejected("log_line"))
                    continue
                received = None if entry.received_at is None else microseconds(entry.received_at)
                yield Arrival(entry.topic, bytes(entry.payload), received)
            if raw.seekable():
                progress(raw.tell())
    except (OSError, EOFError, zlib.error) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise Problem(f"{path} cannot be read: {reason}") from None


def size(path: Path) -> int:
    """Bytes of a log file, 0 where only reading tells. Raises Problem where it cannot be read."""
    try:
        if path.exists() and not path.is_file():
            return 0  # a pipe is opened once
        with path.open("rb") as file:
            return file.seek(0, io.SEEK_END)
    except OSError as error:
        raise Problem(f"{path} cannot be read: {error.strerror or error}") from None


def replay(path: Path, recording: RecorderProcess, progress: Callable[[int], None]) -> Tally:
    """Record a log file's messages, reading one batch while the other is committed; what was recorded before an error
    stays. Raises Problem."""
    tally, batch, in_hand = Tally(), list[Arrival](), False

    def settle() -> None:
        answer = recording.take()
        if isinstance(answer, Away):
            raise Unreachable(f"the database cannot be used: {answer.reason}")
        tally.add(answer.tally)

    try:
        for arrival in read_log(path, progress):
            batch.append(arrival)
            if len(batch) == BATCH:
                if in_hand:
                    settle()
                recording.hand_over(batch)
                batch, in_hand = [], True
    finally:
        if in_hand:
            settle()
        if batch:
            recording.hand_over(batch)
            settle()
    return tally
