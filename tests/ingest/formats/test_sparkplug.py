"""Sparkplug B by a mapping, against the statements of its specification (Eclipse Sparkplug 3.0.0, ISO/IEC 20237:2023).

Payloads are made by an encoder of the test's own, of the wire format (varints, little-endian floats, lengths) and the
specification's field numbers (6.4.1): nothing of the program's schema is used.
"""

import base64
import contextlib
import json
import struct
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode
from sqlalchemy import Engine

from ingest.errors import Problem
from ingest.formats.sparkplug.host import Host
from ingest.formats.sparkplug.logs import read_log
from ingest.formats.sparkplug.mapping import Plan, load
from ingest.formats.sparkplug.sessions import Sessions
from ingest.messages import Arrival, Decoded, decode
from ingest.recorder import Recorder
from tests.conftest import Mosquitto, wait_until
from tests.dashboard.test_command import tallow
from tests.helpers.databases import sqlite_at
from tests.helpers.messages import rows
from tests.ingest.test_listener import listening

MAPPING = """
[vehicle]
fleet = { column = "group_id" }
vehicle = { column = "device_id", values = { "Pump 7" = "L7", "Pump 8" = "L8" } }

[[message]]
kind = "cycle"
[message.fields]
cycle_no = "Lube/Cycles"
run_s = { column = "Lube/Run", unit = "min" }
temp_c = { column = "Air", factor = 0.1 }
[message.channels]
p1 = { peak = { column = "Lube/P1", unit = "bar" } }

[[message]]
kind = "level"
fields = { level_pct = "Lube/Level" }

[[message]]
kind = "fault"
fields = { code = { constant = "level_low" }, active = "Lube/Low" }
"""
BOOLEAN, STRING, INT16, UINT64, FLOAT, DOUBLE, INT64 = 11, 12, 2, 8, 9, 10, 4  # 6.4.16
T = 1_772_344_800_000  # 2026-03-01T06:00:00Z


def varint(n: int) -> bytes:
    out = bytearray()
    while n > 127:
        out.append(n & 127 | 128)
        n >>= 7
    return bytes([*out, n])


def number(field: int, n: int) -> bytes:
    return varint(field << 3) + varint(n)


def sized(field: int, data: bytes) -> bytes:
    return varint(field << 3 | 2) + varint(len(data)) + data


def valued(datatype: int, value: Any) -> bytes:
    """6.4.16: which field a datatype's value is in."""
    match datatype:
        case 9:
            return varint(12 << 3 | 5) + struct.pack("<f", value)
        case 10:
            return varint(13 << 3 | 1) + struct.pack("<d", value)
        case 11:
            return number(14, value)
        case 12 | 14 | 15:
            return sized(15, value.encode())
        case 4 | 8 | 13:
            return number(11, value % 2**64)
        case _:
            return number(10, value % 2**32)


def metric(
    name: str, datatype: int, value: Any, at: int = T, *, alias: int | None = None, told: str = "", late: bool = False,
    quality: int | None = None,
) -> bytes:  # fmt: skip
    """One metric; `told` is what of name, alias and datatype stands there: n, a, d, nothing else."""
    told = told or ("nad" if alias is not None else "nd")
    return sized(2, b"".join([
        sized(1, name.encode()) if "n" in told else b"", number(2, alias or 0) if "a" in told else b"", number(3, at),
        number(4, datatype) if "d" in told else b"", number(5, 1) if late else b"", number(7, 1) if value is None else b"",
        b"" if quality is None else sized(9, sized(1, b"Quality") + sized(2, number(1, 3) + number(3, quality))),
        b"" if value is None else valued(datatype, value),
    ]))  # fmt: skip


def payload(*metrics: bytes, seq: int | None = None, at: int = T) -> bytes:
    return number(1, at) + b"".join(metrics) + (b"" if seq is None else number(3, seq))


def bd(value: int) -> bytes:
    return metric("bdSeq", INT64, value)


