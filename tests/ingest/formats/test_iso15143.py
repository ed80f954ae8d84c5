"""Hour meters by ISO/TS 15143-3.

Element names are those of the standard's public descriptions (EquipmentHeader with EquipmentID, SerialNumber, PIN; CumulativeOperatingHours
with datetime and Hour); the shape of time series, the namespace and ISO 8601 durations of older servers are from memory.
"""

import json
from pathlib import Path
from typing import Any

import msgspec
import pytest
from sqlalchemy import select

from ingest import schema
from ingest.errors import Problem
from ingest.formats.iso15143 import Reader, load
from ingest.messages import Arrival, Decoded, decode
from ingest.recorder import Recorder
from tests.helpers.databases import sqlite_at

MAPPING = """
source = "maker"
fleet = "quarry"
vehicles = { "EX-7" = "L7" }
"""
SNAPSHOT = """<?xml version="1.0" encoding="utf-8"?>
<Fleet xmlns="http://standards.iso.org/iso/15143/-3" version="1" snapshotTime="2026-03-01T06:10:00Z">
 <Equipment>
  <EquipmentHeader><OEMName>M</OEMName><Model>E</Model><EquipmentID>EX-7</EquipmentID><SerialNumber>77</SerialNumber></EquipmentHeader>
  <Location datetime="2026-03-01T06:00:00Z"><Latitude>60</Latitude><Longitude>10</Longitude></Location>
  <CumulativeIdleHours datetime="2026-03-01T06:00:00Z"><Hour>99</Hour></CumulativeIdleHours>
  <CumulativeOperatingHours datetime="2026-03-01T07:00:00+01:00"><Hour>1234.55</Hour></CumulativeOperatingHours>
 </Equipment>
 <Equipment>
  <EquipmentHeader><EquipmentID>EX-9</EquipmentID></EquipmentHeader>
  <CumulativeOperatingHours datetime="2026-03-01T06:00:00Z"><Hour>5</Hour></CumulativeOperatingHours>
 </Equipment>
 <Equipment><EquipmentHeader><EquipmentID>EX-7</EquipmentID></EquipmentHeader></Equipment>
</Fleet>"""
SERIES = """<CumulativeOperatingHoursMessages>
 <EquipmentHeader><EquipmentID>EX-7</EquipmentID></EquipmentHeader>
 <CumulativeOperatingHours datetime="2026-03-01T06:00:00Z"><Hour>1234.55</Hour></CumulativeOperatingHours>
 <CumulativeOperatingHours datetime="2026-03-01T08:00:00Z"><Hour>P51DT12H30M</Hour></CumulativeOperatingHours>
</CumulativeOperatingHoursMessages>"""
AS_JSON = {
    "Equipment": [
        {
            "EquipmentHeader": {"EquipmentID": "EX-7"},
            "CumulativeOperatingHours": {"Hour": 1234.55, "datetime": "2026-03-01T06:00:00Z"},
        }
    ]
}


@pytest.fixture
def reader(tmp_path: Path) -> Reader:
    path = tmp_path / "map.toml"
    path.write_text(MAPPING)
    return Reader(load(path))


def read(reader: Reader, folder: Path, text: str, name: str = "file") -> list[Arrival]:
    path = folder / name
    path.write_text(text, "utf-8")
    return list(reader.read(path, lambda _: None))


def hours(arrivals: list[Arrival]) -> list[tuple[str, str, float]]:
    told = []
    for one in arrivals:
        assert isinstance(decode(one), Decoded), one
        said = json.loads(one.payload)
        assert said["boot"] == "meter:1:maker"
        told.append((one.topic, said["at"], said["engine_h"]))
    return told


