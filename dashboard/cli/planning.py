"""The commands that plan: refill visits, timers, amounts of grease, and the first cycles of a fitted system."""

import secrets
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated

import typer

from analytics.alarms import wording
from analytics.findings import CAUTION, FILL_STEP
from analytics.planning import rounds, timer, usage
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
from dashboard.queries.grease import read_ahead_l, read_amounts
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


@app.command("timer", epilog="Example: tallow timer HS-102 --interval-min 15")
def show_timer(
    vehicle: Annotated[str, typer.Argument(metavar="VEHICLE", help="VEHICLE, or FLEET/VEHICLE")],
    interval_min: Annotated[float | None, typer.Option(min=0.1, help="another interval, minutes")] = None,
    run_s: Annotated[float | None, typer.Option(min=1, help="another run time, seconds")] = None,
    line: Annotated[int | None, typer.Option(help="with --want: number of the line")] = None,
    want: Annotated[
        float | None,
        typer.Option(min=0.001, help="cm3 that the point should get in 8 ignition hours, as its maker says"),
    ] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Say how much grease each point gets in 8 ignition hours, and what another timer setting would change."""

    engine = open_existing(database)
    with reachable(engine):
        with engine.connect() as connection:
            found = registry.find(connection, vehicle)
        setup = found.in_force(now_us())
        result = vehicle_result(engine, setup.fleet, setup.vehicle)
        everybody = scope.setups(engine)
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
    for text in formatting.timer_facts(now, then):
        print(f"  {text}")
    print("  cm3 in 8 ignition hours, by line:")
    amounts = dict(then.per_shift)
    for one, (_, before) in zip(setup.lines, now.per_shift, strict=True):
        change = "" if now == then else f" -> {amounts[one.line]:.2f}"
        print(f"  {one.line:>4} {one.point}: {before:.2f}{change}")
    for text in timer.warnings(result, then, timer.sisters(everybody, setup)):
        print(f"  Warning: {text}")
    print(CAUTION)


@app.command("amounts", epilog="Example: tallow amounts --depot 'Skarvholm Quarry' --months 3")
def show_amounts(
    depot: Annotated[str, typer.Option(help="one depot; all by default")] = "",
    months: Annotated[int, typer.Option(min=1, max=120, help="number of months, the latest")] = 12,
    density: Annotated[
        float, typer.Option(min=0.5, max=2, help="kilograms a litre of grease weighs")
    ] = usage.DENSITY_KG_PER_L,
    as_csv: Annotated[bool, typer.Option("--csv", help="print CSV for other programs")] = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Print grease used, filled and needed, by month and depot and grease, in litres and kilograms. Uses the newest analysis."""
    engine = open_existing(database)
    with reachable(engine):
        if depot:
            scope.check_depot(engine, depot)
        found, ahead_l = read_amounts(engine, depot), read_ahead_l(engine, depot)
    latest = sorted({one.month for one in found})[-months:]
    found = [one for one in found if one.month in latest]
    if as_csv:
        sys.stdout.write(csv.csv_text(csv.amounts_table(found, density), "month"))
        return
    for one in found:
        kept = "change in reservoirs not known"
        if one.held_l is not None and one.unaccounted_l is not None:
            kept = (
                f"{one.held_l:+.1f} l change in reservoirs, {one.unaccounted_l:+.1f} l filled but neither used"
                " nor still in reservoirs"
            )
        print(
            f"{formatting.month(one.month)}  {one.depot}, {one.grease}: {one.used_l:.1f} l used ({one.used_l * density:.1f} kg),"
            f" {one.filled_l:.1f} l filled, {kept}"
        )
    for (place, grease), litres in ahead_l.items():
        print(f"Next {usage.AHEAD_DAYS} days  {place}, {grease}: about {litres:.1f} l ({litres * density:.1f} kg)")
    if not found:
        print("Nothing is analysed yet; run: tallow analyse")


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
