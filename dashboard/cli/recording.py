"""The commands that record: registers and messages."""

import contextlib
import sys
import threading
from enum import StrEnum
from itertools import accumulate, islice
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Literal

import structlog
import typer

from dashboard.cli.options import DEFAULT_DATABASE, BrokerAddress, Database, progress, start_logging, stopping
from ingest.database import address, connect, open_database, reachable, writing
from ingest.environment import BROKER, METRICS_PORT, broker_files
from ingest.errors import Problem, Unreachable
from ingest.times import now_us

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from sqlalchemy import Engine

    from ingest.formats.sparkplug.host import Host
    from ingest.formats.sparkplug.mapping import Plan
    from ingest.log_files import Progress
    from ingest.messages import Arrival

    Reading = Callable[[Path, Progress], Iterator[Arrival]]

app = typer.Typer(rich_markup_mode=None)

_MOST_NAMED: Final = 20


def _recorders(engine: "Engine") -> dict[str, int]:
    from sqlalchemy.exc import DBAPIError

    from ingest import totals

    with contextlib.suppress(DBAPIError), engine.connect() as connection:
        return totals.recorders(connection)
    return {}


class Form(StrEnum):
    """What a log file may be."""

    MESSAGES = "messages"
    CSV = "csv"
    JSON_LINES = "json-lines"
    SPARKPLUG = "sparkplug"
    ISO15143 = "iso15143"


class LiveForm(StrEnum):
    """What may be published."""

    MESSAGES = "messages"
    SPARKPLUG = "sparkplug"


