"""Web push, against a push service that takes messages apart as the RFCs say, by a decryption of its own."""

import base64
import json
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from cryptography.hazmat.primitives import hashes, hmac
from cryptography.hazmat.primitives.asymmetric import ec, utils
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from msgspec import structs
from sqlalchemy import Engine, insert, select

from analytics.alarms import browsers, depots, digests, letters, outbox, push, records, routes
from analytics.alarms.depots import Depot
from analytics.alarms.routes import Route, masked
from analytics.alarms.transports import Message, Undelivered, sender, trial_of
from analytics.pipeline import vehicle_summary
from dashboard import accounts
from dashboard.accounts import OPERATOR, acting_as
from dashboard.pages import my_browsers
from ingest import database, registry, schema
from ingest.environment import ALERT_CA_FILE, ALERT_LOCAL
from ingest.errors import Problem
from ingest.sealing import is_sealed, make_key
from ingest.times import DAY_US, microseconds
from tests.conftest import program
from tests.helpers.alarms import NOW, bring_up, finding, fleet, put, vehicle_id

__all__ = ["fleet"]


@pytest.fixture
def database_url(tmp_path: Path) -> str:
    """One kind of database is enough here."""
    return f"sqlite:///{tmp_path / 'tallow.db'}"


def b64(text: str) -> bytes:
    """Bytes of base64url without its end."""
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def text_of(data: bytes) -> str:
    """And back."""
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def point(key: ec.EllipticCurvePrivateKey) -> bytes:
    """A public key as an uncompressed point."""
    return key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)


def _mac(key: bytes, data: bytes) -> bytes:
    made = hmac.HMAC(key, hashes.SHA256())
    made.update(data)
    return made.finalize()


def decrypted(body: bytes, own: ec.EllipticCurvePrivateKey, auth: bytes) -> bytes:
    """What a browser reads, by RFC 8291, 3.4 and RFC 8188, 2: one record, each step with the names of the RFC."""
    salt, record_size, length = body[:16], int.from_bytes(body[16:20], "big"), body[20]
    as_public, ciphertext = body[21 : 21 + length], body[21 + length :]
    assert len(ciphertext) <= record_size
    ecdh_secret = own.exchange(ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), as_public))
    prk_key = _mac(auth, ecdh_secret)
    ikm = _mac(prk_key, b"WebPush: info\0" + point(own) + as_public + b"\x01")
    prk = _mac(salt, ikm)
    cek = _mac(prk, b"Content-Encoding: aes128gcm\0\x01")[:16]
    nonce = _mac(prk, b"Content-Encoding: nonce\0\x01")[:12]
    plain = AESGCM(cek).decrypt(nonce, ciphertext, None).rstrip(b"\0")
    assert plain[-1] == 2  # the last record
    return plain[:-1]


# RFC 8291, Appendix A (and 5): the example with its intermediate values.
PLAIN = b"When I grow up, I want to be a watermelon"
AS_PRIVATE = "yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw"
UA_PRIVATE = "q1dXpw3UpT5VOmu_cf_v6ih07Aems3njxI-JWgLcM94"
UA_PUBLIC = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
SALT, AUTH = "DGv6ra1nlYgDCS1FRnbzlw", "BTBZMqHH6r4Tts7J_aSIgg"
MESSAGE = (
    "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl7A_yl95bQpu6"
    "cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
)


def private(text: str) -> ec.EllipticCurvePrivateKey:
    """A private key from its number."""
    return ec.derive_private_key(int.from_bytes(b64(text), "big"), ec.SECP256R1())


def test_the_example_of_the_standard() -> None:
    """RFC 8291, Appendix A: the same salt and keys make the same message, and the browser's side reads the standard's own."""
    to = push.target("https://push.example.net/push/JzLQ3raZJfFBR0aqvOMsLrt54w4rJUsV", UA_PUBLIC, AUTH)
    assert push.encrypted(PLAIN, to, salt=b64(SALT), private_key=private(AS_PRIVATE)) == b64(MESSAGE)
    assert decrypted(b64(MESSAGE), private(UA_PRIVATE), b64(AUTH)) == PLAIN


