"""How long commands take to start: `python -m tests.benchmarks.startup`.

Processor time of whole processes on an empty database, the least of some runs taken in turns, as ratios to `import sqlalchemy, typer`
in the same run. The libraries themselves set the floor: the second row is a program of ten lines with one option and one query.
What Python compiles is kept, as an installation keeps it, and made before anything is measured.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

from ingest import database

_BARE = """
from typing import Annotated
import sqlalchemy, typer
app = typer.Typer(add_completion=False, rich_markup_mode=None)
@app.command()
def show(database: Annotated[str, typer.Option("--database", envvar="TALLOW_DATABASE")] = ""):
    with sqlalchemy.create_engine(database).connect() as connection:
        print(connection.execute(sqlalchemy.text("SELECT count(*) FROM vehicle")).scalar())
app()
"""
COMMANDS = (
    "--help", "status", "alarms", "findings", "refills", "fills", "points", "wear", "amounts", "quarantine", "person list", "route list",
)  # fmt: skip


def processor_s(arguments: list[str], url: str, compiled: str) -> float:
    """Processor seconds that a process took, from its start to its end; `compiled` is the folder of what Python compiles."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment |= {"TALLOW_DATABASE": url, "PYTHONPYCACHEPREFIX": compiled}
    subprocess.run([sys.executable, *arguments], env=environment, stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Measure and print."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--rounds", type=int, default=5)
    asked = ask.parse_args()
    programs = {"import sqlalchemy, typer": ["-c", "import sqlalchemy, typer"], "one option, one query": ["-c", _BARE]}
    programs |= {f"tallow {one}": ["-m", "dashboard", *one.split()] for one in COMMANDS}
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'tallow.db'}"
        database.open_database(url).dispose()
        rounds = [
            {name: processor_s(one, url, folder) for name, one in programs.items()} for _ in range(asked.rounds + 1)
        ]
    least = {name: min(one[name] for one in rounds[1:]) for name in programs}
    base = least["import sqlalchemy, typer"]
    for name, seconds in least.items():
        print(f"{name:<26} {seconds:.2f} s  {seconds / base:.2f}")


if __name__ == "__main__":
    main()
