"""What a browser sends to have alerts pushed to it, and who may."""

from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine

from analytics.alarms import browsers, push, routes
from dashboard.web.app import create_app
from ingest import database, times
from tests.analytics.alarms.test_push import AUTH, UA_PUBLIC, add_person

ENDPOINT = "https://push.example/abc"
SAID: dict[str, Any] = {
    "endpoint": ENDPOINT, "keys": {"p256dh": UA_PUBLIC, "auth": AUTH}, "label": "my  phone", "severity": "plan", "any_hour": True,
}  # fmt: skip


@pytest.fixture
def database_url(tmp_path: Path) -> str:
    """One kind of database is enough here."""
    return f"sqlite:///{tmp_path / 'tallow.db'}"


@pytest.fixture
def client(engine: Engine) -> FlaskClient:
    """A browser on the dashboard's machine, before anybody is named."""
    app = create_app(engine)
    app.server.config["PROPAGATE_EXCEPTIONS"] = True
    return app.server.test_client()


def mine(engine: Engine, person: int = 0) -> list[browsers.Browser]:
    """The browsers that are known."""
    with engine.connect() as connection:
        return browsers.of_person(connection, person, times.now_us())


def test_a_browser_subscribes_and_moves(client: FlaskClient, engine: Engine) -> None:
    """By the key that it was given; where its push service gives it another address it stays what it was."""
    key = client.post("/push/key", json={}).json
    with engine.connect() as connection:
        assert key == {"key": push.public_key(push.known_key(connection))}
    assert client.post("/push", json=SAID).status_code == 200
    (one,) = mine(engine)
    assert (one.label, one.severity, one.at_any_hour) == ("my phone", "plan", True)
    assert client.post("/push", json=SAID).status_code == 200  # once more is the same browser
    assert len(mine(engine)) == 1
    moved = {"endpoint": f"{ENDPOINT}2", "keys": SAID["keys"], "replaces": ENDPOINT}
    assert client.post("/push", json=moved).status_code == 200
    (one,) = mine(engine)
    assert (one.label, one.severity) == ("my phone", "plan")
    with engine.connect() as connection:
        assert [push.target_of(r.address).endpoint for r in routes.read_routes(connection)] == [f"{ENDPOINT}2"]
    refused = client.post("/push", json=moved)
    assert (refused.status_code, refused.json) == (400, {"problem": "what it replaces is none of your browsers"})


def test_a_browser_says_that_it_showed_one(client: FlaskClient, engine: Engine) -> None:
    """Which is kept for that browser only."""
    client.post("/push", json=SAID)
    client.post("/push/shown", json={"endpoint": "https://push.example/other"})
    assert mine(engine)[0].shown_us is None
    client.post("/push/shown", json={"endpoint": ENDPOINT})
    assert mine(engine)[0].shown_us is not None
    for path, name in (("/push/shown", "endpoint"), ("/push", "replaces")):
        answer = client.post(path, json=SAID | {name: "\ud800"})
        assert (answer.status_code, answer.json) == (
            400,
            {"problem": "what was written holds characters that cannot be kept"},
        )


@pytest.mark.parametrize(
    ("said", "status"),
    [
        ({**SAID, "endpoint": "https://push.example/" + "x" * 9_000}, 413),
        ({**SAID, "endpoint": None}, 400),
        ({**SAID, "keys": "none"}, 400),
        ({**SAID, "keys": {"p256dh": 7, "auth": []}}, 400),
        ({**SAID, "severity": "loud"}, 400),
        ([1], 400),
        ("x", 400),
    ],
)
def test_what_is_no_subscription_is_told(client: FlaskClient, engine: Engine, said: Any, status: int) -> None:
    """With one clear line, and nothing is kept."""
    answer = client.post("/push", json=said)
    assert answer.status_code == status
    assert answer.json is not None
    assert answer.json["problem"]
    assert mine(engine) == []


def test_who_is_not_signed_in_gets_nothing(client: FlaskClient, engine: Engine) -> None:
    """Nor does a page of another site."""
    elsewhere = client.post("/push", json=SAID, headers={"Origin": "https://elsewhere.example"})
    assert elsewhere.status_code == 403
    assert client.post("/push", data="x").status_code == 415
    add_person(engine, "A. Lindehav")
    for path in ("/push", "/push/key", "/push/shown"):
        assert client.post(path, json=SAID).status_code == 401
    with database.writing(engine) as connection:
        assert routes.read_routes(connection) == []


def test_the_worker_is_served_for_all_pages(client: FlaskClient) -> None:
    """From the top, since a worker counts for what lies below it; as a script, and anew each time."""
    answer = client.get("/push-worker.js")
    assert answer.mimetype == "text/javascript"
    assert answer.headers["Cache-Control"] == "no-store"
    assert 'addEventListener("push"' in answer.text


def test_the_page_can_be_put_on_a_home_screen(client: FlaskClient) -> None:
    """Some phones take pushed alerts from nothing else: its manifest is named on the page, and what it names is there."""
    assert '<link rel="manifest" href="/assets/manifest.json"' in client.get("/").text
    with client.get("/assets/manifest.json") as answer:
        told: Any = answer.json
    assert (told["start_url"], told["display"]) == ("/", "standalone")
    for icon in told["icons"]:
        with client.get(icon["src"]) as answer:
            assert answer.mimetype == icon["type"]
