"""The command that writes a fleet's data into files, for other programs and notebooks."""

from pathlib import Path
from typing import Annotated

import typer

from dashboard.cli.options import DEFAULT_DATABASE, Database, progress
from ingest.database import open_existing, reachable
from ingest.errors import Problem

app = typer.Typer(rich_markup_mode=None)


@app.command("export", epilog="Example: tallow export --to fleet-data --timezone Europe/Oslo")
def export(
    to: Annotated[Path, typer.Option(help="folder for the files, new or empty")],
    timezone: Annotated[str, typer.Option(help="zone of all times, an IANA name")] = "UTC",
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Write a fleet's data into Parquet and CSV files: readings, line lists, findings, forecasts, the account, hand points, trends."""
    from zoneinfo import ZoneInfo

    from dashboard.exports.bulk import write_all

    engine = open_existing(database)
    try:
        ZoneInfo(timezone)
    except (KeyError, ValueError, OSError):
        raise Problem(f"{timezone!r} is no time zone; write an IANA name such as Europe/Oslo") from None
    with reachable(engine), progress("Writing", "vehicles") as bar:
        number = write_all(engine, to, timezone, bar)
    print(f"{number} vehicles written to {to}.")
