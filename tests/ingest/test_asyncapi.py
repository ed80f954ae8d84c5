"""The AsyncAPI document says what the decoder does."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from ingest import asyncapi
from ingest.messages import KINDS, Arrival, Decoded, decode, topic
from tests.helpers.messages import COMMON, CYCLE
from tests.helpers.vehicles import arrivals


@cache
def validator(kind: str) -> jsonschema.Draft202012Validator:
    document = asyncapi.document()
    schema = {"components": document["components"], "$ref": f"#/components/schemas/{KINDS[kind].__name__}"}
    return jsonschema.Draft202012Validator(schema)


def test_the_file_is_todays() -> None:
    """`python -m ingest.asyncapi > ingest/asyncapi.json` makes it."""
    assert Path(asyncapi.__file__).with_name("asyncapi.json").read_text("utf-8") == asyncapi.text()


def test_every_message_of_a_simulated_vehicle_is_valid() -> None:
    """By the document, with a JSON Schema library that knows nothing of the decoder."""
    for arrival in arrivals("HS-105", days=10) + arrivals("HS-206", days=10):
        validator(arrival.topic.rsplit("/", 1)[1]).validate(json.loads(arrival.payload))


@pytest.mark.parametrize(
    ("kind", "payload"),
    [
        ("cycle", CYCLE),
        ("cycle", CYCLE | {"cycle_no": -1}),
        ("cycle", CYCLE | {"peak_kpa": {"p": "x"}}),
        ("cycle", CYCLE | {"rest_kpa": None}),
        ("level", COMMON | {"level_pct": 201}),
        ("level", COMMON | {"level_pct": 20, "new": 1}),
        ("level", {"level_pct": 20}),
        ("fault", COMMON | {"code": "nonsense", "active": True}),
        ("ignition", COMMON | {"on": True}),
        ("state", {"online": True}),
        ("state", {"online": "yes"}),
    ],
)
def test_document_and_decoder_agree(kind: str, payload: dict[str, Any]) -> None:
    """What one takes the other takes, and what one refuses the other refuses."""
    taken = isinstance(decode(Arrival(topic("f", "v", kind), json.dumps(payload).encode(), None)), Decoded)
    assert validator(kind).is_valid(payload) == taken
