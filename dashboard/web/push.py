"""The addresses by which a browser asks for pushed alerts and says that it showed one, and the script that shows them."""

from pathlib import Path
from typing import Any, Final

from flask import Flask, Response, request
from sqlalchemy import Connection, Engine

from analytics.alarms import browsers, push
from dashboard import accounts, change_log
from ingest import times
from ingest.bounds import text_of
from ingest.database import reachable, writing
from ingest.errors import Problem, Unusable

_LARGEST_BYTES: Final = 8_192
_WORKER: Final = Path(__file__).parent / "push_worker.js"
Answer = tuple[dict[str, str], int]


def take_browsers(server: Flask, database: Engine) -> None:
    """Give an application these addresses."""

    @server.get("/push-worker.js")
    def worker() -> Response:
        return Response(_WORKER.read_text("utf-8"), mimetype="text/javascript")

    @server.post("/push/key")
    def key() -> Answer:
        with reachable(database), writing(database) as connection:
            return {"key": push.public_key(push.signing_key(connection))}, 200

    @server.post("/push")
    def subscribe() -> Answer:
        return _take(database, _subscribe)

    @server.post("/push/shown")
    def shown() -> Answer:
        return _take(database, _shown)


def _take(database: Engine, do: Any) -> Answer:
    if not request.is_json or (request.content_length or 0) > _LARGEST_BYTES:
        return {"problem": f"this is JSON of at most {_LARGEST_BYTES >> 10} KiB"}, 413 if request.is_json else 415
    said = request.get_json(silent=True)
    if not isinstance(said, dict):
        return {"problem": "this is one JSON object"}, 400
    try:
        with reachable(database), writing(database) as connection:
            do(connection, said)
    except Problem as problem:
        return {"problem": str(problem)}, 503 if isinstance(problem, Unusable) else 400
    return {}, 200


def _subscribe(connection: Connection, said: dict[str, Any]) -> None:
    """Have alerts pushed to the browser that asks; one whose push service gave it another address says which one that `replaces`."""
    me, now_us = accounts.need("viewer"), times.now_us()
    keys = said.get("keys")
    given = keys if isinstance(keys, dict) else {}
    to = push.target(*(str(one or "") for one in (said.get("endpoint"), given.get("p256dh"), given.get("auth"))))
    label, severity, any_hour = (
        str(said.get("label") or ""),
        str(said.get("severity") or "act_now"),
        bool(said.get("any_hour")),
    )
    if said.get("replaces"):
        name = browsers.hash_of(text_of(said["replaces"]))
        before = next((one for one in browsers.of_person(connection, me.id, now_us) if one.endpoint_hash == name), None)
        if before is None:
            raise Problem("what it replaces is none of your browsers")
        label, severity, any_hour = before.label, before.severity, before.at_any_hour
        browsers.take_off(connection, me.id, before.route_id)
    browsers.subscribe(connection, me.id, label, to, severity=severity, at_any_hour=any_hour, now_us=now_us)
    change_log.log_change(connection, me.name or "this machine", "alerts go to a browser of theirs", now_us, "person")


def _shown(connection: Connection, said: dict[str, Any]) -> None:
    me = accounts.need("viewer")
    browsers.note_shown(connection, me.id, text_of(said.get("endpoint")), times.now_us())
