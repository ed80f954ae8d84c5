"""The README and DEVELOPERS pages say what is there."""

import re
import subprocess
from pathlib import Path
from typing import Any

from typer.main import get_command

from analytics.kinds import FINDING_KINDS
from dashboard.cli.main import app
from ingest.environment import SETTINGS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def test_every_command_is_in_the_readme_and_no_other() -> None:
    """The table of commands is the command line's."""
    told = set(re.findall(r"^\| `tallow ([\w-]+)", README, re.M))
    command: Any = get_command(app)
    assert told == set(command.commands)


def test_every_kind_of_finding_is_in_the_readme() -> None:
    """By its title and its code."""
    told = set(re.findall(r"^\| ([A-Z][a-z ]+) \| `(\w+)` \|", README, re.M))
    assert told == {(kind.title, code) for code, kind in FINDING_KINDS.items()}


def test_every_setting_is_in_the_readme_and_no_other() -> None:
    """Name, default and meaning are those that the program reads; the help of the command line lists them, too."""
    told = re.findall(r"^\| `(TALLOW_\w+)` \| (?:`([^`]+)`)? *\| (.+) \|$", README, re.M)
    assert told == [(one.name, one.default, one.meaning) for one in SETTINGS]
    assert set(re.findall(r"TALLOW_\w+", README)) == {one.name for one in SETTINGS}
    command: Any = get_command(app)
    assert re.findall(r"TALLOW_\w+", command.epilog) == [one.name for one in SETTINGS]


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


def test_one_word_has_one_meaning() -> None:
    """Words that were given up stand nowhere, neither for readers nor in code."""
    given_up = "call[-_ ]" + "out"
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split()
    for name in listed:
        if name.endswith((".py", ".md", ".toml", ".json", ".js", ".css", ".html", ".yaml")) and (ROOT / name).exists():
            assert not re.search(given_up, (ROOT / name).read_text("utf-8"), re.IGNORECASE), name
