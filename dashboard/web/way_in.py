"""What every page on the way in shares: how it is drawn, and what happens to whoever has come in."""

from typing import Any, Final
from urllib.parse import urlsplit

from flask import Response, redirect, request, session
from flask_login import UserMixin, login_user
from jinja2 import Environment, PackageLoader
from sqlalchemy import Engine

from dashboard import change_log
from dashboard.accounts import Person
from ingest.database import reachable, writing
from ingest.languages import language, tr
from ingest.times import now_us

COOKIE: Final = "tallow"
_TEMPLATES: Final = Environment(loader=PackageLoader("dashboard.web", ""), autoescape=True)
_TEMPLATES.globals |= {"tr": tr, "language": language}


class Session(UserMixin):
    """A person who is signed in."""

    def __init__(self, person: Person) -> None:
        self.person = person

    def get_id(self) -> str:
        """The person and the generation of their sessions, so that all of them can be ended."""
        return f"{self.person.id}.{self.person.session}"


def page(name: str, status: int = 200, **values: Any) -> Response:
    """A page on the way in; it needs no script."""
    return Response(_TEMPLATES.get_template(name).render(**values), status, mimetype="text/html")


def come_in(database: Engine, person: Person, then: str) -> Response:
    """Begin somebody's session, and lead them to where they wanted to go."""
    with reachable(database), writing(database) as connection:
        change_log.log_change(connection, person.name, "signed in", now_us(), "signed_in", request.remote_addr or "")
    session.clear()
    session.permanent = True
    session["since"] = now_us()
    login_user(Session(person))
    found: Any = redirect(own(then or "/"))
    return found  # type: ignore[no-any-return]


def own(address: str) -> str:
    """An address of this site; its first page instead of any other. What a browser would overlook is looked at."""
    plain = address.isascii() and address.isprintable() and "\\" not in address
    parts = urlsplit(address) if plain else None
    inside = parts is not None and not parts.scheme and not parts.netloc and address.startswith("/")
    return address if inside and not address.startswith("//") else "/"
