"""What all commands share: options, times, progress, logging, and how an answer is printed.

Libraries are loaded where they are used, here and in the other modules of commands: none waits for what it does not need.
"""

import contextlib
import json
import signal
import sys
import threading
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from ingest.environment import BROKER, DASK, DATABASE
from ingest.errors import Problem
from ingest.times import LATEST_US, read_time, rfc3339

if TYPE_CHECKING:
    from sqlalchemy import Engine

ENDING = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)

Database = Annotated[
    str,
    typer.Option("--database", envvar=DATABASE.name, help=DATABASE.meaning),
]
BrokerAddress = Annotated[
    str,
    typer.Option("--broker", envvar=BROKER.name, help=BROKER.meaning),
]
Dask = Annotated[
    str,
    typer.Option("--dask", envvar=DASK.name, help=DASK.meaning),
]
AsOf = Annotated[
    str | None, typer.Option("--as-of", help="RFC 3339 time to answer for; the newest recorded by default")
]
Json = Annotated[bool, typer.Option("--json", help="print JSON for other programs")]
DEFAULT_DATABASE: Final = DATABASE.default


def moment(text: str) -> int:
    """The time that somebody wrote. Raises Problem."""
    try:
        return read_time(text)
    except ValueError as error:
        raise Problem(str(error)) from None


@contextlib.contextmanager
def progress(what: str, unit: str) -> Iterator[Any]:
    """A bar on a terminal's standard error; elsewhere nothing. Gives a function (done, of)."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TextColumn(unit), TimeRemainingColumn()
    )  # fmt: skip
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of)


def stopping() -> threading.Event:
    """An event that is set when somebody stops the process."""
    stop = threading.Event()
    for number in ENDING:
        if signal.getsignal(number) is not signal.SIG_IGN:  # somebody wants it to outlast the terminal
            signal.signal(number, lambda *_: stop.set())
    return stop


def end_in_order() -> None:
    """From now on signals end the process as an error would: what was begun is let go of."""

    def leave(number: int, _frame: object) -> None:
        for one in ENDING:
            signal.signal(one, signal.SIG_IGN)  # once is enough
        raise SystemExit(128 + number)

    for number in ENDING:
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, leave)


def start_logging() -> None:
    """Lines for people on a terminal, JSON objects for machines elsewhere."""
    import structlog

    people = sys.stdout.isatty()
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            *(
                [structlog.dev.ConsoleRenderer()]
                if people
                else [structlog.processors.format_exc_info, structlog.processors.JSONRenderer(ensure_ascii=False)]
            ),
        ],
        logger_factory=structlog.PrintLoggerFactory(sys.stdout),
    )


def warn_of_unknown(engine: "Engine", fleets: Iterable[str], depots: Iterable[str]) -> None:
    """On standard error, which fleets and depots no vehicle is of: of a mistyped one nobody is ever shown or told anything. They are
    taken all the same, since people and routes may be there before the vehicles are."""
    from dashboard.queries import scope

    for what, named, known in zip(("fleet", "depot"), (fleets, depots), scope.places(engine), strict=True):
        for name in sorted(set(named) - set(known)):
            there = f"there are: {', '.join(known)}" if known else "none is registered"
            sys.stderr.write(f"tallow: warning: no vehicle is of a {what} called {name!r} yet; {there}\n")


def print_json(value: object) -> None:
    """One value, for other programs."""
    sys.stdout.write(json.dumps(value, ensure_ascii=False, allow_nan=False) + "\n")


def as_of_us(engine: "Engine", text: str | None) -> int:
    """The time to answer for: as somebody wrote it, else as `totals.default_as_of_us` has it."""
    if text is not None:
        asked_us = moment(text)
        if asked_us > LATEST_US:
            raise Problem(f"there is no answer for {text}: name a time before {rfc3339(LATEST_US)}")
        return asked_us
    from ingest.totals import default_as_of_us

    with engine.connect() as connection:
        return default_as_of_us(connection)
