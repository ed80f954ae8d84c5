"""Logs of other controllers by a mapping: as other programs write them, read in any order and number, and bad rows named."""

import gzip
import json
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select

from ingest import schema
from ingest.errors import Problem
from ingest.formats.mapping import load
from ingest.formats.rows import Form
from ingest.formats.translate import Translator
from ingest.messages import Arrival, Decoded, decode
from ingest.recorder import Recorder, Tally
from tests.helpers.databases import sqlite_at

# Semicolons, decimal commas, local times: as a spreadsheet in northern Europe writes them.
MAPPING = """
[file]
separator = ";"
decimal = ","
empty = ["---"]

[vehicle]
fleet = { constant = "quarry" }
vehicle = { column = "Maskin", values = { "Laster 7" = "L7", "Laster 8" = "L8" } }

[time]
column = ["Dato", "Klokke"]
format = "%d.%m.%Y %H:%M:%S"
zone = "Europe/Oslo"

[[message]]
kind = "cycle"
when = { column = "Type", is = "SYKLUS" }
[message.fields]
cycle_no = "Teller"
run_s = { column = "Gangtid", unit = "min" }
complete = { column = "Slag", at_least = 12 }
engine_h = { column = "Timer" }
temp_c = { column = "Luft", unit = "degF" }
[message.channels]
p1 = { peak = { column = "Trykk 1", unit = "bar" } }
main = { peak = { column = "Trykk 2", unit = "psi" }, rest = { column = "Hvile", unit = "MPa" } }

[[message]]
kind = "level"
when = { column = "Type", is = ["NIVÅ", "NIVAA"] }
[message.fields]
level_pct = { column = "Fett", unit = "l", full_l = 4 }
"""
HEAD = "Dato;Klokke;Maskin;Type;Teller;Gangtid;Slag;Timer;Luft;Trykk 1;Trykk 2;Hvile;Fett"
CYCLE = '01.03.2026;07:00:00;Laster 7;SYKLUS;41;2,5;14;1203,25;"50,0";52,4;3000;1,2;'
LEVEL = "01.03.2026;07:05:00;Laster 7;NIVÅ;;;;;;;;;2,5"

Make = Callable[[str], Translator]


@pytest.fixture
def make(tmp_path: Path) -> Make:
    """A reader by a mapping's text."""

    def made(text: str) -> Translator:
        path = tmp_path / "map.toml"
        path.write_text(text, "utf-8")
        return Translator(load(path))

    return made


def read(translator: Translator, path: Path, form: Form = "csv") -> list[Arrival]:
    return list(translator.read(path, form, lambda _: None))


def said(arrivals: list[Arrival]) -> list[dict[str, Any]]:
    """Payloads with the kind, of messages that are what they should be; names left out."""
    found = []
    for one in arrivals:
        result = decode(one)
        assert isinstance(result, Decoded), result
        found.append({"of": f"{result.fleet}/{result.vehicle}/{result.kind}"} | json.loads(one.payload))
    return [{name: value for name, value in one.items() if name not in ("seq", "boot")} for one in found]


def wrong(arrivals: list[Arrival]) -> list[str]:
    return [f"{one.topic}: {one.flaw.detail}" for one in arrivals if one.flaw is not None]


# NIST Special Publication 811 (2008), appendix B: 1 bar = 100 kPa, 1 psi = 6.894 757 kPa, 50 degF = 10 degC.
EXPECTED = [
    {
        "of": "quarry/L7/cycle", "at": "2026-03-01T06:00:00Z", "cycle_no": 41, "run_s": 150.0, "complete": True, "engine_h": 1203.25,
        "temp_c": 10.0, "peak_kpa": {"p1": 5240.0, "main": 20684.27188}, "rest_kpa": {"main": 1200.0},
    },
    {"of": "quarry/L7/level", "at": "2026-03-01T06:05:00Z", "level_pct": 62.5},
]  # fmt: skip


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_files_as_other_programs_write_them(make: Make, tmp_path: Path, encoding: str, end: str) -> None:
    """Marks at the front, ends of lines, empty and repeated lines of names, separators too many, gzip."""
    told = MAPPING if encoding.startswith("utf-8") else MAPPING.replace("[file]", f'[file]\nencoding = "{encoding}"')
    path = tmp_path / "log.csv.gz"
    text = end.join([HEAD, CYCLE + ";;", "", HEAD, LEVEL, ""])
    path.write_bytes(gzip.compress(text.encode(encoding)))
    assert said(read(make(told), path)) == EXPECTED


