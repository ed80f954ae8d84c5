"""The commands about people: who may use the dashboard, and what."""

import getpass
import sys
from pathlib import Path
from typing import Annotated

import typer

from dashboard import accounts, change_log
from dashboard.cli.options import DEFAULT_DATABASE, Database, warn_of_unknown
from ingest.database import open_database, open_existing, reachable, writing
from ingest.environment import PERSON_PASSWORD_FILE
from ingest.errors import Problem
from ingest.times import now_us

app = typer.Typer(rich_markup_mode=None)
person = typer.Typer(help="Say who may use the dashboard: add, list, change, remove.", no_args_is_help=True)
app.add_typer(person, name="person")

Name = Annotated[str, typer.Argument(metavar="NAME")]
RoleOption = Annotated[str, typer.Option("--role", help=f"one of: {', '.join(accounts.ROLES)}")]
Fleets = Annotated[list[str] | None, typer.Option("--fleet", help="sees this fleet only; repeat for several")]
Depots = Annotated[list[str] | None, typer.Option("--depot", help="sees this depot only; repeat for several")]
PasswordFile = Annotated[
    Path | None,
    typer.Option(envvar=PERSON_PASSWORD_FILE.name, help=PERSON_PASSWORD_FILE.meaning),
]


@person.command("add", epilog="Example: tallow person add 'R. Tarvolen' --role technician --depot 'Skarvholm Quarry'")
def add(
    name: Name, role: RoleOption, fleet: Fleets = None, depot: Depots = None, password_file: PasswordFile = None,
    database: Database = DEFAULT_DATABASE,
) -> None:  # fmt: skip
    """Add a person; once there is one, everyone must sign in."""
    engine = open_database(database)
    with reachable(engine), engine.connect() as connection:
        accounts.check_new(connection, name, role, fleet or (), depot or ())
    password = _password(password_file)
    with reachable(engine), writing(engine) as connection:
        accounts.add(connection, name, password, role, fleet or (), depot or ())
        change_log.log_change(connection, "command line", f"{name} added as {role}", now_us(), "person")
    warn_of_unknown(engine, fleet or (), depot or ())
    print(f"{name} is a {role}.")


@person.command("list", epilog="Example: tallow person list")
def list_people(database: Database = DEFAULT_DATABASE) -> None:
    """List who may use the dashboard."""
    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        found = accounts.people(connection)
    for one in found:
        seen = "; ".join(part for part in (", ".join(one.fleets), ", ".join(one.depots)) if part) or "everything"
        factor = "; second factor" if one.has_second_factor else ""
        print(f"{one.name}: {one.role}, sees {seen}{factor}")
    if not found:
        print("No person is added yet: everybody on this machine may do everything, without a password.")


@person.command("change", epilog="Example: tallow person change 'R. Tarvolen' --role lead")
def change(
    name: Name,
    role: RoleOption,
    fleet: Fleets = None,
    depot: Depots = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Change a person's role, fleets and depots. This signs them out everywhere."""
    engine = open_database(database)
    with reachable(engine), writing(engine) as connection:
        accounts.set_role(connection, name, role, fleet or (), depot or ())
        change_log.log_change(connection, "command line", f"{name} changed to {role}", now_us(), "person")
    warn_of_unknown(engine, fleet or (), depot or ())
    print(f"{name} is a {role}.")


@person.command("password", epilog="Example: tallow person password 'R. Tarvolen'")
def password(name: Name, password_file: PasswordFile = None, database: Database = DEFAULT_DATABASE) -> None:
    """Change a person's password. This signs them out everywhere."""
    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        accounts.check_known(connection, name)
    new = _password(password_file)
    with reachable(engine), writing(engine) as connection:
        accounts.set_password(connection, name, new)
        change_log.log_change(connection, "command line", f"{name} has another password", now_us(), "person")
    print(f"{name} has another password.")


@person.command("remove", epilog="Example: tallow person remove 'R. Tarvolen'")
def remove(name: Name, database: Database = DEFAULT_DATABASE) -> None:
    """Remove a person."""
    engine = open_database(database)
    with reachable(engine), writing(engine) as connection:
        accounts.remove(connection, name)
        change_log.log_change(connection, "command line", f"{name} removed", now_us(), "person")
    print(f"{name} removed.")


@person.command("unlock", epilog="Example: tallow person unlock 'R. Tarvolen'")
def unlock(name: Name, database: Database = DEFAULT_DATABASE) -> None:
    """Let a person sign in again at once after too many wrong passwords."""
    engine = open_existing(database)
    with reachable(engine), writing(engine) as connection:
        accounts.check_known(connection, name)
        number = accounts.unlock(connection, name)
        change_log.log_change(connection, "command line", f"{name} unlocked", now_us(), "person")
    print(f"{number} wrong passwords of {name} forgotten.")


@person.command("clear-second-factor", epilog="Example: tallow person clear-second-factor 'R. Tarvolen'")
def clear_second_factor(name: Name, database: Database = DEFAULT_DATABASE) -> None:
    """Take a person's second factor away, whose device and codes are lost; ends their sessions."""
    engine = open_existing(database)
    with reachable(engine), writing(engine) as connection:
        accounts.set_second_factor(connection, name, None)
        what = f"{name} has no second factor any more"
        change_log.log_change(connection, "command line", what, now_us(), "second_factor")
    print(f"{what}.")


def _password(file: Path | None) -> str:
    if file is not None:
        try:
            return file.read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError):
            raise Problem(f"{file}, which should hold the password, cannot be read") from None
    if not sys.stdin.isatty():
        raise Problem("no terminal to ask for the password on: name a file with --password-file")
    first = getpass.getpass("Password: ")
    if getpass.getpass("Again: ") != first:
        raise Problem("the two passwords differ")
    return first
