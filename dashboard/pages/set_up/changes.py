"""Changing the set-up, and keeping who did."""

from typing import Any

import dash
from dash import html

from dashboard import accounts, change_log, formatting
from dashboard.web.database import engine
from ingest import times
from ingest.database import reachable, writing
from ingest.errors import Problem
from ingest.languages import ENGLISH, speaking, tr
from ingest.languages.saying import told as told_in


def write(do: Any, rows: Any) -> tuple[Any, Any, Any]:
    """Do something to the set-up as a lead, and keep who did: what is to be told, what the page then lists, and what was changed. Who
    may not is told that, and nothing else."""
    try:
        who = accounts.need_lead().name or "this machine"
        with reachable(engine()), writing(engine()) as connection:
            with speaking(ENGLISH):  # which is what is kept
                told = do(connection)
            change_log.log_change(connection, who, told, times.now_us())
    except Problem as problem:
        return tr("Not done: {problem}.", problem=problem), dash.no_update, dash.no_update
    return f"{told_in(told)}.", rows(), change_rows()


def change_rows() -> Any:
    """Who changed what."""
    with engine().connect() as connection:
        found = change_log.changes(connection, 50)
    if not found:
        return html.P(tr("Nothing yet."), className="dim")
    return html.Ul(
        [html.Li(f"{formatting.moment(row.at_us, 'UTC', with_zone=True)}, {row.who}: {row.what}") for row in found],
        className="records",
    )
