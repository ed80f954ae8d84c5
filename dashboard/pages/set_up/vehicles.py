"""Registering vehicles and line lists: from files, which are looked at first, or one by a form; and both files to take away."""

import base64
import binascii
import re
import tempfile
from pathlib import Path
from typing import Any, Final

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, ctx, dcc, html

from analytics.pipeline import vehicle_summary
from dashboard import accounts, change_log, components
from dashboard.exports import csv
from dashboard.exports import registry as files
from dashboard.pages.set_up.changes import change_rows
from dashboard.queries import set_up
from dashboard.queries.set_up import Change
from dashboard.web.database import engine
from ingest import registry, times
from ingest.database import reachable, writing
from ingest.errors import BadRows, Problem
from ingest.setups import Setup
from ingest.spreadsheets import NAME_ENDINGS

LARGEST_BYTES: Final = 20_000_000
_LARGEST_ENCODED: Final = LARGEST_BYTES * 4 // 3 + 1_000

_FILES: Final = 2
_MOST_LISTED: Final = 200
_SHOW: Final[dict[str, str]] = {}
_HIDE: Final = {"display": "none"}


def upload() -> list[Any]:
    """Files to take away, and where to put them in."""
    return [
        html.Div(
            [
                dmc.Button("Example of both files", id="setup-example", variant="default"),
                dmc.Button("What is registered", id="setup-export", variant="default"),
                dcc.Download(id="setup-vehicles-file"),
                dcc.Download(id="setup-lines-file"),
            ],
            className="filters",
        ),
        dcc.Upload(
            html.Div(["Drop the two tables here, vehicles and lines, or ", html.Span("choose them", className="like-link")]),
            id="setup-files", multiple=True, className="upload", max_size=LARGEST_BYTES,
        ),
        html.Div("Reading the files; 10,000 vehicles take about a minute.", id="setup-busy", role="status", style=_HIDE),
        html.Div(id="setup-preview", role="status"),
        dmc.Button("Register them", id="setup-register", style=_HIDE, mt="sm"),
    ]  # fmt: skip


def _folder(names: list[str] | None, contents: list[str] | None, folder: Path) -> None:
    """Put uploaded files, whatever they are called, where `register` reads them. Raises Problem."""
    given = dict(zip(names or (), contents or (), strict=False))
    if len(given) != _FILES:
        raise Problem("choose two files together: the vehicles and their lines")
    for name, content in given.items():  # before anything of them is decoded
        if len(content) > _LARGEST_ENCODED:
            raise Problem(f"{Path(name).name[:80]} is larger than {LARGEST_BYTES // 1_000_000} MB")
    for name, content in given.items():
        plain = re.sub(r"[^\w.-]", "_", Path(name).name)
        if Path(plain).suffix.casefold() not in NAME_ENDINGS:
            raise Problem(f"{plain} is no table as text; save it as CSV first")
        try:
            data = base64.b64decode(content.partition(",")[2], validate=True)
        except (binascii.Error, ValueError):
            raise Problem(f"{plain} did not arrive whole; try again") from None
        if len(data) > LARGEST_BYTES:
            raise Problem(f"{plain} is larger than {LARGEST_BYTES // 1_000_000} MB")
        (folder / plain).write_bytes(data)


def _read(folder: Path) -> tuple[list[Setup], list[Change]]:
    """What is in a folder, looked at row by row before anybody else has to wait for it, and what it would change. Raises Problem."""
    with reachable(engine()), engine().connect() as connection:
        wanted = registry.read(connection, folder)
        return wanted, set_up.changes(connection, wanted)


def _keep(wanted: list[Setup], who: str, told: str) -> None:
    with reachable(engine()), writing(engine()) as connection:
        vehicle_summary.keep(connection, wanted, times.now_us())
        change_log.log_change(connection, who, f"registered {told}", times.now_us())