def test_snapshots_and_time_series_as_xml_and_json(reader: Reader, tmp_path: Path) -> None:
    """The same reading has the same name, whatever it comes in; equipment that the mapping does not name is counted."""
    first = ("lube/1/quarry/L7/state", "2026-03-01T06:00:00Z", 1234.55)
    snapshot = read(reader, tmp_path, SNAPSHOT)
    assert hours(snapshot) == [first]
    assert dict(reader.unknown) == {"EX-9": 1}
    series = read(reader, tmp_path, SERIES)
    assert hours(series) == [first, ("lube/1/quarry/L7/state", "2026-03-01T08:00:00Z", 1236.5)]
    as_json = read(reader, tmp_path, json.dumps(AS_JSON))
    assert snapshot[0].payload == series[0].payload == as_json[0].payload
    inner: dict[str, Any] = {"equipmentHeader": {"equipmentId": "EX-7"}, "cumulativeOperatingHours": [
        {"hour": 1234.55, "@dateTime": "2026-03-01T06:00:00Z"}]}  # fmt: skip
    assert hours(read(reader, tmp_path, json.dumps({"fleet": [inner]}))) == [first]


def test_all_of_many_readings_are_read_in_their_order(reader: Reader, tmp_path: Path) -> None:
    """Beside each other under one header, whatever stands between them; each vehicle has its own."""
    row = '<CumulativeOperatingHours datetime="2026-03-01T06:00:00Z"><Hour>{}</Hour></CumulativeOperatingHours><Note/>'
    header = "<EquipmentHeader><EquipmentID>EX-7</EquipmentID></EquipmentHeader>"
    one = f"<Messages>{header}{''.join(row.format(n) for n in range(2_000))}</Messages>"
    found = hours(read(reader, tmp_path, f"<All>{one}{one}</All>"))
    assert [h for _, _, h in found] == [*range(2_000), *range(2_000)]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (SERIES.replace("1234.55", "many"), "needs datetime, a time with its offset, and Hour"),
        (SERIES.replace("1234.55", "9" * 400), "of up to 1,000,000,000 hours"),
        (SERIES.replace("P51DT12H30M", f"P{'9' * 400}D"), "of up to 1,000,000,000 hours"),
        (SERIES.replace("06:00:00Z", "06:00:00"), "needs datetime, a time with its offset, and Hour"),
        (SERIES.replace("<EquipmentID>EX-7</EquipmentID>", "<PIN>1</PIN>"), "EquipmentHeader has no EquipmentID"),
    ],
)
def test_a_bad_reading_is_kept_with_one_clear_reason(reader: Reader, tmp_path: Path, text: str, why: str) -> None:
    """The others of its file are read."""
    found = [one.flaw.detail for one in read(reader, tmp_path, text) if one.flaw]
    assert found
    assert all(why in one for one in found)


def test_a_position_that_is_none_is_left_out(reader: Reader) -> None:
    """With more digits than a number here may have, too; the others of its page are looked at."""
    reader = Reader(msgspec.structs.replace(reader._equipment, positions=True))
    at = "2026-03-01T06:00:00Z"
    places = [
        {"latitude": 10**400 - 1, "longitude": 1, "datetime": at},
        {"latitude": 60, "longitude": 10, "datetime": at},
    ]
    told = {"EquipmentHeader": {"EquipmentID": "EX-7"}, "Location": places}
    assert [(one.latitude, one.longitude) for one in reader.page("x", json.dumps(told).encode()).seen] == [(60.0, 10.0)]


@pytest.mark.parametrize(
    "text",
    [
        "<Fleet>", "{", "", "[" * 100_000,
        '<!DOCTYPE a [<!ENTITY b "bbbbbbbb"><!ENTITY c "&b;&b;&b;&b;">]><Fleet>&c;</Fleet>',
    ],
)  # fmt: skip
def test_a_file_that_is_none_is_one_clear_line(reader: Reader, tmp_path: Path, text: str) -> None:
    """No document of the standard declares entities."""
    with pytest.raises(Problem) as found:
        read(reader, tmp_path, text)
    assert "\n" not in str(found.value)


def test_a_meter_read_elsewhere_is_nothing_heard_of_the_vehicle(reader: Reader, tmp_path: Path) -> None:
    """Read again it is recorded once; neither the time it was last heard nor whether it is online is touched."""
    engine = sqlite_at(tmp_path / "tallow.db")
    recorder, series = Recorder(engine, "test"), read(reader, tmp_path, SERIES)
    assert [recorder.record(series).recorded.total() for _ in range(2)] == [2, 0]
    with engine.connect() as connection:
        (one,) = connection.execute(select(schema.vehicle)).all()
    engine.dispose()
    assert (one.heard_us, one.online, one.revision) == (None, None, 1)
