"""The demo: runs the commands that a user would run, as processes of its own, and looks after them.

Its fleet's past is made first, by one process whose work is shared out (`tallow simulate --record`): vehicles that something is wrong with
come first, and the page is shown as soon as they are there. Of the others it says meanwhile that nothing was heard of them.
"""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Literal, get_args

from ingest.environment import CLOCK, PARENT
from ingest.parent import GRACE_S
from ingest.times import machine_us, microseconds
from simulators import SimulationError

PYTHON: Final = (sys.executable, "-P")  # what is installed, not what a checkout in this folder has changed meanwhile
Recorded = Literal["nothing", "begun", "story", "all"]


@dataclass(frozen=True)
class State:
    """How far a demo is. The scenario's end is fixed at the first start, so that later starts continue the same story; `recorded` says how
    much of the fleet's past is recorded and analysed: nothing, though the database is there (begun), that of the vehicles with a story to
    tell, or all."""

    end: str
    recorded: Recorded


def read_state(data: Path) -> State:
    """What is kept of the demo in this folder. Raises SimulationError where there is none."""
    path = data / "demo.json"
    try:
        state = State(**json.loads(path.read_text("utf-8")))
        datetime.fromisoformat(state.end)
        get_args(Recorded).index(state.recorded)
    except OSError:
        raise SimulationError(f"no demo was started in {data}; name its folder with --data") from None
    except (ValueError, TypeError):
        raise SimulationError(f"{path} is damaged; remove the folder {data} and start again") from None
    return state


def save_state(data: Path, state: State) -> None:
    """Keep it."""
    path = data / "demo.json"
    path.with_suffix(".new").write_text(json.dumps(asdict(state)) + "\n", "utf-8")
    path.with_suffix(".new").replace(path)