def test_what_is_not_there_is_not_known(make: Make, tmp_path: Path) -> None:
    """Empty cells and placeholders say nothing; a field that a message must have is asked for."""
    path = tmp_path / "log.csv"
    rows = (
        "01.03.2026;07:00:00;Laster 7;SYKLUS;41;2,5;---;;---;;;---;",
        "01.03.2026;07:00:00;Laster 7;SYKLUS;;2,5;;;;;;;",
    )
    path.write_text("\n".join([HEAD, *rows, ""]))
    bare, missing = read(make(MAPPING), path)
    assert said([bare]) == [
        {
            "of": "quarry/L7/cycle",
            "at": "2026-03-01T06:00:00Z",
            "cycle_no": 41,
            "run_s": 150.0,
            "peak_kpa": {},
            "rest_kpa": {},
        }
    ]
    assert wrong([missing]) == ['log.csv:3: column "Teller" is empty; allowed is what says cycle_no']


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (LEVEL.replace("2,5", "2.5"), 'column "Fett" says \'2.5\'; allowed is a number with decimal comma'),
        (LEVEL.replace("2,5", "nan"), 'column "Fett" says \'nan\'; allowed is a number with decimal comma'),
        (LEVEL.replace("2,5", "9,5"), 'column "Fett" says \'9,5\'; allowed is a number from -50 to 200'),
        (CYCLE.replace(";41;", ";4,5;"), 'column "Teller" says \'4,5\'; allowed is a whole number'),
        (CYCLE.replace(";2,5;", ";0;"), 'column "Gangtid" says \'0\'; allowed is a number above 0 to 1e+09'),
        (LEVEL.replace("Laster 7", "Laster 9"), 'column "Maskin" says \'Laster 9\'; allowed is one of Laster 7, Laster 8'),
        (LEVEL.replace("01.03.2026", "31.02.2026"), 'column "Dato" and "Klokke" says'),
        (LEVEL.replace("01.03.2026;07:05", "29.03.2026;02:30"), "allowed is a time that was"),
        (LEVEL + ";x", "14 cells under 13 columns"),
        (LEVEL[:-8], "8 cells under 13 columns"),
        (LEVEL.replace("Laster 7", '"Laster 7'), "a quotation mark is not closed"),
    ],
)  # fmt: skip
def test_a_bad_row_is_named_with_what_is_allowed(make: Make, tmp_path: Path, row: str, why: str) -> None:
    """File, row, column, value and what is allowed; its neighbours are read."""
    path = tmp_path / "log.csv"
    path.write_text("\n".join([HEAD, CYCLE, row, LEVEL, ""]), "utf-8")
    first, bad, last = read(make(MAPPING), path)
    assert said([first, last]) == EXPECTED
    assert wrong([bad])[0].startswith("log.csv:3: ")
    assert why in wrong([bad])[0]
    assert bad.payload == row.encode()


def test_a_last_line_that_does_not_end_may_be_half_written(make: Make, tmp_path: Path) -> None:
    """What it says now is not what it will say: kept apart, unless the mapping says that files end so."""
    path = tmp_path / "log.csv"
    path.write_text(HEAD + "\n" + LEVEL[:-2], "utf-8")
    assert "may be half written" in wrong(read(make(MAPPING), path))[0]
    path.write_text(HEAD + "\n" + LEVEL, "utf-8")
    whole = make(MAPPING.replace("[file]", '[file]\nlast_line = "whole"'))
    assert said(read(whole, path)) == EXPECTED[1:]


