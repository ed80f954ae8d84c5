"""The command about points greased by hand."""

import sys
from typing import Annotated

import typer

from analytics.findings import CAUTION
from dashboard.cli.options import DEFAULT_DATABASE, Database, Json, print_json
from dashboard.exports import csv, hand
from dashboard.queries import scope
from dashboard.queries.hand import hand_points
from ingest.database import open_existing, reachable
from ingest.times import now_us

app = typer.Typer(rich_markup_mode=None)


@app.command("points", epilog='Example: tallow points --depot "Skarvholm Quarry"')
def points(
    depot: Annotated[str, typer.Option(help="one depot; all by default")] = "",
    as_json: Json = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="print CSV for other programs")] = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """List points greased by hand and when each is due, by the newest analysis. Tick off with `tallow work VEHICLE points_greased`."""
    engine = open_existing(database)
    with reachable(engine):
        if depot:
            scope.check_depot(engine, depot)
        found = hand_points(engine, now_us(), scope.Scope(depot=depot))
    if as_json:
        print_json([hand.as_object(one) for one in found])
        return
    if as_csv:
        sys.stdout.write(csv.csv_text(hand.hand_table(found), "fleet"))
        return
    for one in found:
        critical = ", steering or braking depends on it" if one.critical else ""
        due = hand.due(one).removeprefix("not known: ")
        what = f"{hand.every(one.every, one.interval_unit)}, {hand.amount(one)} of {one.grease or 'its grease'}"
        print(
            f"{hand.WORDS[one.state]}, {due}: {one.unit} ({one.vehicle}), {one.number} {one.point}{critical}; {what};"
            f" {hand.since_by_meter(one)}"
        )
    print(f"{CAUTION}\n{hand.GUN}" if found else hand.NOTHING)
