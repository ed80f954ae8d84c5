"""The command line. Every command prints its answer to standard output, or one clear line to standard error and fails."""

import contextlib
import os
import secrets
import signal
import sys
import threading
from collections.abc import Iterator
from dataclasses import asdict
from datetime import timedelta
from itertools import accumulate
from pathlib import Path
from typing import Annotated, Any

import structlog
import typer
from paho.mqtt.enums import MQTTProtocolVersion
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from analytics.findings import CAUTION, KINDS, urgency
from analytics.pipeline import backtest as backtesting
from analytics.pipeline import prune as pruning
from analytics.pipeline import results, tasks
from analytics.pipeline.workers import workers
from analytics.planning import rounds, timer, usage
from dashboard import alarm_commands, people_commands, tables, words
from dashboard.terminal import (
    AsOf,
    BrokerAddress,
    Dask,
    Database,
    Json,
    as_of_us,
    moment,
    print_json,
    progress,
    start_logging,
    stopping,
)
from ingest import (
    errors,
    listener,
    metrics,
    quarantine,
    reading,
    registry,
    replay,
    retention,
    times,
    work,
    work_records,
)
from ingest.broker import DEFAULT_BROKER, Broker, access_rules, broker_of, make_client
from ingest.database import DEFAULT_DATABASE, address, connect, open_database, reachable, writing
from ingest.database import upgrade as upgrade_database
from ingest.errors import Problem
from ingest.messages import REFUSALS, is_name
from ingest.recorder import Tally
from ingest.recorder_process import Recording
from ingest.setups import in_force
from ingest.times import DAY_US, now_us

log = structlog.get_logger("tallow")
app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
app.add_typer(alarm_commands.app)
app.add_typer(people_commands.app, name="person")


@app.callback(invoke_without_command=True)
def start(context: typer.Context) -> None:
    """Maintenance telemetry for automatic lubrication systems.

    Records what the controllers report, finds what is wrong, and says when each reservoir must be refilled.
    """
    if context.invoked_subcommand is None:
        print(context.get_help())


def main() -> None:
    """Run the command line; the console script."""
    try:
        status = app(prog_name="tallow", standalone_mode=False)
    except Problem as problem:
        fail(str(problem), 1)
    except typer.TyperException as error:
        text = error.format_message() if hasattr(error, "format_message") else str(error)
        context = getattr(error, "ctx", None)
        fail(f"{text.rstrip('.')}; see: {context.command_path if context else 'tallow'} --help", 2)
    except (KeyboardInterrupt, typer.Abort):
        sys.exit(130)
    except BrokenPipeError:
        # Whoever reads has read enough.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    sys.exit(status if isinstance(status, int) else 0)


def fail(text: str, status: int) -> None:
    """Say what is wrong in one line, and end."""
    sys.stderr.write(f"tallow: {' '.join(text.split())}\n")
    sys.exit(status)


@contextlib.contextmanager
def _simulation() -> Iterator[None]:
    """What is wrong with a simulation is the user's to put right."""
    from simulators import SimulationError

    try:
        yield
    except SimulationError as error:
        raise Problem(str(error)) from None


def _recorders(engine: Engine) -> dict[str, int]:
    with contextlib.suppress(DBAPIError), engine.connect() as connection:
        return reading.recorders(connection)
    return {}


@app.command(epilog="Example: tallow demo --data /tmp/tallow-demo")
def demo(
    data: Annotated[Path, typer.Option(help="folder that everything is kept in")] = Path("demo-data"),
    port: Annotated[int, typer.Option(min=1, max=65535, help="port of the dashboard")] = 8050,
) -> None:
    """Start everything on this machine with a simulated fleet: broker, ingest, analysis and dashboard."""
    from simulators.demo import Demo

    with _simulation():
        Demo(data, port, lambda text: print(text, flush=True)).run()


