"""The command about parts to have, and how long things last."""

import sys
from typing import Annotated

import typer

from analytics.account.lives import DIMENSIONS
from analytics.account.parts import DAYS
from dashboard.cli.options import DEFAULT_DATABASE, Database, Json, print_json
from dashboard.exports import csv
from dashboard.exports import parts as stock
from dashboard.queries import scope
from dashboard.queries.lives import lasting
from ingest.database import open_existing, reachable
from ingest.errors import Problem
from ingest.times import now_us

app = typer.Typer()


@app.command("parts", epilog='Example: tallow parts --depot "Dry Fork Pit" --days 90')
def parts(
    depot: Annotated[str, typer.Option(help="one depot; all by default")] = "",
    days: Annotated[int, typer.Option(min=1, max=365, help="how far ahead")] = DAYS,
    by: Annotated[str, typer.Option(help=f"compare lives by one of: {', '.join(DIMENSIONS)}")] = "point",
    as_json: Json = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="print the parts as CSV")] = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """List parts to have, what fails more often, how long things last: by depot, by the newest analysis."""
    if by not in DIMENSIONS:
        raise Problem(f"--by: one of {', '.join(DIMENSIONS)}")
    engine = open_existing(database)
    with reachable(engine):
        if depot:
            scope.check_depot(engine, depot)
        told = lasting(engine, scope.Scope(depot=depot), now_us(), by, days)
    if as_json:
        print_json(stock.as_object(told, days))
        return
    if as_csv:
        sys.stdout.write(csv.csv_text(stock.need_table(told.needs), "depot"))
        return
    if not told.vehicles:
        print(stock.NOTHING)
        return
    for one in stock.told(told.needs):
        print(f"{one.depot}, {one.part}: expected {stock.expected(one)}, enough {stock.amount(one.enough, one.unit)}")
    for text in stock.untold(told.needs):
        print(f"{text}.")
    print(stock.PARTS_MEANING)
    for case in told.more_often:
        print(f"{stock.sentence(case)}.")
    for what, curves in told.curves.items():
        for curve in curves:
            ages = [f"{told_at} reach {age:,.0f} h" for age in stock.AGES_H if (told_at := stock.reaches(curve, age))]
            print(
                f"{stock.title(what)}, {stock.group_name(curve)}: {curve.failures} failures of {curve.parts} lives; {'; '.join(ages)}"
            )
        if not curves:
            print(f"{stock.title(what)}: {told.failures[what]} failures so far, too few to say how long it lasts.")
