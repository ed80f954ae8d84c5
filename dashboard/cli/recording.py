"""The commands that record: registers, messages, quarantine, and what keeps the database."""

import contextlib
import sys
import threading
from itertools import accumulate
from pathlib import Path
from typing import Annotated

import structlog
import typer
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from analytics.pipeline import prune as pruning
from analytics.pipeline import vehicle_summary
from analytics.pipeline.workers import workers
from dashboard.cli.options import (
    DEFAULT_DATABASE,
    BrokerAddress,
    Database,
    Json,
    as_of_us,
    print_json,
    progress,
    start_logging,
    stopping,
)
from ingest import (
    batches,
    errors,
    listener,
    metrics,
    quarantine,
    reading,
    registry,
    replay,
    retention,
    strangers,
    times,
)
from ingest.broker import ALERTER, INGESTER, SHARE, access_rules, broker_of
from ingest.database import address, connect, open_database, open_existing, reachable, writing
from ingest.database import upgrade as upgrade_database
from ingest.environment import BROKER, METRICS_PORT, broker_files
from ingest.errors import Problem
from ingest.messages import REFUSALS, is_name
from ingest.recorder import Tally
from ingest.recorder_process import RecorderProcess
from ingest.rivals import note, rivals
from ingest.times import DAY_US, now_us

app = typer.Typer()

log = structlog.get_logger("tallow")


def _recorders(engine: Engine) -> dict[str, int]:
    with contextlib.suppress(DBAPIError), engine.connect() as connection:
        return reading.recorders(connection)
    return {}


@app.command(epilog="Example: tallow register ./fleet")
def register(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder with vehicles.csv and lines.csv")],
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Read vehicles and line lists from two CSV files; all or nothing, and repeatable."""
    engine = open_database(database)
    with reachable(engine), writing(engine) as connection, progress("Registering", "vehicles") as bar:
        done = vehicle_summary.register(connection, folder, now_us(), bar)
    print(f"{done.vehicles} vehicles with {done.lines} lines read; {len(done.changed)} new or changed.")


@app.command(epilog="Example: TALLOW_BROKER=mqtt://localhost tallow ingest")
def ingest(
    broker: BrokerAddress = BROKER.default,
    client_id: Annotated[
        str, typer.Option("--client-id", help="name of the session at the broker; each ingester needs its own")
    ] = "tallow-ingest",
    share: Annotated[
        str | None,
        typer.Option(help="share the messages with the other ingesters of this group, each with its own --client-id"),
    ] = None,
    metrics_port: Annotated[
        int | None,
        typer.Option(envvar=METRICS_PORT.name, min=1, max=65535, help="answer /metrics and /health there, on loopback"),
    ] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Record the messages of a broker until stopped; wait for a broker or database that is away."""
    start_logging()
    if share is not None and not is_name(share):
        raise Problem("--share: up to 64 of A-Z a-z 0-9 _ -")
    at = broker_of(broker, broker_files())
    stop = stopping()
    engine = _open_patiently(database, stop)
    if engine is None:
        return
    figures = metrics.Metrics()
    figures.others = lambda: _recorders(engine)
    stop_serving = metrics.serve(figures.application(), "127.0.0.1", metrics_port) if metrics_port else lambda: None
    with RecorderProcess(address(engine), client_id) as recording:
        listening = listener.Listener(
            at, client_id, recording, stop, share, figures, lambda: note(engine, client_id, now_us())
        )
        try:
            listening.run()
        finally:
            stop_serving()
    tally = listening.tally
    log.info("stopped", recorded=tally.recorded.total(), duplicates=tally.duplicates, rejected=tally.rejected)


def _open_patiently(database: str, stop: threading.Event) -> Engine | None:
    """The database, waiting for one that is away; None when stopped meanwhile."""
    connect(database)  # a bad address is not worth waiting for
    pause_s, said = 0.5, False
    while not stop.is_set():
        try:
            return open_database(database)
        except errors.Unreachable as problem:
            if not said:
                log.warning("database is away; waiting for it", reason=str(problem))
                said = True
            stop.wait(pause_s)
            pause_s = min(2 * pause_s, batches.LONGEST_PAUSE_S)
    return None


@app.command("replay", epilog="Example: tallow replay messages-01.ndjson.gz messages-02.ndjson.gz")
def replay_files(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="log files, gzip where the name ends in .gz; - is standard input"),
    ],
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Record the messages of log files, by the same path as ingest; repeatable."""
    engine = open_database(database)
    tally = Tally()
    sizes = [0 if path == replay.STANDARD_INPUT else replay.size(path) for path in files]
    with RecorderProcess(address(engine), "replay") as recording, progress("Replaying", "read") as bar:
        for path, before in zip(files, accumulate(sizes, initial=0), strict=False):

            def show(done: int, before: int = before) -> None:
                bar(before + done, sum(sizes))

            tally.add(replay.replay(path, recording, show))
    print(
        f"{tally.recorded.total()} messages recorded, {tally.duplicates} duplicates, {tally.rejected} rejected"
        f" (kept in quarantine), {tally.wills} without a name of their own."
    )


@app.command(epilog="Example: tallow prune --keep-days 730")
def prune(
    keep_days: Annotated[
        int, typer.Option(min=1, max=36_500, help="answer in full for so many days before the newest message")
    ] = retention.KEPT_DAYS,
    trace_days: Annotated[
        int | None,
        typer.Option(min=1, max=36_500, help="keep pressure traces for so many days; as messages by default"),
    ] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Thin old messages, traces and quarantine; findings, fills and daily figures stay, and so do all names."""
    engine = open_existing(database)
    with reachable(engine), workers() as pool, progress("Pruning", "done") as bar:
        since_us, gone = pruning.prune(engine, keep_days, pool, bar)
        traces = 0
        if trace_days is not None:
            traces = retention.drop_traces(engine, as_of_us(engine, None) - trace_days * DAY_US)
        refused = retention.clear_quarantine(engine, since_us)
        unknown = strangers.forget(engine, now_us())
    print(
        f"{gone} messages, {traces} traces of others and {refused} refused publications let go of;"
        f" questions are answered from {times.rfc3339(since_us)} on."
    )
    if unknown:
        print(f"{unknown} vehicles that nobody registered in {strangers.KEPT_DAYS} days are forgotten.")


