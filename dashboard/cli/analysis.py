"""The commands that analyse, and print what was found."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, TypeVar

import typer

from analytics.findings import CAUTION, FILL_STEP, urgency
from analytics.kinds import FINDING_KINDS
from dashboard import formatting, refill_window
from dashboard.cli.options import DEFAULT_DATABASE, AsOf, Dask, Database, Json, as_of_us, print_json, progress
from ingest.database import open_existing, reachable
from ingest.errors import Problem

if TYPE_CHECKING:
    from collections.abc import Callable

    from sqlalchemy import ColumnElement, Connection, Engine

    from analytics.pipeline.asked import Answer

Row = TypeVar("Row")

app = typer.Typer(rich_markup_mode=None)


@app.command(epilog="Example: tallow analyse --as-of 2026-03-01T06:00:00Z")
def analyse(
    as_of: AsOf = None,
    dask: Dask = "",
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Bring findings, fills and forecasts up to date, once."""
    from analytics.pipeline.kept import count_current

    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        current = count_current(connection, as_of_us(engine, as_of))
    if current is not None:
        print(f"Nothing new: {current} vehicles are up to date.")
        return
    from analytics.pipeline import results, tasks
    from analytics.pipeline.workers import workers

    with reachable(engine), workers(dask=dask) as pool, progress("Analysing", "vehicles") as bar:
        number = sum(1 for _ in results.renew(engine, lambda: as_of_us(engine, as_of), pool, bar))
        with engine.connect() as connection:
            left = len(tasks.registered(connection)) - number
    print(f"{number} vehicles analysed.")
    if left:
        raise Problem(f"{left} more could not be analysed, or another analyser has them in hand; try again in a minute")


def _answers(engine: "Engine", as_of: str | None) -> "list[Answer]":
    """What is answered of every vehicle: as it was answered before, if nothing was recorded since."""
    from analytics.pipeline import asked

    with reachable(engine), engine.connect() as connection:
        at_us = as_of_us(engine, as_of)
        kept = asked.read(connection, at_us)
    if kept is not None:
        return kept
    from analytics.pipeline import tasks
    from analytics.pipeline.workers import workers

    with reachable(engine), workers() as pool, progress("Analysing", "vehicles") as bar:
        found = list(tasks.outcomes(engine, at_us, pool, bar))
        asked.keep(engine, at_us, found)
    return [asked.answer_of(outcome) for outcome in found]


