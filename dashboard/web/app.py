"""The web application: its frame, its security headers, and the server that serves it."""

import gc
import json
from collections.abc import Callable
from html import escape
from importlib import import_module
from pathlib import Path
from threading import Thread
from traceback import extract_tb
from typing import Any

from dash import Dash
from dash.exceptions import CallbackException
from flask import Response, request
from flask.json.provider import DefaultJSONProvider
from sqlalchemy import Engine
from sqlalchemy.exc import DataError, DBAPIError, ProgrammingError

from analytics.alarms import wording
from analytics.pipeline.tasks import Unanalysed
from dashboard import accounts
from dashboard.api import service
from dashboard.exports import addresses
from dashboard.exports.calendar import refill_calendar
from dashboard.figures.theme import add_templates
from dashboard.queries import data
from dashboard.queries.rounds import read_refillable
from dashboard.web import frame, server, sign_in
from dashboard.web.proxies import behind, networks
from dashboard.web.push import take_browsers
from dashboard.web.remarks import take_remarks
from dashboard.web.work_records import take_records
from ingest import times
from ingest.environment import PROXY
from ingest.errors import Problem, Unusable
from ingest.languages import for_scripts, language, tr

# What the analysis loads when it first needs it: neither the start nor a vehicle's first page should wait for that.
_LOADED = (
    "pandas",
    "scipy.ndimage",
    "scipy.optimize",
    "scipy.signal",
    "statsmodels.stats.rates",
)
# Asked for at once, so that no text moves when it comes.
_FONT = '<link rel="preload" href="/assets/fonts/hyperlegible-latin.woff2" as="font" type="font/woff2" crossorigin>'
# With it the page can be put on a phone's home screen, which some phones want before they take pushed alerts.
_ON_PHONES = '<link rel="manifest" href="/assets/manifest.json" crossorigin="use-credentials"><link rel="icon" href="/assets/icon.svg">'
_POLICY = (
    "default-src 'self'; img-src 'self' data: blob:; style-src 'self' 'unsafe-inline'; font-src 'self' data:;"
    " object-src 'none'; base-uri 'self'; frame-ancestors 'none'; form-action 'self'; script-src 'self' "
)


class _Pages(Dash):
    """The application, whose page says its language and carries the texts of its scripts."""

    def interpolate_index(self, **parts: Any) -> str:
        page: str = super().interpolate_index(**parts)
        texts = escape(json.dumps(for_scripts(language()), ensure_ascii=False), quote=True)
        page = page.replace("<html>", f'<html lang="{language()}">', 1)
        return page.replace("<head>", f'<head><meta name="texts" content="{texts}">', 1)


class _Json(DefaultJSONProvider):
    """JSON whose nesting may be too deep, which is a mistake of whoever sent it."""

    def loads(self, s: str | bytes, **more: Any) -> Any:
        try:
            return super().loads(s, **more)
        except RecursionError:
            raise ValueError("it is nested too deeply") from None


def _send_headers(app: Dash) -> None:
    """What every answer tells a browser of itself."""

    @app.server.after_request
    def headers(response: Response) -> Response:
        # The pages' title script is registered with the first request, so the hashes are taken each time.
        response.headers["Content-Security-Policy"] = _POLICY + " ".join(app.csp_hashes())
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "same-origin"
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Permissions-Policy"] = "camera=(), microphone=(), geolocation=()"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        if request.is_secure:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        if not request.path.startswith(("/assets/", "/_dash-component-suites/")):
            response.headers.setdefault("Cache-Control", "no-store")
        return response


def _unreadable(app: Dash, error: Exception) -> Response:
    """What a callback answers to values of another type than a page sends."""
    places = [f"{Path(frame.filename).name}:{frame.lineno}" for frame in extract_tb(error.__traceback__)]
    app.server.logger.error(
        "a callback was posted what it cannot read: %s: %s (%s)",
        type(error).__name__,
        " ".join(str(error).split())[:200],
        " > ".join(places[-6:]),
    )
    return Response(f"{tr('The page sent what cannot be read. Load it again.')}\n", 400, mimetype="text/plain")


def _answer_errors(app: Dash) -> None:
    """Say in a sentence that the database is away or locked; what the driver says of it goes to the log only."""

    @app.server.errorhandler(DBAPIError)
    @app.server.errorhandler(Unusable)
    def away(error: Exception) -> Response:
        if request.path == _CALLBACKS and isinstance(error, ProgrammingError | DataError):
            return _unreadable(app, error)  # no column is of a list, say
        app.server.logger.error("the database cannot be used: %s", " ".join(str(error).split())[:500])
        told, later = (
            tr("The database does not answer now. Nothing was changed; try again in a moment."),
            {"Retry-After": "10"},
        )
        if service.is_asked():
            return service.problem(503, told, headers=later)
        return Response(f"{told}\n", 503, later, mimetype="text/plain")

    @app.server.errorhandler(Unanalysed)
    def unanalysed(error: Exception) -> Response:
        return (
            service.problem(500, str(error))
            if service.is_asked()
            else Response(f"{error}\n", 500, mimetype="text/plain")
        )


