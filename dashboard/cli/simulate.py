"""The commands that simulate a fleet."""

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.cli.options import (
    BrokerAddress,
    moment,
    progress,
    start_logging,
    stopping,
)
from ingest import times
from ingest.environment import broker_files
from ingest.errors import Problem
from ingest.times import now_us
from simulators.scenario import KINDS, LOOK_ALIKES

if TYPE_CHECKING:
    from ingest.broker import Broker
    from simulators.scenario import Scenario

app = typer.Typer(rich_markup_mode=None)


@contextlib.contextmanager
def simulation() -> Iterator[None]:
    """What is wrong with a simulation is the user's to put right."""
    from simulators import SimulationError

    try:
        yield
    except SimulationError as error:
        raise Problem(str(error)) from None


@app.command(epilog="Example: tallow demo --data /tmp/tallow-demo")
def demo(
    data: Annotated[Path, typer.Option(help="folder that everything is kept in")] = Path("demo-data"),
    port: Annotated[int, typer.Option(min=1, max=65535, help="port of the dashboard")] = 8050,
    speed: Annotated[
        float, typer.Option(min=1, max=1000, help="how many times faster than life the demo's time runs")
    ] = 120,
) -> None:
    """Start everything on this machine with a simulated fleet: broker, ingest, analysis and dashboard."""
    from simulators.demo import Demo

    with simulation():
        Demo(data, port, speed, lambda text: print(text, flush=True)).run()


@app.command(epilog="Example: tallow simulate --scenario bad-week --to ./week")
def simulate(
    to: Annotated[Path | None, typer.Option(help="write registry, messages and truth to this folder")] = None,
    broker: BrokerAddress = "",
    scenario: Annotated[str, typer.Option(help="demo, quiet, bad-week or worn, or a TOML file")] = "demo",
    seed: Annotated[int | None, typer.Option(min=0, help="another seed than the scenario's")] = None,
    end: Annotated[str | None, typer.Option(help="end of the scenario's history; the present by default")] = None,
    until: Annotated[str | None, typer.Option(help="with --to: leave out what arrives later")] = None,
    since: Annotated[str | None, typer.Option("--from", help="with a broker: leave out what arrived earlier")] = None,
    speed: Annotated[float, typer.Option(min=1, help="with a broker: times faster than life, until it is today")] = 1,
    rate: Annotated[float | None, typer.Option(min=0.01, help="with a broker: so many messages a second")] = None,
    broken: Annotated[
        tuple[str, str] | None,
        typer.Option(
            "--break",
            metavar="VEHICLE KIND",
            help=f"break something in a running demo; KIND is one of: {', '.join((*KINDS, *LOOK_ALIKES))}",
        ),
    ] = None,
    mended: Annotated[
        str | None,
        typer.Option("--mend", metavar="VEHICLE", help="mend all that is broken on a vehicle of the running demo"),
    ] = None,
    data: Annotated[Path, typer.Option(help="with --break and --mend: the running demo's folder")] = Path("demo-data"),
    breaks: Annotated[Path | None, typer.Option(hidden=True)] = None,
    record: Annotated[bool, typer.Option("--record", hidden=True)] = False,
) -> None:
    """Publish a simulated fleet, or write it to files with --to, together with a list of what it broke."""
    from simulators.publish import Live
    from simulators.scenario import load

    with simulation():
        story = load(scenario)
        if record or broken is not None or mended is not None:
            _record(story, data) if record else _change_demo(story, data, broken, mended)
            return
    chosen = story.seed if seed is None else seed
    end_us = now_us() if end is None else moment(end)
    end_h = end_us / 3.6e9
    if to is not None:
        _write(story, end_h, chosen, end_us if until is None else moment(until), to)
        return
    if not broker:
        raise Problem("nothing to do: name a folder with --to, or a broker with --broker or TALLOW_BROKER")
    from_us = end_us if since is None else moment(since)
    from ingest.broker import broker_of

    at = broker_of(broker, broker_files())
    with simulation():
        live = Live(story, end_h, chosen, from_us, breaks)
    _publish(live, story.fleet, at, from_us, speed, rate)


