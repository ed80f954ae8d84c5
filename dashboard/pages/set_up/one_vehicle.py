"""Registering one vehicle by a form: begun from one that is registered, or from nothing."""

import tempfile
from pathlib import Path
from typing import Any, Final

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, html

from dashboard import accounts
from dashboard.exports import csv
from dashboard.exports import registry as files
from dashboard.pages.set_up.changes import change_rows
from dashboard.pages.set_up.vehicles import keep, read
from dashboard.queries import set_up
from dashboard.web.database import engine
from ingest.errors import BadRows, Problem
from ingest.languages import later, tr
from ingest.setups import Setup
from ingest.spreadsheets import read_table

_FIELDS: Final = (
    ("unit", later("Unit, as people call it"), ""), ("class", later("Class"), ""), ("depot", later("Depot"), ""),
    ("timezone", later("Time zone"), "Europe/Oslo"),
    ("feed", later("Feed"), later("direct, progressive or injector")), ("reservoir_l", later("Reservoir, l"), "4.5"),
    ("low_mark_pct", later("Low mark, %"), "15"),
    ("interval_min", later("Interval, minutes"), "20"), ("run_s", later("Run time, seconds"), "120"), ("relief_kpa",
    later("Relief pressure, kPa"), "28000"),
    ("grease", later("Grease"), ""), ("nlgi", later("NLGI grade"), "2"), ("level", later("Level sensor"), later("percent, switch or none")),
)  # fmt: skip
_WHOSE: Final = ("fleet", "vehicle")
_LINE_COLUMNS: Final = tuple(name for name in files.line_rows([files.EXAMPLE])[0] if name not in _WHOSE)
_LINES_HEAD: Final = ",".join(_LINE_COLUMNS)
_LARGEST: Final = 100_000  # characters of a line list


def one_form() -> list[Any]:
    """The form."""
    known = [
        {"value": f"{s.fleet}/{s.vehicle}", "label": f"{s.unit} ({s.vehicle})"} for s in set_up.all_setups(engine())
    ]
    fields = [
        dmc.TextInput(id={"type": "setup-one", "name": name}, label=tr(label), placeholder=tr(hint))
        for name, label, hint in _FIELDS
    ]
    return [
        html.Div(
            [
                dmc.Select(
                    id="setup-model", label=tr("Begin from"), data=known, searchable=True, clearable=True,
                    placeholder=tr("nothing, or a vehicle"),
                ),
                dmc.TextInput(id="setup-one-fleet", label=tr("Fleet")),
                dmc.TextInput(id="setup-one-vehicle", label=tr("Vehicle (number on its messages)")),
                *fields,
            ],
            className="work-form",
        ),
        dmc.Textarea(
            id="setup-one-lines", label=tr("Lines, one a row"), value=f"{_LINES_HEAD}\n", autosize=True, minRows=4, maxRows=24, mt="sm",
            description=tr(
                "Below their columns, with commas, semicolons or tabs: rows of a spreadsheet can be pasted. A line without a"
                " pressure sensor has no channel; a point that steering or braking depends on is critical: yes."
            ),
        ),
        dmc.Button(tr("Register it"), id="setup-one-keep", mt="sm"),
        html.Div(id="setup-one-told", role="status", className="work-told"),
    ]  # fmt: skip


def _line_rows(setup: Setup) -> list[dict[str, str]]:
    return [{name: row[name] for name in _LINE_COLUMNS} for row in files.line_rows([setup])]


def begin(model: str | None) -> Any:
    """Fill the form with what is registered."""
    accounts.need_lead()
    setup = set_up.find(engine(), model or "")
    if setup is None:
        return [dash.no_update] * (len(_FIELDS) + 3)
    (row,) = files.vehicle_rows([setup])
    return [row["fleet"], row["vehicle"], csv.csv_text(_line_rows(setup), "line"), *(row[name] for name, *_ in _FIELDS)]


def _said_lines(text: str, folder: Path) -> list[dict[str, str]]:
    """The rows of a line list that somebody wrote. Raises Problem."""
    if len(text) > _LARGEST:
        raise Problem("the list of lines is too long")
    path = folder / "said.txt"
    path.write_text(text, "utf-8")
    table = read_table(path, _LINE_COLUMNS)
    path.unlink()
    missing = [name for name in _LINE_COLUMNS if name not in table.columns]
    if missing:
        raise Problem(f"the first row of the lines names their columns; it lacks {', '.join(missing)}")
    if table.wrong:
        raise Problem("; ".join(f"lines, row {number}: {why}" for number, why in table.wrong))
    if not table.rows:
        raise Problem("write at least one line below the columns")
    return [{name: row[name] for name in _LINE_COLUMNS} for _, row in table.rows]


def keep_one(
    _: int | None, model: str | None, fleet: str | None, vehicle: str | None, lines: str | None, *said: str | None
) -> Any:
    """Register one vehicle as if by files, so that the same is allowed."""
    try:
        who = accounts.need_lead().name or "this machine"
        setup = set_up.find(engine(), model or "")
        # What the form does not ask for is as with the vehicle that it was begun from.
        (row,) = files.vehicle_rows([setup or files.EXAMPLE])
        named = {"fleet": (fleet or "").strip(), "vehicle": (vehicle or "").strip()}
        row |= named | {name: (text or "").strip() for (name, *_), text in zip(_FIELDS, said, strict=True)}
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            rows = [named | line for line in _said_lines(lines or "", folder)]
            (folder / "vehicles.csv").write_text(csv.csv_text([row], "vehicle"), "utf-8")
            (folder / "lines.csv").write_text(csv.csv_text(rows, "vehicle"), "utf-8")
            wanted, changes = read(folder)
            told = "; ".join(changes[0].what) if changes else tr("nothing changed")
            keep(wanted, who, f"{named['vehicle']}: {told}")
    except Problem as problem:
        found = problem.rows if isinstance(problem, BadRows) else (f"{problem}",)
        return tr("Not done: {names}.", names="; ".join(found)), dash.no_update
    return tr("Registered: {told}.", told=told), change_rows()


def register() -> None:
    """Wire what stands here into the application that is being made."""
    fields = [{"type": "setup-one", "name": name} for name, *_ in _FIELDS]
    callback(
        Output("setup-one-fleet", "value"), Output("setup-one-vehicle", "value"), Output("setup-one-lines", "value"),
        *(Output(field, "value") for field in fields), Input("setup-model", "value"), prevent_initial_call=True,
    )(begin)  # fmt: skip
    callback(
        Output("setup-one-told", "children"),
        Output("setup-changes", "children", allow_duplicate=True),
        Input("setup-one-keep", "n_clicks"),
        State("setup-model", "value"), State("setup-one-fleet", "value"), State("setup-one-vehicle", "value"),
        State("setup-one-lines", "value"), *(State(field, "value") for field in fields), prevent_initial_call=True,
    )(keep_one)  # fmt: skip