@app.command(epilog="Example: tallow register ./fleet")
def register(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder with vehicles.csv and lines.csv")],
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Read vehicles and line lists from two CSV files; all or nothing, and repeatable."""
    from analytics.pipeline import vehicle_summary

    engine = open_database(database)
    with reachable(engine), writing(engine) as connection, progress("Registering", "") as bar:
        done = vehicle_summary.register(connection, folder, now_us(), bar)
    print(f"{done.vehicles} vehicles with {done.lines} lines read; {len(done.changed)} new or changed.")
    if done.to_come:
        names = [f"{one.fleet}/{one.vehicle} ({one.commissioned})" for one in done.to_come]
        more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
        print(f"Commissioned on a day still to come, is that meant? {', '.join(names[:_MOST_NAMED])}{more}")


@app.command(epilog="Example: TALLOW_BROKER=mqtt://localhost tallow ingest")
def ingest(
    broker: BrokerAddress = BROKER.default,
    client_id: Annotated[
        str | None,
        typer.Option(
            "--client-id",
            help="name of the session at the broker; each ingester needs its own (tallow-ingest, or tallow-ingest-sparkplug)",
        ),
    ] = None,
    share: Annotated[
        str | None,
        typer.Option(help="share the messages with the other ingesters of this group, each with its own --client-id"),
    ] = None,
    form: Annotated[
        LiveForm, typer.Option("--format", help="what is published: messages or sparkplug")
    ] = LiveForm.MESSAGES,
    mapping: Annotated[
        Path | None, typer.Option(help="TOML file that says what the metrics of another controller mean")
    ] = None,
    metrics_port: Annotated[
        int | None,
        typer.Option(envvar=METRICS_PORT.name, min=1, max=65535, help="answer /metrics and /health there, on loopback"),
    ] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Record the messages of a broker until stopped; wait while the broker or the database is away."""
    from ingest import listener, listening, metrics
    from ingest.broker import broker_of
    from ingest.messages import is_name
    from ingest.recorder_process import RecorderProcess
    from ingest.rivals import note

    start_logging()
    if share is not None and not is_name(share):
        raise Problem("--share: up to 64 of A-Z a-z 0-9 _ -")
    name = _session_name(client_id, form)
    host = _host(form, mapping, share)
    at = broker_of(broker, broker_files())
    stop = stopping()
    engine = _open_patiently(database, stop)
    if engine is None:
        return
    figures = metrics.Metrics()
    figures.others = lambda: _recorders(engine)
    stop_serving = metrics.serve(figures.application(), "127.0.0.1", metrics_port) if metrics_port else lambda: None
    with RecorderProcess(address(engine), name) as recording:
        ingester = listener.Listener(
            at, name, recording, stop, share, figures, lambda: note(engine, name, now_us()), host
        )
        listening.keep_noting(engine, name, lambda: ingester.listens, stop)
        try:
            ingester.run()
        finally:
            stop_serving()
    if host is not None:
        host.tell_unknown()
    tally = ingester.tally
    structlog.get_logger("tallow").info(
        "stopped", recorded=tally.recorded.total(), duplicates=tally.duplicates, rejected=tally.rejected
    )


def _session_name(given: str | None, form: LiveForm) -> str:
    """Raises Problem where there is none: a broker gives a nameless client no session to come back to."""
    if given is None:
        return "tallow-ingest-sparkplug" if form is LiveForm.SPARKPLUG else "tallow-ingest"
    if not given:
        raise Problem("--client-id: name the session, so that the broker keeps messages for it")
    return given


def _host(form: LiveForm, mapping: Path | None, share: str | None) -> "Host | None":
    """What listens to other controllers; None for our own messages. Raises Problem."""
    if form is LiveForm.MESSAGES:
        if mapping is not None:
            raise Problem("--mapping is for other controllers: say --format sparkplug, too")
        return None
    if share is not None:
        raise Problem("--share is not for --format sparkplug: whoever reads an edge node needs all that it publishes")
    from ingest.formats.sparkplug.host import Host

    return Host(_plan(mapping))


def _plan(mapping: Path | None) -> "Plan":
    if mapping is None:
        raise Problem("--format sparkplug needs --mapping: the TOML file that says what its metrics mean")
    from ingest.formats.sparkplug.mapping import load

    return load(mapping)


def _open_patiently(database: str, stop: threading.Event) -> "Engine | None":
    """The database, waiting for one that is away; None when stopped meanwhile."""
    from ingest.batches import LONGEST_PAUSE_S

    connect(database)  # a bad address is not worth waiting for
    pause_s, said = 0.5, False
    while not stop.is_set():
        try:
            return open_database(database)
        except Unreachable as problem:
            if not said:
                structlog.get_logger("tallow").warning("database is away; waiting for it", reason=str(problem))
                said = True
            stop.wait(pause_s)
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
    return None


_BAD_ROWS_SHOWN = 20
_PREVIEWED = 20


@app.command("replay", epilog="Example: tallow replay messages-01.ndjson.gz messages-02.ndjson.gz")
def replay_files(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="log files, gzip where the name ends in .gz; - is standard input"),
    ],
    form: Annotated[
        Form, typer.Option("--format", help="messages, or what others write: csv, json-lines, sparkplug or iso15143")
    ] = Form.MESSAGES,
    mapping: Annotated[
        Path | None, typer.Option(help="TOML file that says what the columns, metrics or equipment of others mean")
    ] = None,
    preview: Annotated[
        bool, typer.Option("--preview", help=f"print the first {_PREVIEWED} messages of each file, and record nothing")
    ] = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Record the messages of log files, in the same way as ingest does; repeatable."""
    from ingest import log_files, replay
    from ingest.recorder import Tally
    from ingest.recorder_process import RecorderProcess

    read, unasked = _reading(form, mapping)
    sizes = [log_files.size(path) for path in files]
    if preview:
        for path in files:
            _preview(path, read(path, lambda _done: None))
        return
    look, _ = _reading(form, mapping)
    for path, number in zip(files, sizes, strict=True):
        if number:  # a pipe can be read once only
            next(look(path, lambda _done: None), None)  # what is no log is told before anything is recorded
    engine = open_database(database)
    tally, told = Tally(), _BadRows()
    with RecorderProcess(address(engine), "replay") as recording, progress("Replaying", "read") as bar:
        for path, before in zip(files, accumulate(sizes, initial=0), strict=False):

            def show(done: int, before: int = before) -> None:
                bar(before + done, sum(sizes))

            tally.add(replay.replay(told.through(read(path, show)), recording))
    told.say()
    if remark := unasked():
        print(remark)
    print(
        f"{tally.recorded.total()} messages recorded, {tally.duplicates} duplicates, {tally.rejected} rejected"
        f" (kept in quarantine), {tally.wills} without a name of their own."
    )


def _reading(form: Form, mapping: Path | None) -> "tuple[Reading, Callable[[], str]]":
    """What reads a file of this form, and what then says what of it was not asked for. Raises Problem."""
    from ingest import replay

    if form is Form.MESSAGES:
        if mapping is not None:
            raise Problem("--mapping is for logs of other controllers: say --format, too")
        return lambda path, told: replay.of_a_log(replay.read_log(path, told), path), lambda: ""
    if form is Form.SPARKPLUG:
        from ingest.formats.sparkplug.logs import read_log
        from ingest.formats.sparkplug.sessions import Sessions

        sessions = Sessions(_plan(mapping))
        return lambda path, told: read_log(path, sessions, told), sessions.shown_unknown
    if mapping is None:
        raise Problem(f"--format {form.value} needs --mapping: the TOML file that says what stands there")
    if form is Form.ISO15143:
        from ingest.formats import iso15143

        reader = iso15143.Reader(iso15143.load(mapping))
        return reader.read, reader.shown_unknown
    from ingest.formats.mapping import load
    from ingest.formats.translate import Translator

    try:
        translator = Translator(load(mapping))
    except Problem as problem:
        raise problem if str(mapping) in str(problem) else Problem(f"{mapping}: {problem}") from None
    rows: Literal["csv", "json-lines"] = "csv" if form is Form.CSV else "json-lines"

    def unasked() -> str:
        return (
            f"{translator.unasked} rows are none of the messages that the mapping names." if translator.unasked else ""
        )

    return lambda path, told: translator.read(path, rows, told), unasked


def _preview(path: Path, arrivals: "Iterator[Arrival]") -> None:
    first = list(islice(arrivals, _PREVIEWED))
    for arrival in first:
        if arrival.flaw is not None:
            print(f"{arrival.topic}: {arrival.flaw.reason}")
        else:
            print(f"{arrival.topic} {arrival.payload.decode('utf-8', 'replace')}")
    if not first:
        print(f"{path}: no row is any of the messages that are asked for.")


class _BadRows:
    """Names the first rows that are not what they should be, on standard error."""

    def __init__(self) -> None:
        self._number = 0

    def through(self, arrivals: "Iterable[Arrival]") -> "Iterator[Arrival]":
        """The same arrivals."""
        for arrival in arrivals:
            if arrival.flaw is not None and arrival.flaw.code == "row":
                self._number += 1
                if self._number <= _BAD_ROWS_SHOWN:
                    print(f"{arrival.topic}: {arrival.flaw.detail}", file=sys.stderr)
            yield arrival

    def say(self) -> None:
        """How many more there were."""
        if self._number > _BAD_ROWS_SHOWN:
            more = self._number - _BAD_ROWS_SHOWN
            print(f"… and {more:,} more; tallow quarantine --code row lists the newest", file=sys.stderr)
