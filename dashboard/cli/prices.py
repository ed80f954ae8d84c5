"""The commands about prices: what a point costs that runs dry, and the money at risk by it."""

from typing import Annotated

import typer

from analytics.account.prices import HourlyRate, Price
from dashboard import change_log
from dashboard.cli.options import DEFAULT_DATABASE, Database, Json, print_json
from dashboard.exports import prices as words
from dashboard.queries import prices as priced
from dashboard.queries import scope
from ingest.database import open_existing, reachable, writing
from ingest.times import now_us

app = typer.Typer(rich_markup_mode=None)
price = typer.Typer(help="Say what a dry point costs: rates, set, remove, list; money at risk.", no_args_is_help=True)
app.add_typer(price, name="price")


@price.command("rates", epilog="Example: tallow price rates --currency EUR --work 65 --standstill 90")
def rates(
    currency: Annotated[str, typer.Option(help="such as EUR")],
    work: Annotated[float, typer.Option(help="an hour of work")],
    standstill: Annotated[float, typer.Option(help="an hour in which the machine stands")],
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Say what an hour costs."""
    engine = open_existing(database)
    rate = HourlyRate(currency=currency, work=work, standstill=standstill)
    with reachable(engine), writing(engine) as connection:
        priced.keep_rate(connection, rate)
        change_log.log_change(connection, "command line", words.hourly(rate), now_us())
    print(f"{words.hourly(rate)}.")


@price.command(
    "set", epilog="Example: tallow price set kingpin --part 120 --work-h 2 --standstill-h 4 --dry-life-h 500"
)
def set_price(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="kind of point")],
    part: Annotated[float, typer.Option(help="a new part")],
    work_h: Annotated[float, typer.Option(help="hours of work")],
    standstill_h: Annotated[float, typer.Option(help="hours in which the machine stands")],
    dry_life_h: Annotated[float, typer.Option(help="ignition hours that such a point lasts once it runs dry")],
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Say what a kind of point costs that ran dry."""
    engine = open_existing(database)
    one = Price(point_kind=kind, part=part, work_h=work_h, standstill_h=standstill_h, dry_life_h=dry_life_h)
    with reachable(engine), writing(engine) as connection:
        priced.keep_price(connection, one, now_us())
        told = words.price(one, priced.read_rate(connection))
        change_log.log_change(connection, "command line", told, now_us())
    print(f"{told}.")


@price.command("remove", epilog="Example: tallow price remove kingpin")
def remove(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="kind of point")], database: Database = DEFAULT_DATABASE
) -> None:
    """Forget the price of a kind of point."""
    engine = open_existing(database)
    with reachable(engine), writing(engine) as connection:
        priced.drop_price(connection, kind)
        change_log.log_change(connection, "command line", f"price of {kind} removed", now_us())
    print(f"The price of {kind} is forgotten.")


@price.command("list", epilog="Example: tallow price list")
def list_prices(database: Database = DEFAULT_DATABASE) -> None:
    """List what was said."""
    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        told = words.price_lines(priced.read_prices(connection), priced.read_rate(connection))
    print("\n".join(told))


@price.command("risk", epilog="Example: tallow price risk --json")
def risk(
    depot: Annotated[str, typer.Option(help="one depot; all by default")] = "",
    as_json: Json = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """List the vehicles with most money at risk, by the newest analysis."""
    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        if depot:
            scope.check_depot(engine, depot)
        found = priced.read_priced(connection)
        rows = [] if found is None else priced.at_risk(connection, found, scope.Scope(depot=depot))
    if as_json:
        print_json(
            [
                {"fleet": one.fleet, "vehicle": one.vehicle, "depot": one.depot, "currency": found and found.currency,
                 "money_at_risk": round(one.at_risk.money, 2), "points_not_known": one.at_risk.unknown}
                for one in rows
            ]
        )  # fmt: skip
        return
    if found is None:
        print(words.NO_PRICES)
        return
    for one in rows:
        print(f"{one.fleet}/{one.vehicle} {one.unit}, {one.depot}: {words.at_risk(one.at_risk, found.currency)}")
    print(words.model() if rows else "No point with a price is dry, as far as is known.")
