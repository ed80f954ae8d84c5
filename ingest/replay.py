"""Log files of messages: one JSON object a line, `{"topic": …, "payload": {…}, "received_at": …}`, gzip where the name ends in .gz.

Whatever reads files of another form (`ingest.formats`) gives arrivals, too, and has them recorded here.
"""

from collections.abc import Iterable, Iterator
from itertools import chain, islice
from pathlib import Path
from typing import Annotated, Final

import msgspec
from msgspec import Meta, Struct

from ingest.entries import entries_of
from ingest.errors import Problem, Unreachable
from ingest.log_files import Progress, numbered_lines, shown
from ingest.messages import Arrival, Rejected
from ingest.recorder import Tally
from ingest.recorder_process import Away, RecorderProcess
from ingest.times import Instant, microseconds

BATCH = 5_000
_LOOKED_AT: Final = 20  # lines at a file's beginning; a file of which all these are no log lines is no log


class LogLine(Struct, frozen=True):
    """One line of a log file."""

    topic: Annotated[str, Meta(max_length=65_535)]
    payload: msgspec.Raw
    received_at: Instant | None = None


_DECODER = msgspec.json.Decoder(LogLine)


def read_log(path: Path, progress: Progress) -> Iterator[Arrival]:
    """The arrivals in a log file, in its order; `progress` is told how many bytes of the file were read.

    A line that is no log line comes as an arrival with that flaw, and goes to quarantine.
    Raises Problem where the file cannot be read.
    """
    for number, text in numbered_lines(path, progress):
        try:
            entry = _DECODER.decode(text)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            yield Arrival(f"{shown(path)}:{number}", text, None, Rejected("log_line"))
            continue
        received = None if entry.received_at is None else microseconds(entry.received_at)
        yield Arrival(entry.topic, bytes(entry.payload), received)


def of_a_log(arrivals: Iterable[Arrival], path: Path) -> Iterator[Arrival]:
    """The same arrivals, of a file whose beginning says that it is a log. Raises Problem before the first of them where it is none: what
    is no log does not belong into quarantine line by line."""
    rest = iter(arrivals)
    first = list(islice(rest, _LOOKED_AT))
    if first and all(one.flaw is not None and one.flaw.code == "log_line" for one in first):
        raise Problem(
            f"{path} is no log of messages, and nothing of it is recorded: its lines are not"
            ' {"topic": …, "payload": {…}, "received_at": …}; for a log of another controller say --format and --mapping'
        )
    yield from chain(first, rest)


def replay(arrivals: Iterable[Arrival], recording: RecorderProcess) -> Tally:
    """Record what a file holds, reading one batch while the other is committed; what was recorded before an error
    stays. Raises Problem."""
    tally, batch, in_hand = Tally(), list[Arrival](), False

    def settle() -> None:
        nonlocal in_hand
        in_hand = False  # each batch has one answer, even where it is that the database is away
        answer = recording.take()
        if isinstance(answer, Away):
            raise Unreachable(f"the database cannot be used: {answer.reason}")
        tally.add(answer.tally)

    try:
        for arrival in arrivals:
            batch.append(arrival)
            if len(batch) == BATCH:
                entries = entries_of(batch)
                if in_hand:
                    settle()
                recording.hand_over(entries)
                batch, in_hand = [], True
    finally:
        if in_hand:
            settle()
        if batch:
            recording.hand_over(entries_of(batch))
            settle()
    return tally
