"""The commands about greases: the list, and what has to be changed before it gets cold."""

from typing import Annotated

import typer

from analytics.planning.greases import THICKENERS, Grease
from dashboard import change_log
from dashboard.cli.options import DEFAULT_DATABASE, Database, Json, print_json
from dashboard.exports import greases as words
from dashboard.queries import greases, scope
from ingest.database import open_existing, reachable, writing
from ingest.times import instant, now_us

app = typer.Typer(rich_markup_mode=None)
grease = typer.Typer(help="Say which greases are used: add, remove, list; plan for the cold.", no_args_is_help=True)
app.add_typer(grease, name="grease")


@grease.command("add", epilog="Example: tallow grease add 'lithium EP' --nlgi 2 --thickener lithium --lowest-c=-20")
def add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="as set-ups call it, without the grade")],
    nlgi: Annotated[str, typer.Option(help="its grade, such as 2")],
    thickener: Annotated[str, typer.Option(help=f"one of: {', '.join(THICKENERS)}")],
    lowest_c: Annotated[float, typer.Option(help="lowest temperature at which it can be pumped, by its data sheet")],
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Put a grease on the list, or change it."""
    engine = open_existing(database)
    one = Grease(name=name, nlgi=nlgi, thickener=thickener, lowest_c=lowest_c)
    with reachable(engine), writing(engine) as connection:
        greases.keep_grease(connection, one)
        change_log.log_change(connection, "command line", f"grease {words.grease(one)}", now_us())
    print(f"{words.grease(one)}.")


@grease.command("remove", epilog="Example: tallow grease remove 'lithium EP, NLGI 2'")
def remove(
    called: Annotated[str, typer.Argument(metavar="GREASE", help="name and grade")],
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Take a grease off the list."""
    engine = open_existing(database)
    with reachable(engine), writing(engine) as connection:
        greases.drop_grease(connection, called)
        change_log.log_change(connection, "command line", f"grease {called} removed", now_us())
    print(f"{called} is off the list.")


@grease.command("list", epilog="Example: tallow grease list")
def list_greases(database: Database = DEFAULT_DATABASE) -> None:
    """List the greases."""
    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        found = greases.read_greases(connection)
    for one in found:
        print(words.grease(one))
    print(words.mixing() if found else words.NO_GREASES)


@grease.command("plan", epilog="Example: tallow grease plan --json")
def plan(
    depot: Annotated[str, typer.Option(help="one depot; all by default")] = "",
    as_json: Json = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Say which vehicles need another grease before which week, by the temperatures that the readings show."""
    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        if depot:
            scope.check_depot(engine, depot)
        listed = bool(greases.read_greases(connection))
        told = greases.read_season(connection, scope.Scope(depot=depot), instant(now_us()).date())
    if as_json:
        print_json(words.as_object(told))
        return
    if not listed:
        print(words.NO_GREASES)
        return
    for row in told.rows:
        print(f"{words.season(row)}.")
    if not told.rows:
        print("Nothing has to be changed, as far as is known.")
    print("\n".join([*words.unknown(told), words.meaning()]))