def born(count: int = 41, level: float = 55.5, at: int = T, seq: int = 1, low: bool = False) -> bytes:
    """A device's birth, with aliases."""
    return payload(
        metric("Lube/Cycles", UINT64, count, at, alias=1), metric("Lube/Run", FLOAT, 2.5, at, alias=2),
        metric("Lube/P1", FLOAT, 52.5, at, alias=3), metric("Lube/Level", FLOAT, level, at, alias=0),
        metric("Lube/Low", BOOLEAN, low, at, alias=5), metric("Air", INT16, -45, at, alias=6), metric("Door", BOOLEAN, True, at, alias=7),
        seq=seq, at=at,
    )  # fmt: skip


def plan(text: str, folder: Path) -> Plan:
    path = folder / "map.toml"
    path.write_text(text, "utf-8")
    return load(path)


@pytest.fixture
def sessions(tmp_path: Path) -> Sessions:
    return Sessions(plan(MAPPING, tmp_path))


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    """A database; which one makes no difference here."""
    engine = sqlite_at(tmp_path / "tallow.db")
    yield engine
    engine.dispose()


def say(to: Sessions, kind: str, data: bytes, device: str = "Pump 7", now_s: float = 0.0) -> list[Arrival]:
    topic = f"spBv1.0/quarry/{kind}/gate" + (f"/{device}" if kind.startswith("D") else "")
    return to.arrivals(topic, data, 1_000_000 * T, now_s)


def said(arrivals: list[Arrival]) -> list[dict[str, Any]]:
    """What messages say, names and sending times left out."""
    found = []
    for one in arrivals:
        result = decode(one)
        assert isinstance(result, Decoded), result
        found.append({"of": f"{result.fleet}/{result.vehicle}/{result.kind}"} | json.loads(one.payload))
    return [{k: v for k, v in one.items() if k not in ("seq", "boot", "sent_at")} for one in found]


def wrong(arrivals: list[Arrival]) -> list[str]:
    return [one.flaw.detail for one in arrivals if one.flaw is not None]


def connect(to: Sessions, bd_seq: int = 0, **more: Any) -> list[Arrival]:
    return say(to, "NBIRTH", payload(bd(bd_seq), seq=0)) + say(to, "DBIRTH", born(**more))


def test_births_tell_what_stands_and_data_by_alias_what_happened(sessions: Sessions) -> None:
    """6.4.6: "subsequent messages can supply only the alias", and no datatype; 6.4.16: signed values as two's complement."""
    assert said(connect(sessions)) == [
        {"of": "quarry/L7/state", "online": True},
        {"of": "quarry/L7/level", "at": "2026-03-01T06:00:00Z", "level_pct": 55.5},
        {"of": "quarry/L7/fault", "at": "2026-03-01T06:00:00Z", "code": "level_low", "active": False},
    ]
    data = payload(
        metric("", UINT64, 42, T + 60_000, alias=1, told="a"), metric("", FLOAT, 54.25, T + 60_000, alias=3, told="a"), seq=2, at=T + 61_000
    )  # fmt: skip
    # What was not reported anew stands (report by exception): run time 2.5 min, -45 tenths of a degree. 1 bar = 100 kPa (SP 811).
    made = say(sessions, "DDATA", data)
    cycle = {
        "of": "quarry/L7/cycle", "at": "2026-03-01T06:01:00Z", "cycle_no": 42, "run_s": 150.0, "temp_c": -4.5, "peak_kpa": {"p1": 5425.0}
    }  # fmt: skip
    assert said(made) == [cycle]
    assert json.loads(made[0].payload)["sent_at"] == "2026-03-01T06:01:01Z"
    again = say(sessions, "DDATA", payload(metric("", UINT64, 42, T + 90_000, alias=1, told="a"), seq=3))
    assert said(again) == []  # the count that stood already is no other cycle
    assert dict(sessions.unknown) == {"Door": 1}


