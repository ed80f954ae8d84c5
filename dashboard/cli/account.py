"""The command of the account: was every point greased, and the month's report."""

import math
import sys
from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard import formatting
from dashboard.cli.options import DEFAULT_DATABASE, Database, Json, print_json
from dashboard.exports import account as words
from dashboard.exports import csv
from dashboard.queries import account as accounts
from dashboard.queries import scope
from ingest.database import open_existing, reachable, writing
from ingest.errors import Problem
from ingest.times import now_us

if TYPE_CHECKING:
    from sqlalchemy import Engine

app = typer.Typer()


def _month(known: list[str], wanted: str | None) -> str:
    if wanted is None:
        if not known:
            raise Problem("nothing is accounted for yet; run: tallow analyse")
        return known[0]
    try:
        date.fromisoformat(f"{wanted}-01")
    except ValueError:
        raise Problem(f"{wanted!r} is no month; write it as 2026-02") from None
    if wanted not in known:
        raise Problem(f"nothing is accounted for in {wanted}; there is: {', '.join(known) or 'nothing'}")
    return wanted


def _report(engine: "Engine", month: str, within: scope.Scope, *, report: bool, send: bool) -> None:
    """Print a month's report, or send it."""
    from analytics.alarms import letters  # here, since they load what analyses
    from dashboard.exports import report as sentences
    from dashboard.queries.report import read_report

    told = read_report(engine, month, within)
    if report:
        sys.stdout.write(sentences.as_text(told))
    if send:
        title, text = sentences.title(told), sentences.as_text(told)
        with writing(engine) as connection:
            number = letters.post(connection, f"account/{month}", within.depot, title, text, now_us())
        print(f"The report of {formatting.month(month)} goes to {number} recipients.")


@app.command("account", epilog="Example: tallow account --month 2026-02 --by point")
def account(
    month: Annotated[str | None, typer.Option(help="YYYY-MM; the newest by default")] = None,
    depot: Annotated[str, typer.Option(help="one depot; all by default")] = "",
    by: Annotated[str, typer.Option(help=f"compare by one of: {', '.join(accounts.GROUPS)}")] = "depot",
    as_json: Json = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="print the comparison as CSV")] = False,
    report: Annotated[bool, typer.Option("--report", help="print the month's report")] = False,
    send: Annotated[
        bool, typer.Option("--send", help="send the month's report by the depot's routes, once; the watch delivers it")
    ] = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Say how much of the planned grease arrived, by month, and which points got least; by the newest analysis."""
    if by not in accounts.GROUPS:
        raise Problem(f"--by: one of {', '.join(accounts.GROUPS)}")
    engine = open_existing(database)
    with reachable(engine):
        if depot:
            scope.check_depot(engine, depot)
        within = scope.Scope(depot=depot)
        known = accounts.months(engine, within)
        if (report or send) and scope.has_vehicles(engine, within):
            before = accounts.month_before(now_us())  # what is not known of a month that is over is a report, too
            known = known or [before]
            known += [month] if month is not None and month <= before and month not in known else []
        chosen = _month(known, month)
        if as_json:
            print_json(words.as_object(engine, chosen, within))
            return
        groups = accounts.by_group(engine, chosen, by, within)
        if as_csv:
            sys.stdout.write(csv.csv_text(words.group_table(groups, chosen), "month"))
            return
        if report or send:
            _report(engine, chosen, within, report=report, send=send)
            return
        trend, worst = accounts.by_month(engine, within, chosen), accounts.worst_points(engine, chosen, within, 10)
    for row in trend.to_dict("records"):
        print(
            f"{formatting.month(row['month'])}  {words.percent(row)} of {row['planned']:,.0f} planned doses surely arrived"
            f" ({words.vehicles(int(row['vehicles']))}; 95 % limits {words.limits(row)})"
        )
    print(f"{formatting.month(chosen)} by {accounts.GROUPS[by][0]}:")
    for row in groups.to_dict("records"):
        print(f"  {row['group']}: {words.percent(row)} (95 % limits {words.limits(row)})")
    for one in worst:
        print(
            f"  {one.vehicle}, {words.points(one)}: {max(one.failed_pct, 1):.0f} % surely did not arrive,"
            f" {math.floor(one.arrived_pct)} % did"
        )
    print(words.MEANING)
