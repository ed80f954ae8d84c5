"""Web hooks for other programs: every change of an alarm as a signed POST request, which nobody can forge or send once more later.

The headers are those of the Standard Webhooks specification: `webhook-id` names the message and is the same with each try,
`webhook-timestamp` is seconds since 1970, and `webhook-signature` is `v1,` with the base64 HMAC-SHA256 (RFC 2104) over
`id.timestamp.body`. Whoever takes it in checks the signature, refuses times more than minutes away, and takes each id once.
"""

import base64
import hashlib
import hmac
import json
import secrets
import time
from typing import Any, Final
from urllib.parse import urlsplit, urlunsplit

from ingest.errors import Problem

SCHEMES: Final = ("signed+https", "signed+http")
_SECRET_BYTES: Final = 32


class Refused(Exception):
    """The server did not take it: its status, or None where it could not be asked."""

    def __init__(self, why: str, status: int | None = None) -> None:
        super().__init__(why)
        self.status = status


def is_hook(address: str) -> bool:
    """Whether a route's address is that of a web hook."""
    return address.partition(":")[0].lower() in SCHEMES


def check(address: str) -> None:
    """Raises Problem for an address that nothing could be sent to."""
    try:
        parts = urlsplit(address)
        host, _ = parts.hostname, parts.port
    except ValueError:
        host = None
    if not host:
        raise Problem("a web hook needs a server: signed+https://planner.example/alarms")


def with_secret(address: str) -> tuple[str, str]:
    """A web hook's address with a new secret in it, and the secret as the specification writes it. Raises Problem."""
    check(address)
    parts, key = urlsplit(address), secrets.token_bytes(_SECRET_BYTES)
    host = parts.netloc.rpartition("@")[2]
    kept = urlunsplit((parts.scheme, f":{key.hex()}@{host}", parts.path, parts.query, ""))
    return kept, f"whsec_{base64.b64encode(key).decode()}"


def signature(key: bytes, name: str, at_s: int, body: str) -> str:
    """What `webhook-signature` says."""
    signed = hmac.digest(key, f"{name}.{at_s}.{body}".encode(), hashlib.sha256)
    return f"v1,{base64.b64encode(signed).decode()}"


def post(address: str, name: str, told: dict[str, Any], wait_s: float) -> None:
    """Send a message to a web hook. Raises Refused."""
    import requests  # here, since nobody else needs it

    parts = urlsplit(address)
    host = parts.netloc.rpartition("@")[2]
    url = urlunsplit((parts.scheme.removeprefix("signed+"), host, parts.path or "/", parts.query, ""))
    body, at_s = json.dumps(told, ensure_ascii=False), int(time.time())
    headers = {
        "content-type": "application/json",
        "webhook-id": name,
        "webhook-timestamp": f"{at_s}",
        "webhook-signature": signature(bytes.fromhex(parts.password or ""), name, at_s, body),
    }
    try:
        answer = requests.post(url, body.encode(), headers=headers, timeout=wait_s, allow_redirects=False)
    except requests.RequestException as error:
        raise Refused(f"{type(error).__name__}: the server could not be asked") from None
    if not answer.ok or answer.is_redirect:
        raise Refused(f"HTTP {answer.status_code}", answer.status_code)
