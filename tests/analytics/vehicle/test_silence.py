"""Silence: stops as long as were made before are ordinary, and a vehicle that was never heard is missed after a week."""

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from sqlalchemy import update

from analytics.findings import Finding
from analytics.pipeline.tasks import analysed
from analytics.settings import DEFAULTS
from analytics.vehicle import silence
from analytics.vehicle.analysis import analyse
from analytics.vehicle.history import History, build
from ingest import registry, schema
from ingest.arrays import Ignitions, Messages
from ingest.setups import Setup
from ingest.times import DAY_US
from ingest.work import Work
from tests.helpers.vehicles import END_US, arrivals, recorded

BEGIN_US = END_US - 200 * DAY_US


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> tuple[Messages, tuple[Setup, ...]]:
    """Messages and set-up of a vehicle; no test here needs more of its messages than their form."""
    _, held = recorded(tmp_path_factory.mktemp("v"), [arrivals("HS-101", days=2)])
    return held["HS-101"]


def shifts(
    sheet: tuple[Messages, tuple[Setup, ...]], days: list[float], left_on: bool = False, waited: float = 0.0
) -> History:
    """A vehicle that is switched on in the morning and off in the evening of these days; perhaps not on the last."""
    messages, setups = sheet
    on_us = [BEGIN_US + int(day * DAY_US) for day in days]
    rows = [(us, 1.0) for us in on_us] + [(us + DAY_US // 3, 0.0) for us in on_us]
    rows = sorted(rows)[: len(rows) - left_on]
    at = np.array([us for us, _ in rows], np.int64)
    number = len(at)
    ignitions = Ignitions(
        boot=np.full(number, "0"), seq=np.arange(number), at_us=at, sent_us=at, received_us=at + int(waited * DAY_US),
        engine_h=np.arange(number, dtype=np.float64) * 4.0, on=np.array([on for _, on in rows]),
    )  # fmt: skip
    empty = {
        name: replace(
            rows_of,
            **{
                field: value[:0]
                for field, value in vars(rows_of).items()
                if not isinstance(value, int) and field != "channels"
            },
        )
        for name, rows_of in vars(messages).items()
    }
    return build(Messages(**{**empty, "ignitions": ignitions}), setups, END_US)


def found(history: History) -> list[tuple[float, bool]]:
    """(days after the last message at which it was certain, whether it lasts) of each silence."""
    return [((s.detected_us - s.began_us) / DAY_US, s.ended_us is None) for s in silence.analyse(history, DEFAULTS)]


def test_a_stop_as_long_as_one_before_is_ordinary(sheet: tuple[Messages, tuple[Setup, ...]]) -> None:
    """A machine that stood for forty days in summer may stand for forty days in winter; the first time nobody could know."""
    working = [*range(50), *range(90, 130), *range(168, 200)]
    ((after, lasts),) = found(shifts(sheet, working))
    assert after == pytest.approx(3.0, abs=0.1)
    assert not lasts


def test_a_longer_stop_than_ever_is_not(sheet: tuple[Messages, tuple[Setup, ...]]) -> None:
    """Fourteen days were ordinary; now it is twenty-five, and it goes on."""
    working = [*range(50), *range(64, 175)]  # from an evening to a morning: fourteen days and two thirds
    assert {one.evidence["never_heard"] for one in silence.analyse(shifts(sheet, working), DEFAULTS)} == {0.0}
    first, second = found(shifts(sheet, working))
    assert first == (pytest.approx(3.0, abs=0.1), False)
    assert second == (pytest.approx(1.1 * 14.67, abs=0.01), True)


def test_silence_at_work_is_no_stop(sheet: tuple[Messages, tuple[Setup, ...]]) -> None:
    """The last that was heard is that it was switched on: what it stood for before explains nothing."""
    working = [*range(50), *range(90, 185)]
    *_, (after, lasts) = found(shifts(sheet, working, left_on=True))
    assert after <= 8.6
    assert lasts


def test_messages_that_wait_make_patient(sheet: tuple[Messages, tuple[Setup, ...]]) -> None:
    """A vehicle whose messages come two days late as a rule is out of coverage, not silent, after three."""
    working = [float(day) for day in range(197)]
    assert [lasts for _, lasts in found(shifts(sheet, working, left_on=True))] == [True]
    assert found(shifts(sheet, working, left_on=True, waited=2.0)) == []


def test_of_a_closed_depot_nobody_expects_to_hear(sheet: tuple[Messages, tuple[Setup, ...]]) -> None:
    """A fortnight that its calendar says is closed does not count; what goes on beyond it does."""
    history = shifts(sheet, [*range(100), *range(115, 180)])
    closed = [(BEGIN_US + 100 * DAY_US, BEGIN_US + 115 * DAY_US)]
    ordinary = silence.analyse(history, DEFAULTS)
    assert [(e.ended_us is None) for e in ordinary] == [False, True]
    ((only),) = silence.analyse(history, DEFAULTS, None, closed)
    assert only.ended_us is None
    longer = [*closed, (BEGIN_US + 181 * DAY_US, BEGIN_US + 183 * DAY_US)]
    ((later),) = silence.analyse(history, DEFAULTS, None, longer)
    assert later.detected_us == only.detected_us + 2 * DAY_US


def never_heard(
    sheet: tuple[Messages, tuple[Setup, ...]], as_of_us: int, work: tuple[Work, ...] = (), **changed: Any
) -> list[Finding]:
    messages, (setup, *_) = sheet
    history_of_none = Messages(
        **{
            name: replace(
                rows,
                **{
                    field: value[:0]
                    for field, value in vars(rows).items()
                    if not isinstance(value, int) and field != "channels"
                },
            )
            for name, rows in vars(messages).items()
        }
    )
    setup = msgspec.structs.replace(setup, timezone="UTC", **changed)
    return list(analyse(history_of_none, (setup,), as_of_us, None, work).findings)


def test_a_vehicle_never_heard_is_silent_a_week_after_the_later_of_both(
    sheet: tuple[Messages, tuple[Setup, ...]],
) -> None:
    """Commissioned on one day, registered three days later; with `never_heard` as evidence, and lasting."""
    begun_us = 1_772_323_200_000_000  # 2026-03-01T00:00:00Z
    sheets: dict[str, Any] = {"commissioned": date(2026, 3, 1), "registered_us": begun_us + 3 * DAY_US}
    assert never_heard(sheet, begun_us + 10 * DAY_US - 1, **sheets) == []
    (told,) = never_heard(sheet, begun_us + 10 * DAY_US, **sheets)
    assert (told.kind, told.evidence["never_heard"], told.open) == ("silent", 1.0, True)
    assert (told.began_us, told.detected_us) == (begun_us + 3 * DAY_US, begun_us + 10 * DAY_US)
    (later,) = never_heard(sheet, begun_us + 40 * DAY_US, **sheets)
    assert later.detected_us == told.detected_us


def test_nobody_knows_since_when_it_should_be_heard(sheet: tuple[Messages, tuple[Setup, ...]]) -> None:
    """Neither date is kept: nothing is told."""
    assert never_heard(sheet, END_US, commissioned=None, registered_us=None) == []


def test_a_vehicle_never_heard_that_is_laid_up_is_not_missed(sheet: tuple[Messages, tuple[Setup, ...]]) -> None:
    """Until it is back for a week."""
    begun_us = 1_772_323_200_000_000
    sheets: dict[str, Any] = {"commissioned": date(2026, 3, 1), "registered_us": None}
    laid_up = Work(key="a", kind="laid_up", at_us=begun_us + DAY_US, by="somebody")
    back = Work(key="b", kind="back", at_us=begun_us + 30 * DAY_US, by="somebody")
    assert never_heard(sheet, begun_us + 20 * DAY_US, (laid_up,), **sheets) == []
    (told,) = never_heard(sheet, begun_us + 60 * DAY_US, (laid_up, back), **sheets)
    assert told.detected_us == begun_us + 37 * DAY_US


def test_nothing_can_be_heard_before_anything_is_recorded(tmp_path: Path) -> None:
    """Logs of two months, replayed to a vehicle that was registered only now and commissioned years ago: since the first message."""
    engine, held = recorded(tmp_path, [arrivals("HS-101", days=60)])
    first_us = min(int(rows.at_us.min()) for rows in vars(held["HS-101"][0]).values() if len(rows))
    with engine.begin() as connection:
        connection.execute(update(schema.setup).values(registered_us=END_US + DAY_US))
        unheard = next(one for one in registry.read_vehicles(connection) if one.name == "HS-102")
        old = [
            msgspec.structs.replace(s, commissioned=date(2020, 1, 1), registered_us=END_US + DAY_US)
            for s in unheard.setups
        ]
        (result,) = analysed(connection, replace(unheard, setups=tuple(old)), [END_US], None, ())
    (found,) = result.findings
    assert (found.kind, found.began_us, found.detected_us) == ("silent", first_us, first_us + 7 * DAY_US)


def test_a_vehicle_that_was_registered_after_the_others_is_not_silent_before_that(tmp_path: Path) -> None:
    """At the newest message, which is older; commissioned years ago. A week later it is."""
    engine, _ = recorded(tmp_path, [arrivals("HS-101", days=20)])
    with engine.connect() as connection:
        unheard = next(one for one in registry.read_vehicles(connection) if one.name == "HS-102")
        sheets = [
            msgspec.structs.replace(s, commissioned=date(2020, 1, 1), registered_us=END_US + DAY_US) for s in unheard.setups
        ]  # fmt: skip
        moments = [END_US, END_US + 7 * DAY_US, END_US + 8 * DAY_US]
        results = analysed(connection, replace(unheard, setups=tuple(sheets)), moments, None, ())
    assert [[found.kind for found in result.findings] for result in results] == [[], [], ["silent"]]
    assert results[-1].findings[0].began_us == END_US + DAY_US


def test_when_a_vehicle_was_registered_is_kept(tmp_path: Path) -> None:
    """With its first set-up."""
    _, held = recorded(tmp_path, [arrivals("HS-101", days=1)])
    assert held["HS-101"][1][0].registered_us == 0
