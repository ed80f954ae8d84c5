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
import socket
import time
from typing import Any, Final
from urllib.parse import urlsplit, urlunsplit

from analytics.alarms import targets
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
    try:
        bytes.fromhex(parts.password or "")
    except ValueError:
        raise Problem(
            "the password of a web hook is its secret, in hexadecimal digits; leave it out, and one is made"
        ) from None


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


def post(address: str, name: str, told: dict[str, Any], wait_s: float, *, local: bool) -> None:
    """Send a message to a web hook; `local` lets it be on this machine. What is connected to is what was looked at, so that a second
    look-up leads nowhere else. Raises Refused, Problem."""
    import urllib3  # here, since it takes long to load
    from requests.utils import DEFAULT_CA_BUNDLE_PATH  # the system may know no authorities

    parts = urlsplit(address)
    secure = parts.scheme.endswith("https")
    port = parts.port or (443 if secure else 80)
    try:
        host = (parts.hostname or "").encode("idna").decode()
        infos = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise Refused(f"there is no address of {parts.hostname}") from None
    found = list(dict.fromkeys(str(info[4][0]) for info in infos))
    if not local:
        targets.check_elsewhere(host, found)
    body, at_s = json.dumps(told, ensure_ascii=False), int(time.time())
    sent = {
        "content-type": "application/json",
        "host": (f"[{host}]" if ":" in host else host) + (f":{port}" if parts.port else ""),
        "webhook-id": name,
        "webhook-timestamp": f"{at_s}",
        "webhook-signature": signature(bytes.fromhex(parts.password or ""), name, at_s, body),
    }
    where = f"{parts.path or '/'}{f'?{parts.query}' if parts.query else ''}"
    for one in found:
        pool = targets.pool(one, port, host, wait_s, DEFAULT_CA_BUNDLE_PATH, secure=secure)
        try:
            answer = pool.urlopen("POST", where, body.encode(), sent, redirect=False, preload_content=False)
            status = int(answer.status)
            answer.close()
        except urllib3.exceptions.NewConnectionError:
            continue  # nobody listens there
        except urllib3.exceptions.HTTPError as error:
            raise Refused(f"{type(error).__name__}: the server could not be asked") from None
        finally:
            pool.close()
        if not 200 <= status < 300:
            raise Refused(f"HTTP {status}", status)
        return
    raise Refused("the server could not be asked: nobody listens there")
