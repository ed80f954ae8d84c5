"""The commands about how much grease goes where: by a timer's setting, and by month."""

import sys
from typing import Annotated

import typer

from analytics.findings import CAUTION
from analytics.planning import usage
from dashboard import formatting
from dashboard.cli.options import DEFAULT_DATABASE, Database
from dashboard.exports import csv
from dashboard.queries import scope
from dashboard.queries.grease import read_ahead_l, read_amounts
from dashboard.queries.scope import Scope
from ingest import registry
from ingest.database import open_existing, reachable
from ingest.errors import Problem
from ingest.times import now_us

app = typer.Typer(rich_markup_mode=None)


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
        # Here, since they load what analyses a vehicle.
        from analytics.planning import timer
        from dashboard.queries.vehicle import vehicle_result

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
        found, ahead_l = read_amounts(engine, Scope(depot=depot)), read_ahead_l(engine, Scope(depot=depot))
    latest = sorted({one.month for one in found})[-months:]
    found = [one for one in found if one.month in latest]
    if as_csv:
        sys.stdout.write(csv.csv_text(csv.amounts_table(found, density), "month"))
        return
    for one in found:
        kept = "change in reservoirs not known"
        if one.held_l is not None and one.unaccounted_l is not None:
            held, lost = (round(litres, 1) + 0.0 for litres in (one.held_l, one.unaccounted_l))  # never -0.0
            kept = f"{held:+.1f} l change in reservoirs, {lost:+.1f} l filled but neither used nor still in reservoirs"
        filled = "litres filled not known" if one.known_filled_l is None else f"{one.filled_l:.1f} l filled"
        print(
            f"{formatting.month(one.month)}  {one.depot}, {one.grease}: {one.used_l:.1f} l used ({one.used_l * density:.1f} kg),"
            f" {filled}, {kept}"
        )
    for (place, grease), litres in ahead_l.items():
        print(f"Next {usage.AHEAD_DAYS} days  {place}, {grease}: about {litres:.1f} l ({litres * density:.1f} kg)")
    if not found:
        print("Nothing is analysed yet; run: tallow analyse")