def test_the_published_worked_example_is_read(tmp_path: Path) -> None:
    """Bytes that an independent encoder gave: timestamp 1, metric p = 1.5 at 1, sequence 7, no datatype."""
    text = """
    vehicle = { fleet = { constant = "f" }, vehicle = "device_id" }
    [[message]]
    kind = "level"
    fields = { level_pct = "p" }
    """
    reader = Sessions(plan(text, tmp_path))
    say(reader, "NBIRTH", payload(bd(0), seq=5), "d")
    say(reader, "DBIRTH", payload(metric("p", FLOAT, 0.0), seq=6), "d")
    made = say(reader, "DDATA", bytes.fromhex("0801120a0a01701801650000c03f1807"), "d")
    # Its time is before that of the birth: told late, it is a reading of its own time.
    assert said(made) == [{"of": "f/d/level", "at": "1970-01-01T00:00:00.001000Z", "level_pct": 1.5}]


def test_numbers_run_to_255_and_round_again(sessions: Sessions) -> None:
    """6.4.5, tck-id-payloads-sequence-num-incrementing; 4.4.1 lets no message but a death be without one."""
    connect(sessions)
    for n in range(600):
        made = say(sessions, "DDATA", payload(metric("Lube/Level", FLOAT, 50.0, T + n, told="n"), seq=(2 + n) % 256))
        assert len(said(made)) == 1
    assert sessions.requests(1e6, T) == []
    assert wrong(say(sessions, "DDATA", payload())) == ["it has no sequence number from 0 to 255"]


def test_a_gap_is_waited_for_and_then_births_are_asked_for(sessions: Sessions) -> None:
    """5.9, tck-id-operational-behavior-host-reordering-start, -success, -rebirth; 5.17: "Node Control/Rebirth" as Boolean true by NCMD;
    6.4.23, tck-id-payloads-ncmd-seq: without a sequence number."""
    connect(sessions)

    def level(seq: int, now_s: float) -> list[Arrival]:
        return say(sessions, "DDATA", payload(metric("Lube/Level", FLOAT, seq, told="n"), seq=seq), now_s=now_s)

    level(4, 10.0)
    assert sessions.requests(14.9, T) == []
    level(3, 12.0)
    level(2, 12.0)
    assert sessions.requests(16.0, T) == []  # all came within the reorder timeout
    assert len(said(level(7, 20.0))) == 1
    asked = payload(metric("Node Control/Rebirth", BOOLEAN, True))
    assert sessions.requests(25.0, T) == [("spBv1.0/quarry/NCMD/gate", asked)]
    assert sessions.requests(26.0, T) == []  # once is enough for a while
    assert len(sessions.requests(60.0, T)) == 1
    connect(sessions)
    assert sessions.requests(1000.0, T) == []


def test_data_without_birth_is_kept_apart_and_births_are_asked_for(sessions: Sessions) -> None:
    """5.15: no birth of the node, none of the device, or a metric that no birth told of."""
    data = payload(metric("", FLOAT, 50, alias=0, told="a"), seq=9)
    assert wrong(say(sessions, "DDATA", data)) == ["it came without the birth of its device, which is asked for"]
    assert wrong(say(sessions, "DBIRTH", born())) == [
        "the birth of a device came without that of its edge node, which is asked for"
    ]
    assert wrong(say(sessions, "NDATA", data)) == ["it came without the birth of its edge node, which is asked for"]
    assert len(sessions.requests(0.0, T)) == 1
    connect(sessions)
    assert sessions.requests(99.0, T) == []
    made = say(
        sessions, "DDATA", payload(metric("", FLOAT, 1, alias=99, told="a"), metric("Lube/Level", FLOAT, 9, told="n"), seq=2)
    )  # fmt: skip
    assert wrong(made) == ["alias 99 was in no birth, which is asked for"]
    assert said(made[:1])[0]["level_pct"] == 9.0  # the others of it are read
    assert len(sessions.requests(99.0, T)) == 1


