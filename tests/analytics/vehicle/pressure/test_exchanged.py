"""Another controller, or other sensors, that read by another scale or offset: no line changed."""

from dataclasses import replace

import numpy as np
import pytest
from msgspec import structs

from analytics.settings import DEFAULTS
from analytics.vehicle import pressure
from analytics.vehicle.analysis import analyse
from analytics.vehicle.data_notes import notes
from analytics.vehicle.history import History, build
from analytics.vehicle.pressure import Pressures
from ingest.arrays import Floats, Messages
from ingest.times import DAY_US, HOUR_US
from tests.helpers.pressures import START_US, Drive, drive, history, setup


def rebooting(made: Drive, row: int, kpa: Floats) -> Messages:
    """Readings where another boot begins at a cycle."""
    whole = history(made)
    boot = np.where(np.arange(len(made.at_us)) < row, "A", "B")
    valve = 28_000 * np.exp(0.02 * np.random.default_rng(1).standard_normal(kpa.shape))
    cycles = replace(whole.cycles, boot=boot, peak_kpa=np.round(np.minimum(kpa, valve)).astype(np.float32))
    return Messages(cycles, whole.levels, whole.ignitions, whole.faults, whole.states)


def rebooted(made: Drive, row: int, kpa: Floats) -> Pressures:
    """What is told of them."""
    told: History = build(rebooting(made, row, kpa), (setup(made.channels),), int(made.at_us[-1]) + HOUR_US)
    return pressure.analyse(told, (), DEFAULTS)


def kinds(told: Pressures) -> list[tuple[str, str | None]]:
    return [(found.kind, found.channel) for found in told.episodes]


@pytest.mark.parametrize("how", ["each by a scale of its own", "half of them", "by an offset", "a larger one"])
@pytest.mark.parametrize("seed", [0, 1, 2])
@pytest.mark.parametrize("channels", [4, 8, 16])
def test_another_device_is_no_fault_of_lines(channels: int, seed: int, how: str) -> None:
    """And what comes later is held against what it reads: a line that breaks then is found."""
    made = drive(150, channels, seed)
    row = len(made.at_us) // 2
    rng, base = np.random.default_rng(seed), np.exp(made.log_kpa)
    scale = np.exp(rng.choice([-1, 1], channels) * rng.uniform(0.25, 0.8, channels))
    other = {
        "each by a scale of its own": base * scale,
        "half of them": base * np.where(np.arange(channels) % 2, scale, 1.0),
        "by an offset": np.maximum(base - 1500, 0),
        "a larger one": base + 2500,
    }[how]
    kpa = np.where((np.arange(len(base)) >= row)[:, None], other, base)
    told = rebooted(made, row, kpa)
    assert kinds(told) == []
    if how == "each by a scale of its own":
        assert [abs(at_us - made.at_us[row]) < DAY_US for at_us in told.exchanged_us] == [True]
    kpa[made.day > 110, 1] *= 0.3
    (found,) = rebooted(made, row, kpa).episodes
    assert (found.kind, found.channel) == ("open_line", made.channels[1])
    assert 0 < (found.detected_us - START_US) / DAY_US - 110 < 4


@pytest.mark.parametrize(("channels", "kind"), [(1, "starved_pump"), (2, "open_line"), (6, "starved_pump")])
@pytest.mark.parametrize("days_later", [0, 20])
def test_where_nobody_can_tell_a_device_from_lines_that_is_said(channels: int, kind: str, days_later: int) -> None:
    """A finding that begins with a restart may be the device: one or two channels do not tell, nor do many that fall alike. It stands, as
    somebody has to look; one that begins later is of the lines."""
    made = drive(150, channels, 1)
    row = len(made.at_us) // 2
    low = np.arange(len(made.at_us)) >= row + 12 * days_later
    kpa = np.exp(made.log_kpa) * np.where(low, 0.3, 1.0)[:, None]
    if kind == "open_line":
        kpa[:, 1:] = np.exp(made.log_kpa[:, 1:])
    told = analyse(
        rebooting(made, row, kpa), (structs.replace(setup(made.channels), level="none"),), int(made.at_us[-1]) + HOUR_US
    )
    assert kind in [found.kind for found in told.findings if found.open]
    assert any("since the controller's restart" in text for text in notes(told)) == (days_later == 0)


def test_a_line_that_was_blocked_stays_blocked() -> None:
    """Nothing shows that it was cleared."""
    made = drive(150, 8, 1)
    row, base = len(made.at_us) // 2, np.exp(made.log_kpa)
    base[made.day > 50, 2] *= 2.5
    scale = np.array([0.5, 1.6, 0.7, 1.4, 0.6, 1.5, 0.8, 1.3])
    told = rebooted(made, row, np.where((np.arange(len(base)) >= row)[:, None], base * scale, base))
    (found,) = told.episodes
    assert (found.kind, found.channel, found.ended_us) == ("blocked_line", "p02", None)


def test_lines_that_fail_at_a_restart_are_found() -> None:
    """Two of eight, or all of them together: that is no device."""
    made = drive(150, 8, 2)
    row, base = len(made.at_us) // 2, np.exp(made.log_kpa)
    after = (np.arange(len(base)) >= row)[:, None]
    two = np.where(np.arange(8) < 2, 2.5, 1.0)
    assert kinds(rebooted(made, row, np.where(after, base * two, base))) == [
        ("blocked_line", "p00"),
        ("blocked_line", "p01"),
    ]
    air = base * 0.25 * np.exp(0.5 * np.random.default_rng(1).standard_normal(base.shape))
    assert kinds(rebooted(made, row, np.where(after, air, base)))[0] == ("starved_pump", None)
