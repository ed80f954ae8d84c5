"""The interface of the messages as an AsyncAPI document, derived from their types: `python -m ingest.asyncapi`."""

import json
import sys
from typing import Any

import msgspec

from ingest.messages import KINDS, MAX_PAYLOAD_BYTES


def document() -> dict[str, Any]:
    """The document (AsyncAPI 3.1.0), with a JSON Schema for the payload of each kind."""
    shapes = list(KINDS.values())
    _, schemas = msgspec.json.schema_components(shapes, ref_template="#/components/schemas/{name}")
    channels, operations, messages = {}, {}, {}
    for kind, shape in KINDS.items():
        messages[kind] = {
            "name": kind,
            "contentType": "application/json",
            "summary": schemas[shape.__name__].get("description", ""),
            "payload": {"$ref": f"#/components/schemas/{shape.__name__}"},
        }
        channels[kind] = {
            "address": f"lube/1/{{fleet}}/{{vehicle}}/{kind}",
            "messages": {kind: {"$ref": f"#/components/messages/{kind}"}},
            "parameters": {
                "fleet": {"description": "up to 64 of A-Z a-z 0-9 _ -"},
                "vehicle": {"description": "up to 64 of A-Z a-z 0-9 _ -"},
            },
        }
        operations[f"publish_{kind}"] = {
            "action": "send",
            "channel": {"$ref": f"#/channels/{kind}"},
            "bindings": {"mqtt": {"qos": 1, "retain": kind == "state"}},
        }
    return {
        "asyncapi": "3.1.0",
        "info": {
            "title": "Messages of lubrication controllers",
            "version": "1",
            "description": "Payloads are JSON objects in UTF-8 of at most"
            f" {MAX_PAYLOAD_BYTES} bytes; unknown fields are ignored, and null is the same as absent.",
        },
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": operations,
        "components": {"messages": messages, "schemas": schemas},
    }


def text() -> str:
    """The document as it stands in `asyncapi.json`."""
    return json.dumps(document(), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    sys.stdout.write(text())
