"""A fleet's data as tables: what they hold is what was recorded and what the command line prints."""

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import Engine, select

from analytics import frames
from analytics.hand import HandState
from analytics.pipeline import results
from analytics.pipeline.account import keep_hand, keep_trends
from analytics.pipeline.workers import workers
from analytics.trends import Trend
from dashboard.exports import bulk
from ingest import registry, schema
from ingest.database import address
from ingest.errors import Problem
from ingest.setups import HandPoint
from ingest.spreadsheets import guarded
from ingest.times import instant
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

NAME = "HS-102"


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Engine:
    """One vehicle with a blocked line and another, a month of messages, analysed."""
    blocked = (Trouble("blocked_line", 10, None, line=5, ratio=4.0),)
    batches = [arrivals(NAME, blocked, days=30), arrivals("HS-101", days=30)]
    engine, _ = recorded(tmp_path_factory.mktemp("frames"), batches)
    with workers(1) as pool:
        list(results.renew(engine, lambda: END_US, pool, lambda done, of: None))
    return engine


@pytest.fixture(scope="module")
def story(engine: Engine) -> frames.VehicleFrames:
    """What is known of the first."""
    return frames.vehicle(address(engine), NAME, as_of=instant(END_US).isoformat(), timezone="Europe/Oslo")


def test_a_vehicles_tables_hold_what_the_analysis_says(story: frames.VehicleFrames) -> None:
    """Times in the zone asked for, in order; what is expected and what is off it go together; a blocked line stands out in both."""
    assert str(story.cycles["at"].dt.tz) == "Europe/Oslo"
    assert story.cycles["at"].is_monotonic_increasing
    assert story.cycles["complete"].dtype == "boolean"
    assert story.cycles["ignition_h"].is_monotonic_increasing
    told = story.pressures.dropna(subset=["residual"])
    assert np.allclose(np.log(told["peak_kpa"] / told["expected_kpa"]), told["residual"], atol=1e-5)
    (found,) = story.findings[story.findings["kind"] == "blocked_line"].itertuples()
    during = told[told["at"] > found.detected_at].groupby("channel", observed=True)["residual"].median()
    assert during.idxmax() == found.channel
    assert during.max() > np.log(1.5)
    assert during.drop(found.channel).abs().max() < 0.2
    assert {"level_pct", "temp_c"} <= set(story.levels)
    assert len(story.days) > 25
    lines = story.doses.groupby("line")[["planned", "arrived", "failed", "not_proven"]].sum()
    assert np.allclose(lines["planned"], lines[["arrived", "failed", "not_proven"]].sum(axis=1))
    assert lines["planned"].nunique() == 1  # one pump feeds them all
    missed = story.findings.set_index("kind").at["blocked_line", "lines"]
    assert list(lines.index[lines["failed"] == lines["failed"].max()]) == missed
    assert set(lines.index) == set(story.doses["line"])


def test_nothing_is_a_table_with_columns(engine: Engine) -> None:
    """Of a vehicle that was never heard: no row, no zero, no error."""
    told = frames.vehicle(address(engine), "HS-103", as_of=instant(END_US).isoformat())
    for table, one in (
        ("cycles", "run_s"),
        ("pressures", "residual"),
        ("levels", "level_pct"),
        ("fills", "litres"),
        ("doses", "not_proven"),
    ):
        assert one in getattr(told, table).columns
        assert len(getattr(told, table)) == 0


def test_a_fleets_tables_are_what_is_kept(engine: Engine, story: frames.VehicleFrames) -> None:
    """Every vehicle and line of the registry, the findings and forecasts of the newest analysis; times are times."""
    told = frames.fleet(address(engine), timezone="Europe/Oslo")
    with engine.connect() as connection:
        lines = len(connection.execute(select(schema.line)).all())
        kept = len(connection.execute(select(schema.finding)).all())
    assert (len(told.lines), len(told.findings)) == (lines, kept)
    assert set(told.vehicles["vehicle"]) >= {NAME, "HS-101"}
    assert str(told.findings["began_at"].dt.tz) == "Europe/Oslo"
    mine = told.account[told.account["vehicle"] == NAME]
    assert mine["planned"].sum() == pytest.approx(story.doses["planned"].sum(), abs=1)
    assert mine["failed"].sum() == pytest.approx(story.doses["failed"].sum(), abs=1)
    assert told.refills["due_expected"].dtype == told.refills["as_of"].dtype


