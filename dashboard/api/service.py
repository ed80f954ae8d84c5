"""The addresses below /api/v1: who is let in, how problems are told, how much may be asked, and the document that describes it all.

A program shows a token (`access_tokens`) as `Authorization: Bearer …` with each request; no cookie counts here, so that no other
site can make a browser ask. Problems are told by RFC 9457, answers carry entity tags (RFC 9110), lists go by cursors.
"""

import math
import time
from collections.abc import Iterator
from functools import partial
from http import HTTPStatus
from typing import Any, Final

import werkzeug.exceptions
from flask import Flask, Response, g, json, request
from flask_smorest import Api
from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import FixedWindowRateLimiter
from sqlalchemy import Engine

from dashboard import access_tokens, accounts
from dashboard.api.account import account
from dashboard.api.alarms import alarms
from dashboard.api.messages import messages
from dashboard.api.planning import planning
from dashboard.api.results import results
from dashboard.api.vehicles import vehicles
from dashboard.api.work import work
from dashboard.web.server import MOST_BYTES_OF_PROGRAMS
from ingest import times
from ingest.database import reachable, writing
from ingest.errors import Problem

ROOT: Final = "/api/v1"
DOCUMENT: Final = f"{ROOT}/openapi.json"
_MOST_A_MINUTE: Final = 1_200
_PROBLEM: Final = "application/problem+json"
_SHAPE: Final = {
    "type": "object",
    "required": ["title", "status"],
    "properties": {
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "errors": {"type": "object", "description": "what is wrong, by the place where it stands"},
    },
}  # fmt: skip


def serve_api(app: Flask, database: Engine) -> None:
    """Give an application its addresses for programs."""
    app.config["TALLOW_ENGINE"] = database
    app.config.update(
        API_TITLE="tallow", API_VERSION="v1", OPENAPI_VERSION="3.1.0", OPENAPI_URL_PREFIX=ROOT,
        OPENAPI_JSON_PATH="openapi.json",
    )  # fmt: skip
    app.before_request(partial(_let_in, database, FixedWindowRateLimiter(MemoryStorage())))
    api = _Api(app)
    api.spec.components.schema("Problem", _SHAPE)
    api.spec.components.security_scheme("token", {"type": "http", "scheme": "bearer"})
    api.spec.options["security"] = [{"token": []}]
    app.after_request(_tagged)
    for part in (vehicles, results, account, planning, alarms, work, messages):
        api.register_blueprint(part, url_prefix=ROOT)
    _describe_problems(api)
    app.register_error_handler(Problem, _told)


def _describe_problems(api: Api) -> None:
    """The document says of each operation that whatever is no success is a problem by RFC 9457."""
    content = {_PROBLEM: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    for path in api.spec.to_dict()["paths"].values():
        for operation in path.values():
            if "responses" in operation:
                kept = {code: told for code, told in operation["responses"].items() if str(code).startswith("2")}
                operation["responses"].clear()
                operation["responses"].update(kept, default={"description": "A problem", "content": content})


def is_asked() -> bool:
    """Whether a program asks, not a page."""
    return request.path.startswith(f"{ROOT}/")


class _Api(Api):
    """Problems as RFC 9457 has them."""

    DEFAULT_ERROR_RESPONSE_NAME = None

    def handle_http_exception(self, error: werkzeug.exceptions.HTTPException) -> Response:
        """What the library, or a part of this, refuses: by the address asked, since pages tell theirs in their own way."""
        if not is_asked():
            told_as_ever: Any = error.get_response()
            return told_as_ever  # type: ignore[no-any-return]
        told: dict[str, Any] = getattr(error, "data", None) or {}
        wrong = told.get("errors") or told.get("messages")
        detail = told.get("message") or "; ".join(_flat(wrong)) or error.description or ""
        return problem(error.code or 500, detail, wrong, told.get("headers"))


def _flat(wrong: Any, where: str = "") -> Iterator[str]:
    """What is wrong, each with its place."""
    for name, below in wrong.items() if isinstance(wrong, dict) else ():
        yield from _flat(below, f"{where}.{name}" if where else f"{name}")
    if isinstance(wrong, list):
        yield f"{where.partition('.')[2]}: {' '.join(map(str, wrong))}"


def problem(status: int, detail: str, errors: Any = None, headers: Any = None) -> Response:
    """A problem by RFC 9457."""
    said = {"title": HTTPStatus(status).phrase, "status": status}
    said |= ({"detail": detail} if detail else {}) | ({"errors": errors} if errors else {})
    return Response(json.dumps(said), status, headers=headers, mimetype=_PROBLEM)


def _let_in(engine: Engine, limiter: FixedWindowRateLimiter) -> Response | None:
    """Who asks is who a token says."""
    if not is_asked() and f"{request.path}/".startswith("/api/"):
        return problem(404, f"programs ask below {ROOT}; {DOCUMENT} describes it")
    if not is_asked() or request.path == DOCUMENT:
        return None
    scheme, _, text = request.headers.get("Authorization", "").partition(" ")
    now_us = times.now_us()
    with reachable(engine), engine.connect() as connection:
        bearer = access_tokens.bearer(connection, text.strip()) if scheme.casefold() == "bearer" else None
        stale = bearer is not None and access_tokens.stale(connection, bearer.token, now_us)
    if bearer is None:
        return problem(
            401, "show a token: Authorization: Bearer …", headers={"WWW-Authenticate": 'Bearer realm="tallow"'}
        )
    rate = RateLimitItemPerMinute(_MOST_A_MINUTE)
    if not limiter.hit(rate, f"{bearer.token}"):
        wait_s = max(1, math.ceil(limiter.get_window_stats(rate, f"{bearer.token}").reset_time - time.time()))
        why = f"more than {_MOST_A_MINUTE} requests a minute; ask again in {wait_s} s"
        return problem(429, why, headers={"Retry-After": f"{wait_s}"})
    if stale:
        with reachable(engine), writing(engine) as connection:
            access_tokens.note_used(connection, bearer.token, now_us)
    request.max_content_length = MOST_BYTES_OF_PROGRAMS
    g.bearer = bearer
    accounts.current_person.set(bearer.person)
    if bearer.scope == "messages" and request.blueprint != messages.name:
        return problem(403, "this token is for handing in messages only")
    return None


def _tagged(response: Response) -> Response:
    """An answer that need not be sent where whoever asks has it already."""
    if is_asked() and request.method == "GET" and response.status_code == HTTPStatus.OK:
        response.headers["Cache-Control"] = "private, no-cache"
        response.add_etag()
        response.make_conditional(request)
    return response


def _told(error: Problem) -> Any:
    """What people are told on pages, for a program."""
    if not is_asked():
        raise error
    status = (
        403 if isinstance(error, accounts.NotAllowed) else 409
    )  # a database that is away is told by the application
    return problem(status, f"{error}")