class PushService:
    """A push service on this machine by HTTPS: takes messages of one browser, and answers what it is told to."""

    def __init__(self, folder: Path) -> None:
        self.got: list[tuple[dict[str, str], bytes]] = []
        self.status, self.words = 201, b""
        self.browser, self.auth = ec.generate_private_key(ec.SECP256R1()), b"0123456789abcdef"
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                outer.got.append(({k.casefold(): v for k, v in self.headers.items()} | {":path": self.path}, body))
                self.send_response(outer.status)
                self.send_header("Location", "https://127.0.0.1:1/elsewhere")
                self.send_header("Content-Length", str(len(outer.words)))
                self.end_headers()
                self.wfile.write(outer.words)

            def log_message(self, *_: Any) -> None:
                """Say nothing."""

        certificate = folder / "push.pem"
        subprocess.run(
            [program("openssl"), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
             "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost", "-keyout", str(folder / "push.key"),
             "-out", str(certificate)],
            check=True, capture_output=True,
        )  # fmt: skip
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate, folder / "push.key")
        self.certificate = certificate
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.socket = context.wrap_socket(self.server.socket, server_side=True)
        self.endpoint = f"https://localhost:{self.server.server_port}/push/abc?x=1"

    @property
    def target(self) -> push.Target:
        """The browser's subscription."""
        return push.target(self.endpoint, text_of(point(self.browser)), text_of(self.auth))

    def read(self, number: int = -1) -> dict[str, Any]:
        """What the browser was told."""
        told: dict[str, Any] = json.loads(decrypted(self.got[number][1], self.browser, self.auth))
        return told


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[PushService]:
    """A push service that is believed, and allowed though it is on this machine."""
    made = PushService(tmp_path)
    monkeypatch.setenv(ALERT_LOCAL.name, "yes")
    monkeypatch.setenv(ALERT_CA_FILE.name, str(made.certificate))
    thread = threading.Thread(target=made.server.serve_forever)
    thread.start()
    yield made
    made.server.shutdown()
    thread.join()
    made.server.server_close()


def subscribed(engine: Engine, service: PushService, person: int = 0, severity: str = "act_now") -> int:
    """The route of that browser."""
    with database.writing(engine) as connection:
        return browsers.subscribe(
            connection, person, "phone", service.target, severity=severity, at_any_hour=True, now_us=NOW
        )


def state_of(engine: Engine, person: int = 0) -> browsers.Browser:
    """What is known of it."""
    with engine.connect() as connection:
        (found,) = browsers.of_person(connection, person, NOW)
    return found


def test_an_alarm_reaches_the_browser(fleet: Engine, service: PushService) -> None:
    """Readable by the browser only, signed by the key that the page shows to browsers, for a day, urgent, replacing earlier news; what the
    push service answered is kept."""
    subscribed(fleet, service)
    bring_up(fleet)
    assert outbox.deliver(fleet, lambda: NOW, sender(30)) == 1
    ((headers, body),) = service.got
    told = service.read()
    assert told["title"] == "Act now: tipper 102 (HS-102), Skarvholm Quarry: reservoir low"
    assert "By when: today." in told["body"]
    assert told["url"] == "/vehicle/harrowmere-stone/HS-102"
    assert b"tipper" not in body
    assert len(body) <= 4096
    assert headers[":path"] == "/push/abc?x=1"
    assert (headers["content-encoding"], headers["ttl"], headers["urgency"]) == ("aes128gcm", "86400", "high")
    assert headers["topic"] == told["tag"]
    scheme, parts = headers["authorization"].split(" ", 1)
    said = dict(part.strip().split("=", 1) for part in parts.split(","))
    with fleet.connect() as connection:
        assert said["k"] == push.public_key(push.known_key(connection))
    assert scheme == "vapid"
    check_token(said["t"], said["k"], service.endpoint)
    found = state_of(fleet)
    assert (found.answer, found.answered_us, found.took) == ("HTTP 201", NOW, True)
    assert outbox.deliver(fleet, lambda: NOW + 1, sender(30)) == 0  # once