def test_a_death_counts_only_for_its_own_session(sessions: Sessions) -> None:
    """5.5: bdSeq tells "that a NDEATH matches a specific NBIRTH"; the devices of a dead node are offline, too
    (tck-id-operational-behavior-edge-node-termination-host-action-ddeath-devices-offline for a device's own)."""
    connect(sessions, bd_seq=255)
    connect(sessions, bd_seq=0)  # wrapped
    assert say(sessions, "NDEATH", payload(bd(255))) == []
    assert said(say(sessions, "DDEATH", payload(seq=2))) == [{"of": "quarry/L7/state", "online": False}]
    assert len(wrong(say(sessions, "DDATA", payload(seq=3)))) == 1
    assert said(say(sessions, "NDEATH", payload(bd(0)))) == [{"of": "quarry/L7/state", "online": False}]
    assert len(wrong(say(sessions, "DDATA", payload(seq=4)))) == 1
    assert wrong(say(sessions, "NDEATH", payload())) == ["a death certificate without bdSeq"]


def test_history_is_late_data_and_changes_nothing_that_stands(sessions: Sessions) -> None:
    """6.4.6, is_historical: "should not be considered a real time/current value"."""
    connect(sessions, count=44)
    past = [
        metric("", kind, value, at, alias=alias, told="a", late=True)
        for n, at in ((42, T - 7_200_000), (43, T - 3_600_000))
        for kind, value, alias in ((UINT64, n, 1), (FLOAT, 2.0, 2), (FLOAT, n, 3))
    ]
    made = said(say(sessions, "DDATA", payload(*reversed(past), seq=2)))
    assert [(one["at"], one["cycle_no"], one["peak_kpa"]) for one in made] == [
        ("2026-03-01T04:00:00Z", 42, {"p1": 4200.0}), ("2026-03-01T05:00:00Z", 43, {"p1": 4300.0})
    ]  # fmt: skip
    assert "temp_c" not in made[0]  # what stands now did not stand then
    (now,) = said(say(sessions, "DDATA", payload(metric("", UINT64, 45, T + 1000, alias=1, told="a"), seq=3)))
    assert (now["peak_kpa"], now["temp_c"]) == ({"p1": 5250.0}, -4.5)


def test_null_and_bad_quality_are_not_known(sessions: Sessions) -> None:
    """6.4.6, is_null; 6.4.9.1: 0 is bad, 192 good, 500 stale."""
    connect(sessions)
    for seq, one in enumerate((
        metric("Lube/Level", FLOAT, None, told="n"), metric("Lube/Level", FLOAT, 50, told="n", quality=0),
        metric("Lube/Level", FLOAT, 50, told="n", quality=500),
    ), start=2):  # fmt: skip
        assert say(sessions, "DDATA", payload(one, seq=seq)) == []
    assert len(say(sessions, "DDATA", payload(metric("Lube/Level", FLOAT, 50, told="n", quality=192), seq=5))) == 1
    say(sessions, "DDATA", payload(metric("Lube/P1", FLOAT, None, told="n"), seq=6))
    (cycle,) = said(say(sessions, "DDATA", payload(metric("Lube/Cycles", UINT64, 42, told="n"), seq=7)))
    assert cycle["peak_kpa"] == {"p1": None}
    say(sessions, "DDATA", payload(metric("Lube/Run", FLOAT, None, told="n"), seq=8))
    assert wrong(say(sessions, "DDATA", payload(metric("Lube/Cycles", UINT64, 43, told="n"), seq=9))) == [
        'metric "Lube/Run" is empty; allowed is what says run_s'
    ]


def test_several_values_of_one_metric_are_readings_one_after_another(sessions: Sessions) -> None:
    """5.16, tck-id-operational-behavior-data-publish-dbirth-order: metric values stand in chronological order."""
    connect(sessions)
    told = [
        one
        for n in (42, 43)
        for one in (
            metric("Lube/Cycles", UINT64, n, T + n * 1000, told="n"), metric("Lube/P1", FLOAT, n, T + n * 1000, told="n")
        )
    ]  # fmt: skip
    made = said(say(sessions, "DDATA", payload(*told, seq=2)))
    assert [(one["cycle_no"], one["peak_kpa"]["p1"]) for one in made] == [(42, 4200.0), (43, 4300.0)]