def test_hand_points_and_trends_are_tables_too(engine: Engine) -> None:
    """By whose they are; times in the zone asked for, what is not known missing, the pump without a channel."""
    point = HandPoint(number=1, point="slip joint", every=250.0, unit="h", grams=8.0)
    trend = Trend(
        what="supply", channel=None, lines=(), hours=300.0, percent=-2.0, percent_low=-3.0, percent_high=-1.0, changed_percent=-4.0,
        baseline="commissioning", latest=23.1, early_us=None, expected_us=END_US, worsens=True,
    )  # fmt: skip
    with engine.connect() as connection, connection.begin() as undone:
        one = registry.find(connection, NAME)
        keep_hand(
            connection,
            one.id,
            [HandState(point=point, greased_us=END_US, due_us=None, reason="its meter was read only once")],
        )
        keep_trends(connection, one.id, [trend], END_US)
        told = frames.of_fleet(connection, [one], "Europe/Oslo")
        undone.rollback()
    (hand,) = told.hand_points.to_dict("records")
    assert (hand["vehicle"], hand["every"], hand["unit"], hand["grams"]) == (NAME, 250.0, "h", 8.0)
    assert str(told.hand_points["greased_at"].dt.tz) == "Europe/Oslo"
    assert told.hand_points["due_at"].isna().all()
    assert np.isnan(hand["since"])
    (wear,) = told.wear.to_dict("records")
    assert (wear["what"], wear["latest"], wear["lines"]) == ("supply", 23.1, [])
    assert told.wear["channel"].isna().all()
    assert told.wear["expected_at"].iloc[0] == pd.Timestamp(END_US, unit="us", tz="UTC")
    assert told.wear["as_of"].notna().all()


def test_what_is_not_there_is_said(tmp_path: Path, engine: Engine) -> None:
    """No database, no vehicle, no zone."""
    with pytest.raises(Problem, match="no database"):
        frames.fleet(f"sqlite:///{tmp_path / 'none.db'}")
    with pytest.raises(Problem, match="no vehicle called"):
        frames.vehicle(address(engine), "HS-999")
    with pytest.raises(KeyError, match="Mars"):
        frames.vehicle(address(engine), NAME, timezone="Mars/Base")


