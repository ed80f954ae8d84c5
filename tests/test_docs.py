"""The README and DEVELOPERS pages say what is there."""

import re
import subprocess
from pathlib import Path
from typing import Any

from typer.main import get_command

from analytics.kinds import FINDING_KINDS
from dashboard.command import app

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def test_every_command_is_in_the_readme_and_no_other() -> None:
    """The table of commands is the command line's."""
    told = set(re.findall(r"^\| `tallow ([\w-]+)", README, re.M))
    command: Any = get_command(app)
    assert told == set(command.commands)


def test_every_kind_of_finding_is_in_the_readme() -> None:
    """By its title."""
    assert set(re.findall(r"^\| ([A-Z][a-z ]+) \|", README, re.M)) == {kind.title for kind in FINDING_KINDS.values()}


def test_the_two_commands_end_as_they_should() -> None:
    """One line each: one ends in the demo, one in the tests."""
    lines = [line.strip() for line in README.splitlines() if line.startswith("    python3 -m venv")]
    assert [line.rsplit("/", 1)[1] for line in lines] == ["tallow demo", "pytest"]


def test_pictures_are_there() -> None:
    """What the README shows exists."""
    for path in re.findall(r"!\[[^]]+\]\(([^)]+)\)", README):
        assert (ROOT / path).stat().st_size > 10_000


def test_paths_in_the_developers_page_exist() -> None:
    """A file that is named is there."""
    for path in re.findall(r"`((?:ingest|analytics|dashboard|simulators|tests|\.ci)/[\w./]+)`", DEVELOPERS):
        assert (ROOT / path).exists(), path


def test_the_top_level_holds_nothing_else() -> None:
    """Dot-files apart."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split(
        "\n"
    )
    top = {name.split("/")[0] for name in listed if name and not name.startswith(".")}
    assert top == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "ingest",
        "analytics",
        "dashboard",
        "simulators",
        "tests",
    }