@pytest.mark.parametrize(
    ("datatype", "why"),
    [
        (16, "DataSet"),
        (19, "Template"),
        (17, "Bytes"),
        (22, "an array"),
        (0, "none that is known (0)"),
        (99, "none that is known (99)"),
    ],
)
def test_datatypes_that_are_not_read_are_named(sessions: Sessions, datatype: int, why: str) -> None:
    """6.4.16; the birth stands for the other metrics."""
    say(sessions, "NBIRTH", payload(bd(0), seq=0))
    birth = payload(metric("Lube/Level", datatype, 1), metric("Lube/Low", BOOLEAN, True), seq=1)
    made = say(sessions, "DBIRTH", birth)
    assert wrong(made) == [
        f'metric "Lube/Level": its datatype is {why}; numbers, Boolean, String and DateTime can be read'
    ]
    assert [one["of"] for one in said([one for one in made if one.flaw is None])] == [
        "quarry/L7/state",
        "quarry/L7/fault",
    ]


@pytest.mark.parametrize(
    ("topic", "data", "why"),
    [
        ("spBv1.0/quarry/DDATA/gate", payload(seq=0), "the topic is not spBv1.0/group/"),
        ("spBv1.0/quarry/NDATA/gate/d", payload(seq=0), "the topic is not spBv1.0/group/"),
        ("spAv1.0/quarry/NDATA/gate", payload(seq=0), "the topic is not spBv1.0/group/"),
        ("spBv1.0/quarry/NBIRTH/gate", b"\xff\xff", "the payload is no Sparkplug B"),
        ("spBv1.0/quarry/NBIRTH/gate", number(1, 1) + sized(4, b"COMPRESSED") + sized(5, b"x"), "is compressed or of a form of its own"),
        ("spBv1.0/quarry/NBIRTH/gate", payload(metric("a", 9, 1, alias=1), metric("b", 9, 1, alias=1), seq=0), "gives the alias 1 twice"),
        ("spBv1.0/quarry/NBIRTH/gate", payload(seq=256), "no sequence number from 0 to 255"),
        ("spBv1.0/quarry/NBIRTH/gate", bytes(2_000_000), "larger than 1,048,576 bytes"),
    ],
)  # fmt: skip
def test_a_bad_publication_is_kept_with_one_clear_reason(sessions: Sessions, topic: str, data: bytes, why: str) -> None:
    """4.1 for topics, 6.4.6 for aliases."""
    (one,) = sessions.arrivals(topic, data, None, 0.0)
    assert one.flaw is not None
    assert one.flaw.code == "row"
    assert why in one.flaw.detail
    assert (one.topic, one.payload) == (topic, data)


@pytest.mark.parametrize("run_s", [float("nan"), float("inf"), 1e306])
@pytest.mark.parametrize("unit", ["s", "min"])
def test_a_number_that_is_none_is_one_bad_row(tmp_path: Path, run_s: float, unit: str) -> None:
    """What comes with it and after it is read."""
    text = MAPPING.replace('kind = "cycle"', 'kind = "cycle"\ntime_is = "end"').replace(
        'unit = "min"', f'unit = "{unit}"'
    )
    reader = Sessions(plan(text, tmp_path))
    births = metric("Lube/Cycles", UINT64, 1), metric("Lube/Run", DOUBLE, 60.0), metric("Lube/Level", FLOAT, 50.0)
    say(reader, "NBIRTH", payload(bd(0), seq=0))
    say(reader, "DBIRTH", payload(*births, seq=1))

    def cycle(number: int, run_s: float) -> list[Arrival]:
        values = ("Lube/Run", DOUBLE, run_s), ("Lube/Cycles", UINT64, number), ("Lube/Level", FLOAT, 50.0)
        return say(
            reader,
            "DDATA",
            payload(*(metric(name, kind, value, T + number, told="n") for name, kind, value in values), seq=number),
        )

    made = cycle(2, run_s)
    (why,) = wrong(made)
    assert "allowed is" in why
    assert [one["of"] for one in said(made[:-1])] == ["quarry/L7/level"]
    assert len(said(cycle(3, 60.0))) == 2


