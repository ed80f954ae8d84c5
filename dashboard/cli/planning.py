"""The commands that plan refill visits, and the first cycles of a fitted system."""

import secrets
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated

import typer

from analytics.alarms import wording
from analytics.findings import CAUTION, FILL_STEP
from analytics.planning import rounds
from dashboard import formatting
from dashboard.cli.alarms import By
from dashboard.cli.options import (
    DEFAULT_DATABASE,
    Database,
    Json,
    print_json,
)
from dashboard.exports import csv, greases
from dashboard.exports.calendar import round_calendar
from dashboard.exports.rounds import levels
from dashboard.queries import scope
from dashboard.queries.rounds import read_round
from dashboard.queries.vehicle import vehicle_result
from ingest import (
    registry,
    work,
    work_records,
)
from ingest.database import open_existing, reachable, writing
from ingest.errors import Problem
from ingest.times import now_us

app = typer.Typer(rich_markup_mode=None)


@app.command("round", epilog="Example: tallow round 'Skarvholm Quarry' --days 28 --limit 4")
def refill_round(
    depot: Annotated[str, typer.Argument(metavar="DEPOT")],
    days: Annotated[int, typer.Option(min=0, max=366, help="days to plan ahead")] = 28,
    limit: Annotated[int | None, typer.Option(min=1, help="most fills a day")] = None,
    worth: Annotated[
        float, typer.Option(min=0, max=1, help="smallest fill worth a visit, as a share of the reservoir")
    ] = rounds.WORTH,
    workdays: Annotated[str, typer.Option(help="working days; 1 is Monday")] = "12345",
    container: Annotated[
        float | None, typer.Option(min=0.1, help="litres in one container, to count containers")
    ] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="print CSV for other programs")] = False,
    calendar: Annotated[Path | None, typer.Option(help="write the visits to this iCalendar file")] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Plan the refill visits to a depot: as few days as possible, each vehicle before it is due. Uses the newest analysis."""
    if not workdays or not set(workdays) <= set("1234567"):
        raise Problem("--workdays: digits from 1 (Monday) to 7, such as 12345")
    engine = open_existing(database)
    with reachable(engine):
        scope.check_depot(engine, depot)
        try:
            # From now, not from the newest message: a fleet that fell silent is not planned in the past.
            told = read_round(engine, depot, days, limit, worth, frozenset(int(day) - 1 for day in workdays), now_us())
        except ValueError as error:
            raise Problem(f"{error}; allow more with --limit, or more --workdays") from None
    if calendar is not None:
        try:
            calendar.write_bytes(round_calendar(told))
        except OSError as error:
            raise Problem(f"{calendar} cannot be written: {error.strerror}") from None
    rows = csv.round_table(told)
    if as_csv:
        sys.stdout.write(csv.csv_text(rows, "date"))
        return
    for visit in told.visits:
        day = told.today + timedelta(days=visit.day)
        print(f"{day:%a} {formatting.day(day)}: {len(visit.stops)} vehicles")
        for grease in sorted(set(visit.litres) & set(told.changes)):
            print(f"    {grease}, {greases.change(told.changes[grease])}")
        for grease, litres in sorted(visit.litres.items()):
            print(f"  take {litres:.1f} l of {grease}{formatting.containers(litres, container)}")
        for row in (r for r in rows if r["date"] == day.isoformat()):
            also = f"; also: {row['also']}" if row["also"] else ""
            by = formatting.day(date.fromisoformat(row["fill_by"]))
            what = [f"{row['litres']} l"] if row["grease"] else []
            what += [f"by hand: {row['by_hand']}"] if row["by_hand"] else []
            print(f"  {row['unit']} ({row['vehicle']}): {'; '.join(what)}, by {by}{also}")
    for text in levels(told, now_us()):
        print(text)
    print(f"{FILL_STEP}\n{CAUTION}" if told.visits else f"Nothing is due at {depot} within {days} days.")
    if told.undated:
        print(f"No date is known for: {', '.join(one.unit for one in told.undated)}.")
    if told.points_undated:
        points = "; ".join(f"{one.unit}, {one.number} {one.point}" for one in told.points_undated)
        print(f"No date is known for these points greased by hand: {points}.")


@app.command("commission", epilog="Example: tallow commission HS-101")
def commission(
    vehicle: Annotated[str, typer.Argument(metavar="VEHICLE", help="VEHICLE, or FLEET/VEHICLE")],
    start: Annotated[
        bool, typer.Option("--start", help="begin commissioning now: the system was fitted or re-lined")
    ] = False,
    by: By = "",
    as_json: Json = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Say what is proven of a freshly fitted system, and what not yet, line by line."""
    engine = open_existing(database)
    with reachable(engine):
        with writing(engine) as connection:
            found = registry.find(connection, vehicle)
            if start:
                if not by.strip():
                    raise Problem("say who fitted it with --by")
                said = {"key": secrets.token_hex(6), "kind": "relined", "at_us": now_us(), "by": by}
                work_records.record(connection, found.id, found.setups, work.work_of(said), now_us())
        result = vehicle_result(engine, found.fleet, found.name)
    told = result.handover if result is not None else None
    if told is None:
        raise Problem(f"{vehicle} is not in commissioning and was not handed over; begin with --start --by NAME")
    if as_json:
        print_json(told.as_json())
        return
    print(f"{found.newest.unit} ({found.name}): {formatting.handover(told)}")
    for item in told.items:
        print(f"  {formatting.verdict(item):<21} {item.what}: {item.text}")
    print(f"Sheet to print: {wording.site()}/handover/{found.fleet}/{found.name}")
    print(CAUTION)
