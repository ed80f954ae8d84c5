"""The units that start tallow with a machine: systemd finds nothing wrong with them, and they start commands that there are."""

import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml
from typer.main import get_command

from dashboard.cli.main import app
from ingest.environment import SETTINGS, SITE
from tests.conftest import program

FOLDER = Path(__file__).parents[2] / "ingest" / "deploy"
UNITS = sorted(FOLDER.glob("tallow*.*"))
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
    words = line.split()
    command: Any = get_command(app)
    while hasattr(command, "commands"):  # of some commands there are several
        command = command.commands[words.pop(0)]
    options = {option for parameter in command.params for option in parameter.opts}
    assert {word for word in words if word.startswith("--")} <= options


def services() -> dict[str, dict[str, Any]]:
    """What the compose file starts."""
    told: dict[str, dict[str, Any]] = yaml.safe_load((FOLDER / "compose.yaml").read_text())["services"]
    return told


TALLOWS = [name for name, one in services().items() if one["image"] == "tallow" and "command" in one]


@pytest.mark.parametrize("name", TALLOWS)
def test_containers_start_commands_that_there_are(name: str) -> None:
    """With options that they have; each ingester has a session of its own, and whoever can say how it is is asked."""
    command, *rest = services()[name]["command"]
    known: Any = get_command(app)
    options = {option for parameter in known.commands[command].params for option in parameter.opts}
    assert {word for word in rest if word.startswith("--")} <= options
    assert "healthcheck" in services()[name]


def test_containers_need_nothing_that_is_not_there() -> None:
    """Services that wait for others, settings, volumes."""
    told = services()
    assert len([name for name in TALLOWS if name.startswith("ingest")]) >= 2
    sessions = [
        one["command"][one["command"].index("--client-id") + 1]
        for name, one in told.items()
        if name.startswith("ingest")
    ]
    assert len(set(sessions)) == len(sessions)
    assert {other for one in told.values() for other in one.get("depends_on", ())} <= told.keys()
    asked = set(re.findall(r"\$\{(\w+)\}", (FOLDER / "compose.yaml").read_text()))
    assert asked == set(re.findall(r"^(\w+)=", (FOLDER / "compose.env").read_text(), re.M))


def test_settings_are_those_that_are_read() -> None:
    """Each name in the examples is in the list of settings, and nothing else of the program reads the environment."""
    names = re.findall(r"^(TALLOW_\w+)=", (FOLDER / "tallow.env").read_text(), re.M)
    names += [name for one in services().values() for name in one.get("environment", ()) if name.startswith("TALLOW")]
    assert names
    assert set(names) <= {one.name for one in SETTINGS}
    root = Path(__file__).parents[2]
    files = [path for package in ("ingest", "analytics", "dashboard") for path in (root / package).rglob("*.py")]
    readers = [path.name for path in files if re.search(r"os\.environ|getenv", path.read_text("utf-8"))]
    assert readers == ["environment.py"]


def test_a_setting_that_is_empty_is_not_set(monkeypatch: pytest.MonkeyPatch) -> None:
    """As compose passes what its own file leaves open."""
    monkeypatch.setenv(SITE.name, "")
    assert SITE.value == SITE.default
    monkeypatch.setenv(SITE.name, "https://tallow.example")
    assert SITE.value == "https://tallow.example"
