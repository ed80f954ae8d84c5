"""Registry files as spreadsheet programs write them, and what is told of a cell that cannot be."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import registry_files, spreadsheets
from ingest.errors import BadRows, Problem
from ingest.setups import Setup
from tests.helpers.registry_rows import LINE, VEHICLE, write


def read(folder: Path) -> list[Setup]:
    return registry_files.read_files(folder, {})


def text_of(rows: list[dict[str, str]], separator: str, *, comma: bool = False) -> str:
    """A table as a spreadsheet program of that habit writes it."""

    def cell(text: str) -> str:
        text = text.replace(".", ",") if comma and text.replace(".", "").isdigit() else text
        return f'"{text}"' if separator in text else text

    return (
        "\r\n".join(separator.join(map(cell, row)) for row in [list(rows[0]), *(row.values() for row in rows)]) + "\r\n"
    )


UNIT = "Kipper Grüße"


def test_a_line_break_within_a_cell_is_a_space(tmp_path: Path) -> None:
    """People break long names in spreadsheets; a name is one line in letters, lists and files all the same."""
    (setup,) = read(write(tmp_path, [VEHICLE | {"unit": "tipper\r\n 1"}], [LINE | {"point": "kingpin \nleft"}]))
    assert (setup.unit, setup.lines[0].point) == ("tipper 1", "kingpin left")


def test_a_reservoir_in_cubic_centimetres_is_told(tmp_path: Path) -> None:
    """It would last for centuries, and no date would ever come near."""
    with pytest.raises(BadRows, match="vehicle v1: reservoir_l: 4000 cannot be; write litres"):
        read(write(tmp_path, [VEHICLE | {"reservoir_l": "4000"}], [LINE]))


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1"])
def test_any_separator_and_encoding_is_read(tmp_path: Path, separator: str, encoding: str) -> None:
    """Names with umlauts stay what they are."""
    (tmp_path / "vehicles.csv").write_bytes(text_of([VEHICLE | {"unit": UNIT}], separator).encode(encoding))
    (tmp_path / "lines.csv").write_bytes(text_of([LINE], separator).encode(encoding))
    (setup,) = read(tmp_path)
    assert (setup.unit, setup.reservoir_l, [line.dose_cm3 for line in setup.lines]) == (UNIT, 4.0, [0.2])


def test_decimal_commas_and_a_line_that_names_the_separator(tmp_path: Path) -> None:
    """As programs write them where the comma is the decimal point."""
    (tmp_path / "vehicles.csv").write_text("sep=;\n" + text_of([VEHICLE | {"reservoir_l": "4.5"}], ";", comma=True))
    (tmp_path / "lines.csv").write_text(text_of([LINE], ";", comma=True))
    (setup,) = read(tmp_path)
    assert (setup.reservoir_l, setup.lines[0].dose_cm3) == (4.5, 0.2)


@pytest.mark.parametrize("end", ["\r", "\n", "\r\n"])
def test_only_ends_of_lines_end_rows(tmp_path: Path, end: str) -> None:
    """Other separators that came into a text with what was pasted stay in it."""
    note = "tube\u2028renewed\x85by\x0bhand\x0cand\x1dbled"
    (tmp_path / "a.csv").write_bytes(f"alarm,note{end}1,{note}{end}2,x{end}".encode())
    table = spreadsheets.read_table(tmp_path / "a.csv", ("alarm", "note"))
    assert table.rows == ((2, {"alarm": "1", "note": note}), (3, {"alarm": "2", "note": "x"}))
    assert table.wrong == ()


def test_headers_may_be_written_as_people_write(tmp_path: Path) -> None:
    """Capitals, and spaces for underscores."""
    write(tmp_path, [VEHICLE], [LINE])
    path = tmp_path / "vehicles.csv"
    path.write_text(path.read_text().replace("reservoir_l", "Reservoir L").replace("fleet", " Fleet "))
    assert read(tmp_path)[0].reservoir_l == 4.0


def test_files_of_any_name_are_told_by_their_columns(tmp_path: Path) -> None:
    """What is wrong with them is told by the name they have."""
    write(tmp_path, [VEHICLE], [LINE])
    (tmp_path / "vehicles.csv").rename(tmp_path / "Fleet 2026.csv")
    (tmp_path / "lines.csv").rename(tmp_path / "points.txt")
    assert len(read(tmp_path)) == 1
    path = tmp_path / "Fleet 2026.csv"
    path.write_text(path.read_text().replace("direct", "magic"))
    with pytest.raises(
        Problem,
        match=r"Fleet 2026.csv row 2: vehicle v1: feed: 'magic' cannot be; write direct, progressive or injector",
    ):
        read(tmp_path)
    path.with_name("again.csv").write_text(path.read_text())
    with pytest.raises(Problem, match=r"could be any of Fleet 2026\.csv, again\.csv"):
        read(tmp_path)


@pytest.mark.parametrize(
    ("column", "value", "told"),
    [
        ("nlgi", "7", "an NLGI grade"),
        ("interval_min", "2", "no longer than the run of 180 s"),
        ("relief_kpa", "280", "such as 28000 for 280 bar"),
        ("commissioned", "2090-01-01", "more than a year ahead"),
        ("commissioned", "31.3.2026", "a date such as 2026-03-31"),
        ("reservoir_l", "four", "litres at the full mark"),
        ("reservoir_l", "-1", "litres at the full mark"),
        ("low_mark_pct", "120", "0 to 100"),
        ("run_s", "nan", "is no number; write seconds"),
        ("unit", "", "a name of 1 to 256"),
        ("feed", "Direct drive", "direct, progressive or injector"),
    ],
)
def test_what_cannot_be_names_row_column_value_and_what_may(tmp_path: Path, column: str, value: str, told: str) -> None:
    """In plain words: no library's, and no path of this machine's."""
    with pytest.raises(BadRows) as caught:
        read(write(tmp_path, [VEHICLE | {column: value}], [LINE]))
    (row,) = caught.value.rows
    assert row.startswith(f"vehicles.csv row 2: vehicle v1: {column}: ")
    assert told in row
    assert value in row
    for foreign in ("Expected", "got", str(tmp_path), "`", "$"):
        assert foreign not in row


@pytest.mark.parametrize("grade", ["000", "00", "0", "1", "2", "3", "6", "0-1", "1.5"])
def test_grades_that_there_are_pass(tmp_path: Path, grade: str) -> None:
    """The consistency numbers of the National Lubricating Grease Institute run from 000 to 6 (ASTM D217, table of NLGI grades)."""
    assert read(write(tmp_path, [VEHICLE | {"nlgi": grade}], [LINE]))[0].nlgi == grade


def test_a_row_with_too_many_cells_is_not_guessed_at(tmp_path: Path) -> None:
    """Its values would stand under the wrong columns."""
    write(tmp_path, [VEHICLE], [LINE])
    path = tmp_path / "lines.csv"
    path.write_text(path.read_text().replace("kingpin", "kingpin, upper"))
    with pytest.raises(BadRows, match=r"lines.csv row 2: 10 cells under 9 columns; put quotation marks round"):
        read(tmp_path)
    path.write_text(path.read_text().replace("kingpin, upper", '"kingpin, upper"'))
    assert read(tmp_path)[0].lines[0].point == "kingpin, upper"
    path.write_text(path.read_text() + 'f,v1,"2')
    with pytest.raises(BadRows, match="row 3: a quotation mark is not closed"):
        read(tmp_path)


@given(st.binary(max_size=400))
def test_no_file_is_too_strange(data: bytes) -> None:
    """Text comes out of any bytes, and a number stays a number."""
    assert isinstance(spreadsheets.decoded(data), str)
    assert spreadsheets.with_point("1,250") == "1.250"
    assert spreadsheets.with_point("a,b") == "a,b"