def free_port() -> int:
    """A TCP port that nobody listens on."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class Demo:
    """Everything on this machine, in one folder. All its processes follow a clock that runs `speed` times as fast as life: at 120 the
    cycles that show most faults come within a minute, for as long as it runs."""

    def __init__(self, data: Path, port: int, speed: float, say: Callable[[str], None]) -> None:
        self.data, self.port, self.speed, self.say = data, port, speed, say
        self.running: dict[str, subprocess.Popen[bytes]] = {}
        self.stop = threading.Event()
        self.broker_port = free_port()
        # Its processes read from the one end; the other is closed when this process ends, however it ends.
        self.pipe, self._kept_open = os.pipe()
        self.environment = os.environ | {
            PARENT: str(self.pipe),
            "TALLOW_DATABASE": f"sqlite:///{data.resolve() / 'tallow.db'}",
            "TALLOW_BROKER": f"mqtt://127.0.0.1:{self.broker_port}",
            "TALLOW_SITE": f"http://127.0.0.1:{port}",
        }

    def run(self) -> None:
        """Set up what is missing, start everything, and watch it until stopped. Raises SimulationError."""
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, lambda *_: self.stop.set())
        try:
            self._check_port()
            self.data.mkdir(mode=0o700, parents=True, exist_ok=True)
            if not (self.data / "demo.json").exists():
                save_state(self.data, State(datetime.now(UTC).replace(microsecond=0).isoformat(), "nothing"))
            state = read_state(self.data)
            known = state.recorded == "all"
            newest = self._newest() if known else state.end
            self._follow_clock(newest)
            if not known:
                self.say("Making the past of 25 vehicles, and of two that are greased by hand …")
                save_state(self.data, State(state.end, "nothing"))
                self._tallow("history", "simulate", "--record", "--data", str(self.data))
                self._comes("begun")  # two that open a new database at once may find it locked
            self._tallow("dashboard", "dashboard", "--port", str(self.port))
            self._start("broker", [*PYTHON, "-m", "simulators.broker", str(self.broker_port)])
            if not known and not self._comes("story"):
                raise KeyboardInterrupt
            self._wait_for_page()
            self.say(f"Dashboard: http://127.0.0.1:{self.port}")
            self._explain(newest)
            if not known and not self._comes("all"):
                return
            self._tallow("ingest", "ingest")
            self._tallow("watch", "watch", "--every", "5")
            live = {"end": state.end, "from": newest, "speed": self.speed, "breaks": self.data / "breaks"}
            self._tallow("simulate", "simulate", *(f"--{name}={value}" for name, value in live.items()))
            self.say("All of the fleet is there, and sends.")
            self._watch()
        except OSError as error:
            raise SimulationError(f"demo cannot use {self.data}: {error.strerror or error}") from None
        finally:
            self._stop_all()

    def _follow_clock(self, newest: str) -> None:
        """The demo's time goes on where it stopped."""
        shown_us = microseconds(datetime.fromisoformat(newest))
        self.environment[CLOCK] = f"{machine_us()},{shown_us},{self.speed}"

    def _explain(self, newest: str) -> None:
        began = datetime.fromisoformat(newest)
        if self.speed > 1:
            self.say(
                f"Time in the demo: {began.day} {began:%b %Y, %H:%M} UTC, and {self.speed:g} times faster than life"
                f" (another pace: --speed). One minute here is {self.speed / 60:g} h there."
            )
        self.say("Break something, and mend it again, in a second terminal:")
        self.say(f"  tallow simulate --break HS-103 missed_cycles --data {self.data}")
        self.say(f"  tallow simulate --mend HS-103 --data {self.data}")
        self.say("For other commands there:")
        self.say(f"  export TALLOW_DATABASE={self.environment['TALLOW_DATABASE']} {CLOCK}={self.environment[CLOCK]}")
        self.say("Press Ctrl-C to stop; the same command continues where it left off.")

    def _check_port(self) -> None:
        with socket.socket() as s:
            s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                s.bind(("127.0.0.1", self.port))
            except (OSError, OverflowError):
                raise SimulationError(f"port {self.port} is taken or not allowed; name another with --port") from None

    def _comes(self, recorded: Recorded) -> bool:
        """Wait until so much of the past is there; False where somebody stops before. Raises SimulationError."""
        process, order = self.running["history"], get_args(Recorded)
        while order.index(read_state(self.data).recorded) < order.index(recorded):
            if process.poll() is not None:
                raise SimulationError(f"demo: its past could not be made; see {self.data / 'history.log'}")
            self._alive(but="history")
            if self.stop.wait(0.05):
                return False
        if recorded == "all":
            process.wait()
            del self.running["history"]
        return True

    def _newest(self) -> str:
        command = [*PYTHON, "-m", "dashboard", "status", "--json"]
        environment = {name: value for name, value in self.environment.items() if name != PARENT}
        answer = subprocess.run(command, env=environment, capture_output=True, text=True)
        if answer.returncode:
            *_, why = ["its database cannot be read", *answer.stderr.splitlines()]
            raise SimulationError(
                f"demo cannot go on: {why.removeprefix('tallow: ')} --database {self.environment['TALLOW_DATABASE']}"
                if "tallow upgrade" in why
                else f"demo cannot go on: {why.removeprefix('tallow: ')}; name another folder with --data to begin anew"
            )
        return str(json.loads(answer.stdout)["newest_at"])

    def _tallow(self, name: str, *arguments: str) -> subprocess.Popen[bytes]:
        return self._start(name, [*PYTHON, "-m", "dashboard", *arguments])

    def _start(self, name: str, command: list[str]) -> subprocess.Popen[bytes]:
        with (self.data / f"{name}.log").open("ab") as log:
            # A session of its own: Ctrl-C reaches the demo only, which then ends its processes in order.
            self.running[name] = subprocess.Popen(
                command, env=self.environment, stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True,
                pass_fds=(self.pipe,),
            )  # fmt: skip
        return self.running[name]

    def _wait_for_page(self) -> None:
        until = time.monotonic() + 60
        while time.monotonic() < until and not self.stop.is_set():
            self._alive()
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/", timeout=5):
                    return
            except (urllib.error.URLError, OSError):
                self.stop.wait(0.1)
        if not self.stop.is_set():
            raise SimulationError(f"demo: the dashboard does not answer; see {self.data / 'dashboard.log'}")

    def _watch(self) -> None:
        while not self.stop.wait(0.5):
            self._alive()

    def _alive(self, but: str = "") -> None:
        for name, process in list(self.running.items()):
            if name != but and process.poll() is not None:
                raise SimulationError(f"demo: '{name}' ended by itself; see {self.data / f'{name}.log'}")

    def _stop_all(self) -> None:
        """All but the broker together, then the broker: what they still send it takes."""
        names = [name for name in self.running if name != "broker"]
        for together in (names, ["broker"]):
            ending = [one for name in together if (one := self.running.get(name)) is not None and one.poll() is None]
            for process in ending:
                process.terminate()
            until = time.monotonic() + GRACE_S
            for process in ending:
                try:
                    process.wait(max(0.0, until - time.monotonic()))
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()
        for descriptor in (self.pipe, self._kept_open):
            os.close(descriptor)