def check_token(token: str, key: str, endpoint: str) -> None:
    """RFC 8292, 2 and RFC 7515, A.3: ES256 over header and claims; the audience is the push service's origin; it ends within a day."""
    head, claims, signature = token.split(".")
    assert json.loads(b64(head))["alg"] == "ES256"
    raw = b64(signature)
    r, s = int.from_bytes(raw[:32], "big"), int.from_bytes(raw[32:], "big")
    ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), b64(key)).verify(
        utils.encode_dss_signature(r, s), f"{head}.{claims}".encode(), ec.ECDSA(hashes.SHA256())
    )
    told = json.loads(b64(claims))
    assert told["aud"] == endpoint.split("/push/")[0]
    assert time.time() < told["exp"] <= time.time() + 86_400
    assert told["sub"].startswith(("mailto:", "https://"))


def test_a_subscription_that_is_gone_is_taken_off_and_told(fleet: Engine, service: PushService) -> None:
    """RFC 8030, 7.3: 404 or 410. Its secrets are forgotten, the page says so, and other routes are told once."""
    number = subscribed(fleet, service)
    with database.writing(fleet) as connection:
        routes.add_route(
            connection, "json://yard.example/x", depot=None, severity="plan", groups=(), after_min=90, at_any_hour=True
        )
        other = routes.add_route(
            connection, "json://yard.example/y", depot=None, severity="act_now", groups=("lines",), after_min=0, at_any_hour=True
        )  # fmt: skip
    service.status, service.words = 410, b"push subscription has unsubscribed or expired."
    bring_up(fleet)
    sent: list[Message] = []
    really = sender(30)

    def send(message: Message) -> str | None:
        if push.is_push(message.route.address):
            return really(message)
        sent.append(message)
        return None

    outbox.deliver(fleet, lambda: NOW, send)
    outbox.deliver(fleet, lambda: NOW + 1, send)
    assert [(m.route.id, m.title) for m in sent] == [
        (other, f"Alerts to webpush+https://localhost:{service.server.server_port} (phone) do not arrive")
    ]
    assert "taken off" in sent[0].body
    with fleet.connect() as connection:
        assert number not in [one.id for one in routes.read_routes(connection)]
        kept = connection.scalar(select(schema.route.c.address).where(schema.route.c.id == number))
        assert "abc" not in str(kept)
    found = state_of(fleet)
    assert found.gone_us == NOW
    assert "knows it no more (HTTP 410" in my_browsers.state(found, NOW)
    again = subscribed(fleet, service)
    assert (state_of(fleet).route_id, state_of(fleet).gone_us) == (again, None)


@pytest.mark.parametrize(
    ("status", "for_good", "gone"),
    [(404, True, True), (410, True, True), (403, True, False), (413, True, False), (302, True, False), (429, False, False),
     (503, False, False)],
)  # fmt: skip
def test_what_is_not_taken_is_told(
    service: PushService, engine: Engine, status: int, for_good: bool, gone: bool
) -> None:
    """By its status; redirects are not followed."""
    service.status = status
    with database.writing(engine) as connection:
        key = push.signing_key(connection)
    route = Route(1, service.target.address, None, "plan", (), 0, at_any_hour=False, signing_key=key)
    with pytest.raises(Undelivered, match=f"HTTP {status}") as told:
        sender(30)(trial_of(route))
    assert (told.value.for_good, told.value.gone) == (for_good, gone)
    assert len(service.got) == 1
    assert service.read()["title"] == "tallow: a test"


