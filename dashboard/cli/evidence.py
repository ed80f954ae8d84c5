"""The command that prints what stands for a point or a pump over a span."""

import sys
from datetime import date
from typing import Annotated

import typer

from dashboard.cli.options import DEFAULT_DATABASE, Database, Json, print_json
from dashboard.exports import evidence as words
from dashboard.queries.evidence import read_evidence
from ingest import registry
from ingest.database import open_existing, reachable
from ingest.errors import Problem

app = typer.Typer()


@app.command("evidence", epilog="Example: tallow evidence FLEET/VEHICLE --line 5 --from 2026-01-01 --to 2026-02-28")
def evidence(
    vehicle: Annotated[str, typer.Argument(metavar="VEHICLE")],
    first: Annotated[str, typer.Option("--from", help="first day, YYYY-MM-DD")],
    last: Annotated[str, typer.Option("--to", help="last day, YYYY-MM-DD")],
    line: Annotated[int | None, typer.Option(help="number of a line; the pump by default")] = None,
    as_json: Json = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Print what stands for a point or a pump over a span, with a hash over the records it rests on; by the newest analysis."""
    days = []
    for text in (first, last):
        try:
            days.append(date.fromisoformat(text))
        except ValueError:
            raise Problem(f"{text!r} is no day; write it as 2026-02-28") from None
    engine = open_existing(database)
    with reachable(engine):
        with engine.connect() as connection:
            found = registry.find(connection, vehicle)
        told = read_evidence(engine, found.fleet, found.name, line, days[0], days[1])
    if as_json:
        print_json(words.as_object(told))
    else:
        sys.stdout.write(words.as_text(told))