_CALLBACKS = "/_dash-update-component"
# What comes of values of another type than a page sends: only whoever posts them by hand does.
_OF_OTHER_TYPES = (TypeError, ValueError, LookupError, AttributeError, OverflowError, CallbackException)


def _refuse_what_no_page_sends(app: Dash) -> None:
    """One answer for all callbacks. Where a page did send it, the log says in one line where that went wrong."""

    def refused(error: Exception) -> Response:
        if request.path != _CALLBACKS:
            raise error
        return _unreadable(app, error)

    for kind in _OF_OTHER_TYPES:
        app.server.register_error_handler(kind, refused)


def create_app(database: Engine, *, alone: bool = True) -> Dash:
    """The application that shows what is in `database`, to whoever may see it; `alone` says that only this machine can reach it."""
    add_templates()
    app = _Pages(
        "dashboard",
        use_pages=True,
        title="tallow",
        update_title=None,
        add_log_handler=False,
        suppress_callback_exceptions=True,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    app.server.config["TALLOW_ENGINE"] = database
    app.server.json = _Json(app.server)
    sign_in.guard(app.server, database, secure=wording.site().startswith("https:"), alone=alone)
    app.index_string = app.index_string.replace("{%css%}", _FONT + _ON_PHONES + "{%css%}")
    app.layout = frame.layout
    frame.register(app, database)

    _serve_beside_pages(app, database)
    _send_headers(app)
    _answer_errors(app)
    _refuse_what_no_page_sends(app)
    return app


def _load_the_rest() -> None:
    for name in _LOADED:
        import_module(name)
    # What was loaded stays: a collection of garbage need not look at it again, which would hold a request up.
    gc.collect()
    gc.freeze()


def _serve_beside_pages(app: Dash, database: Engine) -> None:
    """Give an application its addresses that are no pages."""
    take_records(app.server, database)
    service.serve_api(app.server, database)
    take_remarks(app.server, database)
    take_browsers(app.server, database)

    @app.server.get("/alive")
    def alive() -> dict[str, Any]:
        told = data.alive(database)
        return told | {"signed_in": sign_in.signed_in(database)} if told["alive"] else told

    @app.server.get("/calendar/<secret>.ics")
    def calendar(secret: str) -> Response:
        with database.connect() as connection:
            depot = addresses.depot_of(connection, secret)
        if depot is None:
            return Response("There is no calendar here.\n", 404, mimetype="text/plain")
        with accounts.acting_as(accounts.Person(0, "", "viewer", depots=(depot,))):  # whom the secret lets in
            asked = read_refillable(database, depot, times.now_us())
        return Response(refill_calendar(asked, depot), mimetype="text/calendar")


def serve(database: Engine, host: str, port: int, *, plain_http: bool, ready: Callable[[], None]) -> None:
    """Serve until the process is told to stop; other machines are let in without HTTPS only where `plain_http` says so. Raises Problem,
    also where the port cannot be had."""
    is_site = wording.site().startswith("https:")  # then a server before it lets others in
    alone = sign_in.is_loopback(host) and not is_site
    app = create_app(database, alone=alone)
    with database.connect() as connection:
        if not accounts.anybody(connection) and not alone:
            where = wording.site() if is_site else host
            raise Problem(
                f"no person is added yet, so everybody who reaches {where} could change everything; add a lead first:"
                " tallow person add NAME --role lead"
            )
    if not sign_in.is_loopback(host) and not is_site and not plain_http:
        raise Problem(
            f"on {host} passwords would travel readable: put a server that speaks HTTPS before it and say its address in TALLOW_SITE,"
            " or allow it with --plain-http"
        )
    # Where people come by HTTPS another server speaks it, and says who they are.
    answers = behind(app.server.wsgi_app, networks(PROXY.value) if is_site else ())
    try:
        serving = server.listen(answers, host, port, sign_in.is_known(app.server, alone=alone))
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise Problem(f"cannot listen on {host}:{port}: {reason}; name another with --port") from None
    ready()
    Thread(target=_load_the_rest, name="loading", daemon=True).start()
    try:
        serving.run()
    finally:
        serving.close()