def test_commands_and_states_of_hosts_are_nobodys_data(sessions: Sessions) -> None:
    """4.1: NCMD, DCMD and STATE are said to edge nodes."""
    for topic in ("spBv1.0/quarry/NCMD/gate", "spBv1.0/quarry/DCMD/gate/d", "spBv1.0/STATE/host"):
        assert sessions.arrivals(topic, b"{}", None, 0.0) == []


def test_an_edge_node_may_be_the_vehicle(tmp_path: Path) -> None:
    """Its devices' metrics are then named device/metric."""
    text = MAPPING.replace('"device_id", values = { "Pump 7" = "L7", "Pump 8" = "L8" }', '"edge_node_id"').replace(
        '"Lube/', '"Pump 7/Lube/'
    )
    reader = Sessions(plan(text, tmp_path))
    assert said(say(reader, "NBIRTH", payload(bd(0), metric("Air", INT16, 50), seq=0))) == [
        {"of": "quarry/gate/state", "online": True}
    ]
    assert [one["of"] for one in said(say(reader, "DBIRTH", born()))] == ["quarry/gate/level", "quarry/gate/fault"]
    (cycle,) = said(say(reader, "DDATA", payload(metric("", UINT64, 42, alias=1, told="a"), seq=2)))
    assert (cycle["temp_c"], cycle["peak_kpa"]) == (5.0, {"p1": 5250.0})


@pytest.mark.parametrize(
    ("before", "after", "why"),
    [
        ('"device_id", values', '"Serial", values', "vehicle: say its fleet and vehicle by group_id"),
        ('kind = "level"', 'kind = "level"\nat = "x"', "unknown field `at`"),
        ('level_pct = "Lube/Level"', "level_pct = { constant = 5 }", "nothing says which rows are meant"),
        ('active = "Lube/Low"', "active = { constant = true }", "nothing says which rows are meant"),
        ('cycle_no = "Lube/Cycles"', 'cycle_no = "Lube/Cycles"\nseq = "Number"', "seq is made of what is said"),
        ('cycle_no = "Lube/Cycles"', 'cycle_no = { column = "Lube/Cycles", factor = 2 }', "cycle_no: it has no unit and no factor"),
        ('unit = "bar"', 'unit = "at"', "unit 'at' is not known"),
        ('{ column = "Lube/P1", unit = "bar" }', "{ constant = 1 }", "channel p1: say the metric"),
        ("[vehicle]", "[sparkplug]\nreorder_s = -1\n[vehicle]", "Expected `float` >= 0"),
    ],
)  # fmt: skip
def test_a_bad_mapping_is_one_clear_line(tmp_path: Path, before: str, after: str, why: str) -> None:
    """Before anything is read."""
    assert before in MAPPING
    with pytest.raises(Problem) as found:
        plan(MAPPING.replace(before, after, 1), tmp_path)
    assert why in str(found.value)
    assert "\n" not in str(found.value)