def test_a_fleet_is_written_into_files(engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Parquet by an independent reader and CSV by another hold every message once, however small the parts it was written in."""
    pytest.importorskip("pyarrow", reason="the extra for exports is not installed")
    monkeypatch.setattr(bulk, "_ROWS_A_GROUP", 200)
    monkeypatch.setattr(bulk, "_AT_A_TIME", 1)
    seen: list[tuple[int, int]] = []
    number = bulk.write_all(engine, tmp_path / "out", "UTC", lambda done, of: seen.append((done, of)))
    assert seen[-1] == (number, number)
    with engine.connect() as connection:
        rows = connection.execute(select(schema.message.c.kind, schema.message.c.seq)).all()
    for table, kind in (("cycles", "cycle"), ("levels", "level"), ("ignition", "ignition")):
        mine = sorted(row.seq for row in rows if row.kind == kind)
        assert sorted(pd.read_parquet(tmp_path / "out" / f"{table}.parquet")["seq"]) == mine
        with (tmp_path / "out" / f"{table}.csv").open(newline="") as file:
            assert sorted(int(row["seq"]) for row in csv.DictReader(file)) == mine
    assert len(pd.read_parquet(tmp_path / "out" / "hand_points.parquet")) == 0
    assert set(pd.read_parquet(tmp_path / "out" / "wear.parquet")["vehicle"]) <= {NAME, "HS-101"}
    pressures = pd.read_parquet(tmp_path / "out" / "pressures.parquet")
    assert pressures.groupby("vehicle")["channel"].nunique().min() > 1
    assert not (tmp_path / "out" / "pressures.csv").exists()
    found = pd.read_parquet(tmp_path / "out" / "findings.parquet")
    assert "ratio_to_expected" in json.loads(found[found["kind"] == "blocked_line"]["evidence"].iloc[0])
    with pytest.raises(Problem, match="is not empty"):
        bulk.write_all(engine, tmp_path / "out", "UTC", lambda done, of: None)


def test_an_export_that_is_broken_off_leaves_nothing(
    engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A part of a fleet would look like all of it; what began it may begin again."""
    pytest.importorskip("pyarrow", reason="the extra for exports is not installed")
    monkeypatch.setattr(bulk, "_ROWS_A_GROUP", 200)
    seen: list[bool] = []

    def stop(*_: int) -> None:
        seen.append(any((tmp_path / "out").iterdir()))
        raise SystemExit(143)

    with pytest.raises(SystemExit):
        bulk.write_all(engine, tmp_path / "out", "UTC", stop)
    assert seen == [True]
    assert list((tmp_path / "out").iterdir()) == []


def test_csv_files_hold_what_the_parquet_files_do(engine: Engine, tmp_path: Path) -> None:
    """Read by pandas from either: local times with their offset on both sides of a change of clocks, missing values, whose each row is."""
    bulk.write_all(engine, tmp_path / "out", "Europe/Oslo", lambda done, of: None)
    for name in ("cycles", "levels", "faults", "ignition", "findings", "vehicles", "account"):
        held = pd.read_parquet(tmp_path / "out" / f"{name}.parquet")
        said = pd.read_csv(tmp_path / "out" / f"{name}.csv", keep_default_na=False, dtype=str)
        assert list(said.columns) == list(held.columns)
        assert len(said) == len(held)
        for column in held:
            told, values = said[column], held[column]
            assert ((told == "") == (values.isna() | (values.astype(str) == ""))).all(), (name, column)
            known = told != ""
            if isinstance(values.dtype, pd.DatetimeTZDtype):
                assert (pd.to_datetime(told[known], utc=True, format="ISO8601") == values[known]).all()
                assert told[known].str.endswith(("+01:00", "+02:00")).all()
            elif pd.api.types.is_bool_dtype(values.dtype):
                assert (told[known] == values[known].astype(str)).all()
            elif pd.api.types.is_numeric_dtype(values.dtype):
                assert np.allclose(told[known].astype(float), values[known].astype(float), rtol=1e-6)
            else:
                assert (told[known] == values[known].astype(str)).all()
    assert set(held["vehicle"]) == {"HS-101", "HS-102"}


@pytest.mark.parametrize("kind", ["string", "large_string"])
def test_no_text_of_a_csv_file_is_a_formula(kind: str) -> None:
    """As in the files that pages give away; numbers and what is missing stay as they are."""
    import pyarrow

    texts = ["=1+cmd|' /C calc'!A0", "@x", "-7A", "\tx", "-3.5", "+2e+3", "a=b", "'x", "'=1", "", None]
    made = bulk._as_text(pyarrow.chunked_array([pyarrow.array(texts, kind)])).to_pylist()
    assert made == ["'=1+cmd|' /C calc'!A0", "'@x", "'-7A", "'\tx", *texts[4:8], "''=1", "", None]
    assert made[:-1] == [guarded(text) for text in texts if text is not None]


def test_offsets_are_those_of_each_moment() -> None:
    """Across both changes of clocks, west of Greenwich, with parts of a second, and where a time is missing; as pandas writes them."""
    import pyarrow

    for zone, starts in (
        ("Europe/Oslo", "2026-10-25"),
        ("America/St_Johns", "2026-03-08"),
        ("Asia/Kolkata", "2026-01-01"),
    ):
        at = pd.Series(pd.date_range(starts, periods=48, freq="37min", tz="UTC").tz_convert(zone).as_unit("us"))
        at = at.mask(at.index == 3)
        for told in (at, at + pd.Timedelta(microseconds=5)):
            made = bulk._as_text(pyarrow.chunked_array([pyarrow.Array.from_pandas(told)])).to_pylist()
            assert made[3] is None
            expected = told.dropna().map(lambda one: one.isoformat(" "))
            assert [one for one in made if one is not None] == expected.to_list()
