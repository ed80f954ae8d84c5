"""Web push to a browser: messages encrypted for it (RFC 8291), sent to the push service that it named (RFC 8030), signed by a key of
our own (RFC 8292).

The address of such a route is `webpush+` and what the browser gave: the push service's address, and after `#` the browser's two keys.
A browser may name any address, so that only https to public addresses is asked, unless a setting allows others; the address that was
looked at is the one that is connected to.
"""

import base64
import binascii
import json
import socket
import time
from collections.abc import Iterable
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any, Final
from urllib.parse import parse_qs, quote, urlencode, urlsplit

from sqlalchemy import Connection, insert, select

from analytics.alarms import targets
from ingest import schema
from ingest.environment import ALERT_LOCAL, SITE
from ingest.errors import Problem
from ingest.sealing import seal, unseal

SCHEME: Final = "webpush+https"
_LONGEST: Final = 2_048  # characters of a push service's address; those in use have a few hundred
_POINT_BYTES: Final = 65  # an uncompressed point on P-256
_SECRET_BYTES: Final = 16  # RFC 8291, 3.2
_KEY_NAME: Final = "push_key"

KEPT_S: Final = 86_400  # so long a push service keeps what it cannot hand on: a day later a digest tells more
_TOKEN_S: Final = 12 * 3_600  # RFC 8292: at most a day
_BODY_CHARACTERS: Final = 1_000
# RFC 8030, 7.2: a push service takes 4,096 bytes at least; RFC 8291, 4 has 103 of them used up.
_MOST_BYTES: Final = 3_993
_WORDS_BYTES: Final = 200  # of an answer, to be shown
_GONE: Final = (HTTPStatus.NOT_FOUND, HTTPStatus.GONE)  # RFC 8030, 7.3: this subscription is no more


@dataclass(frozen=True)
class Target:
    """A browser's subscription: where its push service is, the browser's public key and its secret."""

    endpoint: str
    p256dh: bytes
    auth: bytes

    @property
    def address(self) -> str:
        """As a route's address."""
        keys = {"p256dh": _text(self.p256dh), "auth": _text(self.auth)}
        return f"webpush+{self.endpoint}#{urlencode(keys)}"


class Refused(Exception):
    """The push service did not take it: its status, or None where it could not be asked."""

    def __init__(self, why: str, status: int | None = None) -> None:
        super().__init__(why)
        self.status = status

    @property
    def gone(self) -> bool:
        """Whether the subscription is no more."""
        return self.status in _GONE


def is_push(address: str) -> bool:
    """Whether a route's address is that of a browser."""
    return address.partition(":")[0].lower() == SCHEME


def target(endpoint: str, p256dh: str, auth: str) -> Target:
    """A subscription as a browser tells it (keys in base64url). Raises Problem where nothing may or can be sent there."""
    from cryptography.hazmat.primitives.asymmetric import ec

    if len(endpoint) > _LONGEST or not endpoint.isascii() or not endpoint.isprintable():
        raise Problem(f"the push service's address has at most {_LONGEST} ASCII characters")
    try:
        parts = urlsplit(endpoint)
        host, _ = parts.hostname, parts.port
    except ValueError:
        host = None
    if not host or parts.scheme != "https" or "@" in parts.netloc or parts.fragment:
        raise Problem(
            "a push service's address begins with https:// and has neither a name and password nor a fragment"
        )
    try:
        literal = [targets.meant(host)]
    except ValueError:
        literal = []
    _check_public(host, literal, local=ALERT_LOCAL.value == "yes")
    point, secret = _bytes(p256dh), _bytes(auth)
    try:
        ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), point)
    except ValueError:
        point = b""
    if len(point) != _POINT_BYTES or len(secret) != _SECRET_BYTES:
        raise Problem("the browser's keys are no point on P-256 and 16 bytes, as RFC 8291 wants them")
    return Target(endpoint, point, secret)


def target_of(address: str) -> Target:
    """A subscription from a route's address. Raises Problem."""
    endpoint, _, keys = address.removeprefix("webpush+").partition("#")
    found = parse_qs(keys)
    return target(endpoint, *(found.get(name, [""])[0] for name in ("p256dh", "auth")))


def signing_key(connection: Connection) -> str:
    """The key that push services know us by (32 bytes, base64url), made when it is first needed and kept sealed."""
    found = known_key(connection)
    if not found:
        from cryptography.hazmat.primitives.asymmetric import ec

        number = ec.generate_private_key(ec.SECP256R1()).private_numbers().private_value
        found = _text(number.to_bytes(32, "big"))
        connection.execute(insert(schema.app_secret).values(name=_KEY_NAME, value=seal(found)))
    return found


def known_key(connection: Connection) -> str:
    """That key; empty where none was needed yet."""
    table = schema.app_secret
    found: str | None = connection.scalar(select(table.c.value).where(table.c.name == _KEY_NAME))
    return "" if found is None else unseal(found)


