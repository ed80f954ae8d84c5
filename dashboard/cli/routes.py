"""The commands about depots: where alerts go, when, and the calendar of refills."""

import getpass
import sys
from pathlib import Path
from typing import Annotated, Final

import typer

from analytics.alarms import hooks, routes, wording
from dashboard import change_log, formatting
from dashboard.cli.options import DEFAULT_DATABASE, Database, warn_of_unknown
from dashboard.queries import scope
from ingest.database import open_existing, reachable, writing
from ingest.errors import Problem
from ingest.languages import ENGLISH, LANGUAGES
from ingest.times import instant, now_us

app = typer.Typer(rich_markup_mode=None)

_LOGGED: Final = 2_000  # characters of one change


@app.command(
    "depot", epilog="Example: tallow depot 'Skarvholm Quarry' --lead-days 5 --digest 06:30 --quiet 20:00-05:30"
)
def depot(
    name: Annotated[str, typer.Argument(metavar="DEPOT")],
    lead_days: Annotated[
        float | None, typer.Option(help="days before a due refill at which it becomes an alarm")
    ] = None,
    digest: Annotated[str | None, typer.Option(help="local time of its daily digest, HH:MM")] = None,
    quiet: Annotated[
        str | None, typer.Option(help="local hours without alerts, HH:MM-HH:MM; none for no such hours")
    ] = None,
    holidays: Annotated[
        str | None, typer.Option(help="country whose public holidays apply, such as IE or AU-WA; none for no holidays")
    ] = None,
    closed: Annotated[
        tuple[str, str, str] | None,
        typer.Option(metavar="FIRST LAST WHY", help="days on which it is closed, YYYY-MM-DD"),
    ] = None,
    calendar: Annotated[
        Path | None, typer.Option(help="iCalendar file of its closed days; replaces the one read before")
    ] = None,
    position: Annotated[
        str | None,
        typer.Option(
            metavar="LAT,LON[,M]",
            help="where it is, and metres around: vehicles that stand there join its rounds; none to end that",
        ),
    ] = None,
    reopen: Annotated[int | None, typer.Option(metavar="NUMBER", help="remove a closing")] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Show or change a depot's alert settings and closed days. Settings are lead time, digest and quiet hours; refill forecasts and rounds
    take closed days into account."""
    from analytics.alarms import depots
    from analytics.planning.closed_days import closed_days

    engine = open_existing(database)
    with reachable(engine), writing(engine) as connection:
        known = scope.depots(engine)
        if name not in known:
            raise Problem(f"no depot is called {name!r}; there are: {', '.join(known) or 'none'}")
        wanted = depots.wished(depots.depot(connection, name), lead_days, digest, quiet, holidays, position)
        depots.keep_depot(connection, wanted)
        if closed is not None:
            depots.keep_closing(connection, name, closed_days(*closed))
        if calendar is not None:
            depots.import_calendar(connection, name, _content(calendar), instant(now_us()).date())
        if reopen is not None:
            depots.drop_closing(connection, name, reopen)
        kept = depots.closings(connection, name)
        if any(
            option is not None for option in (lead_days, digest, quiet, holidays, position, closed, calendar, reopen)
        ):
            told = [*formatting.depot_wishes(wanted), *(formatting.closing(one) for _, one in kept)]
            change_log.log_change(connection, "command line", f"{name}: {'; '.join(told)}"[:_LOGGED], now_us())
    print(f"{name}: " + "; ".join(formatting.depot_wishes(wanted)) + ".")
    for number, one in kept:
        print(f"{number:>4}  {formatting.closing(one)}")


def _content(path: Path) -> bytes:
    from analytics.planning.closed_days import MOST_BYTES

    try:
        if path.stat().st_size > MOST_BYTES:
            raise Problem(f"{path} is larger than {MOST_BYTES // 1000} kB: no calendar of closed days")
        return path.read_bytes()
    except OSError as error:
        raise Problem(f"{path} cannot be read: {error.strerror}") from None


route = typer.Typer(help="Say where alerts go: list, add, remove, test.", no_args_is_help=True)
app.add_typer(route, name="route")


@route.command("list", epilog="Example: tallow route list")
def list_routes(database: Database = DEFAULT_DATABASE) -> None:
    """List where alerts go, and which do not arrive."""
    from analytics.alarms import outbox

    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        found, (number, oldest_us) = routes.read_routes(connection), outbox.waiting(connection, now_us())
        refused = outbox.refused(connection, now_us())
    for one in found:
        aside = f"; {refused[one.id]} refused for good and not sent again" if one.id in refused else ""
        print(f"{one.id:>4}  {routes.masked(one.address)}  {formatting.route(one)}{aside}")
        if one.failing_us is not None:
            print(
                f"      failing for {formatting.lasting(one.failing_us, now_us())} ({one.failures} times): {one.error}"
            )
    if not found:
        print("No alerts go anywhere yet; tallow route add --help shows how.")
    if number and oldest_us is not None:
        print(f"{number} alerts are queued, the oldest for {formatting.lasting(oldest_us, now_us())}.")


@route.command("add", epilog="Example: tallow route add --address-file /etc/tallow/yard.address --severity plan")
def add_route(
    address: Annotated[
        str | None,
        typer.Argument(
            help="mailto://…, mqtt://…, mqtts://…, signed+https://… or another address in the form of the apprise library, without a"
            " password; asked for otherwise"
        ),
    ] = None,
    address_file: Annotated[Path | None, typer.Option(help="file that holds the address with its password")] = None,
    depot: Annotated[str | None, typer.Option(help="this depot only")] = None,
    severity: Annotated[str, typer.Option(help="lowest severity to send: act_now, plan or note")] = "plan",
    group: Annotated[
        list[str] | None,
        typer.Option(help="only this group: refill, lines, pump or readings; repeat"),
    ] = None,
    after_min: Annotated[
        int, typer.Option(min=0, max=10_080, help="send only what nobody acknowledged within so many minutes")
    ] = 0,
    at_any_hour: Annotated[bool, typer.Option("--at-any-hour", help="send in quiet hours, too")] = False,
    most_alerts: Annotated[
        int, typer.Option(min=1, max=1_000, help="one by one in ten minutes; more come together")
    ] = routes.MOST_ALERTS,
    language: Annotated[str, typer.Option(help=f"that alerts there are told in: {', '.join(LANGUAGES)}")] = ENGLISH,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Send alerts to an address: urgent ones at once, the rest in one digest a day."""
    engine, address, secret = open_existing(database), _address(address, address_file), ""
    if hooks.is_hook(address) and not routes.has_password(address):
        address, secret = hooks.with_secret(address)
    with reachable(engine), writing(engine) as connection:
        number = routes.add_route(
            connection, address, depot=depot, severity=severity, groups=group or (), after_min=after_min,
            at_any_hour=at_any_hour, most_alerts=most_alerts, language=language,
        )  # fmt: skip
        change_log.log_change(
            connection, "command line", f"Route {number} added, to {routes.masked(address)}", now_us()
        )
    warn_of_unknown(engine, (), [depot] if depot else ())
    print(f"Route {number}: {routes.masked(address)}. Try it with: tallow route test {number}")
    if secret:
        print(f"Its secret, shown this once: {secret}")


def _address(given: str | None, file: Path | None) -> str:
    """The address that somebody gave: where it holds a password, not on the command line, which others on this machine can read."""
    if given is not None and file is not None:
        raise Problem("give an address or a file with it, not both")
    if file is not None:
        try:
            return file.read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError):
            raise Problem(f"{file}, which should hold the address, cannot be read") from None
    if given is None:
        if not sys.stdin.isatty():
            raise Problem("no terminal to ask for the address on: name a file with --address-file")
        return getpass.getpass("Address: ").strip()
    if routes.has_password(given):
        raise Problem(
            "others on this machine can read a password on the command line: leave the address out and it is asked for, or name a"
            " file that holds it with --address-file"
        )
    return given