def take(contents: list[str] | None, _: int | None, names: list[str] | None) -> Any:
    """Say what the files would change, and what in them is bad; register them when asked to."""
    keep = ctx.triggered_id == "setup-register"
    try:
        who = accounts.need_lead().name or "this machine"
        told, changes = "", list[Change]()
        with tempfile.TemporaryDirectory() as name:
            _folder(names, contents, Path(name))
            wanted, changes = _read(Path(name))
            told = f"{len(wanted)} vehicles with {sum(len(one.lines) for one in wanted)} lines; {len(changes)} new or changed"
            if keep:
                _keep(wanted, who, told)
    except Problem as problem:
        return [html.P("Nothing registered."), *_bad(problem)], _HIDE, dash.no_update
    if keep:
        return f"Registered: {told}.", _HIDE, change_rows()
    return [html.P(f"These files hold {told}. Nothing is changed yet."), *_preview(changes)], _SHOW, dash.no_update


# How a row that cannot be is told of: which column, what stands there, and what is allowed.
_CELL: Final = re.compile(
    r"(?:(?P<who>vehicle .*?): )?(?P<column>\w+): (?P<value>'.*?') (?P<wrong>cannot be|is [^;]*)(?:; write (?P<allowed>.*))?"
)
_ROW: Final = re.compile(r"(?P<file>\S+) row (?P<row>\d+): (?P<text>.*)")


def _bad(problem: Problem) -> list[Any]:
    """What is wrong with files, row by row."""
    if not isinstance(problem, BadRows):
        return [html.P(f"{problem}.")]
    lines = []
    for text in problem.rows:
        row = _ROW.fullmatch(text)
        if row is None:
            lines.append(html.Tr(html.Td(text, colSpan=5)))
            continue
        cell = _CELL.fullmatch(row["text"])
        told = [cell["column"], cell["value"], cell["allowed"] or cell["wrong"]] if cell else ["", "", row["text"]]
        lines.append(html.Tr([html.Td(part) for part in (row["file"], row["row"], *told)]))
    table = components.table(
        ("File", "Row", "Column", "What stands there", "What is wrong, or allowed"), lines, "plain-wrap preview"
    )
    return [html.Div(table, className="wide")]


def _preview(changes: list[Change]) -> list[Any]:
    """What is new and what changes, vehicle by vehicle."""
    if not changes:
        return [html.P("All of it is registered already.", className="dim")]
    lines = [
        html.Tr([html.Td("new" if one.new else "changed"), html.Td(html.Strong(one.unit)), html.Td(one.vehicle),
                 html.Td("; ".join(one.what))])
        for one in changes[:_MOST_LISTED]
    ]  # fmt: skip
    table = components.table(("", "Unit", "Vehicle", "What"), lines, "plain-wrap preview")
    left = len(changes) - len(lines)
    return [html.Div(table, className="wide"), *([html.P(f"and {left} more")] if left else [])]


# One vehicle -----------------------------------------------------------------------------------------------------------

_FIELDS: Final = (
    ("unit", "Unit, as people call it", ""), ("class", "Class", ""), ("depot", "Depot", ""), ("timezone", "Time zone", "Europe/Oslo"),
    ("feed", "Feed", "direct, progressive or injector"), ("reservoir_l", "Reservoir, l", "4.5"), ("low_mark_pct", "Low mark, %", "15"),
    ("interval_min", "Interval, minutes", "20"), ("run_s", "Run time, seconds", "120"), ("relief_kpa", "Relief pressure, kPa", "28000"),
    ("grease", "Grease", ""), ("nlgi", "NLGI grade", "2"), ("level", "Level sensor", "percent, switch or none"),
)  # fmt: skip


def one_form() -> list[Any]:
    """A form for one vehicle: begun from one that is registered, whose lines it keeps or takes over."""
    known = [
        {"value": f"{s.fleet}/{s.vehicle}", "label": f"{s.unit} ({s.vehicle})"} for s in set_up.all_setups(engine())
    ]
    fields = [
        dmc.TextInput(id={"type": "setup-one", "name": name}, label=label, placeholder=hint)
        for name, label, hint in _FIELDS
    ]
    return [
        html.Div(
            [
                dmc.Select(
                    id="setup-model",
                    label="Begin from",
                    data=known,
                    searchable=True,
                    placeholder="a registered vehicle",
                ),
                dmc.TextInput(id="setup-one-fleet", label="Fleet"),
                dmc.TextInput(id="setup-one-vehicle", label="Vehicle (number on its messages)"),
                *fields,
            ],
            className="work-form",
        ),
        html.P("Lines are those of the vehicle that you begin from; change them by files.", className="dim"),
        dmc.Button("Register it", id="setup-one-keep"),
        html.Div(id="setup-one-told", role="status", className="work-told"),
    ]


