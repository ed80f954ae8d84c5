"""The commands about telematics servers that are asked for hours and positions."""

import sys
import time
from pathlib import Path
from typing import Annotated

import typer

from dashboard import change_log, formatting
from dashboard.cli.options import DEFAULT_DATABASE, Database
from ingest.database import open_database, open_existing, reachable, writing
from ingest.errors import Problem, Unreachable
from ingest.times import now_us

app = typer.Typer(rich_markup_mode=None)
poll = typer.Typer(help="Ask telematics servers for hours and positions: add, list, remove, run.", no_args_is_help=True)
app.add_typer(poll, name="poll")


@poll.command("add", epilog="Example: tallow poll add hours.toml --header-file /etc/tallow/maker.header")
def add(
    mapping: Annotated[
        Path, typer.Argument(metavar="MAPPING", help="TOML file with the server's address and vehicles")
    ],
    header_file: Annotated[
        Path | None, typer.Option(help="file with the header that lets us in: Authorization: Bearer TOKEN")
    ] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Have a server polled, by the name that the mapping gives it; one of that name is replaced."""
    from ingest import telematics
    from ingest.formats import iso15143

    equipment, header = iso15143.load(mapping), None
    if header_file is not None:
        try:
            header = header_file.read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError):
            raise Problem(f"{header_file}, which should hold the header, cannot be read") from None
    engine = open_database(database)
    with reachable(engine), writing(engine) as connection:
        telematics.keep(connection, equipment, header)
        change_log.log_change(connection, "command line", f"Server {equipment.source} is polled", now_us())
    print(f"{equipment.source} is polled by: tallow poll run")


@poll.command("list", epilog="Example: tallow poll list")
def list_servers(database: Database = DEFAULT_DATABASE) -> None:
    """List the servers that are polled, and what each answered last."""
    from ingest import telematics

    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        found = telematics.sources(connection)
    for one in found:
        asked = "never asked" if one.asked_us is None else formatting.moment(one.asked_us, "UTC", with_zone=True)
        failing = f" ({one.failures} failures in a row)" if one.failures else ""
        rank = one.equipment.rank
        print(change_log.plain(f"{one.name}, rank {rank}, {asked}: {one.answer or 'nothing yet'}{failing}"))
    if not found:
        print("No server is polled; tallow poll add --help shows how.")


@poll.command("remove", epilog="Example: tallow poll remove maker")
def remove(name: Annotated[str, typer.Argument(metavar="SERVER")], database: Database = DEFAULT_DATABASE) -> None:
    """Poll a server no more; what it told stays."""
    from ingest import telematics

    engine = open_existing(database)
    with reachable(engine), writing(engine) as connection:
        telematics.remove(connection, name)
        change_log.log_change(connection, "command line", f"Server {name} is polled no more", now_us())
    print(f"{name} is polled no more.")


@poll.command("run", epilog="Example: tallow poll run --every 30")
def run(
    names: Annotated[list[str] | None, typer.Argument(metavar="[SERVER]...", help="only these, at once")] = None,
    every: Annotated[
        float | None, typer.Option(min=1, metavar="MINUTES", help="again and again, until stopped; else once")
    ] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Ask the servers for what is new, and record it. A server that fails is left alone for a while."""
    from ingest import telematics

    engine = open_existing(database)
    while True:
        failed = 0
        try:
            with reachable(engine):
                told = telematics.poll_due(engine, now_us, tuple(names or ()))
        except Unreachable as problem:
            if every is None:
                raise
            print(problem, file=sys.stderr, flush=True)
            told = []
        for one in told:
            failed += one.problem is not None
            print(one.problem or f"{one.name}: {one.told}", file=sys.stderr if one.problem else sys.stdout, flush=True)
            if one.unknown:
                print(one.unknown, flush=True)
        if every is None:
            break
        time.sleep(60 * every)
    if not told:
        print("No server is polled; tallow poll add --help shows how.")
    if failed:
        raise typer.Exit(1)
