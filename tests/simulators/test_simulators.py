"""The simulated fleet: repeatable, and in the words of the public messages."""

import csv
import errno
import gzip
import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analytics.kinds import FINDING_KINDS
from ingest.messages import Arrival, Decoded, decode
from simulators import SimulationError, fleet, weather
from simulators.scenario import KINDS, LOOK_ALIKES, Trouble, load
from tests.helpers.vehicles import END_H, END_US, arrivals


def test_every_message_is_one() -> None:
    """What is written is what the decoder reads."""
    for vehicle in ("HS-101", "HS-105", "HS-206", "HS-109"):
        for arrival in arrivals(vehicle, days=20):
            assert isinstance(decode(arrival), Decoded)


def test_the_same_seed_tells_the_same_story() -> None:
    """And another seed another."""
    assert arrivals("HS-101", days=15, seed=5) == arrivals("HS-101", days=15, seed=5)
    assert arrivals("HS-101", days=15, seed=5) != arrivals("HS-101", days=15, seed=6)


def test_files_of_a_fleet(tmp_path: Path) -> None:
    """Registry, messages in order of arrival, and the truth."""
    scenario = load("demo")
    number = fleet.write(scenario, END_H, 1, END_US, tmp_path, lambda done: None)
    with gzip.open(tmp_path / "messages-01.ndjson.gz") as file:
        received = [json.loads(line)["received_at"] for line in file]
    assert len(received) == number > 50_000
    assert received == sorted(received)
    with (tmp_path / "vehicles.csv").open() as file:
        assert len(list(csv.DictReader(file))) == 25
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert {t["kind"] for t in truth["faults"]} == set(KINDS) - {"controller_fault"}  # which the worn fleet shows
    assert {t["kind"] for t in truth["context"]} >= {"parked", "radio_gap", "grease_change", "controller_replaced"}
    assert len(truth["refills"]) == 25 * len(truth["as_of"])
    assert len(truth["fills"]) > 50


def test_a_full_disk_leaves_no_half_story(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What stood there before stands there still."""
    small = replace(load("demo"), machines=load("demo").machines[:1], ask_days=())
    (tmp_path / "lines.csv").write_text("of before\n")

    def full(path: Path, *_: object, **__: object) -> None:
        Path(path).write_bytes(b"half")
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(fleet.gzip, "open", full)  # type: ignore[attr-defined]  # as the module has it
        with pytest.raises(OSError, match="No space left"):
            fleet.write(small, END_H, 1, END_US, tmp_path, lambda done: None)
    assert [path.name for path in tmp_path.iterdir()] == ["lines.csv"]
    assert (tmp_path / "lines.csv").read_text() == "of before\n"
    fleet.write(small, END_H, 1, END_US, tmp_path, lambda done: None)
    names = ["lines.csv", "messages-01.ndjson.gz", "truth.json", "vehicles.csv"]
    assert sorted(path.name for path in tmp_path.iterdir()) == names
    assert (tmp_path / "lines.csv").read_text() != "of before\n"


def test_what_can_break_is_what_can_be_found() -> None:
    """The simulators import no analysis, but have a trouble for each kind of finding, and no other."""
    assert set(KINDS) == set(FINDING_KINDS)
    assert set(KINDS).isdisjoint(LOOK_ALIKES)


def test_grease_follows_the_air_with_a_lag() -> None:
    """A step of the air is half followed after 0.69 time constants."""
    air = np.r_[np.zeros(10), np.full(40, 10.0)]
    grease = weather.lagged(air, 5.0)
    assert grease[9] == 0
    assert 4 < grease[13] < 6
    assert grease[-1] > 9.9


def test_pressures_rise_in_the_cold() -> None:
    """Of all channels together (common practice, no source)."""
    cycles = [json.loads(a.payload) for a in arrivals("HS-101", days=80) if a.topic.endswith("cycle")]
    temp = np.array([c["temp_c"] for c in cycles])
    peak = np.log([[c["peak_kpa"][name] for name in sorted(c["peak_kpa"])] for c in cycles])
    slopes = [np.polyfit(temp, peak[:, j], 1)[0] for j in range(peak.shape[1])]
    assert max(slopes) < -0.002


@pytest.mark.parametrize(
    ("text", "told"),
    [("fleet =", "not TOML"), ('fleet = "f"', "lacks 'depot'"), ('fleet = "a b"\nseed=1', "fleet")],
)
def test_a_scenario_that_is_wrong_says_what(tmp_path: Path, text: str, told: str) -> None:
    """One clear line."""
    path = tmp_path / "story.toml"
    path.write_text(text)
    with pytest.raises(SimulationError, match=told):
        load(str(path))


def test_a_dead_pump_sends_no_cycles() -> None:
    """Ignition goes on, the counter stands still."""
    told = arrivals("HS-103", (Trouble("missed_cycles", 10, 5, variant="dead"),), days=30)
    inside = [a for a in told if END_US - 9 * 86_400e6 < (a.received_us or 0) < END_US - 6 * 86_400e6]
    kinds = {a.topic.rsplit("/", 1)[1] for a in inside}
    assert "ignition" in kinds
    assert "cycle" not in kinds


def test_arrivals_are_arrivals() -> None:
    """Each with the time of its receipt, never before it was sent."""
    for arrival in arrivals("HS-101", days=10):
        assert isinstance(arrival, Arrival)
        assert arrival.received_us is not None
