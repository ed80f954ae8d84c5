"""The command line. Every command prints its answer to standard output, or one clear line to standard error and fails."""

import gc
import os
import sys
from collections.abc import Iterator, Mapping
from importlib import import_module
from typing import Annotated, Any, Final, NamedTuple

import typer
from typer.core import TyperGroup

from dashboard.cli.options import end_in_order
from ingest import parent
from ingest.environment import SETTINGS, demo_clock
from ingest.errors import Problem
from ingest.times import Clock, follow_clock


class Command(NamedTuple):
    """Which module of `dashboard.cli` holds a command, and what the list of commands says of it."""

    module: str
    summary: str


COMMANDS: Final[Mapping[str, Command]] = {
    "demo": Command("simulate", "Start everything on this machine with a simulated fleet"),
    "register": Command("recording", "Read vehicles and line lists from two CSV files"),
    "ingest": Command("recording", "Record the messages of a broker until stopped"),
    "replay": Command("recording", "Record the messages of log files"),
    "poll": Command("telematics", "Ask telematics servers for hours and positions: add, list, remove, run"),
    "watch": Command("serve", "Keep findings and alarms up to date and deliver alerts, until stopped"),
    "analyse": Command("analysis", "Bring findings, fills and forecasts up to date, once"),
    "findings": Command("analysis", "Print what was found, past findings included"),
    "refills": Command("analysis", "Print when each reservoir reaches its low mark"),
    "fills": Command("analysis", "Print the fills seen in the level readings"),
    "alarms": Command("alarms", "List the alarms that stand, most urgent first"),
    "acknowledge": Command("alarms", "Acknowledge alarms: somebody deals with them"),
    "shelve": Command("alarms", "Hide alarms until a time, for a reason"),
    "out-of-service": Command("alarms", "Take alarms out of service for maintenance"),
    "route": Command("routes", "Say where alerts go: list, add, remove, test"),
    "depot": Command("routes", "Show or change a depot's alert settings and closed days"),
    "calendar": Command("routes", "Make a secret calendar address for a depot's refills"),
    "round": Command("planning", "Plan the refill visits to a depot"),
    "points": Command("points", "List points greased by hand and when each is due"),
    "work": Command("work", "Record work on a vehicle's system, or list it"),
    "workshop": Command("workshop", "Exchange work with the workshop's program, by files in a folder"),
    "commission": Command("planning", "Say what is proven of a freshly fitted system, and what not yet"),
    "timer": Command("amounts", "Say how much grease each point gets in 8 ignition hours"),
    "amounts": Command("amounts", "Print grease used, filled and needed, by month and depot"),
    "account": Command("account", "Say how much of the planned grease arrived, by month"),
    "found": Command("found", "Say how often findings were true, by what people recorded"),
    "wear": Command("found", "List what gets worse slowly"),
    "parts": Command("parts", "List parts to have, what fails more often, how long things last"),
    "price": Command("prices", "Say what a dry point costs: rates, set, remove, list; money at risk"),
    "grease": Command("greases", "Say which greases are used: add, remove, list; plan for the cold"),
    "evidence": Command("evidence", "Print what stands for a point or a pump over a span"),
    "backtest": Command("analysis", "Say how accurate past refill dates were"),
    "export": Command("export", "Write a fleet's data into Parquet and CSV files"),
    "status": Command("keeping", "Print what is recorded"),
    "quarantine": Command("keeping", "List the messages that could not be recorded, and why"),
    "dashboard": Command("serve", "Serve the dashboard"),
    "person": Command("people", "Say who may use the dashboard: add, list, change, remove"),
    "token": Command("tokens", "Tokens that let programs in: add, list, revoke"),
    "audit": Command("security", "Print who signed in, failed to, left, and changed what"),
    "seal": Command("security", "Encrypt the secrets in the database by a key from a file"),
    "simulate": Command("simulate", "Publish a simulated fleet, or write it to files"),
    "prune": Command("keeping", "Thin old messages; findings and fills stay"),
    "acl": Command("keeping", "Print a broker's access rules for the registered vehicles"),
    "upgrade": Command("keeping", "Bring the database of an older version up to date"),
}


class _Commands(Mapping[str, Any]):
    """Each command, read from its module only when it is asked for: none waits for what another needs."""

    def __getitem__(self, name: str) -> Any:
        module = import_module(f"dashboard.cli.{COMMANDS[name].module}")
        return typer.main.get_group(module.app).commands[name]

    def __iter__(self) -> Iterator[str]:
        return iter(COMMANDS)

    def __len__(self) -> int:
        return len(COMMANDS)


class _Group(TyperGroup):
    """The list of commands, which needs none of them."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        self.commands: Any = _Commands()

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The command that is asked for. What was loaded for it stays to the end, so that nobody has to look through it for garbage."""
        found = super().resolve_command(ctx, args)
        gc.freeze()
        gc.enable()
        return found

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002
        """Print it."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, command.summary) for name, command in COMMANDS.items()])


app = typer.Typer(
    cls=_Group,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    epilog="\b\nSettings, as variables of the environment:\n"
    + "\n".join(f"{one.name}  {one.meaning}{f' ({one.default})' * bool(one.default)}" for one in SETTINGS),
)


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"tallow {version('tallow')}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def start(
    context: typer.Context,
    version: Annotated[  # noqa: ARG001
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="print the version and stop")
    ] = False,
) -> None:
    """Maintenance telemetry for automatic lubrication systems.

    Records what the controllers report, finds what is wrong, and says when each reservoir must be refilled.
    """
    if context.invoked_subcommand is None:
        print(context.get_help())
        return
    from dashboard.accounts import OPERATOR, acting_as  # here, since the list of commands needs no database

    context.with_resource(acting_as(OPERATOR))


def main() -> None:
    """Run the command line; the console script."""
    gc.disable()  # until a command is loaded: loading makes no garbage, and looking for it takes longer than most commands
    parent.follow()
    end_in_order()
    if (clock := demo_clock()) is not None:
        follow_clock(Clock(*clock))
    try:
        status = app(prog_name="tallow", standalone_mode=False)
    except Problem as problem:
        fail(str(problem), 1)
    except typer.TyperException as error:
        text = _plain(error.format_message() if hasattr(error, "format_message") else str(error))
        context = getattr(error, "ctx", None)
        fail(f"{text.rstrip('.')}; see: {context.command_path if context else 'tallow'} --help", 2)
    except (KeyboardInterrupt, typer.Abort):
        sys.exit(130)
    except (BrokenPipeError, SystemExit) as ended:
        if not isinstance(ended, BrokenPipeError) and not isinstance(ended.__context__, BrokenPipeError):
            raise
        # Whoever reads has read enough.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    finally:
        gc.enable()
    sys.exit(status if isinstance(status, int) else 0)


# What the library says of a value, in plainer words.
_PLAIN: Final = {
    "Value error, ": "",
    "Input should be greater than or equal to": "it is at least",
    "Input should be less than or equal to": "it is at most",
    "Input should be a valid integer, unable to parse string as an integer": "it is a whole number",
    "Input should be a valid number, unable to parse string as a number": "it is a number",
}


def _plain(text: str) -> str:
    for words, plainer in _PLAIN.items():
        text = text.replace(words, plainer)
    return text


def fail(text: str, status: int) -> None:
    """Say what is wrong in one line, and end."""
    sys.stderr.write(f"tallow: {' '.join(text.split())}\n")
    sys.exit(status)
