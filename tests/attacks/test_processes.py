"""Whatever ends a command, at whatever moment: nothing that it started is left behind, and the same command goes on."""

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar
from uuid import uuid4

import pytest

from tests.conftest import free_port, wait_until
from tests.helpers.vehicles import arrivals, demo, recorded

SIGNALS = [signal.SIGTERM, signal.SIGKILL, signal.SIGINT, signal.SIGHUP]
TRIED = [pytest.param(one, marks=pytest.mark.long if one in SIGNALS[2:] else (), id=one.name) for one in SIGNALS]
TRIES = [pytest.param(1, id="short"), pytest.param(10, id="long", marks=pytest.mark.long)]
LEFT_S = 5.0  # after which nothing may be alive
MARK = "TALLOW_TEST_MARK"
VEHICLES, DAYS = 20, 60  # of which the analysis takes some seconds


def processes(mark: str) -> Iterator[Path]:
    """The /proc folders of all processes that carry a mark in their environment."""
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with contextlib.suppress(OSError):  # it has ended meanwhile
                if f"{MARK}={mark}".encode() in (folder / "environ").read_bytes():
                    yield folder


def alive(mark: str) -> list[str]:
    """The commands of all processes that carry a mark in their environment."""
    found = []
    for folder in processes(mark):
        with contextlib.suppress(OSError):
            found.append((folder / "cmdline").read_bytes().replace(b"\0", b" ").decode())
    return [one for one in found if one]  # a dead process that nobody has asked for has no command


class Command:
    """A command of the program, and all that it starts."""

    started: ClassVar[list["Command"]] = []

    def __init__(self, folder: Path, *arguments: str, database: str = "") -> None:
        self.mark = uuid4().hex
        environment = os.environ | {MARK: self.mark} | ({"TALLOW_DATABASE": database} if database else {})
        with (folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "dashboard", *arguments], env=environment, stdout=log, stderr=log
            )
        self.started.append(self)

    def number(self) -> int:
        return len(alive(self.mark))

    def memory_mb(self) -> float:
        """What it and all that it started hold of the machine's memory, what they share counted once."""
        held = 0
        for folder in processes(self.mark):
            with contextlib.suppress(OSError):
                lines = (folder / "smaps_rollup").read_text().splitlines()
                held += sum(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
        return held / 1024

    def ended_by(self, number: signal.Signals, left_s: float = LEFT_S) -> None:
        """End it, and see that nothing is left after so long."""
        self.process.send_signal(number)
        began = time.monotonic()
        self.process.wait(30)
        wait_until(lambda: not alive(self.mark), max(0.1, left_s - (time.monotonic() - began)))


@pytest.fixture(autouse=True)
def nothing_stays() -> Iterator[None]:
    """A test that fails leaves no process behind either."""
    yield
    for one in Command.started:
        for folder in processes(one.mark):
            with contextlib.suppress(ProcessLookupError):
                os.kill(int(folder.name), signal.SIGKILL)
        one.process.wait(30)
    Command.started.clear()


@pytest.fixture(autouse=True)
def signals_as_usual() -> Iterator[None]:
    """Commands begin with the signals that a terminal gives them, also where whoever runs the tests is to outlast theirs (nohup)."""
    ends = [number for number in SIGNALS if number != signal.SIGKILL]
    before = {number: signal.getsignal(number) for number in ends}
    for number in ends:
        if before[number] is signal.SIG_IGN:
            signal.signal(number, signal.SIG_DFL)
    yield
    for number in ends:
        signal.signal(number, before[number])


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database file with a simulated fleet, registered and recorded, whose analysis takes a few seconds."""
    folder = tmp_path_factory.mktemp("history")
    engine, _ = recorded(folder, [arrivals(machine.vehicle, days=DAYS) for machine in demo().machines[:VEHICLES]])
    engine.dispose()  # the last connection brings everything into one file
    assert not (folder / "tallow.db-wal").exists()
    return folder / "tallow.db"


@pytest.mark.parametrize("tries", TRIES)
@pytest.mark.parametrize("number", TRIED)
def test_analyse_and_watch_leave_nothing_behind(
    history: Path, tmp_path: Path, number: signal.Signals, tries: int
) -> None:
    """In the middle of an analysis, side by side on databases of their own; at the end the same command comes to its end."""
    dice = random.Random(number)
    for n in range(tries):
        running = []
        for command in (["analyse"], ["watch", "--every", "0.5"]):
            (folder := tmp_path / f"{command[0]}-{n}").mkdir()
            url = f"sqlite:///{shutil.copy(history, folder / 'tallow.db')}"
            running.append(Command(folder, *command, database=url))
        for one in running:
            wait_until(lambda: one.number() > 3 or one.process.poll() is not None, 60)  # noqa: B023
        time.sleep(dice.uniform(0, 1.5))
        for one in running:
            one.ended_by(number)
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", "analyse"], capture_output=True, text=True, check=False, timeout=180,
        env=os.environ | {"TALLOW_DATABASE": f"sqlite:///{tmp_path / f'analyse-{tries - 1}' / 'tallow.db'}"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "vehicles analysed" in done.stdout


@pytest.mark.parametrize("tries", TRIES)
@pytest.mark.parametrize("number", TRIED)
def test_a_demo_leaves_nothing_behind(tmp_path: Path, number: signal.Signals, tries: int) -> None:
    """At any moment of its start; in full, the same command then comes up as if nothing had been."""
    port, dice = free_port(), random.Random(number)
    arguments = ["demo", "--data", str(tmp_path / "demo"), "--port", str(port)]
    for _ in range(tries):
        running = Command(tmp_path, *arguments)
        wait_until(lambda: running.number() > 2, 60)  # noqa: B023
        time.sleep(dice.uniform(0, 3 if tries == 1 else 90))
        running.ended_by(number)
    if tries > 1:
        last = Command(tmp_path, *arguments)
        wait_until(lambda: f"Dashboard: http://127.0.0.1:{port}" in (tmp_path / "log").read_text(), 600)
        last.ended_by(signal.SIGTERM)