def _write(story: "Scenario", end_h: float, seed: int, until_us: int, to: Path) -> None:
    """Write a fleet's registry, messages and truth into a folder."""
    from simulators import fleet

    try:
        to.mkdir(parents=True, exist_ok=True)
        with progress("Simulating", "vehicles") as bar:
            number = fleet.write(story, end_h, seed, until_us, to, lambda done: bar(done, len(story.machines)))
    except OSError as error:
        raise Problem(f"folder {to} cannot be written: {error.strerror}") from None
    print(f"{number} messages of {len(story.machines)} vehicles written to {to}.")


def _change_demo(story: "Scenario", data: Path, broken: tuple[str, str] | None, mended: str | None) -> None:
    """Break something in a running demo, or mend a vehicle."""
    from datetime import datetime

    from simulators.demo import read_state
    from simulators.publish import AT_ONCE, break_something, mend

    end = datetime.fromisoformat(read_state(data).end)
    if broken is not None:
        trouble = break_something(story, data / "breaks", *broken)
        where = f", line {trouble.line}" if trouble.line is not None else ""
        when = "after a few cycles" if trouble.kind in AT_ONCE else "after some days of the demo's time"
        print(
            f"{trouble.kind} on {broken[0]}{where}: the demo takes it up within seconds, and it shows {when} at work."
        )
    if mended is not None:
        kinds = mend(story, data / "breaks", mended, end.timestamp() / 3600)
        print(f"{', '.join(kinds)} on {mended} mended: the demo takes it up within seconds, and some cycles prove it.")


def _record(story: "Scenario", data: Path) -> None:
    """Register a demo's fleet, and have its past recorded and analysed: first that of vehicles with a story to tell."""
    from itertools import chain

    from analytics.pipeline import vehicle_summary, watch
    from analytics.pipeline.workers import workers
    from ingest import registry, work_records
    from ingest.database import address, open_database, reachable, writing
    from ingest.environment import DATABASE
    from ingest.recorder_process import RecorderProcess
    from ingest.replay import replay
    from ingest.work import work_of
    from simulators import by_hand, fleet
    from simulators.demo import State, read_state, save_state

    end, folder = read_state(data).end, data / "history"
    end_us = moment(end)
    first = [n for n, machine in enumerate(story.machines) if machine.has_a_story]
    rest = [n for n, machine in enumerate(story.machines) if not machine.has_a_story]
    fleet.write_registry(story, end_us / 3.6e9, folder)
    by_hand.write_registry(story, folder)
    engine = open_database(DATABASE.value)
    with reachable(engine), workers() as pool, RecorderProcess(address(engine), "history") as recording:
        with writing(engine) as connection:
            vehicle_summary.register(connection, folder, now_us())
            for one in by_hand.records(end_us):
                found = registry.find(connection, f"{story.fleet}/{one.vehicle}")
                work_records.record(connection, found.id, found.setups, work_of(one.said), end_us)
        save_state(data, State(end, "begun"))
        for told, some in (State(end, "story"), first), (State(end, "all"), rest):
            past = (fleet.arrivals(story, n, end_us / 3.6e9, story.seed, end_us) for n in some)
            replay(chain.from_iterable(past), recording)
            watch.look(engine, pool, now_us)
            save_state(data, told)


def _publish(live: Any, fleet: str, broker: "Broker", from_us: int, speed: float, rate: float | None) -> None:
    import structlog
    from paho.mqtt.enums import MQTTProtocolVersion

    from ingest.broker import make_client
    from simulators.publish import publish

    start_logging()
    stop = stopping()
    client = make_client(broker, f"tallow-simulate-{os.getpid()}", MQTTProtocolVersion.MQTTv311)
    refused: list[str] = []
    client.on_connect = lambda _c, _d, _f, reason, _p: refused.append(reason.getName()) if reason.is_failure else None
    try:
        client.connect(broker.host, broker.port, 60)
    except OSError as error:
        raise Problem(f"broker {broker.shown} cannot be reached: {error.strerror or error}") from None
    client.loop_start()

    def told(number: int, at_us: int, what: list[str]) -> None:
        for one in what:
            structlog.get_logger("tallow").info("changed", what=one)
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{number} messages published, up to {times.rfc3339(at_us)[:19]}Z")
            sys.stderr.flush()

    try:
        with simulation():
            publish(client, live, fleet, from_us, speed, rate, stop, told)
        if refused:
            raise Problem(f"broker {broker.shown} refuses: {refused[0]}")
    finally:
        client.disconnect()
        client.loop_stop()
