"""Messages handed in by HTTP, recorded as those from a broker are."""

import json
from typing import Any

from flask import g
from sqlalchemy import Engine

from dashboard.api import shapes
from dashboard.api.part import Part
from dashboard.api.shapes import refuse
from dashboard.web.database import engine
from ingest import times
from ingest.database import reachable
from ingest.messages import Arrival
from ingest.recorder import Recorder

messages = Part("messages", __name__, description="Messages of controllers, handed in")


@messages.post("/messages")
@messages.arguments(shapes.Messages)
@messages.response(200, shapes.Recorded)
def post_messages(said: dict[str, Any]) -> dict[str, Any]:
    """Record up to 1,000 messages, in one transaction; safe to repeat. What says nothing of its receipt is received now."""
    if g.bearer.scope != "messages":
        refuse(403, "this token is not for handing in messages")
    now_us = times.now_us()
    arrivals = [
        Arrival(_storable(one["topic"]), _payload(one["payload"]), _received_us(one, now_us))
        for one in said["messages"]
    ]
    with reachable(engine()):
        tally = _recorder(engine()).record(arrivals)
    return {"recorded": tally.recorded.total(), "duplicates": tally.duplicates, "rejected": tally.rejected}


def _payload(said: dict[str, Any]) -> bytes:
    """A payload as a broker would bring it: a half of a surrogate pair, or NaN, stays in it, so that it is refused by itself."""
    return json.dumps(said, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "surrogatepass")


def _storable(topic: str) -> str:
    return topic.encode("utf-8", "backslashreplace").decode()


def _received_us(one: dict[str, Any], now_us: int) -> int:
    said = one["received_at"]
    return now_us if said is None else min(times.microseconds(said), now_us)


def _recorder(database: Engine) -> Recorder:
    """One for each request: what it remembers is for one thread."""
    return Recorder(database, "by HTTP")
