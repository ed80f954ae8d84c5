"""The units that start tallow with a machine: systemd finds nothing wrong with them, and they start commands that there are."""

import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from dashboard.command import app
from tests.conftest import program

UNITS = sorted((Path(__file__).parents[2] / "ingest" / "service").glob("tallow*.*"))
SERVICES = [path for path in UNITS if path.suffix == ".service"]


def test_systemd_finds_nothing_wrong(tmp_path: Path) -> None:
    """`systemd-analyze verify`, with this installation's command in the place of the one that they name."""
    systemd_analyze = program("systemd-analyze")
    command = shutil.which("tallow", path=str(Path(sys.executable).parent)) or sys.executable
    for path in UNITS:
        if path.suffix in (".service", ".timer"):
            name = path.name.replace("@.", "@1.")
            (tmp_path / name).write_text(path.read_text().replace("/opt/tallow/bin/tallow", command))
    for path in sorted(tmp_path.iterdir()):
        done = subprocess.run(
            [systemd_analyze, "verify", "--man=no", str(path)], capture_output=True, text=True, check=False
        )
        told = [line for line in done.stderr.splitlines() if path.name in line]
        assert (done.returncode, told) == (0, []), done.stderr


@pytest.mark.parametrize("path", SERVICES, ids=lambda path: str(path.name))
def test_units_start_commands_that_there_are(path: Path) -> None:
    """With options that they have."""
    (line,) = re.findall(r"^ExecStart=/opt/tallow/bin/tallow (.+)$", path.read_text(), re.M)
    name, *rest = line.split()
    known: Any = get_command(app)
    options = {option for parameter in known.commands[name].params for option in parameter.opts}
    assert {word for word in rest if word.startswith("--")} <= options


def test_settings_are_those_that_are_read() -> None:
    """Each name in the example is one that the program looks for."""
    names = re.findall(r"^(TALLOW_\w+)=", next(p for p in UNITS if p.name == "tallow.env").read_text(), re.M)
    packages = ("ingest", "analytics", "dashboard")
    source = "".join(
        path.read_text() for package in packages for path in (Path(__file__).parents[2] / package).rglob("*.py")
    )
    short = {name.removeprefix("TALLOW_").lower() for name in names}
    assert names
    assert all(f"TALLOW_{one.upper()}" in source or f'"{one}"' in source for one in short)