@app.command(epilog="Example: tallow backtest --weeks 12")
def backtest(
    weeks: Annotated[int, typer.Option(min=1, max=104, help="number of past weeks to check, one forecast a week")] = 12,
    chart: Annotated[Path | None, typer.Option(help="write a chart of the accuracy to this HTML file")] = None,
    as_json: Json = False,
    dask: Dask = "",
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Say how accurate past refill dates were, beside three plain ways to forecast."""
    from analytics.pipeline import backtest as backtesting
    from analytics.pipeline.workers import workers

    engine = open_existing(database)
    with reachable(engine), workers(dask=dask) as pool, progress("Looking back", "vehicles") as bar:
        told = backtesting.backtest(engine, weeks, pool, bar)
    if told is None:
        raise Problem("no past forecast can be checked yet; try more --weeks, or try again when more is recorded")
    if chart is not None:
        from dashboard.figures.backtest import held_dates

        try:
            held_dates(told.below, told.cases, "plotly_white").write_html(chart, include_plotlyjs=True)
        except OSError as failure:
            raise Problem(f"{chart} cannot be written: {failure.strerror}") from None
    if as_json:
        print_json(asdict(told))
        return
    print(
        f"{told.cases} forecasts can be checked. {told.still_open} more are still open; forecasts like them count in their"
        " place."
    )
    print(f"{told.coverage:.0%} came between their early and their late date (ideal: 80 %).")
    shares = ", ".join(f"{share:.0%}" for share in told.below)
    print(f"Came by the early, expected and late date: {shares} (ideal: 10 %, 50 % and 90 %).")
    print(f"Pinball loss {told.pinball_days:.2f} days; by registered doses and last month's cycles"
          f" {told.nominal_pinball_days:.2f}, by a straight line {told.straight_pinball_days:.2f}.")  # fmt: skip
    if told.structural_pinball_days is not None:
        print(f"By a structural time series (statsmodels' UnobservedComponents) {told.structural_pinball_days:.2f}, where ours"
              f" is {told.beside_structural_pinball_days:.2f}.")  # fmt: skip
    for first, last, cases, error, inside in told.horizons:
        print(
            f"  {first:2} to {last} days ahead: {cases} forecasts, median error {error:.1f} days, {inside:.0%} in the window"
        )


def _kept(engine: "Engine", as_of: str | None, read: "Callable[[Connection], list[Row] | None]") -> "list[Row] | None":
    """What the newest results say, where they are the answer."""
    from analytics.pipeline.kept import count_current

    with reachable(engine), engine.connect() as connection:
        if count_current(connection, as_of_us(engine, as_of)) is None:
            return None
        return read(connection)


@app.command(epilog="Example: tallow findings --json --as-of 2026-03-01T06:00:00Z")
def findings(as_json: Json = False, as_of: AsOf = None, database: Database = DEFAULT_DATABASE) -> None:
    """Print what was found, past findings included; with --as-of what was known at that time."""
    from analytics.pipeline.kept import read_findings

    engine = open_existing(database)
    told = _kept(engine, as_of, read_findings)
    if told is None:
        told = [(one.fleet, one.vehicle, f) for one in _answers(engine, as_of) for f in one.findings]
    if as_json:
        print_json([f.as_json(fleet, vehicle) for fleet, vehicle, f in told])
        return
    for fleet, vehicle, f in sorted(told, key=lambda row: (not row[2].open, *urgency(row[2]))):
        state = "open" if f.open else "past"
        print(f"{state}  {fleet}/{vehicle}  {FINDING_KINDS[f.kind].title}: {f.summary}")
    print(CAUTION if told else _nothing_found(engine, None if as_of is None else as_of_us(engine, as_of)))


def _nothing_found(engine: "Engine", at_us: int | None) -> str:
    """That nothing was found, up to a time where one is asked for, and of how many vehicles nothing could be."""
    from sqlalchemy import and_, case, exists, func, select, true

    from ingest import schema, times

    table = schema.vehicle_summary.join(schema.vehicle, schema.vehicle.c.id == schema.vehicle_summary.c.vehicle_id)
    with reachable(engine), engine.connect() as connection:
        could_be = schema.vehicle_summary.c.controller  # of others nothing could be heard
        believed = schema.vehicle.c.heard_us <= times.now_us() + times.AHEAD_US  # else by a clock that is ahead
        by_then: ColumnElement[bool] = true()
        if at_us is not None:
            message, own = schema.message, schema.vehicle.c.id
            by_then = exists().where(message.c.vehicle_id == own, message.c.at_us.between(times.EARLIEST_US, at_us))
        registered, number, heard = connection.execute(
            select(
                func.count(), func.count(case((could_be, 1))), func.count(case((and_(could_be, believed, by_then), 1)))
            ).select_from(table)
        ).one()
    if not registered:
        return "No vehicles are registered."
    silent = number - heard
    never = (
        "had not been heard by then" if at_us is not None else "was never heard" if silent == 1 else "were never heard"
    )
    return f"No findings; {silent} of {number} vehicles {never}." if silent else "No findings."


_STATES: Final = {"due": "now", "soon": "soon", "ok": "later", "unknown": "date not known"}


@app.command(epilog="Example: tallow refills --json")
def refills(as_json: Json = False, as_of: AsOf = None, database: Database = DEFAULT_DATABASE) -> None:
    """Print when each reservoir reaches its low mark."""
    from analytics.pipeline.kept import read_refills

    engine = open_existing(database)
    found = _kept(engine, as_of, read_refills)
    if found is None:
        found = [(one.fleet, one.vehicle, one.timezone, one.refill) for one in _answers(engine, as_of)]
    if as_json:
        print_json([refill.as_json(fleet, vehicle) for fleet, vehicle, _, refill in found])
        return
    for fleet, vehicle, zone, refill in sorted(
        found, key=lambda row: (row[3].due_expected_us is None, row[3].due_expected_us or 0)
    ):
        level = "level not known" if refill.level_pct is None else f"{refill.level_pct:.0f} %"
        when = refill.reason or ""
        if refill.due_expected_us is not None:
            expected = formatting.day(formatting.local(refill.due_expected_us, zone))
            window = refill_window.likely_window(refill, zone)
            when = f"since {expected}" if refill.state == "due" else f"{window} ({zone})"
        print(f"{fleet}/{vehicle}  {level}  {_STATES[refill.state]}  {when}")
    print(f"{FILL_STEP}\n{CAUTION}" if found else "No vehicles are registered.")


@app.command(epilog="Example: tallow fills --json")
def fills(as_json: Json = False, as_of: AsOf = None, database: Database = DEFAULT_DATABASE) -> None:
    """Print the fills seen in the level readings."""
    from analytics.pipeline.kept import read_fills

    engine = open_existing(database)
    found = _kept(engine, as_of, read_fills)
    if found is None:
        found = [(one.fleet, one.vehicle, one.timezone, fill) for one in _answers(engine, as_of) for fill in one.fills]
    if as_json:
        print_json([fill.as_json(fleet, vehicle) for fleet, vehicle, _, fill in found])
        return
    for fleet, vehicle, zone, fill in sorted(found, key=lambda row: row[3].at_us):
        print(
            f"{formatting.moment(fill.at_us, zone, with_zone=True)}  {fleet}/{vehicle}"
            f"  {fill.from_pct:.0f} to {fill.to_pct:.0f} %, {fill.litres:.2f} litres"
        )
    if not found:
        print("No fills seen.")