def hour(clock: str) -> str:
    return f"25.10.2026;{clock};Laster 7;NIVÅ;;;;;;;;;2"


def test_the_hour_that_comes_twice_is_told_by_the_order_of_rows(make: Make, tmp_path: Path) -> None:
    """In the zone, clocks went from 03:00 back to 02:00 at 01:00 UTC (tz database)."""
    path, clocks = tmp_path / "log.csv", ["01:59:00", "02:20:00", "02:50:00", "02:20:00", "02:50:00", "03:00:00"]
    moments = [f"2026-10-{day}:00Z" for day in ("24T23:59", "25T00:20", "25T00:50", "25T01:20", "25T01:50", "25T02:00")]
    path.write_text("\n".join([HEAD, *map(hour, clocks), ""]), "utf-8")
    translator = make(MAPPING)
    assert [one["at"] for one in said(read(translator, path))] == moments
    names = {json.loads(one.payload)["seq"] for one in read(translator, path)}
    assert len(names) == len(clocks)  # also where both times say the same
    path.write_text("\n".join([HEAD, *map(hour, reversed(clocks)), ""]), "utf-8")
    assert [one["at"] for one in said(read(translator, path))] == moments[::-1]
    # Nothing says which is meant where the file begins within that hour.
    path.write_text("\n".join([HEAD, *map(hour, clocks[3:]), ""]), "utf-8")
    cut = read(translator, path)
    assert ["no earlier row of the vehicle" in line for line in wrong(cut)] == [True, True]
    assert [one["at"] for one in said(cut[2:])] == moments[-1:]


