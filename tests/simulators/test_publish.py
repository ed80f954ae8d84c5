"""A fleet published live: in time or at a steady rate, and broken meanwhile."""

import json
import threading
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from simulators import SimulationError
from simulators.controller import messages
from simulators.fleet import run_of
from simulators.publish import Live, break_something, mend, publish, shown_by
from simulators.scenario import KINDS, LOOK_ALIKES
from tests.conftest import Mosquitto
from tests.helpers.vehicles import END_H, END_US, demo

DAY_US = 86_400_000_000


def taken(live: Live, until_us: int) -> list[tuple[str, Any]]:
    told = []
    while (at_us := live.next_us()) is not None and at_us < until_us:
        told.append(live.take())
    return told


def test_what_is_told_begins_where_it_was_left() -> None:
    """In order of arrival, without a gap and without a repetition."""
    whole = taken(Live(demo(), END_H, 1, END_US - 3 * DAY_US, None), END_US)
    first = taken(Live(demo(), END_H, 1, END_US - 3 * DAY_US, None), END_US - DAY_US)
    second = taken(Live(demo(), END_H, 1, END_US - DAY_US - 1, None), END_US)
    assert first + second == whole
    times = [sent.arrives_us for _, sent in whole]
    assert times == sorted(times)


def test_something_is_broken_while_it_runs(tmp_path: Path) -> None:
    """The past stays, no name is used twice, others are not touched, and it is still broken after a restart."""
    folder, from_us, cut_us = tmp_path / "breaks", END_US - 3 * DAY_US, END_US - DAY_US
    untouched = taken(Live(demo(), END_H, 1, from_us, None), END_US)
    live = Live(demo(), END_H, 1, from_us, folder)
    told = taken(live, cut_us)
    trouble = break_something(demo(), folder, "HS-103", "missed_cycles")
    assert trouble.variant == "dead"
    assert live.take_up(cut_us) == ["missed_cycles on HS-103"]
    assert live.take_up(cut_us) == []
    told += taken(live, END_US)
    assert told[: len(told) // 2] == untouched[: len(told) // 2]
    mine = [sent for vehicle, sent in told if vehicle == "HS-103"]
    names = Counter(sent.message.seq for sent in mine)
    again = Counter(sent.message.seq for vehicle, sent in untouched if vehicle == "HS-103")
    assert max(names.values()) == max(again.values()) == 2  # repetitions by the radio
    broken = [
        sent
        for sent in mine
        if sent.arrives_us > cut_us and sent.kind == "cycle" and sent.message.at.timestamp() * 1e6 > cut_us
    ]
    assert broken == []
    assert [one for one in told if one[0] != "HS-103"] == [one for one in untouched if one[0] != "HS-103"]
    restarted = taken(Live(demo(), END_H, 1, cut_us, folder), END_US)
    assert restarted == [one for one in told if one[1].arrives_us > cut_us]


def test_it_goes_on_for_as_long_as_it_runs() -> None:
    """Beyond what was worked out first: the past stays as it was told, nothing is left out, and a restart then tells the same."""
    story = replace(demo(), machines=tuple(replace(m, fitted_days=12) for m in demo().machines[:12:4]))
    live, told = Live(story, END_H, 1, END_US + 30 * DAY_US, None), list[tuple[str, Any]]()
    for day in range(30, 130):
        live.take_up(END_US + day * DAY_US)
        told += taken(live, END_US + (day + 1) * DAY_US)
    for n, machine in enumerate(story.machines):
        long = messages(run_of(story, n, END_H, 1, 120), END_US + 30 * DAY_US)
        whole = [sent for sent in long if sent.arrives_us < END_US + 130 * DAY_US]
        mine = [sent for vehicle, sent in told if vehicle == machine.vehicle]
        assert len(mine) > 100
        assert mine == whole
    later = END_US + 100 * DAY_US
    restarted = taken(Live(story, END_H, 1, later, None), END_US + 115 * DAY_US)
    assert restarted == [one for one in told if later < one[1].arrives_us < END_US + 115 * DAY_US]


@pytest.mark.parametrize(
    ("vehicle", "kind", "told"), [("XX", "silent", "no vehicle 'XX'"), ("HS-101", "rust", "'rust'")]
)
def test_only_what_there_is_can_be_broken(tmp_path: Path, vehicle: str, kind: str, told: str) -> None:
    """One clear line, and nothing is left behind."""
    with pytest.raises(SimulationError, match=told):
        break_something(demo(), tmp_path / "breaks", vehicle, kind)
    assert not (tmp_path / "breaks").exists()


def test_a_vehicle_shows_only_what_it_has_readings_for(tmp_path: Path) -> None:
    """The trailer has neither pressures nor a level in percent: what cannot be seen there is refused, with the codes that can."""
    for kind in ("blocked_line", "reservoir_loss"):
        with pytest.raises(SimulationError, match=rf"HS-109 cannot show '{kind}'; it can show: missed_cycles, "):
            break_something(demo(), tmp_path / "breaks", "HS-109", kind)
    assert not (tmp_path / "breaks").exists()
    everything = set(KINDS) | set(LOOK_ALIKES)
    machines = {m.vehicle: m for m in demo().machines}
    assert set(shown_by(machines["HS-101"])) == everything
    assert {"missed_cycles", "incomplete_cycles", "timer_mismatch", "low_level", "silent"} <= set(
        shown_by(machines["HS-109"])
    )


@pytest.mark.parametrize("vehicle", ["HS-101", "HS-105", "HS-206", "HS-109"])
def test_each_kind_can_be_broken_on_each_system(tmp_path: Path, vehicle: str) -> None:
    """It goes on sending; what is out of coverage is heard of no more."""
    n = next(k for k, m in enumerate(demo().machines) if m.vehicle == vehicle)
    for kind in shown_by(demo().machines[n]):
        broken = break_something(demo(), tmp_path, vehicle, kind)
        machine = replace(demo().machines[n], fitted_days=12, troubles=(broken,))
        run = run_of(replace(demo(), machines=(machine,)), 0, END_H, 1)
        times = [sent.arrives_us for sent in messages(run)]
        assert times == sorted(times)
        lasts = kind not in ("silent", "radio_gap", "parked")
        assert (times[-1] > END_US + 50 * DAY_US) == lasts, (vehicle, kind)


def test_what_is_broken_is_mended(tmp_path: Path) -> None:
    """Cycles come again from then on, the past stays, and it is still mended after a restart; what the scenario broke, too."""
    folder, broken_us, mended_us = tmp_path / "breaks", END_US - 3 * DAY_US, END_US - 2 * DAY_US
    live = Live(demo(), END_H, 1, broken_us - DAY_US, folder)
    told = taken(live, broken_us)
    break_something(demo(), folder, "HS-103", "missed_cycles")
    live.take_up(broken_us)
    told += taken(live, mended_us)
    assert mend(demo(), folder, "HS-103", END_H) == ["missed_cycles"]
    assert live.take_up(mended_us) == ["mended on HS-103"]
    told += taken(live, END_US)

    def cycles(from_us: int, until_us: int) -> int:
        mine = [sent for vehicle, sent in told if vehicle == "HS-103" and sent.kind == "cycle"]
        return sum(from_us < sent.message.at.timestamp() * 1e6 < until_us for sent in mine)

    assert cycles(broken_us, mended_us) == 0
    assert cycles(mended_us, END_US) > 10
    restarted = taken(Live(demo(), END_H, 1, mended_us, folder), END_US)
    assert restarted == [one for one in told if one[1].arrives_us > mended_us]
    with pytest.raises(SimulationError, match="nothing is broken on HS-103"):
        mend(demo(), folder, "HS-103", END_H)
    assert mend(demo(), folder, "HS-107", END_H) == ["missed_cycles"]  # the fuse of the demo's story


def test_a_steady_rate(mosquitto: Mosquitto) -> None:
    """So many messages a second, whatever time they belong to."""
    heard: list[str] = []
    listener, client = (mqtt.Client(CallbackAPIVersion.VERSION2) for _ in range(2))
    listener.on_message = lambda _c, _d, message: heard.append(message.topic)
    for one in (listener, client):
        one.connect("127.0.0.1", mosquitto.port)
        one.loop_start()
    listener.subscribe("lube/1/#", qos=1)
    time.sleep(0.3)
    live, stop = Live(demo(), END_H, 1, END_US - 20 * DAY_US, None), threading.Event()
    threading.Timer(2.0, stop.set).start()
    reached: list[tuple[int, int]] = []
    publish(
        client,
        live,
        "f",
        END_US - 20 * DAY_US,
        1,
        200.0,
        stop,
        lambda number, at_us, what: reached.append((number, at_us)),
    )
    time.sleep(0.3)
    for one in (listener, client):
        one.disconnect()
        one.loop_stop()
    assert 360 <= len(heard) <= 420
    assert reached[-1][0] == len(heard)
    assert json.dumps(heard[0]).startswith('"lube/1/f/HS-')
