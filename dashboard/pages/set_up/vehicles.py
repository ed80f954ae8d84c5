"""Registering vehicles and line lists from files, which are looked at first; and both files to take away."""

import base64
import binascii
import re
import tempfile
from collections.abc import Callable
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
from ingest.languages import later, tr
from ingest.languages.saying import say
from ingest.languages.saying import told as told_in
from ingest.setups import Setup
from ingest.spreadsheets import NAME_ENDINGS

LARGEST_BYTES: Final = 20_000_000
_LARGEST_ENCODED: Final = LARGEST_BYTES * 4 // 3 + 1_000

_FILES: Final = (2, 3)
_MOST_LISTED: Final = 200
_SHOW: Final[dict[str, str]] = {}
_HIDE: Final = {"display": "none"}
_BEFORE: Final = later("The files are on their way.")
_TICK_MS: Final = 500
_done: Final = dict[int, tuple[str, int, int]]()  # person -> what is done with their files, rows or vehicles done, of


def upload() -> list[Any]:
    """Files to take away, and where to put them in."""
    return [
        html.Div(
            [
                dmc.Button(tr("Example of the files"), id="setup-example", variant="default"),
                dmc.Button(tr("What is registered"), id="setup-export", variant="default"),
                dcc.Download(id="setup-vehicles-file"),
                dcc.Download(id="setup-lines-file"),
                dcc.Download(id="setup-points-file"),
            ],
            className="filters",
        ),
        dcc.Upload(
            html.Div([tr("Drop the tables here, vehicles, lines and any hand points, or"), " ",
                      html.Span(tr("choose them"), className="like-link")]),
            id="setup-files", multiple=True, className="upload", max_size=LARGEST_BYTES,
        ),
        html.Div(
            [html.Div(tr(_BEFORE), id="setup-step"), html.Progress(value="0", max="100", id="setup-done",
                **{"aria-label": tr("Progress")})],
            id="setup-busy", style=_HIDE,
        ),
        dcc.Interval(id="setup-tick", interval=_TICK_MS, disabled=True),
        html.Div(id="setup-preview", role="status"),
        dmc.Button(tr("Register them"), id="setup-register", style=_HIDE, mt="sm"),
    ]  # fmt: skip


def _folder(names: list[str] | None, contents: list[str] | None, folder: Path) -> None:
    """Put uploaded files, whatever they are called, where `register` reads them. Raises Problem."""
    given = dict(zip(names or (), contents or (), strict=False))
    if len(given) not in _FILES:
        raise Problem(
            "choose two files together: the vehicles and their lines; and with them the points greased by hand, if there are any"
        )
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


def read(folder: Path) -> tuple[list[Setup], list[Change]]:
    """What is in a folder, looked at row by row before anybody else has to wait for it, and what it would change. Raises Problem."""
    with reachable(engine()), engine().connect() as connection:
        wanted = registry.read(connection, folder, _show(tr("rows read")))
        return wanted, set_up.changes(connection, wanted)


def keep(wanted: list[Setup], who: str, told: str) -> None:
    """Register what was read, and keep who did."""
    with reachable(engine()), writing(engine()) as connection:
        vehicle_summary.keep(connection, wanted, times.now_us(), _show(tr("vehicles registered")))
        change_log.log_change(connection, who, f"registered {told}", times.now_us())


def _show(what: str) -> Callable[[int, int], None]:
    """What is told while it is done, for who waits."""
    person = accounts.current_person.get().id

    def show(done: int, of: int) -> None:
        _done[person] = what, done, of

    return show


def progress(_: int) -> tuple[str, str]:
    """How much of whoever's files is done, in words and percent."""
    what, done, of = _done.get(accounts.current_person.get().id, ("", 0, 0))
    return (f"{done:,} of {of:,} {what}.", f"{100 * done / of:.0f}") if of else (_BEFORE, "0")


def take(contents: list[str] | None, _: int | None, names: list[str] | None) -> Any:
    """Say what the files would change, and what in them is bad; register them when asked to."""
    asked_to_keep = ctx.triggered_id == "setup-register"
    try:
        who = accounts.need_lead().name or "this machine"
        told, changes = "", list[Change]()
        with tempfile.TemporaryDirectory() as name:
            _folder(names, contents, Path(name))
            wanted, changes = read(Path(name))
            told = say(
                "{vehicles} vehicles with {lines} lines; {changed} new or changed",
                vehicles=len(wanted),
                lines=sum(len(one.lines) for one in wanted),
                changed=len(changes),
            )
            if asked_to_keep:
                keep(wanted, who, told)
    except Problem as problem:
        return [html.P(tr("Nothing registered.")), *_bad(problem)], _HIDE, dash.no_update
    finally:
        _done.pop(accounts.current_person.get().id, None)
    if asked_to_keep:
        return tr("Registered: {told}.", told=told_in(told)), _HIDE, change_rows()
    return (
        [html.P(tr("These files hold {told}. Nothing is changed yet.", told=told_in(told))), *_preview(changes)],
        _SHOW,
        dash.no_update,
    )


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
        (tr("File"), tr("Row"), tr("Column"), tr("What stands there"), tr("What is wrong, or allowed")),
        lines,
        "plain-wrap preview",
    )
    return [html.Div(table, className="wide")]


def _preview(changes: list[Change]) -> list[Any]:
    """What is new and what changes, vehicle by vehicle."""
    if not changes:
        return [html.P(tr("All of it is registered already."), className="dim")]
    lines = [
        html.Tr([html.Td(tr("new") if one.new else tr("changed")), html.Td(html.Strong(one.unit)), html.Td(one.vehicle),
                 html.Td("; ".join(one.what))])
        for one in changes[:_MOST_LISTED]
    ]  # fmt: skip
    table = components.table(("", tr("Unit"), tr("Vehicle"), tr("What")), lines, "plain-wrap preview")
    left = len(changes) - len(lines)
    return [html.Div(table, className="wide"), *([html.P(tr("and {left} more", left=left))] if left else [])]


def export(_example: int | None, _registered: int | None) -> Any:
    """The files: an example, or what is registered; that of points greased by hand where there are any."""
    try:
        accounts.need_lead()
    except Problem:
        return dash.no_update, dash.no_update, dash.no_update
    setups = [files.EXAMPLE] if ctx.triggered_id == "setup-example" else set_up.all_setups(engine())
    points = files.point_rows(setups)
    return (
        csv.as_file(files.vehicle_rows(setups), "vehicle", "vehicles.csv"),
        csv.as_file(files.line_rows(setups), "vehicle", "lines.csv"),
        csv.as_file(points, "vehicle", "points.csv") if points else dash.no_update,
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
        running=[
            (Output("setup-busy", "style"), _SHOW, _HIDE),
            (Output("setup-tick", "disabled"), False, True),
            (Output("setup-register", "disabled"), True, False),
        ],
        prevent_initial_call=True,
    )(take)
    callback(
        Output("setup-step", "children"), Output("setup-done", "value"), Input("setup-tick", "n_intervals"), prevent_initial_call=True,
    )(progress)  # fmt: skip
    callback(
        Output("setup-vehicles-file", "data"),
        Output("setup-lines-file", "data"),
        Output("setup-points-file", "data"),
        Input("setup-example", "n_clicks"),
        Input("setup-export", "n_clicks"),
        prevent_initial_call=True,
    )(export)
