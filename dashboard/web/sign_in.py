"""Who is asking, and what they may see and do: sign-in, sessions, and the guard before every request.

Before anybody is named, whoever is on this machine may do everything; `serve` then listens on loopback only. From the first
person on, every page and callback wants a session.
"""

import json
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from functools import partial
from ipaddress import ip_address
from typing import Any, Final
from urllib.parse import urlencode, urlsplit

from flask import Flask, Response, current_app, g, redirect, request, session
from flask.sessions import SecureCookieSessionInterface
from flask_login import LoginManager, current_user, logout_user
from flask_wtf import FlaskForm
from itsdangerous import BadSignature
from sqlalchemy import Engine
from wtforms import HiddenField, PasswordField, StringField
from wtforms.validators import InputRequired, Length

from analytics.alarms.wording import site
from dashboard import accounts, change_log
from dashboard.accounts import NOBODY, OPERATOR, Person, current_person
from dashboard.web.second_step import CODE_PATH, ask_for_code, serve_second_step
from dashboard.web.second_step import PATH as SECOND_FACTOR_PATH
from dashboard.web.way_in import COOKIE, Session, come_in, own, page
from ingest.database import reachable, writing
from ingest.languages import ENGLISH, LANGUAGES, begun, later, speaking, tr
from ingest.times import now_us

SESSION: Final = timedelta(hours=12)
# What answers without a session: the way in, whether the server is there, calendars (their address is the secret), programs
# (which show a token), and files that hold nothing of anybody's.
_OPEN: Final = frozenset({"/sign-in", CODE_PATH, "/alive", "/_favicon.ico", "/api"})
# Only leads send files, but for photos, which say themselves how large they may be.
_MOST_BYTES: Final = 64 << 20
_MOST_BYTES_OF_OTHERS: Final = 1 << 20
_OPEN_BELOW: Final = ("/calendar/", "/api/", "/assets/", "/_dash-component-suites/")


def guard(app: Flask, database: Engine, *, secure: bool, alone: bool) -> None:
    """Give an application its sign-in, and let nobody past it; `alone` says that only this machine can reach it."""
    app.config["TALLOW_OPEN"] = alone
    with reachable(database), writing(database) as connection:
        app.secret_key = accounts.session_key(connection)
    app.config.update(
        SESSION_COOKIE_HTTPONLY=True, SESSION_COOKIE_SAMESITE="Lax", SESSION_COOKIE_SECURE=secure,
        SESSION_COOKIE_NAME=COOKIE, PERMANENT_SESSION_LIFETIME=SESSION, SESSION_REFRESH_EACH_REQUEST=True,
 WTF_CSRF_TIME_LIMIT=int(SESSION.total_seconds()),
    )  # fmt: skip
    manager = LoginManager(app)
    manager.session_protection = None  # phones change their address on the way round the yard

    @manager.user_loader
    def load(number: str) -> Session | None:
        if session.get("since", 0) < now_us() - SESSION // timedelta(microseconds=1):
            return None
        id_, _, generation = number.partition(".")
        with database.connect() as connection:
            person = accounts.person(connection, int(id_)) if id_.isdecimal() else None
        return Session(person) if person is not None and str(person.session) == generation else None

    app.before_request(partial(_let_past, database))
    app.teardown_request(_forget)
    app.add_url_rule("/sign-in", "sign_in", partial(_sign_in, database), methods=["GET", "POST"])
    serve_second_step(app, database)
    app.add_url_rule("/sign-out", "sign_out", partial(_sign_out, database), methods=["POST"])


def signed_in(database: Engine) -> bool:
    """Whether who asks is let past the guard; before anybody is named only from this machine, and by its own name."""
    if current_user.is_authenticated:
        return True
    if not current_app.config["TALLOW_OPEN"] or not is_loopback(urlsplit(f"//{request.host}").hostname or ""):
        return False
    with database.connect() as connection:
        return not accounts.anybody(connection)


def is_known(app: Flask, *, alone: bool) -> Callable[[str], bool]:
    """Says of a cookie whether this server gave it to somebody who signed in, as far as can be seen without a database; where only this
    machine can reach it, everybody is."""
    serializer = SecureCookieSessionInterface().get_signing_serializer(app)

    def known(cookie: str) -> bool:
        try:
            found = serializer.loads(cookie, max_age=int(SESSION.total_seconds())) if serializer is not None else {}
        except BadSignature:
            found = {}
        return alone or (isinstance(found, dict) and "_user_id" in found)

    return known


