"""Log files of what edge nodes published: one JSON object a line, gzip where the name ends in .gz.

`{"topic": "spBv1.0/…", "payload": "base64", "received_at": "…"}`, or `payload_hex` in the place of `payload`; `received_at` is optional.
"""

import base64
import binascii
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from ingest.formats.sparkplug.sessions import Sessions
from ingest.log_files import Progress, numbered_lines, shown
from ingest.messages import Arrival, Rejected
from ingest.times import Instant, microseconds


class _Line(Struct, frozen=True):
    topic: Annotated[str, Meta(max_length=65_535)]
    payload: str | None = None
    payload_hex: str | None = None
    received_at: Instant | None = None

    def data(self) -> bytes:
        """What was published. Raises ValueError."""
        if (self.payload is None) == (self.payload_hex is None):
            raise ValueError
        if self.payload is not None:
            return base64.b64decode(self.payload, validate=True)
        return binascii.unhexlify(self.payload_hex or "")


_DECODER = msgspec.json.Decoder(_Line)


def read_log(path: Path, sessions: Sessions, progress: Progress) -> Iterator[Arrival]:
    """What a log file becomes, in its order. Raises Problem where the file cannot be read."""
    sessions.interrupted()
    for number, text in numbered_lines(path, progress):
        try:
            entry = _DECODER.decode(text)
            data = entry.data()
        except (ValueError, RecursionError):  # what msgspec, base64 and Unicode raise are ValueErrors
            yield Arrival(f"{shown(path)}:{number}", text, None, Rejected("row", _NO_LINE))
            continue
        received = None if entry.received_at is None else microseconds(entry.received_at)
        yield from sessions.arrivals(entry.topic, data, received, 0.0)


_NO_LINE = 'the line is not {"topic": …, "payload": "base64", "received_at": …}, nor one with payload_hex'