def public_key(key: str) -> str:
    """The public half of a signing key as browsers want it: an uncompressed point, base64url."""
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
    from py_vapid import Vapid

    made = Vapid.from_raw(key.encode()).public_key
    return _text(made.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint))


def payload(title: str, body: str, detail: dict[str, Any]) -> bytes:
    """What the browser is told, as JSON that fits into one message: title, text, page to open, and what later news replaces."""
    vehicle = [quote(str(detail[name]), safe="") for name in ("fleet", "vehicle") if detail.get(name)]
    page = f"/vehicle/{'/'.join(vehicle)}" if len(vehicle) == 2 and "alarm" in detail else "/alarms"
    told = {"title": title[:200], "url": page, "tag": _topic(detail) or "tallow"}
    for most in (_BODY_CHARACTERS, 400, 100):  # characters that take several bytes each
        short = body if len(body) <= most else body[: most - 1] + "…"
        made = json.dumps(told | {"body": short}, ensure_ascii=False).encode()
        if len(made) <= _MOST_BYTES:
            break
    return made


def encrypted(plain: bytes, to: Target, *, salt: bytes | None = None, private_key: Any = None) -> bytes:
    """A message that only this browser can read (aes128gcm); salt and key are new ones unless a test names them."""
    import http_ece  # here, as whatever only one kind of route needs
    from cryptography.hazmat.primitives.asymmetric import ec

    own = private_key or ec.generate_private_key(ec.SECP256R1())
    made: bytes = http_ece.encrypt(
        plain, salt=salt, private_key=own, dh=to.p256dh, auth_secret=to.auth, version="aes128gcm"
    )
    return made


def headers(key: str, endpoint: str, detail: dict[str, Any], now_s: int) -> dict[str, str]:
    """What goes with a message: who we are, how long it is worth keeping, how urgent it is, and what it replaces."""
    from py_vapid import Vapid

    parts, site = urlsplit(endpoint), SITE.value.rstrip("/")
    contact = f"https://{urlsplit(site).hostname}" if site.startswith("https:") else "mailto:tallow@localhost"
    claims = {"aud": f"{parts.scheme}://{parts.netloc}", "exp": now_s + _TOKEN_S, "sub": contact}
    signed: dict[str, str] = Vapid.from_raw(key.encode()).sign(claims)
    topic = _topic(detail)
    return {
        **signed,
        "Content-Encoding": "aes128gcm",
        "Content-Type": "application/octet-stream",
        "TTL": f"{KEPT_S}",
        "Urgency": "high" if detail.get("severity") == "act_now" else "normal",
        **({"Topic": topic} if topic else {}),
    }


def post(
    address: str, key: str, title: str, body: str, detail: dict[str, Any], wait_s: float, *, local: bool, ca_file: str = ""
) -> str:  # fmt: skip
    """Send a message to a browser's push service; what it answered. `local` lets private addresses be asked. Raises Refused, Problem."""
    import urllib3

    to = target_of(address)
    parts = urlsplit(to.endpoint)
    host, port = parts.hostname or "", parts.port or 443
    try:
        found = [info[4][0] for info in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]
    except (OSError, UnicodeError):
        raise Refused(f"there is no address of {host}") from None
    _check_public(host, [targets.meant(str(one)) for one in found], local=local)
    pool = targets.pool(str(found[0]), port, host, wait_s, ca_file)
    sent = {**headers(key, to.endpoint, detail, int(time.time())), "Host": parts.netloc}
    try:
        where = f"{parts.path or '/'}{f'?{parts.query}' if parts.query else ''}"
        said = encrypted(payload(title, body, detail), to)
        answer = pool.urlopen("POST", where, said, sent, redirect=False, preload_content=False)
        words = " ".join(answer.read(_WORDS_BYTES).decode("utf-8", "replace").split())
        status = int(answer.status)
        answer.close()
    except urllib3.exceptions.HTTPError as error:
        raise Refused(f"{type(error).__name__}: the push service could not be asked") from None
    finally:
        pool.close()
    told = f"HTTP {status}{f': {words}' if words else ''}"
    if not 200 <= status < 300:
        raise Refused(told, status)
    return told


def _check_public(host: str, addresses: Iterable[targets.Address], *, local: bool) -> None:
    """Raises Problem for a server that only this machine or its network can reach."""
    for one in addresses:
        if not local and (not one.is_global or one.is_multicast):
            raise Problem(f"{host} is no public address; allow that with {ALERT_LOCAL.name}=yes")


def _topic(detail: dict[str, Any]) -> str:
    """What later news of the same replaces; RFC 8030, 5.4: at most 32 characters."""
    return f"alarm-{detail['alarm']}"[:32] if "alarm" in detail else ""


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _bytes(text: str) -> bytes:
    """Bytes of a short text in base64url; none where it is none."""
    try:
        return base64.b64decode(text[:128] + "=" * (-len(text[:128]) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        return b""