def test_what_comes_again_has_the_same_name(tmp_path: Path, engine: Engine) -> None:
    """Redelivered, after a rebirth, read by a host that was started anew, and from a log: once recorded, nothing contradicts."""
    steps = [("NBIRTH", payload(bd(3), seq=0)), ("DBIRTH", born())] + [
        ("DDATA", payload(metric("", UINT64, 42 + n, T + 60_000 * n, alias=1, told="a"), seq=2 + n)) for n in range(5)
    ]
    order = [0, 1, 2, 3, 3, 4, 0, 1, 5, 6, 6]  # repeated and born again
    recorder = Recorder(engine, "test")
    for _ in range(2):
        reader = Sessions(plan(MAPPING, tmp_path))
        for n in order:
            recorder.record(say(reader, *steps[n]))
    log = tmp_path / "log.jsonl"
    log.write_text("".join(
        json.dumps({"topic": f"spBv1.0/quarry/{kind}/gate" + ("/Pump 7" if kind[0] == "D" else "")}
                   | ({"payload_hex": data.hex()} if n % 2 else {"payload": base64.b64encode(data).decode()})) + "\n"
        for n, (kind, data) in enumerate(steps)
    ) + '{"topic": "x", "payload": "%"}\n')  # fmt: skip
    tally = recorder.record(list(read_log(log, Sessions(plan(MAPPING, tmp_path)), lambda _: None)))
    assert (tally.recorded.total(), tally.duplicates, tally.rejected) == (0, 7, 1)
    assert [row["cycle_no"] for row in rows(engine) if row["kind"] == "cycle"] == [42, 43, 44, 45, 46]


def test_a_vehicle_that_connects_anew_is_no_new_controller(tmp_path: Path, engine: Engine) -> None:
    """6.4.18: bdSeq grows with each session, which says nothing of the controller's counters. Its life is one over all sessions, where its
    count goes on and where it begins again; only a metric that the mapping names as `boot` tells of another."""
    recorder = Recorder(engine, "test")
    reader = Sessions(plan(MAPPING, tmp_path))
    counts = [[42, 43], [44, 45, 46], [1, 2]]  # the last after the controller's counter was put to zero
    at = T
    for session, told in enumerate(counts):
        recorder.record(connect(reader, session))
        for n, count in enumerate(told):
            at += 60_000
            recorder.record(say(reader, "DDATA", payload(metric("", UINT64, count, at, alias=1, told="a"), seq=2 + n)))
        recorder.record(say(reader, "NDEATH", payload(bd(session))))
    kept = rows(engine)
    assert {row["boot"] for row in kept} == {"sparkplug"}
    assert [row["cycle_no"] for row in kept if row["kind"] == "cycle"] == [42, 43, 44, 45, 46, 1, 2]
    assert len({row["seq"] for row in kept}) == len(kept)

    named = Sessions(
        plan(MAPPING.replace('cycle_no = "Lube/Cycles"', 'cycle_no = "Lube/Cycles"\nboot = "Door"', 1), tmp_path)
    )
    connect(named)
    data = payload(metric("Door", BOOLEAN, True, at, told="n"), metric("", UINT64, 9, at, alias=1, told="a"), seq=2)
    (one,) = say(named, "DDATA", data)
    assert json.loads(one.payload)["boot"] == "true"


PLACES = [
    f"spBv1.0/g/{k}/n{d}" for k in ("NBIRTH", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH") for d in ("", "/Pump 7")
]
ODD = payload(metric("", FLOAT, float("nan"), 2**63, alias=0, told="a"), seq=2)
PAYLOADS = (
    st.binary(max_size=80)
    | st.sampled_from([born(), payload(bd(1), seq=0), ODD])
    | st.builds(lambda data: payload(sized(2, data), seq=0), st.binary(max_size=40))
)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(PLACES) | st.text(), PAYLOADS), max_size=12))
def test_any_bytes_are_read_or_refused(said_: list[tuple[str, bytes]]) -> None:
    """Nothing raises, and everything that is refused says why."""
    with tempfile.TemporaryDirectory() as folder:
        reader = Sessions(plan(MAPPING, Path(folder)))
    for topic, data in said_:
        for one in reader.arrivals(topic, data, None, 0.0):
            decode(one)
            assert one.flaw is None or one.flaw.reason


