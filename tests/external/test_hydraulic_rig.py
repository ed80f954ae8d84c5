"""Pressures of a real hydraulic rig as a background: nothing is found on it, and what is added to it is found.

Source: Helwig, Pignanelli and Schütze, "Condition monitoring of hydraulic systems" (UCI 447, doi 10.24432/C5CW21), CC BY 4.0; see
data/hydraulic_peaks.md. Each load cycle is told as a pump cycle, its highest pressure as the peak of a channel; a cycle a minute is
stretched to one in twenty minutes of ignition time. The fourth channel lies around nothing for most of the time.
"""

import gzip
import json
import os
import subprocess
import sys
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import pandas as pd
import pytest

from ingest.arrays import Floats
from tests.helpers.registry_rows import LINE, VEHICLE, write

DATA = Path(__file__).parent / "data" / "hydraulic_peaks.csv.gz"
RIG = pd.read_csv(DATA)
CHANNELS = [f"ps{n}" for n in range(1, 7)]
LIVE = [name for name in CHANNELS if name != "ps4"]
START = datetime(2026, 3, 2, tzinfo=UTC)
INTERVAL = timedelta(minutes=20)
SECOND_HALF = len(RIG) // 2
CYCLES = range(1130, 2100, 240)  # of the second half, at which a departure begins


def at(cycle: int) -> datetime:
    return START + cycle * INTERVAL


def lines_of(vehicle: str, kpa: Floats) -> list[str]:
    """A log of messages: the ignition, then every cycle."""
    log = [("ignition", {"at": START.isoformat(), "engine_h": 100.0, "on": True})]
    for n in range(len(kpa)):
        peaks = {name: round(float(value), 1) for name, value in zip(CHANNELS, kpa[n], strict=True)}
        log.append(("cycle", {"at": at(n).isoformat(), "engine_h": round(100 + n / 3, 2), "cycle_no": n + 1, "run_s": 180,
                              "temp_c": float(RIG.oil_c[n]), "peak_kpa": peaks}))  # fmt: skip
    return [
        json.dumps({"topic": f"lube/1/f/{vehicle}/{kind}", "payload": {"seq": seq, **values}})
        for seq, (kind, values) in enumerate(log)
    ]


def tallow(folder: Path, *arguments: str) -> str:
    """What the command line prints."""
    environment = os.environ | {"TALLOW_DATABASE": f"sqlite:///{folder / 'tallow.db'}"}
    command = [sys.executable, "-m", "dashboard", *arguments]
    return subprocess.run(command, env=environment, capture_output=True, text=True, timeout=300, check=True).stdout


def findings(folder: Path, vehicles: Sequence[tuple[str, Floats]], seed: int | None = None) -> list[dict[str, Any]]:
    """What the command line finds: registered, replayed, asked; with a seed, the messages come in disorder and many twice."""
    folder.mkdir()
    names = [name for name, _ in vehicles]
    write(
        folder,
        [VEHICLE | {"vehicle": name, "level": "none", "confirmation": "no"} for name in names],
        [
            LINE | {"vehicle": name, "line": str(n), "channel": channel}
            for name in names
            for n, channel in enumerate(CHANNELS, 1)
        ],
    )
    log = [line for name, kpa in vehicles for line in lines_of(name, kpa)]
    if seed is not None:
        random = Random(seed)
        log += random.sample(log, len(log) // 10)
        random.shuffle(log)
    path = folder / "messages.ndjson.gz"
    path.write_bytes(gzip.compress("\n".join(log).encode()))
    tallow(folder, "register", str(folder))
    tallow(folder, "replay", str(path))
    told: list[dict[str, Any]] = json.loads(tallow(folder, "findings", "--json"))
    return told


@pytest.fixture(scope="module")
def plain() -> Floats:
    return RIG[[f"{name}_kpa" for name in CHANNELS]].to_numpy(float)


def test_a_sound_rig_gives_no_finding_in_its_second_half(tmp_path: Path, plain: Floats) -> None:
    """Cooler, valve, leakage and accumulator change all the time; five live channels say nothing, and nothing is no ratio."""
    told = findings(tmp_path / "a", [("rig", plain)])
    live = [f for f in told if f["channel"] in LIVE]
    assert [f for f in live if datetime.fromisoformat(f["detected_at"]) >= at(SECOND_HALF)] == []
    assert [f for f in live if f["ended_at"] is None] == []
    on_nothing = [f for f in told if f["channel"] == "ps4"]
    assert {f["kind"] for f in on_nothing} == {"pressure_sensor"}
    assert not any("ratio_to_expected" in f["evidence"] for f in on_nothing)
    assert findings(tmp_path / "b", [("rig", plain)], seed=3) == told


@pytest.mark.parametrize(
    ("ratio", "kind"), [(1.6, "blocked_line"), pytest.param(0.45, "open_line", marks=pytest.mark.long)]
)
def test_an_added_departure_is_found_within_six_cycles(tmp_path: Path, plain: Floats, ratio: float, kind: str) -> None:
    """On each of the live channels, from several cycles of the second half on."""
    vehicles, expected = [], {}
    for channel in LIVE:
        for cycle in CYCLES:
            kpa = plain.copy()
            kpa[cycle:, CHANNELS.index(channel)] *= ratio
            expected[f"{channel}-{cycle}"] = (channel, cycle)
            vehicles.append((f"{channel}-{cycle}", kpa[: cycle + 40]))
    told = findings(tmp_path / "a", vehicles)
    for name, (channel, cycle) in expected.items():
        found = [
            f for f in told
            if f["vehicle"] == name and f["channel"] in LIVE and datetime.fromisoformat(f["detected_at"]) >= at(SECOND_HALF)
        ]  # fmt: skip
        assert [(f["kind"], f["channel"]) for f in found] == [(kind, channel)], name
        assert at(cycle) <= datetime.fromisoformat(found[0]["detected_at"]) < at(cycle + 6), name
        assert found[0]["ended_at"] is None
