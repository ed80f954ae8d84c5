"""The web application: its frame, its security headers, and the server that serves it."""

from collections.abc import Callable
from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from flask import Response, current_app
from sqlalchemy import Engine
from waitress import create_server

from dashboard import calendars, queries
from dashboard.work import take_records
from ingest.problem import Problem

REFRESH_MS = 5_000
_POLICY = (
    "default-src 'self'; img-src 'self' data: blob:; style-src 'self' 'unsafe-inline'; font-src 'self' data:;"
    " object-src 'none'; base-uri 'self'; frame-ancestors 'none'; form-action 'self'; script-src 'self' "
)


def engine() -> Engine:
    """The database of the application that answers the present request."""
    found: Engine = current_app.config["TALLOW_ENGINE"]
    return found


def _frame() -> dmc.MantineProvider:
    links = [
        dmc.Anchor(page["name"], href=page["path"], size="sm", className="nav-link")
        for page in dash.page_registry.values()
        if page.get("in_menu")
    ]
    scheme = dmc.ColorSchemeToggle(
        id="scheme", ml="auto", lightIcon="☀", darkIcon="☾", **{"aria-label": "Switch between light and dark"}
    )
    header = dmc.Group(
        [dcc.Link("tallow", href="/", className="brand"), html.Nav(links, className="menu", **{"aria-label": "Pages"}),
         html.Span(id="frame-alive", role="status"), scheme],
        h="100%", px="md", wrap="nowrap",
    )  # fmt: skip
    return dmc.MantineProvider(
        defaultColorScheme="auto",
        children=dmc.AppShell(
            [
                dcc.Store(id="scheme-now"),
                dcc.Interval(id="frame-tick", interval=REFRESH_MS),
                dmc.AppShellHeader(header),
                dmc.AppShellMain(dash.page_container),
            ],
            header={"height": 52},
            padding={"base": "xs", "sm": "md"},
        ),
    )


def create_app(database: Engine) -> Dash:
    """The application that shows what is in `database`."""
    dmc.add_figure_templates()
    app = Dash(
        "dashboard",
        use_pages=True,
        title="tallow",
        update_title=None,
        add_log_handler=False,
        suppress_callback_exceptions=True,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    app.server.config["TALLOW_ENGINE"] = database
    app.layout = _frame
    app.clientside_callback(
        ClientsideFunction("tallow", "scheme"), Output("scheme-now", "data"), Input("scheme", "computedColorScheme")
    )
    app.clientside_callback(
        ClientsideFunction("tallow", "alive"), Output("frame-alive", "children"), Input("frame-tick", "n_intervals")
    )

    take_records(app, database)

    @app.server.get("/alive")
    def alive() -> dict[str, bool]:
        return {"alive": True}

    @app.server.get("/calendar/<secret>.ics")
    def calendar(secret: str) -> Response:
        with database.connect() as connection:
            depot = calendars.depot_of(connection, secret)
        if depot is None:
            return Response("There is no calendar here.\n", 404, mimetype="text/plain")
        return Response(queries.refill_calendar(database, depot), mimetype="text/calendar")

    @app.server.after_request
    def guard(response: Response) -> Response:
        # The pages' title script is registered with the first request, so the hashes are taken each time.
        response.headers["Content-Security-Policy"] = _POLICY + " ".join(app.csp_hashes())
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "same-origin"
        return response

    return app


def serve(database: Engine, host: str, port: int, ready: Callable[[], None]) -> None:
    """Serve until the process is told to stop. Raises Problem where the port cannot be had."""
    app = create_app(database)
    try:
        server: Any = create_server(app.server, host=host, port=port, threads=8)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise Problem(f"cannot listen on {host}:{port}: {reason}; name another with --port") from None
    ready()
    try:
        server.run()
    finally:
        server.close()
