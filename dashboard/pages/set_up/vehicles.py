"""Registering vehicles and line lists from files."""

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
from dashboard import accounts, change_log
from dashboard.pages.set_up.changes import change_rows
from dashboard.web.app import engine
from ingest import registry, times
from ingest.database import reachable, writing
from ingest.errors import BadRows, Problem
from ingest.setups import Setup
from ingest.spreadsheets import NAME_ENDINGS

LARGEST_BYTES: Final = 20_000_000
_LARGEST_ENCODED: Final = LARGEST_BYTES * 4 // 3 + 1_000

_FILES: Final = 2


def upload() -> list[Any]:
    return [
        dcc.Upload(
            html.Div(["Drop the two tables here, vehicles and lines, or ", html.Span("choose them", className="like-link")]),
            id="setup-files", multiple=True, className="upload", max_size=LARGEST_BYTES,
        ),
        html.Div(id="setup-preview", role="status"),
        dmc.Button("Register them", id="setup-register", style={"display": "none"}, mt="sm"),
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


def take(contents: list[str] | None, _: int | None, names: list[str] | None) -> Any:
    """Say what the files would change, row by bad row; register them when asked to."""
    keep = ctx.triggered_id == "setup-register"
    try:
        who = accounts.need_lead().name or "this machine"
        with tempfile.TemporaryDirectory() as name:
            _folder(names, contents, Path(name))
            # Looked at row by row before anybody else has to wait for it.
            with reachable(engine()), engine().connect() as connection:
                wanted = registry.read(connection, Path(name))
                new = len(registry.changes(connection, wanted))
            if keep:
                with reachable(engine()), writing(engine()) as connection:
                    new = len(vehicle_summary.keep(connection, wanted, times.now_us()).changed)
                    change_log.log_change(connection, who, f"registered {_told(wanted, new)}", times.now_us())
            told = _told(wanted, new)
    except Problem as problem:
        rows = problem.rows if isinstance(problem, BadRows) else (f"{problem}",)
        return (
            [html.P("Nothing registered."), html.Ul([html.Li(row) for row in rows])],
            {"display": "none"},
            dash.no_update,
        )
    if keep:
        return f"Registered: {told}.", {"display": "none"}, change_rows()
    return f"These files hold {told}. Nothing is changed yet.", {}, dash.no_update


def _told(wanted: list[Setup], new: int) -> str:
    return f"{len(wanted)} vehicles with {sum(len(one.lines) for one in wanted)} lines; {new} new or changed"


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("setup-preview", "children"),
        Output("setup-register", "style"),
        Output("setup-changes", "children"),
        Input("setup-files", "contents"),
        Input("setup-register", "n_clicks"),
        State("setup-files", "filename"),
        prevent_initial_call=True,
    )(take)