def test_a_server_whose_certificate_is_not_known_gets_nothing(
    service: PushService, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever stands between sees no message."""
    monkeypatch.delenv(ALERT_CA_FILE.name)
    with database.writing(engine) as connection:
        key = push.signing_key(connection)
    with pytest.raises(Undelivered, match="could not be asked"):
        sender(30)(trial_of(Route(1, service.target.address, None, "plan", (), 0, at_any_hour=False, signing_key=key)))
    assert service.got == []


@pytest.mark.parametrize(
    "endpoint",
    ["https://127.0.0.1/x", "https://10.0.0.8/x", "https://169.254.169.254/latest", "https://[::1]/x", "https://[::ffff:10.0.0.1]/x",
     "https://192.168.1.1:8443/x", "https://100.64.0.1/x", "https://0.0.0.0/x", "https://[fd00::1]/x", "https://224.0.0.1/x"],
)  # fmt: skip
def test_private_addresses_are_refused(endpoint: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where they are named, before anything is kept."""
    monkeypatch.delenv(ALERT_LOCAL.name)
    with pytest.raises(Problem, match="no public address"):
        push.target(endpoint, UA_PUBLIC, AUTH)
    monkeypatch.setenv(ALERT_LOCAL.name, "yes")
    assert push.target(endpoint, UA_PUBLIC, AUTH).endpoint == endpoint


def test_a_name_that_leads_to_this_machine_is_refused(service: PushService, monkeypatch: pytest.MonkeyPatch) -> None:
    """When it is sent: what was looked up is what would be asked."""
    to = service.target
    monkeypatch.delenv(ALERT_LOCAL.name)
    with pytest.raises(Problem, match="localhost is no public address"):
        push.post(to.address, "x", "t", "b", {}, 5, local=False)
    with pytest.raises(Undelivered, match="this machine") as told:
        sender(30)(trial_of(Route(1, to.address, None, "plan", (), 0, at_any_hour=False)))
    assert told.value.for_good
    assert service.got == []


@pytest.mark.parametrize(
    ("endpoint", "p256dh", "auth", "why"),
    [
        ("http://push.example/x", UA_PUBLIC, AUTH, "begins with https"),
        ("https://me:pw@push.example/x", UA_PUBLIC, AUTH, "neither a name"),
        ("https://push.example/x#y", UA_PUBLIC, AUTH, "nor a fragment"),
        ("https://push.example:99999/x", UA_PUBLIC, AUTH, "begins with https"),
        ("file:///etc/passwd", UA_PUBLIC, AUTH, "begins with https"),
        ("https://push.example/" + "x" * 2_048, UA_PUBLIC, AUTH, "at most 2048"),
        ("https://push.example/\r\nHost: x", UA_PUBLIC, AUTH, "ASCII"),
        ("https://push.example/x", UA_PUBLIC[:-8], AUTH, "keys"),
        ("https://push.example/x", "B" + "A" * 86, AUTH, "keys"),
        ("https://push.example/x", UA_PUBLIC, "short", "keys"),
        ("https://push.example/x", "", "", "keys"),
    ],
)
def test_what_a_browser_may_not_name(endpoint: str, p256dh: str, auth: str, why: str) -> None:
    """One clear line each."""
    with pytest.raises(Problem, match=why):
        push.target(endpoint, p256dh, auth)


def test_long_texts_fit_into_one_message() -> None:
    """Also where each character takes four bytes."""
    for body in ("x" * 9_000, "\U0001f6e2" * 9_000):
        made = push.payload("t" * 900, body, {"alarm": 7, "fleet": "f", "vehicle": "v"})
        assert len(made) <= 3_993
        assert json.loads(made)["body"].endswith("…")


def test_secrets_are_sealed_and_shown_to_nobody(
    engine: Engine, tmp_path: Path, service: PushService, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The signing key and the subscription; a list of routes names the push service only."""
    make_key(tmp_path / "key")
    monkeypatch.setenv("TALLOW_SECRETS_KEY_FILE", str(tmp_path / "key"))
    subscribed(engine, service)
    with engine.connect() as connection:
        for kept in (
            connection.scalar(select(schema.app_secret.c.value).where(schema.app_secret.c.name == "push_key")),
            connection.scalar(select(schema.route.c.address)),
        ):
            assert is_sealed(str(kept))
        (route,) = routes.read_routes(connection)
    assert route.signing_key not in repr(route)
    assert masked(route.address) == f"webpush+https://localhost:{service.server.server_port}"
    with database.writing(engine) as connection:
        assert push.signing_key(connection) == route.signing_key


def add_person(engine: Engine, name: str, depots: tuple[str, ...] = (), role: str = "lead") -> int:
    """Somebody, who needs no password here."""
    with database.writing(engine) as connection:
        values = {"fleets": [], "depots": list(depots), "units": {}, "session": 1, "secret_hash": "x", "role": role}
        done = connection.execute(insert(schema.person).values(name=name, **values).returning(schema.person.c.id))
        return int(done.scalar_one())


@pytest.mark.parametrize(("depots", "sent"), [((), 1), (("Skarvholm Quarry",), 1), (("Estuary Wharf",), 0)])
def test_somebody_is_told_of_what_they_may_see(
    fleet: Engine, service: PushService, depots: tuple[str, ...], sent: int
) -> None:
    """Of their own depots only."""
    me = add_person(fleet, "R. Tarvolen", depots)
    subscribed(fleet, service, me)
    bring_up(fleet)
    assert outbox.deliver(fleet, lambda: NOW, sender(30)) == sent
    assert len(service.got) == sent


def test_nobody_is_told_any_more_who_may_come_in_no_more(fleet: Engine, service: PushService) -> None:
    """Neither a person who was removed, nor whoever was on the machine before anybody was named."""
    first = subscribed(fleet, service)
    with fleet.connect() as connection:
        assert [one.id for one in routes.read_routes(connection)] == [first]
    add_person(fleet, "A. Lindehav")
    me = add_person(fleet, "R. Tarvolen", role="viewer")
    with fleet.connect() as connection:
        assert routes.read_routes(connection) == []
    subscribed(fleet, service, me)  # the same browser, now in other hands
    with database.writing(fleet) as connection:
        assert [one.owner.name for one in routes.read_routes(connection) if one.owner] == ["R. Tarvolen"]
        accounts.remove(connection, "R. Tarvolen")
        assert routes.read_routes(connection) == []
        assert connection.execute(select(schema.push_browser)).all() == []
    bring_up(fleet)
    assert outbox.deliver(fleet, lambda: NOW, sender(30)) == 0


def outbox_rows(engine: Engine) -> list[Any]:
    """What was written down to be sent."""
    with engine.connect() as connection:
        return list(connection.execute(select(schema.outbox).order_by(schema.outbox.c.id)))


def test_a_digest_that_waited_says_what_may_be_told_then(fleet: Engine) -> None:
    """Written in quiet hours; meanwhile one person comes to see other depots only, another other fleets only, a third no more than before,
    and a vehicle moves away: to each what they may see when it is sent, and nothing where that is nothing."""
    five = microseconds(datetime(2024, 10, 5, 5, 0, tzinfo=ZoneInfo("Europe/Oslo")))
    quarry, wharf = "Skarvholm Quarry", "Estuary Wharf"
    with database.writing(fleet) as connection:
        put(connection, finding("blocked_line", channel="p05"), name="HS-103")
        depots.keep_depot(connection, Depot(quarry, digest_min=300, quiet_from_min=1200, quiet_until_min=330))
        for n, name in enumerate(("A. Lindehav", "R. Tarvolen", "N. Vexholm")):
            accounts.add(connection, name, f"skarvholm-{n}-morning", "lead")
            number = connection.scalar(select(schema.person.c.id).where(schema.person.c.name == name))
            to = push.target(f"https://push.example/{n}", UA_PUBLIC, AUTH)
            browsers.subscribe(
                connection, number or 0, "phone", to, severity="plan", at_any_hour=False, now_us=five - DAY_US
            )
        for name in ("HS-102", "HS-103"):
            records.bring_up(connection, vehicle_id(connection, name), NOW)
    digests.make(fleet, five)
    written = [row for row in outbox_rows(fleet) if row.key.startswith("digest/") and row.done_us is None]
    assert [("tipper 102" in row.body, "tipper 103" in row.body) for row in written] == [(True, True)] * 3
    with database.writing(fleet) as connection:
        accounts.set_role(connection, "R. Tarvolen", "technician", (), (wharf,))
        accounts.set_role(connection, "N. Vexholm", "technician", ("another-fleet",), ())
        moved = structs.replace(registry.find(connection, "HS-103").newest, depot=wharf, valid_from_us=NOW)
        vehicle_summary.keep(connection, [moved], NOW)
    later_us = five + 31 * outbox.MINUTE_US
    digests.renew(fleet, later_us)
    sent: list[Message] = []
    outbox.deliver(fleet, lambda: later_us, sent.append)
    told = {
        message.route.owner.name: message.body
        for message in sent
        if message.key.startswith("digest/") and message.route.owner
    }
    assert set(told) == {"A. Lindehav"}
    assert ("tipper 102" in told["A. Lindehav"], "tipper 103" in told["A. Lindehav"]) == (True, False)
    (name,) = {row.dropped_why for row in outbox_rows(fleet) if row.id in {one.id for one in written[1:]}}
    assert name == "nothing stands any more of what may be told here"


def test_that_a_route_fails_is_told_to_nobody_who_sees_less_now(fleet: Engine) -> None:
    """It was written down while they saw all."""
    with database.writing(fleet) as connection:
        failing = routes.add_route(
            connection, "json://a.example", depot=None, severity="note", groups=(), after_min=0, at_any_hour=True
        )
        accounts.add(connection, "A. Lindehav", "skarvholm-1-morning", "lead")
        accounts.add(connection, "R. Tarvolen", "skarvholm-2-morning", "lead")
        number = connection.scalar(select(schema.person.c.id).where(schema.person.c.name == "R. Tarvolen"))
        to = push.target("https://push.example/1", UA_PUBLIC, AUTH)
        browsers.subscribe(connection, number or 0, "phone", to, severity="plan", at_any_hour=True, now_us=NOW)
        route = next(one for one in routes.read_routes(connection) if one.id == failing)
        outbox._report(connection, route, "failing/1/1", NOW, "no answer", "It is tried again")
        accounts.set_role(connection, "R. Tarvolen", "technician", (), ("Estuary Wharf",))
    sent: list[Message] = []
    outbox.deliver(fleet, lambda: NOW, sent.append)
    assert sent == []
    assert [row.dropped_why for row in outbox_rows(fleet)] == [
        "whoever reads there may not read of the whole fleet any more"
    ]


def test_a_person_has_so_many_browsers(engine: Engine) -> None:
    """One clear line beyond; and none may touch another's."""
    with database.writing(engine) as connection:
        for number in range(browsers.MOST + 1):
            to = push.target(f"https://push.example/{number}", UA_PUBLIC, AUTH)
            if number == browsers.MOST:
                with pytest.raises(Problem, match="at most 10 browsers"):
                    browsers.subscribe(connection, 0, "x", to, severity="plan", at_any_hour=False, now_us=NOW)
            else:
                last = browsers.subscribe(connection, 0, "x", to, severity="plan", at_any_hour=False, now_us=NOW)
        with pytest.raises(Problem, match="none of yours"):
            browsers.take_off(connection, 7, last)
        browsers.take_off(connection, 0, last)
        assert len(browsers.of_person(connection, 0, NOW)) == browsers.MOST - 1


def test_reports_are_no_notifications(fleet: Engine, service: PushService) -> None:
    """What people read in peace goes to no browser."""
    subscribed(fleet, service)
    with database.writing(fleet) as connection:
        assert letters.post(connection, "k", "", "t", "b", NOW) == 0


def test_a_trial_says_what_was_answered(engine: Engine, service: PushService) -> None:
    """And keeps it; not again at once."""
    number = subscribed(engine, service)
    with acting_as(OPERATOR), pytest.MonkeyPatch.context() as patch:
        patch.setattr(my_browsers, "engine", lambda: engine)
        service.words = b"created"
        assert "took a trial (HTTP 201: created)" in my_browsers.try_browser(0, number)
        with pytest.raises(Problem, match="ten seconds"):
            my_browsers.try_browser(0, number)
    found = state_of(engine)
    assert found.took
    assert "is not known" in my_browsers.state(found, (found.answered_us or 0) + 1)
    with database.writing(engine) as connection:
        browsers.note_shown(connection, 0, service.endpoint, found.answered_us or 0)
    assert my_browsers.state(state_of(engine), found.answered_us or 0).startswith("Yes: shown by the browser")