@route.command("refused", epilog="Example: tallow route refused")
def list_refused(
    number: Annotated[int, typer.Option(min=1, help="the latest so many")] = 50, database: Database = DEFAULT_DATABASE
) -> None:
    """List alerts that a server refused for good, and why: they are set aside and not tried again."""
    from analytics.alarms import outbox

    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        found = outbox.set_aside(connection, now_us(), number)
    for row in reversed(found):
        whom = f", {row.recipient}" if row.recipient else ""
        at = formatting.moment(row.done_us, "UTC", with_zone=True)
        print(change_log.plain(f"{at}  route {row.route_id}{whom}: {row.title} - {row.refused_why}"))
    if not found:
        print(f"Nothing was refused in the last {outbox.KEPT_DAYS} days.")


@route.command("remove", epilog="Example: tallow route remove 2")
def remove_route(number: Annotated[int, typer.Argument()], database: Database = DEFAULT_DATABASE) -> None:
    """Remove a route: nothing is sent there any more."""
    engine = open_existing(database)
    with reachable(engine), writing(engine) as connection:
        routes.remove_route(connection, number)
        change_log.log_change(connection, "command line", f"Route {number} removed", now_us())
    print(f"Route {number} removed.")


@route.command("test", epilog="Example: tallow route test 2")
def try_route(number: Annotated[int, typer.Argument()], database: Database = DEFAULT_DATABASE) -> None:
    """Send a test message by a route, now."""
    from analytics.alarms import transports

    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        found = routes.find_route(connection, number)
    transports.try_route(found, transports.sender())
    print(f"A message went to {routes.masked(found.address)}.")


@app.command("calendar", epilog="Example: tallow calendar 'Skarvholm Quarry'")
def calendar(
    depot: Annotated[str, typer.Argument(metavar="DEPOT")],
    revoke: Annotated[bool, typer.Option("--revoke", help="end all calendar addresses of this depot")] = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Make a secret calendar address for a depot's refills. It is shown only once."""
    from dashboard.exports import addresses

    engine = open_existing(database)
    with reachable(engine), writing(engine) as connection:
        scope.check_depot(engine, depot)
        if revoke:
            gone = addresses.revoke(connection, depot, now_us())
            print(f"{gone} address{'es' * (gone != 1)} of {depot} revoked.")
            return
        print(f"{wording.site()}/calendar/{addresses.make(connection, depot, now_us())}.ics")