def is_loopback(host: str) -> bool:
    """Whether a name or address is this machine's own."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _let_past(database: Engine) -> Response | None:
    if request.method not in ("GET", "HEAD", "OPTIONS") and not _from_own_page():
        return Response(
            "Requests that change something come from this site's own pages only.\n", 403, mimetype="text/plain"
        )
    g.before = current_person.set(NOBODY)
    g.speaking = ExitStack()
    g.speaking.enter_context(speaking(_language(NOBODY)))
    if request.path in _OPEN or request.path.startswith(_OPEN_BELOW):
        return None
    if signed_in(database):
        anonymous = replace(OPERATOR, units=dict(session.get("units", {})), language=session.get("language"))
        person = current_user.person if current_user.is_authenticated else anonymous
        current_person.set(person)
        g.speaking.enter_context(speaking(_language(person)))
        request.max_content_length = _MOST_BYTES if person.may("lead") else _MOST_BYTES_OF_OTHERS
        if accounts.must_have_second_factor(person) and request.path not in (SECOND_FACTOR_PATH, "/sign-out"):
            return _elsewhere(SECOND_FACTOR_PATH, "take up a second factor first", 403)
        return None
    return _elsewhere(f"/sign-in?{urlencode({'next': request.full_path.rstrip('?')})}", "sign in first", 401)


def _language(person: Person) -> str:
    """What somebody chose, else what their browser asks for; programs are answered in English."""
    if request.path.startswith("/api/"):
        return ENGLISH
    return person.language or request.accept_languages.best_match((*LANGUAGES, "no", "nn"), ENGLISH)


def _elsewhere(path: str, why: str, status: int) -> Response:
    """Where a page cannot be had: the one that leads on; anything else is told why."""
    if request.method == "GET" and request.accept_mimetypes.accept_html and not request.path.startswith("/_dash"):
        found: Any = redirect(path)
        return found  # type: ignore[no-any-return]
    return Response(json.dumps({"problem": why}), status, mimetype="application/json")


def _forget(_: BaseException | None) -> None:
    """Whoever asked asks no more."""
    if "before" in g:
        g.pop("speaking").close()
        current_person.reset(g.pop("before"))


def _from_own_page() -> bool:
    """Another site's page says its own origin, and can neither leave that out nor say another. A server before this one may not hand
    on by which name it was asked; its address is that of the settings."""
    origin = request.headers.get("Origin")
    asked = f"{origin}".partition("://")[2]  # whatever else was written there is no address of this site
    return origin is None or asked == request.host or (origin == site() and origin.startswith("https:"))


class SignIn(FlaskForm):
    """What the way in asks for; a token of the session's own keeps other sites' forms out."""

    name = StringField(validators=[InputRequired(), Length(max=128)])
    password = PasswordField(validators=[InputRequired(), Length(max=512)])
    next = HiddenField()


def _sign_in(database: Engine) -> Response:
    form = SignIn()
    if request.method == "GET":
        form.next.data = request.args.get("next", "/")
        return page("sign_in.html", form=form)
    if not form.validate():
        why = tr("This page was open for too long; try again.") if form.csrf_token.errors else tr(_MISFIT)
        return page("sign_in.html", 400, form=form, problem=why)
    try:
        with reachable(database):
            person = accounts.sign_in(database, form.name.data, form.password.data, request.remote_addr or "", now_us())
    except accounts.TooMany as problem:
        return page("sign_in.html", 429, form=form, problem=f"{begun(str(problem))}.")
    if person is None:
        return page("sign_in.html", 401, form=form, problem=tr(_MISFIT))
    then = own(form.next.data or "/")
    return ask_for_code(person, then) if person.has_second_factor else come_in(database, person, then)


_MISFIT: Final = later("Name and password do not go together.")


def _sign_out(database: Engine) -> Response:
    """Ends every session of whoever asks, so that a copied cookie opens nothing."""
    if current_user.is_authenticated:
        with reachable(database), writing(database) as connection:
            me = current_user.person
            accounts.end_sessions(connection, me.id)
            change_log.log_change(connection, me.name, "signed out", now_us(), "signed_out", request.remote_addr or "")
    logout_user()
    session.clear()
    found: Any = redirect("/sign-in")
    return found  # type: ignore[no-any-return]
