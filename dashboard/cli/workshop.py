"""The command that exchanges work with the workshop's program."""

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from dashboard.cli.options import DEFAULT_DATABASE, Database
from ingest.database import open_existing, reachable
from ingest.errors import Problem

app = typer.Typer(rich_markup_mode=None)


class Least(StrEnum):
    """The least severity that is requested."""

    ACT_NOW = "act_now"
    PLAN = "plan"
    NOTE = "note"


@app.command("workshop", epilog="Example: tallow workshop ./exchange --depot 'Skarvholm Quarry' --least act_now")
def workshop(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder for requests/ and completions/")],
    name: Annotated[str, typer.Option(help="what the workshop is called; alarms are assigned to it")] = "Workshop",
    depot: Annotated[str, typer.Option(help="request work for this depot only")] = "",
    least: Annotated[Least, typer.Option(help="least severity that is requested")] = Least.PLAN,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Exchange work with the workshop's program, by files in a folder: requests for alarms out and withdrawn, orders and completed
    work in."""
    from dashboard.exports.workshop import exchange

    if not name.strip() or len(name) > 64:
        raise Problem("--name: 1 to 64 characters")
    engine = open_existing(database)
    with reachable(engine):
        told = exchange(engine, folder, name.strip(), depot, least.value)
    for line in told.refused:
        print(line, file=sys.stderr)
    print(
        f"{told.requested} requests written, {told.withdrawn} withdrawn; {told.ordered} taken on, {told.done} done,"
        f" {told.before} told before, {len(told.refused)} rows refused."
    )
