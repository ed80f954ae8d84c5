"""The second factor in the browser: its code after the password, and the page where somebody takes one up or lets it go."""

from functools import partial
from io import BytesIO
from typing import Any, Final

import segno
from flask import Flask, Response, redirect, request, session
from flask_login import current_user, login_user
from flask_wtf import FlaskForm
from markupsafe import Markup
from sqlalchemy import Engine
from wtforms import StringField
from wtforms.validators import InputRequired, Length

from dashboard import accounts, change_log, second_factor
from dashboard.accounts import Person
from dashboard.web.way_in import Session, come_in, page
from ingest.database import reachable, writing
from ingest.errors import Problem
from ingest.languages import begun, later, tr
from ingest.times import now_us

CODE_PATH: Final = "/sign-in/code"
PATH: Final = "/second-factor"
_PATIENCE_US: Final = 5 * 60_000_000  # between password and code


class Code(FlaskForm):
    """A code, with a token of the session's own that keeps other sites' forms out."""

    code = StringField(validators=[InputRequired(), Length(max=64)])


def serve_second_step(app: Flask, database: Engine) -> None:
    """Give an application its addresses for the second factor."""
    app.add_url_rule(CODE_PATH, "code", partial(_code, database), methods=["GET", "POST"])
    app.add_url_rule(PATH, "second_factor", partial(_second_factor, database), methods=["GET", "POST"])


def ask_for_code(person: Person, then: str) -> Response:
    """After the password: nobody is signed in yet."""
    session.clear()
    session["half"] = [person.id, person.session, now_us(), then]
    found: Any = redirect(CODE_PATH)
    return found  # type: ignore[no-any-return]


def _half(database: Engine) -> tuple[Person | None, str]:
    """Who gave their password a short while ago, and where they want to go."""
    id_, generation, at_us, then = session.get("half") or (0, 0, 0, "/")
    if not 0 <= now_us() - at_us <= _PATIENCE_US:
        return None, "/"
    with database.connect() as connection:
        person = accounts.person(connection, id_)
    return (person if person is not None and person.session == generation else None), then


def _code(database: Engine) -> Response:
    form = Code()
    person, then = _half(database)
    if person is None:
        found: Any = redirect("/sign-in")
        return found  # type: ignore[no-any-return]
    if request.method == "GET":
        return page("code.html", form=form)
    if not form.validate():
        return page("code.html", 400, form=form, problem=tr(_MISFIT))
    try:
        right = accounts.pass_second_step(database, person, form.code.data, request.remote_addr or "", now_us())
    except accounts.TooMany as problem:
        return page("code.html", 429, form=form, problem=f"{begun(str(problem))}.")
    if not right:
        return page("code.html", 401, form=form, problem=tr(_MISFIT))
    return come_in(database, person, then)


_MISFIT: Final = later("This is not the code of now, or it was used already.")


def _second_factor(database: Engine) -> Response:
    """Take a second factor up, or let it go, for whoever is signed in."""
    person, form = accounts.current_person.get(), Code()
    if not person.name:
        found: Any = redirect("/")
        return found  # type: ignore[no-any-return]
    given = request.method == "POST"
    if given and not form.validate():
        return _form_of(person, form, tr(_MISFIT), 400)
    if not given:
        return _form_of(person, form)
    try:
        return _let_go(database, person, form) if person.has_second_factor else _take_up(database, person, form)
    except accounts.TooMany as problem:
        return _form_of(person, form, f"{begun(str(problem))}.", 429)


def _take_up(database: Engine, person: Person, form: Code) -> Response:
    secret = session.get("offered") or ""
    taken = second_factor.take(secret, 0, (), form.code.data, now_us() // 1_000_000) if secret else None
    if taken is None:
        return _form_of(person, form, tr(_MISFIT), 401)
    codes = second_factor.new_codes()
    _set(database, person, secret, codes, "second factor taken up", taken[0])
    session.pop("offered", None)
    return page("second_factor.html", codes=codes)


def _let_go(database: Engine, person: Person, form: Code) -> Response:
    if not accounts.pass_second_step(database, person, form.code.data, request.remote_addr or "", now_us()):
        return _form_of(person, form, tr(_MISFIT), 401)
    _set(database, person, None, [], "second factor let go")
    found: Any = redirect(PATH)
    return found  # type: ignore[no-any-return]


def _set(database: Engine, person: Person, secret: str | None, codes: list[str], what: str, step: int = 0) -> None:
    """Change it, and go on: every other session of the person ends."""
    with reachable(database), writing(database) as connection:
        accounts.set_second_factor(connection, person.name, secret, codes, step)
        change_log.log_change(connection, person.name, what, now_us(), "second_factor", request.remote_addr or "")
        now = accounts.person(connection, person.id)
    if now is None:
        raise Problem("sign in first")
    login_user(Session(now))


def _form_of(person: Person, form: Code, problem: str = "", status: int = 200) -> Response:
    if person.has_second_factor:
        return page("second_factor.html", status, form=form, problem=problem, is_on=True)
    secret = session.setdefault("offered", second_factor.new_secret())
    picture = BytesIO()
    segno.make(second_factor.address_of(secret, person.name), error="m").save(
        picture,
        kind="svg",
        scale=5,
        xmldecl=False,
        svgns=True,
        dark="#000",
        light="#fff",
        title=tr("The secret as a picture"),
    )
    must = accounts.must_have_second_factor(current_user.person)
    return page(
        "second_factor.html", status, form=form, problem=problem, secret=secret, picture=Markup(picture.getvalue().decode()), must=must
    )  # fmt: skip
