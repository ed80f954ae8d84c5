"""The commands that keep the database: what it holds, what was refused, who may send, what is let go of."""

import sys
from typing import Annotated

import typer

from dashboard.cli.options import DEFAULT_DATABASE, Database, Json, as_of_us, print_json, progress
from ingest import quarantine, retention, times
from ingest.database import connect, open_existing, reachable, shown
from ingest.database import upgrade as upgrade_database
from ingest.errors import Problem
from ingest.messages import REFUSALS, SHARE, is_name
from ingest.retention import KEPT_DAYS
from ingest.times import DAY_US, now_us

app = typer.Typer(rich_markup_mode=None)


@app.command(epilog="Example: tallow prune --keep-days 730")
def prune(
    keep_days: Annotated[
        int, typer.Option(min=1, max=36_500, help="days before the newest message whose messages are all kept")
    ] = KEPT_DAYS,
    trace_days: Annotated[
        int | None,
        typer.Option(min=1, max=36_500, help="days for which pressure traces are kept; as long as messages by default"),
    ] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Thin old messages; findings and fills stay, and so do daily figures. Traces and quarantine are thinned as well."""
    from analytics.pipeline import prune as pruning
    from analytics.pipeline.workers import workers
    from ingest import strangers

    engine = open_existing(database)
    with reachable(engine), workers() as pool, progress("Pruning", "done") as bar:
        since_us, gone = pruning.prune(engine, keep_days, pool, bar)
        traces = 0
        if trace_days is not None:
            traces = retention.drop_traces(engine, as_of_us(engine, None) - trace_days * DAY_US)
        refused = retention.clear_quarantine(engine, since_us)
        unknown = strangers.forget(engine, now_us())
    print(
        f"{gone} messages, {traces} traces of others and {refused} refused messages removed;"
        f" questions with --as-of are answered from {times.rfc3339(since_us)} on."
    )
    if unknown:
        print(f"{unknown} vehicles removed that nobody registered within {strangers.KEPT_DAYS} days.")


@app.command(epilog="Example: tallow status --json")
def status(as_json: Json = False, database: Database = DEFAULT_DATABASE) -> None:
    """Print what is recorded."""
    from ingest import totals
    from ingest.rivals import rivals

    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        now, fought = totals.status(connection), rivals(connection, now_us())
    if as_json:
        print_json(now)
        return
    print(f"{now['vehicles']} vehicles registered, {now['unregistered_vehicles']} more heard of but not registered.")
    print("Messages: " + ", ".join(f"{number} {kind}" for kind, number in now["recorded"].items()) + ".")
    print(
        f"{now['duplicates']} duplicates, {now['rejected']} rejected, newest message {_told(now['newest_at']) or 'none'}."
    )
    for name, one in sorted(fought.items()):
        print(
            f"Two ingesters are called {name}: the session was taken {one.times} times. Give each its own --client-id."
        )


def _told(time: object) -> str:
    """An RFC 3339 time as people read it; nothing where there is none."""
    from dashboard import formatting

    return formatting.moment(times.read_time(str(time)), "UTC", with_zone=True) if time else ""


@app.command("quarantine", epilog="Example: tallow quarantine --code shape")
def show_quarantine(
    code: Annotated[str | None, typer.Option(help=f"list the newest of one kind: {', '.join(REFUSALS)}")] = None,
    show: Annotated[int | None, typer.Option(metavar="NUMBER", help="show one, with its payload")] = None,
    release: Annotated[
        bool,
        typer.Option(
            "--release", help="record the messages that this version can read, and remove them from quarantine"
        ),
    ] = False,
    as_json: Json = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """List the messages that could not be recorded, and why. Show one, or record those that this version can read."""
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
        print(
            f"{row['number']}  {_told(row['received_at']) or 'time of receipt not known'}  {topic}\n    {row['reason']}\n    {text}"
        )
    if not told:
        print("Nothing is in quarantine.")


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
    """Print a broker's access rules for the registered vehicles, in Mosquitto's form: each may write below its own topic only, and
    read nothing."""
    from ingest import registry
    from ingest.broker import ALERTER, INGESTER, access_rules

    if not all(map(is_name, [share, *(ingester or ()), *(alerter or ())])):
        raise Problem("--ingester, --alerter and --share: up to 64 of A-Z a-z 0-9 _ -")
    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        known = [(one.fleet, one.name) for one in registry.read_vehicles(connection)]
    sys.stdout.write(access_rules(known, ingester or [INGESTER], alerter or [ALERTER], share))


@app.command(epilog="Example: tallow upgrade --database sqlite:///tallow.db")
def upgrade(database: Database = DEFAULT_DATABASE) -> None:
    """Bring the database of an older version up to date; repeatable."""
    engine = connect(database)
    made = upgrade_database(engine)  # whoever mistyped the address of theirs has to see it
    print(f"There was none at {shown(engine)}; an empty one is made." if made else "The database is up to date.")