@contextlib.contextmanager
def edge_node(port: int) -> Iterator[tuple[mqtt.Client, list[tuple[str, bytes]]]]:
    """A client as edge nodes are: its death is its will, and it hears commands and states of hosts."""
    heard: list[tuple[str, bytes]] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="gate", protocol=mqtt.MQTTv5)
    client.will_set("spBv1.0/quarry/NDEATH/gate", payload(bd(0)), qos=1)
    client.on_message = lambda _c, _d, message: heard.append((message.topic, bytes(message.payload)))
    client.connect("127.0.0.1", port)
    client.subscribe([("spBv1.0/quarry/NCMD/gate", 1), ("spBv1.0/STATE/+", 1)])
    client.loop_start()
    yield client, heard
    client.disconnect()
    client.loop_stop()


def test_an_edge_node_at_a_real_broker(mosquitto: Mosquitto, engine: Engine, tmp_path: Path) -> None:
    """Data before the host knows it is asked for births and comes again; what comes by QoS 0 at the end is recorded; its death is noted.
    4.4, 5.13: the host's state is retained while it is there, and its will once it is not."""
    host = Host(plan(MAPPING + '\n[sparkplug]\nhost_id = "workshop"\n', tmp_path))
    with edge_node(mosquitto.port) as (client, heard):
        with listening(mosquitto.port, engine, form=host) as listener:
            where = "spBv1.0/quarry/{}/gate"
            data = payload(metric("", UINT64, 42, T + 60_000, alias=1, told="a"), seq=2)
            client.publish(where.format("DDATA") + "/Pump 7", data)
            wait_until(lambda: any(topic == where.format("NCMD") for topic, _ in heard))
            for kind, told in (("NBIRTH", payload(bd(0), seq=0)), ("DBIRTH", born()), ("DDATA", data)):
                client.publish(where.format(kind) + ("/Pump 7" if kind[0] == "D" else ""), told)
            wait_until(lambda: listener.tally.recorded["cycle"] == 1)
            client.disconnect(reasoncode=ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message"))
            wait_until(lambda: listener.tally.wills == 2)
        states = [json.loads(told)["online"] for topic, told in heard if topic == "spBv1.0/STATE/workshop"]
    assert states[0] is True
    with edge_node(mosquitto.port) as (_, heard):
        wait_until(lambda: bool(heard))
    assert json.loads(heard[0][1])["online"] is False
    assert [(row["kind"], row["cycle_no"]) for row in rows(engine) if row["kind"] == "cycle"] == [("cycle", 42)]
    assert listener.tally.rejected == 1


def test_the_readmes_mapping_is_one(tmp_path: Path) -> None:
    """As it stands there."""
    text = (Path(__file__).parents[3] / "README.md").read_text("utf-8")
    section = text.split("**Sparkplug B**")[1].split("**Hour meters")[0]
    example = "\n".join(line[4:] for line in section.splitlines() if line.startswith("    "))
    assert {"Lube/Cycles", "Lube/Pressure 1", "Lube/Low", "Air"} <= plan(example, tmp_path).names


def test_the_commands_say_what_is_missing(tmp_path: Path) -> None:
    """One line each; and a preview."""
    (tmp_path / "map.toml").write_text(MAPPING)
    (tmp_path / "log").write_text(
        "".join(
            json.dumps({"topic": topic, "payload": base64.b64encode(data).decode()}) + "\n"
            for topic, data in (
                ("spBv1.0/quarry/NBIRTH/gate", payload(bd(0), seq=0)), ("spBv1.0/quarry/DBIRTH/gate/Pump 7", born())
            )
        )
    )  # fmt: skip
    mapping, log, sparkplug = str(tmp_path / "map.toml"), str(tmp_path / "log"), ("--format", "sparkplug")
    assert "--format sparkplug needs --mapping" in tallow("ingest", *sparkplug).stderr
    shared = tallow("ingest", *sparkplug, "--mapping", mapping, "--share", "s")
    assert shared.stderr.startswith("tallow: --share is not for --format sparkplug")
    assert '"level_pct":55.5' in tallow("replay", log, *sparkplug, "--mapping", mapping, "--preview").stdout