@app.command(epilog="Example: tallow status --json")
def status(as_json: Json = False, database: Database = DEFAULT_DATABASE) -> None:
    """Print what is recorded."""
    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        now, fought = reading.status(connection), rivals(connection, now_us())
    if as_json:
        print_json(now)
        return
    print(f"{now['vehicles']} vehicles registered, {now['unregistered_vehicles']} more heard of but not registered.")
    print("Messages: " + ", ".join(f"{number} {kind}" for kind, number in now["recorded"].items()) + ".")
    print(f"{now['duplicates']} duplicates, {now['rejected']} rejected, newest {now['newest_at'] or 'none'}.")
    for name, one in sorted(fought.items()):
        print(
            f"Two ingesters are called {name}: the session was taken {one.times} times. Give each its own --client-id."
        )


@app.command("quarantine", epilog="Example: tallow quarantine --code shape")
def show_quarantine(
    code: Annotated[str | None, typer.Option(help=f"list the newest of one kind: {', '.join(REFUSALS)}")] = None,
    show: Annotated[int | None, typer.Option(metavar="NUMBER", help="show one, with its payload")] = None,
    release: Annotated[
        bool, typer.Option("--release", help="record what this version can read, and let go of it")
    ] = False,
    as_json: Json = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """List what could not be recorded, by reason and count; show one; release what can be read now."""
    if code is not None and code not in REFUSALS:
        raise Problem(f"--code {code!r} is none of: {', '.join(REFUSALS)}")
    engine = open_existing(database)
    with reachable(engine):
        if release:
            tally = quarantine.release(engine)
            print(f"{tally.recorded.total()} recorded, {tally.duplicates} were recorded already.")
            return
        with engine.connect() as connection:
            if show is not None:
                _print_held([quarantine.one(connection, show)], as_json, whole=True)
            elif code is not None:
                _print_held(quarantine.show(connection, code, 50), as_json, whole=False)
            else:
                _print_refused(quarantine.counts(connection), as_json)


def _print_refused(rows: list[tuple[str, int, int]], as_json: bool) -> None:
    if as_json:
        print_json(
            [{"code": code, "reason": REFUSALS[code], "refused": ever, "held": held} for code, ever, held in rows]
        )
        return
    for code, ever, held in rows:
        print(f"{ever:>8} refused, {held:>6} held  {code:<14} {REFUSALS[code]}")
    if not rows:
        print("Nothing was ever refused.")


def _print_held(rows: list[quarantine.Held], as_json: bool, *, whole: bool) -> None:
    told = [
        {
            "number": row.id,
            "topic": row.topic,
            "reason": row.why.reason,
            "received_at": None if row.received_us is None else times.rfc3339(row.received_us),
            "payload": row.payload.decode("utf-8", "backslashreplace")[: None if whole else 100],
        }
        for row in rows
    ]
    if as_json:
        print_json(told)
        return
    for row in told:
        # A payload is somebody else's text: nothing in it may steer the terminal.
        text = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in str(row["payload"]))
        topic = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in str(row["topic"]))
        print(f"{row['number']}  {row['received_at'] or 'no receipt'}  {topic}\n    {row['reason']}\n    {text}")
    if not told:
        print("Nothing is held.")


@app.command(epilog="Example: tallow acl --ingester tallow-ingest-1 > /etc/mosquitto/tallow/rules.json")
def acl(
    ingester: Annotated[
        list[str] | None, typer.Option(help="common name of an ingester's certificate; repeat for several")
    ] = None,
    alerter: Annotated[
        list[str] | None, typer.Option(help="common name of a certificate that alerts are published with")
    ] = None,
    share: Annotated[str, typer.Option(help="group in which the ingesters share the messages")] = SHARE,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Print a Mosquitto broker's access rules: each registered vehicle may write below its own topic only, and read nothing."""
    if not all(map(is_name, [share, *(ingester or ()), *(alerter or ())])):
        raise Problem("--ingester, --alerter and --share: up to 64 of A-Z a-z 0-9 _ -")
    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        known = [(one.fleet, one.name) for one in registry.read_vehicles(connection)]
    sys.stdout.write(access_rules(known, ingester or [INGESTER], alerter or [ALERTER], share))


@app.command(epilog="Example: tallow upgrade --database sqlite:///tallow.db")
def upgrade(database: Database = DEFAULT_DATABASE) -> None:
    """Bring a database of an older version up to this one; under a lock, and repeatable."""
    upgrade_database(connect(database))
    print("The database is up to date.")