def begin(model: str | None) -> Any:
    """Fill the form with what is registered."""
    accounts.need_lead()
    setup = set_up.find(engine(), model or "")
    if setup is None:
        return [dash.no_update] * (len(_FIELDS) + 2)
    (row,) = files.vehicle_rows([setup])
    return [row["fleet"], row["vehicle"], *(row[name] for name, *_ in _FIELDS)]


def keep_one(_: int | None, model: str | None, fleet: str | None, vehicle: str | None, *said: str | None) -> Any:
    """Register one vehicle as if by files, so that the same is allowed."""
    try:
        who = accounts.need_lead().name or "this machine"
        setup = set_up.find(engine(), model or "")
        if setup is None:
            raise Problem("choose a vehicle to begin from: its lines are taken over")
        named = {"fleet": (fleet or "").strip(), "vehicle": (vehicle or "").strip()}
        (row,) = files.vehicle_rows([setup])
        row |= named | {name: (text or "").strip() for (name, *_), text in zip(_FIELDS, said, strict=True)}
        lines = [line | named for line in files.line_rows([setup])]
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            (folder / "vehicles.csv").write_text(csv.csv_text([row], "vehicle"), "utf-8")
            (folder / "lines.csv").write_text(csv.csv_text(lines, "vehicle"), "utf-8")
            wanted, changes = _read(folder)
            told = "; ".join(changes[0].what) if changes else "nothing changed"
            _keep(wanted, who, f"{named['vehicle']}: {told}")
    except Problem as problem:
        rows = problem.rows if isinstance(problem, BadRows) else (f"{problem}",)
        return f"Not done: {'; '.join(rows)}.", dash.no_update
    return f"Registered: {told}.", change_rows()


def export(_example: int | None, _registered: int | None) -> Any:
    """Both files: an example, or what is registered."""
    try:
        accounts.need_lead()
    except Problem:
        return dash.no_update, dash.no_update
    setups = [files.EXAMPLE] if ctx.triggered_id == "setup-example" else set_up.all_setups(engine())
    return (
        csv.as_file(files.vehicle_rows(setups), "vehicle", "vehicles.csv"),
        csv.as_file(files.line_rows(setups), "vehicle", "lines.csv"),
    )


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("setup-preview", "children"),
        Output("setup-register", "style"),
        Output("setup-changes", "children"),
        Input("setup-files", "contents"),
        Input("setup-register", "n_clicks"),
        State("setup-files", "filename"),
        running=[(Output("setup-busy", "style"), _SHOW, _HIDE), (Output("setup-register", "disabled"), True, False)],
        prevent_initial_call=True,
    )(take)
    callback(
        Output("setup-vehicles-file", "data"),
        Output("setup-lines-file", "data"),
        Input("setup-example", "n_clicks"),
        Input("setup-export", "n_clicks"),
        prevent_initial_call=True,
    )(export)
    fields = [{"type": "setup-one", "name": name} for name, *_ in _FIELDS]
    callback(
        Output("setup-one-fleet", "value"), Output("setup-one-vehicle", "value"), *(Output(field, "value") for field in fields),
        Input("setup-model", "value"), prevent_initial_call=True,
    )(begin)  # fmt: skip
    callback(
        Output("setup-one-told", "children"),
        Output("setup-changes", "children", allow_duplicate=True),
        Input("setup-one-keep", "n_clicks"),
        State("setup-model", "value"), State("setup-one-fleet", "value"), State("setup-one-vehicle", "value"),
        *(State(field, "value") for field in fields), prevent_initial_call=True,
    )(keep_one)  # fmt: skip