@app.command(epilog="Example: tallow register ./fleet")
def register(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder with vehicles.csv and lines.csv")],
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Read vehicles and call-out sheets from two CSV files; all or nothing, and repeatable."""
    engine = open_database(database)
    with reachable(engine), writing(engine) as connection:
        done = registry.register(connection, folder, now_us())
    print(f"{done.vehicles} vehicles with {done.lines} lines read; {done.changed} new or changed.")


@app.command(epilog="Example: TALLOW_BROKER=mqtt://localhost tallow ingest")
def ingest(
    broker: BrokerAddress = DEFAULT_BROKER,
    client_id: Annotated[
        str, typer.Option("--client-id", help="name of the session at the broker; each ingester needs its own")
    ] = "tallow-ingest",
    share: Annotated[
        str | None,
        typer.Option(help="share the messages with the other ingesters of this group, each with its own --client-id"),
    ] = None,
    metrics_port: Annotated[
        int | None,
        typer.Option(
            envvar="TALLOW_METRICS_PORT", min=1, max=65535, help="answer /metrics and /health there, on loopback"
        ),
    ] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Record the messages of a broker until stopped; wait for a broker or database that is away."""
    start_logging()
    if share is not None and not is_name(share):
        raise Problem("--share: up to 64 of A-Z a-z 0-9 _ -")
    at = broker_of(broker, os.environ)
    stop = stopping()
    engine = _open_patiently(database, stop)
    if engine is None:
        return
    figures = metrics.Metrics()
    figures.others = lambda: _recorders(engine)
    stop_serving = metrics.serve(figures.application(), "127.0.0.1", metrics_port) if metrics_port else lambda: None
    with Recording(address(engine), client_id) as recording:
        listening = listener.Listener(at, client_id, recording, stop, share, figures)
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
            pause_s = min(2 * pause_s, listener.LONGEST_PAUSE_S)
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
    with Recording(address(engine), "replay") as recording, progress("Replaying", "read") as bar:
        for path, before in zip(files, accumulate(sizes, initial=0), strict=False):

            def show(done: int, before: int = before) -> None:
                bar(before + done, sum(sizes))

            tally.add(replay.replay(path, recording, show))
    print(
        f"{tally.recorded.total()} messages recorded, {tally.duplicates} duplicates, {tally.rejected} rejected"
        f" (kept in quarantine), {tally.wills} without a name of their own."
    )


@app.command(epilog="Example: tallow analyse --as-of 2026-03-01T06:00:00Z")
def analyse(
    as_of: AsOf = None,
    dask: Dask = "",
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Bring findings, fills and forecasts up to date, once."""
    engine = open_database(database)
    with reachable(engine), workers(dask=dask) as pool, progress("Analysing", "vehicles") as bar:
        number = sum(1 for _ in results.renew(engine, lambda: as_of_us(engine, as_of), pool, bar))
        with engine.connect() as connection:
            left = len(tasks.registered(connection)) - number
    print(f"{number} vehicles analysed.")
    if left:
        raise Problem(
            f"{left} more could not be analysed, or another analyser has them in hand; try again in ten minutes"
        )


def _outcomes(database: str, as_of: str | None) -> list[tasks.Outcome]:
    engine = open_database(database)
    with reachable(engine), workers() as pool, progress("Analysing", "vehicles") as bar:
        return list(tasks.outcomes(engine, as_of_us(engine, as_of), pool, bar))


@app.command(epilog="Example: tallow backtest --weeks 12")
def backtest(
    weeks: Annotated[int, typer.Option(min=1, max=104, help="forecasts of so many past weeks, one a week")] = 12,
    chart: Annotated[Path | None, typer.Option(help="draw the calibration into this HTML file")] = None,
    as_json: Json = False,
    dask: Dask = "",
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Say how well past refill dates held, beside three plain ways to forecast."""
    engine = open_database(database)
    with reachable(engine), workers(dask=dask) as pool, progress("Looking back", "vehicles") as bar:
        told = backtesting.backtest(engine, weeks, pool, bar)
    if told is None:
        raise Problem("no past forecast has come to its end yet; try with more messages or more --weeks")
    if chart is not None:
        from dashboard.figures import held_dates

        try:
            held_dates(told.below, told.cases, "plotly_white").write_html(chart, include_plotlyjs=True)
        except OSError as failure:
            raise Problem(f"{chart} cannot be written: {failure.strerror}") from None
    if as_json:
        print_json(asdict(told))
        return
    print(
        f"{told.cases} forecasts whose low mark would have been reached by now; {told.still_open} more are still open, and"
        " those like them count for them."
    )
    print(f"The window from the early to the late date held {told.coverage:.0%} of them (80 % is meant).")
    shares = ", ".join(f"{share:.0%}" for share in told.below)
    print(f"Reached by the early, expected and late date: {shares} (10 %, 50 % and 90 % are meant).")
    print(f"Pinball loss {told.pinball_days:.2f} days; by registered doses and last month's cycles"
          f" {told.nominal_pinball_days:.2f}, by a straight line {told.straight_pinball_days:.2f}.")  # fmt: skip
    if told.structural_pinball_days is not None:
        print(f"By a structural time series (statsmodels' UnobservedComponents) {told.structural_pinball_days:.2f}, where ours"
              f" is {told.beside_structural_pinball_days:.2f}.")  # fmt: skip
    for first, last, cases, error, inside in told.horizons:
        print(
            f"  {first:2} to {last} days ahead: {cases} forecasts, median error {error:.1f} days, {inside:.0%} in the window"
        )


@app.command("round", epilog="Example: tallow round 'Skarvholm Quarry' --days 28 --limit 4")
def refill_round(
    depot: Annotated[str, typer.Argument(metavar="DEPOT")],
    days: Annotated[int, typer.Option(min=0, max=366, help="vehicles due within so many days")] = 28,
    limit: Annotated[int | None, typer.Option(min=1, help="fills a day at most")] = None,
    worth: Annotated[
        float, typer.Option(min=0, max=1, help="share of a reservoir that is worth a fill")
    ] = rounds.WORTH,
    workdays: Annotated[str, typer.Option(help="days on which somebody works, 1 is Monday")] = "12345",
    container: Annotated[
        float | None, typer.Option(min=0.1, help="litres in one container, to count whole ones")
    ] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="print CSV for other programs")] = False,
    calendar: Annotated[Path | None, typer.Option(help="write the visits to this iCalendar file")] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Plan refill visits to a depot: fewest days, every vehicle in its time; by the newest analysis."""
    from dashboard import queries

    if not workdays or not set(workdays) <= set("1234567"):
        raise Problem("--workdays: digits from 1 (Monday) to 7, such as 12345")
    engine = open_database(database)
    with reachable(engine):
        if depot not in queries.depots(engine):
            raise Problem(f"no depot is called {depot!r}; there are: {', '.join(queries.depots(engine)) or 'none'}")
        try:
            told = queries.refill_round(
                engine, depot, days, limit, worth, frozenset(int(day) - 1 for day in workdays), as_of_us(engine, None)
            )
        except ValueError as error:
            raise Problem(f"{error}; allow more with --limit, or more --workdays") from None
    if calendar is not None:
        try:
            calendar.write_bytes(queries.round_calendar(told))
        except OSError as error:
            raise Problem(f"{calendar} cannot be written: {error.strerror}") from None
    rows = tables.round_table(told)
    if as_csv:
        sys.stdout.write(tables.csv_text(rows, "date"))
        return
    for visit in told.visits:
        day = told.today + timedelta(days=visit.day)
        print(f"{day:%a} {day.day} {day:%b %Y}: {len(visit.stops)} vehicles")
        for grease, litres in sorted(visit.litres.items()):
            print(f"  take {litres:.1f} l of {grease}{words.containers(litres, container)}")
        for row in (r for r in rows if r["date"] == day.isoformat()):
            also = f"; also: {row['also']}" if row["also"] else ""
            print(f"  {row['unit']} ({row['vehicle']}): {row['litres']} l, by {row['fill_by']}{also}")
    print(CAUTION if told.visits else f"Nothing is due at {depot} within {days} days.")
    if told.undated:
        print(f"No date is known for: {', '.join(told.undated)}.")


@app.command("work", epilog="Example: tallow work HS-102 line_mended --line 5 --by 'R. Okafor' --note 'tube renewed'")
def record_work(
    vehicle: Annotated[str, typer.Argument(metavar="VEHICLE", help="VEHICLE, or FLEET/VEHICLE")],
    kind: Annotated[
        str | None, typer.Argument(metavar="KIND", help=f"one of: {', '.join(work.KINDS)}; lists the records without")
    ] = None,
    at: Annotated[str | None, typer.Option(help="when it was done, RFC 3339; now by default")] = None,
    by: Annotated[str, typer.Option(help="who did it")] = "",
    line: Annotated[list[int] | None, typer.Option(help="number on the call-out sheet; repeat for several")] = None,
    channel: Annotated[
        str | None, typer.Option(help="pressure sensor that was replaced; else the level sensor")
    ] = None,
    litres: Annotated[float | None, typer.Option(help="grease filled in")] = None,
    to_pct: Annotated[float | None, typer.Option(help="level after filling; 100 is the full mark")] = None,
    grease: Annotated[str | None, typer.Option(help="which grease")] = None,
    interval_min: Annotated[float | None, typer.Option(help="interval that the timer was set to")] = None,
    run_s: Annotated[float | None, typer.Option(help="run time that the timer was set to")] = None,
    depot: Annotated[str | None, typer.Option(help="depot that the vehicle moved to")] = None,
    note: Annotated[str, typer.Option(help="anything else")] = "",
    corrects: Annotated[str | None, typer.Option(metavar="KEY", help="record that this one stands for")] = None,
    withdraw: Annotated[str | None, typer.Option(metavar="KEY", help="say that a record was wrong")] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Record what was done to a vehicle's system, or list what was."""
    engine = open_database(database)
    with reachable(engine), writing(engine) as connection:
        id_, setups = registry.find(connection, vehicle)
        if kind is None and withdraw is None:
            _print_work(work_records.read_records(connection, id_).get(id_, ()))
            return
        said: dict[str, Any] = {
            "kind": kind, "lines": line, "channel": channel, "litres": litres, "to_pct": to_pct, "grease": grease,
            "interval_min": interval_min, "run_s": run_s, "depot": depot, "corrects": corrects, "note": note,
        }  # fmt: skip
        if withdraw is not None:
            wrong = [w for w, _, _ in work_records.read_records(connection, id_).get(id_, ()) if w.key == withdraw]
            if not wrong:
                raise Problem(f"{vehicle} has no record {withdraw!r}; tallow work {vehicle} lists them")
            said = {"kind": wrong[0].kind, "corrects": withdraw, "withdrawn": True, "note": note}
        if not by:
            raise Problem("say who did it with --by")
        at_us = now_us() if at is None else moment(at)
        record = work.work_of(said | {"key": secrets.token_hex(6), "at_us": at_us, "by": by})
        work_records.record(connection, id_, setups, record, now_us())
    print(f"{record.title}, {vehicle}: recorded as {record.key}." if not withdraw else f"Record {withdraw} withdrawn.")


def _print_work(records: tuple[tuple[work.Work, int, bool], ...]) -> None:
    for one, _, stands in records:
        what = "withdraws a record" if one.withdrawn else "; ".join([one.title, *words.work_details(one)])
        mark = f", corrects {one.corrects}" if one.corrects else ""
        print(
            f"{one.key}  {times.rfc3339(one.at_us)[:16]}Z  {what} ({one.by}{mark}){'' if stands else '  no longer stands'}"
        )
    if not records:
        print("No work is recorded.")


@app.command("timer", epilog="Example: tallow timer HS-102 --interval-min 15")
def show_timer(
    vehicle: Annotated[str, typer.Argument(metavar="VEHICLE", help="VEHICLE, or FLEET/VEHICLE")],
    interval_min: Annotated[float | None, typer.Option(min=0.1, help="another interval, minutes")] = None,
    run_s: Annotated[float | None, typer.Option(min=1, help="another run time, seconds")] = None,
    line: Annotated[int | None, typer.Option(help="with --want: the line that shall get it")] = None,
    want: Annotated[
        float | None, typer.Option(min=0.001, help="cm3 that a point shall get in 8 ignition hours, by its maker")
    ] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Say what each point gets in 8 ignition hours, and what another setting of the timer would change."""
    from dashboard import queries

    engine = open_database(database)
    with reachable(engine):
        with engine.connect() as connection:
            _, setups = registry.find(connection, vehicle)
        setup = in_force(setups, now_us())
        result = queries.vehicle_result(engine, setup.fleet, setup.vehicle)
        everybody = queries.setups(engine)
    if result is None:
        raise Problem(f"nothing is known of {vehicle} yet")
    if want is not None:
        wanted = next((x for x in setup.lines if x.line == line), None)
        if wanted is None:
            raise Problem(f"say with --line which line of {vehicle} shall get it; there are {len(setup.lines)}")
        interval_min = timer.interval_for(want, timer.dose_at(setup, wanted.dose_cm3, run_s or setup.run_s))
    now = timer.setting(result, setup.interval_min, setup.run_s)
    then = timer.setting(result, interval_min or setup.interval_min, run_s or setup.run_s)
    print(f"{setup.unit} ({setup.vehicle}): every {now.interval_min:g} min for {now.run_s:g} s"
          f"{'' if now == then else f', then every {then.interval_min:.1f} min for {then.run_s:g} s'}")  # fmt: skip
    for text in words.timer_facts(now, then):
        print(f"  {text}")
    print("  cm3 in 8 ignition hours, by line:")
    amounts = dict(then.per_shift)
    for one, (_, before) in zip(setup.lines, now.per_shift, strict=True):
        change = "" if now == then else f" -> {amounts[one.line]:.2f}"
        print(f"  {one.line:>4} {one.point}: {before:.2f}{change}")
    for text in timer.warnings(result, then, timer.sisters(everybody, setup)):
        print(f"  Mind: {text}")


@app.command("amounts", epilog="Example: tallow amounts --depot 'Skarvholm Quarry' --months 3")
def show_amounts(
    depot: Annotated[str, typer.Option(help="one depot; all by default")] = "",
    months: Annotated[int, typer.Option(min=1, max=120, help="so many latest months")] = 12,
    density: Annotated[
        float, typer.Option(min=0.5, max=2, help="kilograms a litre of grease weighs")
    ] = usage.DENSITY_KG_PER_L,
    as_csv: Annotated[bool, typer.Option("--csv", help="print CSV for other programs")] = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Print litres and kilograms of grease by month, depot and grease: used, filled, to come; by the newest analysis."""
    from dashboard import queries

    engine = open_database(database)
    with reachable(engine):
        if depot and depot not in queries.depots(engine):
            raise Problem(f"no depot is called {depot!r}; there are: {', '.join(queries.depots(engine)) or 'none'}")
        found, ahead_l = queries.amounts(engine, depot), queries.ahead_l(engine, depot)
    latest = sorted({one.month for one in found})[-months:]
    found = [one for one in found if one.month in latest]
    if as_csv:
        sys.stdout.write(tables.csv_text(tables.amounts_table(found, density), "month"))
        return
    for one in found:
        print(
            f"{one.month}  {one.depot}, {one.grease}: {one.used_l:.1f} l used ({one.used_l * density:.1f} kg),"
            f" {one.filled_l:.1f} l filled, {one.held_l:+.1f} l in the reservoirs, {one.unaccounted_l:+.1f} l unaccounted for"
        )
    for (place, grease), litres in ahead_l.items():
        print(f"Next {usage.AHEAD_DAYS} days  {place}, {grease}: about {litres:.1f} l ({litres * density:.1f} kg)")
    if not found:
        print("Nothing is analysed yet; run: tallow analyse")


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
    engine = open_database(database)
    with reachable(engine), workers() as pool, progress("Pruning", "done") as bar:
        since_us, gone = pruning.prune(engine, keep_days, pool, bar)
        traces = 0
        if trace_days is not None:
            traces = retention.drop_traces(engine, as_of_us(engine, None) - trace_days * DAY_US)
        refused = retention.clear_quarantine(engine, since_us)
    print(
        f"{gone} messages, {traces} traces of others and {refused} refused publications let go of;"
        f" questions are answered from {times.rfc3339(since_us)} on."
    )


@app.command(epilog="Example: tallow findings --json --as-of 2026-03-01T06:00:00Z")
def findings(as_json: Json = False, as_of: AsOf = None, database: Database = DEFAULT_DATABASE) -> None:
    """Print the findings up to a time, ended ones included."""
    told = [(o, f) for o in _outcomes(database, as_of) for f in o.findings]
    if as_json:
        print_json([f.as_json(o.fleet, o.vehicle) for o, f in told])
        return
    for o, f in sorted(told, key=lambda pair: (not pair[1].open, *urgency(pair[1]))):
        state = "open " if f.open else "ended"
        print(f"{state}  {o.fleet}/{o.vehicle}  {KINDS[f.kind].title}: {f.summary}")
    print(CAUTION if told else "No findings.")


@app.command(epilog="Example: tallow refills --json")
def refills(as_json: Json = False, as_of: AsOf = None, database: Database = DEFAULT_DATABASE) -> None:
    """Print when each reservoir reaches its low mark."""
    rows = [o.refill.as_json(o.fleet, o.vehicle) for o in _outcomes(database, as_of)]
    if as_json:
        print_json(rows)
        return
    for row in sorted(rows, key=lambda r: (r["due_expected"] is None, r["due_expected"] or "")):
        level = "level unknown" if row["level_pct"] is None else f"{row['level_pct']:.0f} %"
        when = row["reason"] or row["state"]
        if row["due_expected"] is not None:
            when = f"{row['due_early'][:10]} to {(row['due_late'] or 'later')[:10]}, expected {row['due_expected'][:10]} UTC"
        print(f"{row['fleet']}/{row['vehicle']}  {level}  {row['state']}  {when}")
    if not rows:
        print("No vehicles are registered.")


@app.command(epilog="Example: tallow fills --json")
def fills(as_json: Json = False, as_of: AsOf = None, database: Database = DEFAULT_DATABASE) -> None:
    """Print the fills seen in the level readings."""
    rows = [fill for o in _outcomes(database, as_of) for fill in o.fills]
    if as_json:
        print_json(rows)
        return
    for row in sorted(rows, key=lambda r: str(r["at"])):
        print(
            f"{row['at']}  {row['fleet']}/{row['vehicle']}  {row['from_pct']:.0f} to {row['to_pct']:.0f} %,"
            f" {row['litres']:.2f} litres"
        )
    if not rows:
        print("No fills seen.")


@app.command(epilog="Example: tallow status --json")
def status(as_json: Json = False, database: Database = DEFAULT_DATABASE) -> None:
    """Print what is recorded."""
    engine = open_database(database)
    with reachable(engine), engine.connect() as connection:
        now = reading.status(connection)
    if as_json:
        print_json(now)
        return
    print(f"{now['vehicles']} vehicles registered, {now['unregistered_vehicles']} more heard of but not registered.")
    print("Messages: " + ", ".join(f"{number} {kind}" for kind, number in now["recorded"].items()) + ".")
    print(f"{now['duplicates']} duplicates, {now['rejected']} rejected, newest {now['newest_at'] or 'none'}.")


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
    engine = open_database(database)
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


@app.command(epilog="Example: tallow acl > /etc/mosquitto/tallow/acl")
def acl(database: Database = DEFAULT_DATABASE) -> None:
    """Print a Mosquitto broker's access rules: each registered vehicle may write below its own topic only."""
    engine = open_database(database)
    with reachable(engine), engine.connect() as connection:
        sys.stdout.write(access_rules(registry.read_setups(connection)))


@app.command(epilog="Example: tallow upgrade --database sqlite:///tallow.db")
def upgrade(database: Database = DEFAULT_DATABASE) -> None:
    """Bring a database of an older version up to this one; under a lock, and repeatable."""
    upgrade_database(connect(database))
    print("The database is up to date.")


@app.command(epilog="Example: tallow dashboard --port 8050")
def dashboard(
    port: Annotated[int, typer.Option(min=1, max=65535, help="port to listen on")] = 8050,
    host: Annotated[str, typer.Option(help="address to listen on; loopback unless told otherwise")] = "127.0.0.1",
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Serve the dashboard."""
    from dashboard.app import serve

    engine = open_database(database)
    _stop_by_exit()
    serve(engine, host, port, lambda: print(f"Dashboard: http://{host}:{port}", flush=True))


def _stop_by_exit() -> None:
    def leave(*_: object) -> None:
        raise SystemExit(0)

    signal.signal(signal.SIGTERM, leave)
    signal.signal(signal.SIGINT, leave)


@app.command(epilog="Example: tallow simulate --scenario bad-week --to ./week")
def simulate(
    to: Annotated[Path | None, typer.Option(help="write registry, messages and truth to this folder")] = None,
    broker: BrokerAddress = "",
    scenario: Annotated[str, typer.Option(help="demo, quiet or bad-week, or a TOML file")] = "demo",
    seed: Annotated[int | None, typer.Option(min=0, help="another seed than the scenario's")] = None,
    end: Annotated[str | None, typer.Option(help="end of the scenario's history; the present by default")] = None,
    until: Annotated[str | None, typer.Option(help="with --to: leave out what arrives later")] = None,
    since: Annotated[str | None, typer.Option("--from", help="with a broker: leave out what arrived earlier")] = None,
    speed: Annotated[float, typer.Option(min=1, help="with a broker: times faster than life, until it is today")] = 1,
    rate: Annotated[float | None, typer.Option(min=0.01, help="with a broker: so many messages a second")] = None,
    broken: Annotated[
        tuple[str, str] | None,
        typer.Option("--break", metavar="VEHICLE KIND", help="break something of the demo in --data that is running"),
    ] = None,
    data: Annotated[Path, typer.Option(help="with --break: the running demo's folder")] = Path("demo-data"),
    breaks: Annotated[Path | None, typer.Option(hidden=True)] = None,
) -> None:
    """Publish a simulated fleet to a broker, or write it to files with --to; says there what it broke."""
    from simulators import fleet
    from simulators.publish import Live, break_something
    from simulators.scenario import load

    with _simulation():
        story = load(scenario)
        if broken is not None:
            if not (data / "demo.json").exists():
                raise Problem(f"no demo was started in {data}; name its folder with --data")
            trouble = break_something(story, data / "breaks", *broken)
            where = f", line {trouble.line}" if trouble.line is not None else ""
            print(f"{trouble.kind} on {broken[0]}{where}: a running demo takes it up within seconds.")
            return
    chosen = story.seed if seed is None else seed
    end_us = now_us() if end is None else moment(end)
    end_h = end_us / 3.6e9
    if to is not None:
        until_us = end_us if until is None else moment(until)
        try:
            to.mkdir(parents=True, exist_ok=True)
            with progress("Simulating", "vehicles") as bar:
                number = fleet.write(story, end_h, chosen, until_us, to, lambda done: bar(done, len(story.machines)))
        except OSError as error:
            raise Problem(f"folder {to} cannot be written: {error.strerror}") from None
        print(f"{number} messages of {len(story.machines)} vehicles written to {to}.")
        return
    if not broker:
        raise Problem("nothing to do: name a folder with --to, or a broker with --broker or TALLOW_BROKER")
    from_us = end_us if since is None else moment(since)
    at = broker_of(broker, os.environ)
    with _simulation():
        live = Live(story, end_h, chosen, from_us, breaks)
    _publish(live, story.fleet, at, from_us, speed, rate)


def _publish(live: Any, fleet: str, broker: Broker, from_us: int, speed: float, rate: float | None) -> None:
    from simulators.publish import publish

    start_logging()
    stop = stopping()
    client = make_client(broker, f"tallow-simulate-{os.getpid()}", MQTTProtocolVersion.MQTTv311)
    refused: list[str] = []
    client.on_connect = lambda _c, _d, _f, reason, _p: refused.append(reason.getName()) if reason.is_failure else None
    try:
        client.connect(broker.host, broker.port, 60)
    except OSError as error:
        raise Problem(f"broker {broker.shown} cannot be reached: {error.strerror or error}") from None
    client.loop_start()

    def told(number: int, at_us: int, what: list[str]) -> None:
        for one in what:
            log.info("broke something", what=one)
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{number} messages published, up to {times.rfc3339(at_us)[:19]}Z")
            sys.stderr.flush()

    try:
        with _simulation():
            publish(client, live, fleet, from_us, speed, rate, stop, told)
        if refused:
            raise Problem(f"broker {broker.shown} refuses: {refused[0]}")
    finally:
        client.disconnect()
        client.loop_stop()