def test_a_fault_list_is_read_by_the_users_table(make: Make, tmp_path: Path) -> None:
    """As CSV and as JSON lines, with the same names; other parts' faults are counted, unknown failure modes are kept apart.

    That FMI 5 is a current below normal or an open circuit, and 22 reserved, is from memory of SAE J1939-73's public list.
    """
    told = """
vehicle = { fleet = { constant = "quarry" }, vehicle = { file = '^(\\w+)-' } }
time = { column = "time" }
[j1939]
spn = "spn"
fmi = "fmi"
active = { column = "lamp", values = { on = true, off = false } }
[[j1939.code]]
spn = 520195
fmi = [3, 4, 5]
is = "sensor_open"
channel = "p1"
[[j1939.code]]
spn = 520196
is = "motor_current"
"""
    faults = [(520195, 5, "on"), (520195, 22, "on"), (520196, 31, "off"), (110, 0, "on"), (520196, 32, "on")]
    rows = [{"time": "2026-03-01T06:00:00+01:00", "spn": s, "fmi": f, "lamp": lamp} for s, f, lamp in faults]
    (tmp_path / "L7-faults.csv").write_text(
        "time,spn,fmi,lamp\n" + "".join(",".join(map(str, row.values())) + "\n" for row in rows)
    )
    (tmp_path / "L7-faults.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows))
    translator = make(told)
    by_form = [
        read(translator, tmp_path / "L7-faults.csv"),
        read(translator, tmp_path / "L7-faults.jsonl", "json-lines"),
    ]
    assert [one.payload for one in by_form[0] if one.flaw is None] == [
        one.payload for one in by_form[1] if one.flaw is None
    ]
    assert translator.unasked == 2
    for arrivals in by_form:
        assert said([one for one in arrivals if one.flaw is None]) == [
            {"of": "quarry/L7/fault", "at": "2026-03-01T05:00:00Z", "code": "sensor_open", "active": True, "channel": "p1"},
            {"of": "quarry/L7/fault", "at": "2026-03-01T05:00:00Z", "code": "motor_current", "active": False},
        ]  # fmt: skip
        reserved, beyond = wrong(arrivals)
        assert "allowed is for SPN 520195 one of 3, 4, 5, as the mapping's table says (22: reserved)" in reserved
        assert "says '32'; allowed is a whole number from 0 to 31" in beyond


def test_a_table_that_says_two_things_is_refused(make: Make) -> None:
    """Nobody should have to know which counts."""
    told = "vehicle = { fleet = 'f', vehicle = 'v' }\ntime = { column = 't' }\n[j1939]\nspn = 's'\nfmi = 'm'\nactive = 'a'\n"
    code = "[[j1939.code]]\nspn = 7\nfmi = [{}]\nis = 'sensor_open'\n"
    make(told + code.format("3, 4") + code.format("5"))
    with pytest.raises(Problem, match="SPN 7 stands there twice with the same failure mode"):
        make(told + code.format("3, 4") + code.format("4, 5"))


def test_json_lines_that_are_none_are_named(make: Make, tmp_path: Path) -> None:
    """Objects within objects are named with dots."""
    told = """
vehicle = { fleet = { constant = "q" }, vehicle = "unit" }
time = { column = "t", format = "unix_ms" }
[[message]]
kind = "level"
fields = { level_pct = { column = "tank.mm", unit = "mm", empty_mm = 250, full_mm = 50 } }
"""
    path = tmp_path / "log.jsonl"
    good = '{"unit": "a", "t": 1772344800000, "tank": {"mm": 100}}\n'
    path.write_text(good + '[1]\n{"unit": "a\\u0000", "t": 1, "tank": {"mm": 1}}\n' + "{" * 5000 + "\n" + good[:-9])
    arrivals = read(make(told), path, "json-lines")
    assert said(arrivals[:1]) == [{"of": "q/a/level", "at": "2026-03-01T06:00:00Z", "level_pct": 75.0}]
    assert [line.split(":")[1] for line in wrong(arrivals)] == ["2", "3", "4", "5"]
    assert "half written" in wrong(arrivals)[-1]


@pytest.mark.parametrize(
    ("before", "after", "why"),
    [
        ("[file]", "[files]", "unknown field `files`"),
        ('"Europe/Oslo"', '"Nowhere/None"', "there is no time zone 'Nowhere/None'"),
        ('zone = "Europe/Oslo"', "", "time.zone is missing"),
        ("%d.%m.%Y %H", "%d.%m %H", "neither iso, unix_s, unix_ms nor a format with year"),
        ("%d.%m.%Y %H:%M", "%d.%m.%Y %H:%Q", "has a directive that strptime does not know"),
        ('"bar"', '"at"', "peak_kpa: unit 'at' is not known; known are kPa, bar"),
        ("full_l = 4", "full_l = 0", 'unit is "%", "l" with full_l above 0'),
        ('cycle_no = "Teller"', "", "message 1 (cycle) needs cycle_no in its fields"),
        ("level_pct = {", "percent = {", "message 2 (level) has no field 'percent'"),
        ('kind = "level"', 'kind = "pump"', "Invalid enum value 'pump'"),
        ("at_least = 12", "unit = 'bar'", "complete: it has no unit"),
        ('unit = "l", ', "", 'unit is "%", "l" with full_l above 0'),
        ('constant = "quarry"', 'constant = "quarry", unit = "bar"', "fleet: a constant is what it is"),
        ('constant = "quarry"', 'constant = "the quarry"', "fleet: 'the quarry' has more than"),
        ('separator = ";"', 'separator = ","', "separator and decimal are the same"),
        ("[time]", "[time", "map.toml"),
    ],
)
def test_a_bad_mapping_is_one_clear_line(make: Make, before: str, after: str, why: str) -> None:
    """Before anything is read."""
    assert before in MAPPING
    with pytest.raises(Problem) as found:
        make(MAPPING.replace(before, after, 1))
    assert why in str(found.value)
    assert "\n" not in str(found.value)


def test_the_readmes_mappings_are_mappings(make: Make) -> None:
    """Both together, as its readers may put them."""
    text = (Path(__file__).parents[3] / "README.md").read_text("utf-8")
    section = text.split("## Other controllers")[1].split("**Sparkplug B**")[0]
    example = "\n".join(line[4:] for line in section.splitlines() if line.startswith("    "))
    assert {"Machine", "Pressure 1", "Grease", "SPN"} <= set(make(example).columns)


def test_columns_that_are_not_there_are_named(make: Make, tmp_path: Path) -> None:
    """With those that are."""
    path = tmp_path / "log.csv"
    path.write_text("Dato,Klokke\n")
    with pytest.raises(Problem, match=r"has no column 'Dato', 'Klokke', .*; it has 'Dato,Klokke' \(separator ';'"):
        read(make(MAPPING), path)


def run(translator: Translator, path: Path, engine: Engine) -> Tally:
    return Recorder(engine, "replay").record(read(translator, path))


def test_a_file_that_grew_records_only_what_is_new(make: Make, tmp_path: Path) -> None:
    """And with a mapping put right, rows that were bad; what was recorded by the wrong one stays, and is told."""
    engine, path = sqlite_at(tmp_path / "tallow.db"), tmp_path / "log.csv"
    path.write_text("\n".join([HEAD, CYCLE, "x;" * 12 + "\n"]), "utf-8")
    first = run(make(MAPPING), path, engine)
    assert (first.recorded.total(), first.duplicates, first.rejected) == (1, 0, 0)
    path.write_text("\n".join([HEAD, CYCLE, LEVEL, LEVEL.replace("Laster 7", "Laster 9"), ""]), "utf-8")
    second = run(make(MAPPING), path, engine)
    assert (second.recorded.total(), second.duplicates, second.rejected) == (1, 1, 1)
    third = run(make(MAPPING.replace('"Laster 8" = "L8"', '"Laster 9" = "L9"').replace('"bar"', '"kPa"')), path, engine)
    assert (third.recorded.total(), third.duplicates, third.rejected) == (1, 2, 0)
    with engine.connect() as connection:
        kept = [tuple(row) for row in connection.execute(select(schema.quarantine.c.topic, schema.quarantine.c.code))]
    engine.dispose()
    assert kept == [("log.csv:4", "row"), ("lube/1/quarry/L7/cycle", "contradiction")]


LINES = st.lists(
    st.builds(
        lambda minute, unit, level, cycle: (
            f"01.03.2026;07:{minute:02d}:00;Laster {unit};"
            + (f"SYKLUS;{level};2,5;;;;;;;" if cycle else f"NIVÅ;;;;;;;;;{level / 2:.1f}".replace(".", ","))
        ),
        st.integers(0, 3),
        st.sampled_from([7, 8]),
        st.integers(0, 3),
        st.booleans(),
    ),
    min_size=1,
    max_size=12,
    unique=True,
)


@settings(max_examples=30, deadline=None)
@given(LINES, st.data())
def test_any_split_order_and_repetition_gives_the_same_messages(lines: list[str], data: st.DataObject) -> None:
    """Each row has one name, whatever stands around it; and no two rows that differ share one."""
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "map.toml"
        told.write_text(MAPPING, "utf-8")
        translator = Translator(load(told))

        def names(rows: list[str], file: str) -> set[tuple[str, bytes]]:
            path = Path(folder) / file
            path.write_text("\n".join([HEAD, *rows, ""]), "utf-8")
            return {(one.topic, one.payload) for one in read(translator, path)}

        whole = names(lines, "whole.csv")
        assert len({(t.rsplit("/", 1)[0], json.loads(p)["seq"]) for t, p in whole}) == len(lines)
        again = data.draw(st.permutations(lines)) + data.draw(st.lists(st.sampled_from(lines), max_size=4))
        cut = data.draw(st.integers(0, len(again)))
        assert names(again[:cut], "first.csv") | names(again[cut:], "second.csv") == whole
