"""The commands about alarms: listing, acknowledging, shelving, and taking them out of service."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from analytics.alarms.performance import NEEDED_DAYS, read_figures
from analytics.alarms.states import Event, Transition
from analytics.alarms.states import words as state_words
from analytics.findings import CAUTION
from analytics.kinds import ALARM_KINDS
from dashboard import formatting
from dashboard.cli.options import DEFAULT_DATABASE, Database, Json, moment, print_json
from dashboard.exports import csv
from dashboard.queries import alarms, scope
from ingest.database import open_existing, reachable, writing
from ingest.errors import Problem
from ingest.times import DAY_US, now_us

if TYPE_CHECKING:
    from sqlalchemy import Engine

app = typer.Typer(rich_markup_mode=None)

Numbers = Annotated[list[int], typer.Argument(metavar="NUMBER...", help="numbers as tallow alarms shows them")]
By = Annotated[str, typer.Option(help="who does it")]
Why = Annotated[str, typer.Option(help="why")]

_NONE = "No alarms."
_NONE_EVER = "There has never been an alarm here. tallow watch raises alarms; tallow findings prints what was found."


@app.command("alarms", epilog="Example: tallow alarms --depot 'Skarvholm Quarry'")
def list_alarms(
    depot: Annotated[str, typer.Option(help="show this depot only")] = "",
    every: Annotated[bool, typer.Option("--all", help="also alarms that have cleared, of the last 90 days")] = False,
    history: Annotated[int | None, typer.Option(metavar="NUMBER", help="show the history of one alarm")] = None,
    figures: Annotated[bool, typer.Option("--figures", help="show how many alarms people have to deal with")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="print CSV for other programs")] = False,
    as_json: Json = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """List the alarms that stand, most urgent first."""
    engine = open_existing(database)
    with reachable(engine):
        if figures:
            _print_figures(engine, as_json)
            return
        if history is not None:
            _print_history(engine, history, as_json)
            return
        rows = alarms.alarms(engine, depot=depot, over=every, most=100_000)
        if depot and not rows:
            scope.check_depot(engine, depot)
    table = csv.alarm_table(rows)
    if as_json:
        print_json(table)
    elif as_csv:
        sys.stdout.write(
            csv.csv_text([{k: "" if v is None else str(v) for k, v in row.items()} for row in table], "alarm")
        )
    else:
        for one in rows:
            a = one.alarm
            print(
                f"{a.id:>6}  {formatting.NEED_WORDS[a.severity]:<8} {state_words(a.state)}  {one.unit} ({one.vehicle}),"
                f" {one.depot}\n        {ALARM_KINDS[a.kind].title}: {a.summary}"
                + (f"\n        {a.condition.suppressed_why}" if a.condition.suppressed_why else "")
            )
        print(CAUTION if rows else _NONE if alarms.ever_raised(engine) else _NONE_EVER)


def _print_history(engine: "Engine", number: int, as_json: bool) -> None:
    steps = alarms.transitions(engine, number)
    if not steps:
        raise Problem(f"there is no alarm {number}; tallow alarms --all lists them")
    if as_json:
        print_json([csv.step_json(step) for step in steps])
        return
    for step in steps:
        until = f" until {formatting.moment(step.until_us, 'UTC', with_zone=True)}" if step.until_us is not None else ""
        why = f": {step.why}" if step.why else ""
        print(
            f"{formatting.moment(step.at_us, 'UTC', with_zone=True)}  {formatting.EVENTS[step.event]}{until} ({step.who}){why}"
        )


def _print_figures(engine: "Engine", as_json: bool) -> None:
    with engine.connect() as connection:
        told = read_figures(connection, NEEDED_DAYS, now_us())
    rows = formatting.alarm_figures(told)
    if as_json:
        print_json([{"measure": name, "value": value, "aim": aim} for name, value, aim in rows])
        return
    for name, value, aim in rows:
        print(f"{name}: {value}{f' (aim: {aim})' if aim else ''}")
    if told.days < NEEDED_DAYS:
        print(f"Only {told.days:.1f} days are recorded; rates mean little before {NEEDED_DAYS} days.")


def _act(database: str, numbers: list[int], event: Event, by: str, why: str, until_us: int | None = None) -> None:
    from analytics.alarms import records  # here, since who lists alarms changes and delivers nothing

    engine = open_existing(database)
    if not by.strip():
        raise Problem("say who does it with --by")
    with reachable(engine), writing(engine) as connection:
        records.act(connection, numbers, Transition(event, now_us(), by, why, until_us))
    print(f"{len(set(numbers))} alarm{'s' * (len(set(numbers)) != 1)}: {formatting.EVENTS[event]}.")


@app.command("acknowledge", epilog="Example: tallow acknowledge 12 13 --by 'R. Tarvolen'")
def acknowledge(numbers: Numbers, by: By = "", why: Why = "", database: Database = DEFAULT_DATABASE) -> None:
    """Acknowledge alarms: somebody deals with them. All of them are acknowledged, or none."""
    _act(database, numbers, "acknowledge", by, why)


@app.command("shelve", epilog="Example: tallow shelve 12 --days 3 --why 'tube is ordered' --by 'R. Tarvolen'")
def shelve(
    numbers: Numbers,
    by: By = "",
    why: Why = "",
    days: Annotated[float | None, typer.Option(min=0.01, max=90, help="number of days")] = None,
    until: Annotated[str | None, typer.Option(help="until this time, RFC 3339")] = None,
    end: Annotated[bool, typer.Option("--end", help="end shelving: show them again")] = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Hide alarms until a time, for a reason. All of them are shelved, or none."""
    if end:
        _act(database, numbers, "unshelve", by, why)
        return
    if (days is None) == (until is None):
        raise Problem("say until when: either --days or --until")
    until_us = moment(until) if until is not None else now_us() + int((days or 0) * DAY_US)
    _act(database, numbers, "shelve", by, why, until_us)


@app.command("out-of-service", epilog="Example: tallow out-of-service 12 --why 'sensor is on order' --by 'R. Tarvolen'")
def out_of_service(
    numbers: Numbers,
    by: By = "",
    why: Why = "",
    back: Annotated[bool, typer.Option("--back", help="put them back into service")] = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Take alarms out of service for maintenance, until they are put back. All of them, or none."""
    _act(database, numbers, "put_back" if back else "take_out", by, why)
