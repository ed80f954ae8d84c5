"""The command line. Every command prints its answer to standard output, or one clear line to standard error and fails."""

import os
import sys

import typer

from dashboard.accounts import OPERATOR, acting_as
from dashboard.cli import account, alarms, analysis, people, planning, recording, routes, serve, simulate
from dashboard.cli.options import end_in_order
from ingest import parent
from ingest.environment import SETTINGS
from ingest.errors import Problem

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    epilog="\b\nSettings, as variables of the environment:\n"
    + "\n".join(f"{one.name}  {one.meaning}{f' ({one.default})' * bool(one.default)}" for one in SETTINGS),
)
for part in (simulate, recording, analysis, planning, account, alarms, routes, serve):
    app.add_typer(part.app)
app.add_typer(people.app, name="person")


@app.callback(invoke_without_command=True)
def start(context: typer.Context) -> None:
    """Maintenance telemetry for automatic lubrication systems.

    Records what the controllers report, finds what is wrong, and says when each reservoir must be refilled.
    """
    if context.invoked_subcommand is None:
        print(context.get_help())


def main() -> None:
    """Run the command line; the console script."""
    parent.follow()
    end_in_order()
    try:
        with acting_as(OPERATOR):
            status = app(prog_name="tallow", standalone_mode=False)
    except Problem as problem:
        fail(str(problem), 1)
    except typer.TyperException as error:
        text = error.format_message() if hasattr(error, "format_message") else str(error)
        context = getattr(error, "ctx", None)
        fail(f"{text.rstrip('.')}; see: {context.command_path if context else 'tallow'} --help", 2)
    except (KeyboardInterrupt, typer.Abort):
        sys.exit(130)
    except BrokenPipeError:
        # Whoever reads has read enough.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    sys.exit(status if isinstance(status, int) else 0)


def fail(text: str, status: int) -> None:
    """Say what is wrong in one line, and end."""
    sys.stderr.write(f"tallow: {' '.join(text.split())}\n")
    sys.exit(status)
