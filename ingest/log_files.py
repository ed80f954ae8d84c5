"""Opening files of logs: gzip where the name ends in .gz, `-` for standard input."""

import gzip
import io
import sys
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import IO, Final, cast

from ingest.errors import Problem

STANDARD_INPUT: Final = Path("-")
TELL_EVERY: Final = 5_000  # lines
LONGEST_LINE: Final = (
    4 << 20
)  # bytes; a message is 64 KiB at most, but many may share a line that another controller wrote
Progress = Callable[[int], None]  # told how many bytes of a file were read


@contextmanager
def opened(path: Path) -> Iterator[tuple[IO[bytes], Callable[[Progress], None]]]:
    """A file's bytes, and what tells how far it was read. Raises Problem where it cannot be read, now or later."""
    try:
        source = nullcontext(sys.stdin.buffer) if path == STANDARD_INPUT else path.open("rb")
        with source as raw, gzip.GzipFile(fileobj=raw) if path.suffix == ".gz" else nullcontext(raw) as data:

            def tell(progress: Progress) -> None:
                if raw.seekable():
                    progress(raw.tell())

            yield cast("IO[bytes]", data), tell
    except (OSError, EOFError, zlib.error) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise Problem(f"{path} cannot be read: {reason}") from None


def numbered_lines(path: Path, progress: Progress) -> Iterator[tuple[int, bytes]]:
    """A file's lines by their numbers, those that are empty left out; `progress` is told how many bytes of the file were read. Raises
    Problem where it cannot be read."""
    with opened(path) as (lines, tell):
        for number, line in enumerate(_short(lines), start=1):
            if number % TELL_EVERY == 0:
                tell(progress)
            if text := line.strip():
                yield number, text
        tell(progress)


def _short(lines: IO[bytes]) -> Iterator[bytes]:
    """Lines, of one that is longer than any log has only what stands first: a small packed file may hold one of many gigabytes."""
    while line := lines.readline(LONGEST_LINE):
        rest = line
        while len(rest) == LONGEST_LINE and not rest.endswith(b"\n"):
            rest = lines.readline(LONGEST_LINE)
        yield line


def shown(path: Path) -> str:
    """A file's name as it can be kept, whatever bytes it is of."""
    return path.name.encode("utf-8", "replace").decode()


def size(path: Path) -> int:
    """Bytes of a log file, 0 where only reading tells. Raises Problem where it cannot be read."""
    try:
        if path == STANDARD_INPUT or (path.exists() and not path.is_file()):
            return 0  # a pipe is opened once
        with path.open("rb") as file:
            return file.seek(0, io.SEEK_END)
    except OSError as error:
        raise Problem(f"{path} cannot be read: {error.strerror or error}") from None
