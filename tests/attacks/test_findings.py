"""What was found is not erased: neither by a sensor that dies later nor by anything else that begins later."""

import json
from itertools import product
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analytics.findings import Episode
from analytics.kinds import FINDING_KINDS
from analytics.vehicle.analysis import analyse
from analytics.vehicle.causes import by_cause
from ingest.messages import Arrival
from ingest.times import DAY_US
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

NOW = 1_700_000_000_000_000
PAIRS = [(cause, effect) for effect in FINDING_KINDS for cause in FINDING_KINDS[effect].follows_from]
HISTORY: Any = SimpleNamespace(
    as_of_us=NOW, setup_of=lambda _: SimpleNamespace(lines=[SimpleNamespace(channel="a", dose_cm3=1.0)], dose_cm3=1.0)
)


def episode(
    kind: str, began_days: float, detected_days: float, ended_days: float | None = None, cause: str = ""
) -> Episode:
    """So many days ago, on the one channel where the kind has one; a fault that the controller reports is of what causes it."""
    ended_us = None if ended_days is None else NOW - int(ended_days * DAY_US)
    channel = "a" if kind in ("blocked_line", "open_line", "pressure_sensor") else None
    codes = FINDING_KINDS[cause].controller_codes if cause else ()
    evidence: Any = {"code": codes[0]} if kind == "controller_fault" and codes else {}
    began_us, detected_us = (NOW - int(days * DAY_US) for days in (began_days, detected_days))
    return Episode(kind, channel, began_us, detected_us, ended_us, evidence)


def test_there_are_pairs() -> None:
    """Else the tests below would say nothing."""
    assert ("pressure_sensor", "blocked_line") in PAIRS
    assert len(PAIRS) >= 10


@pytest.mark.parametrize(("pair", "lasts"), list(product(PAIRS, [True, False])), ids=str)
def test_a_cause_that_begins_later_erases_nothing(pair: tuple[str, str], lasts: bool) -> None:
    """For all pairs: what had been found stays told, from when it began; a failed sensor does not even end it."""
    cause, effect = episode(pair[0], 10, 9), episode(pair[1], 30, 29, None if lasts else 5, pair[0])
    told = {s.kind: s for s in by_cause([effect, cause], HISTORY, np.zeros(0))}
    assert set(pair) == set(told)
    assert (told[pair[1]].began_us, told[pair[1]].detected_us) == (effect.began_us, effect.detected_us)
    if pair[0] in ("level_sensor", "pressure_sensor"):
        assert told[pair[1]] == effect
    else:
        ended_us = told[pair[1]].ended_us
        assert ended_us == effect.ended_us or ended_us == cause.began_us


@pytest.mark.parametrize("pair", PAIRS, ids=str)
def test_before_the_cause_is_known_it_is_told_as_it_was(pair: tuple[str, str]) -> None:
    """Whatever comes afterwards, the answer for that time was the same."""
    effect = episode(pair[1], 30, 29)
    assert by_cause([effect], HISTORY, np.zeros(0)) == [effect]


LASTING = [pair for pair in PAIRS if pair[1] == "incomplete_cycles"]


@pytest.mark.parametrize("pair", LASTING, ids=str)
def test_what_goes_on_for_days_after_its_cause_was_mended_is_told(pair: tuple[str, str]) -> None:
    """A cause that was there first hides what follows from it, but not for good."""
    at_us = NOW - np.arange(300, 0, -1) * (DAY_US // 10)  # ten cycles a day for thirty days
    history: Any = SimpleNamespace(**vars(HISTORY), cycles=SimpleNamespace(at_us=at_us))
    cause = episode(pair[0], 28, 27, 20)
    soon_over, lasting = episode(pair[1], 27.99, 26, 16), episode(pair[1], 27.99, 26)
    assert by_cause([cause, soon_over], history, np.zeros(300)) == [cause]
    told = {one.kind: one for one in by_cause([cause, lasting], history, np.zeros(300))}[pair[1]]
    assert (told.began_us, told.ended_us) == (lasting.began_us, None)
    assert NOW - told.detected_us == pytest.approx(14 * DAY_US, abs=DAY_US // 5)


@pytest.mark.parametrize("pair", [pair for pair in PAIRS if pair != ("level_sensor", "level_sensor")], ids=str)
def test_what_only_follows_is_still_left_out(pair: tuple[str, str]) -> None:
    """A cause that was there first: one cause, one finding."""
    cause, effect = episode(pair[0], 30, 29), episode(pair[1], 20, 19, None, pair[0])
    assert by_cause([effect, cause], HISTORY, np.zeros(0)) == [cause]


@pytest.mark.parametrize(("kind", "ratio"), [("blocked_line", 2.0), ("open_line", 0.2)])
def test_a_sensor_that_dies_leaves_the_line_as_it_was(tmp_path: Path, kind: str, ratio: float) -> None:
    """Readings of -1000 kPa after weeks of trouble: both stand, the line's still to be acted on."""
    sent = arrivals("HS-101", (Trouble(kind, 30, None, line=1, ratio=ratio),), days=60)
    engine, told = recorded(tmp_path / "before", [sent])
    messages, setups = told["HS-101"]
    before = {(f.kind, f.channel): f for f in analyse(messages, setups, END_US).findings if f.open}
    engine.dispose()
    ((_, channel),) = [key for key in before if key[0] == kind]
    cycles = [n for n, arrival in enumerate(sent) if arrival.topic.endswith("/cycle")]
    for n in cycles[-12:]:
        said = json.loads(sent[n].payload)
        said["peak_kpa"][channel] = -1000
        sent[n] = Arrival(sent[n].topic, json.dumps(said).encode(), sent[n].received_us)
    engine, told = recorded(tmp_path / "after", [sent])
    messages, setups = told["HS-101"]
    after = {(f.kind, f.channel): f for f in analyse(messages, setups, END_US).findings if f.open}
    engine.dispose()
    assert ("pressure_sensor", channel) in after
    assert (kind, channel) in after
    assert after[kind, channel].began_us == before[kind, channel].began_us
    assert after[kind, channel].severity == before[kind, channel].severity
