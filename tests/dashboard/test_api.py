"""What programs ask and record by HTTP: by its document, by the rules of who may, and by the standards it names."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import schemathesis
from argon2 import PasswordHasher
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis.strategies import one_of
from openapi_spec_validator import OpenAPIV31SpecValidator
from schemathesis.specs.openapi.checks import positive_data_acceptance
from sqlalchemy import Engine, select

from analytics.account.greased import kept_of
from analytics.account.lives import FAILURES
from analytics.account.prices import HourlyRate, Price
from analytics.hand import HandState
from analytics.pipeline.account import keep_greased, keep_hand
from analytics.planning.greases import Grease
from analytics.vehicle.doses import Doses
from dashboard import access_tokens, accounts, passwords
from dashboard.queries.greases import keep_grease
from dashboard.queries.prices import keep_price, keep_rate
from dashboard.web.app import create_app
from ingest import database, registry, schema
from ingest.errors import Problem
from ingest.times import now_us
from tests.dashboard.test_access import PASSWORD, PEOPLE
from tests.helpers.alarms import bring_up, fleet

__all__ = ["fleet"]
ROOT = "/api/v1"
VEHICLE = "harrowmere-stone/HS-102"


@pytest.fixture
def database_url(tmp_path: Path) -> str:
    """One kind of database is enough here."""
    return f"sqlite:///{tmp_path / 'tallow.db'}"


class Program:
    """A program with a token."""

    def __init__(self, client: FlaskClient, token: str) -> None:
        self._client, self._token = client, token

    def __call__(self, path: str, method: str = "GET", status: int = 200, **more: Any) -> Any:
        """Ask; the answer's body, or the answer where it is no success."""
        headers = {"Authorization": f"Bearer {self._token}"} | more.pop("headers", {})
        answer = self._client.open(ROOT + path, method=method, headers=headers, **more)
        assert answer.status_code == status, answer.text
        return answer.json if status in (200, 201) else answer


class Fleet:
    """An application over a fleet with two alarms, and tokens of its people."""

    def __init__(self, engine: Engine) -> None:
        self.engine, self.app = engine, create_app(engine).server

    def token(self, person: str, scope: str) -> str:
        """A new token of somebody."""
        with database.writing(self.engine) as connection:
            return access_tokens.add(connection, person, "a test", scope, now_us())

    def program(self, person: str, scope: str) -> Program:
        """A program that has one."""
        return Program(self.app.test_client(), self.token(person, scope))


@pytest.fixture
def there(fleet: Engine, monkeypatch: pytest.MonkeyPatch) -> Fleet:
    """A fleet with two alarms on HS-102, and one person of each kind; their hashes are quick ones."""
    monkeypatch.setattr(passwords, "HASHER", PasswordHasher(time_cost=1, memory_cost=64))
    bring_up(fleet)
    with database.writing(fleet) as connection:
        for name, (role, fleets, depots) in PEOPLE.items():
            accounts.add(connection, name, PASSWORD, role, fleets, depots)
    return Fleet(fleet)


def all_of(program: Program, path: str, limit: int) -> list[Any]:
    """A whole list, by its cursors."""
    found, cursor = [], ""
    while True:
        told = program(f"{path}{'&' if '?' in path else '?'}limit={limit}{cursor}")
        assert len(told["items"]) <= limit
        found += told["items"]
        if told["next"] is None:
            return found
        cursor = f"&cursor={told['next']}"


def test_the_document_is_openapi_and_answers_keep_to_it(there: Fleet) -> None:
    """OpenAPI 3.1 by its own validator; then random questions of every kind, valid and not, by an independent client of the document:
    no status, type or shape that the document does not name, and no failure of the server."""
    document = there.app.test_client().get(f"{ROOT}/openapi.json").json
    assert document["openapi"].startswith("3.1")
    OpenAPIV31SpecValidator(document).validate()
    told = schemathesis.openapi.from_wsgi(f"{ROOT}/openapi.json", there.app)
    headers, seen = {"Authorization": f"Bearer {there.token('lead', 'set-up')}"}, set[str]()

    found: list[Any] = list(told.get_all_operations())
    operations = [one.ok() for one in found]

    @settings(max_examples=60, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(case=one_of([operation.as_strategy() for operation in operations]))
    def ask(case: schemathesis.Case[Any]) -> None:
        seen.add(case.operation.label)
        # Names, times and limits that belong together are said in words only.
        case.call_and_validate(headers=headers, excluded_checks=[positive_data_acceptance])

    ask()
    assert len(seen) > 8


def test_nobody_is_let_in_without_a_token(there: Fleet) -> None:
    """Not by none, a wrong one, one of nobody, one that was revoked, nor by a session's cookie."""
    client, token = there.app.test_client(), there.token("viewer", "read")
    for said in (
        "",
        "Bearer",
        "Bearer x",
        f"Bearer {token}x",
        f"Basic {token}",
        "Bearer tallow_99_x",
        "Bearer tallow_²_x",
    ):
        answer = client.get(f"{ROOT}/vehicles", headers={"Authorization": said} if said else {})
        assert (answer.status_code, answer.mimetype) == (401, "application/problem+json")
        assert answer.json["status"] == 401
        assert "Bearer" in answer.headers["WWW-Authenticate"]
    assert client.get(f"{ROOT}/vehicles", headers={"Authorization": f"bearer {token}"}).status_code == 200
    with database.writing(there.engine) as connection:
        (kept,) = access_tokens.tokens(connection)
        assert kept.used_us is not None
        access_tokens.revoke(connection, kept.id)
        with pytest.raises(Problem, match="there is no token"):
            access_tokens.revoke(connection, kept.id)
    assert client.get(f"{ROOT}/vehicles", headers={"Authorization": f"Bearer {token}"}).status_code == 401
    with there.engine.connect() as connection:
        assert token.split("_", 2)[2] not in str(connection.execute(select(schema.access_token)).all())


def test_a_removed_person_has_no_programs(there: Fleet) -> None:
    """Nor does a number of theirs become somebody else's."""
    program = there.program("technician", "record")
    with database.writing(there.engine) as connection:
        accounts.remove(connection, "technician")
        accounts.add(connection, "another", PASSWORD, "lead")
    program("/vehicles", status=401)


@pytest.mark.parametrize(
    ("person", "scope"), [("viewer", "record"), ("technician", "set-up"), ("neighbour", "messages")]
)
def test_a_token_may_no_more_than_its_person(there: Fleet, person: str, scope: str) -> None:
    """Said when it is made."""
    with pytest.raises(Problem, match="is for a"):
        there.token(person, scope)


def test_a_program_sees_what_its_person_sees(there: Fleet) -> None:
    """Vehicles, findings, refills, alarms, work, set-ups and fills; somebody of another fleet none of them."""
    lead, stranger = there.program("lead", "read"), there.program("stranger", "read")
    for path in ("/vehicles", "/findings", "/refills", "/alarms"):
        assert all_of(lead, path, 100)
        assert all_of(stranger, path, 100) == []
    for path in ("", "/work", "/fills"):
        lead(f"/vehicles/{VEHICLE}{path}")
        stranger(f"/vehicles/{VEHICLE}{path}", status=404)
    number = all_of(lead, "/alarms", 100)[0]["number"]
    lead(f"/alarms/{number}")
    stranger(f"/alarms/{number}", status=404)


def test_lists_go_by_cursors(there: Fleet) -> None:
    """One row at a time is the same list, each row once; a cursor of another list is refused."""
    program = there.program("lead", "read")
    for path in ("/vehicles", "/findings", "/findings?open=true", "/refills", "/alarms?state=unacknowledged"):
        assert all_of(program, path, 1) == all_of(program, path, 500)
    cursor = program("/vehicles?limit=1")["next"]
    for said in (cursor, "x", "é", "W10", "WzFd" * 400):
        answer = program(f"/findings?cursor={said}", status=422)
        assert "cursor" in answer.text
    assert "limit" in program("/vehicles?limit=0", status=422).json["errors"]["query"]
    assert "colour" in program("/vehicles?colour=red", status=422).json["errors"]["query"]


@pytest.mark.parametrize("path", ["/api", "/api/", "/api/v2/vehicles", "/api/openapi.json"])
def test_a_program_that_asks_beside_it_gets_no_page(there: Fleet, path: str) -> None:
    """A page with 200 would be read as an answer."""
    answer = there.app.test_client().get(path)
    assert (answer.status_code, answer.mimetype) == (404, "application/problem+json")
    assert f"{ROOT}/openapi.json" in answer.json["detail"]


def test_what_is_known_already_is_not_sent_again(there: Fleet) -> None:
    """By entity tag (RFC 9110)."""
    program = there.program("lead", "read")
    answer = there.app.test_client().get(
        f"{ROOT}/vehicles", headers={"Authorization": f"Bearer {there.token('lead', 'read')}"}
    )
    again = program("/vehicles", headers={"If-None-Match": answer.headers["ETag"]}, status=304)
    assert again.data == b""


def test_an_alarm_is_acknowledged_and_shelved(there: Fleet) -> None:
    """In the name of the person, once, by whom may; a reader not."""
    program, number = (
        there.program("technician", "record"),
        all_of(there.program("lead", "read"), "/alarms", 9)[0]["number"],
    )
    assert there.program("lead", "read")(f"/alarms/{number}/acknowledge", "POST", 403, json={}).json["detail"]
    told = program(f"/alarms/{number}/acknowledge", "POST", json={"why": "on my way"})
    assert (told["state"], told["history"][-1]["who"], told["history"][-1]["why"]) == (
        "acknowledged", "technician", "on my way",
    )  # fmt: skip
    assert "acknowledged" in program(f"/alarms/{number}/acknowledge", "POST", 409, json={}).json["detail"]
    late = {"why": "parts are on order", "until": "2199-01-01T00:00:00Z"}
    assert "within 90 days" in program(f"/alarms/{number}/shelve", "POST", 409, json=late).json["detail"]
    program("/alarms/999999/acknowledge", "POST", 404, json={})


def test_work_is_recorded_once(there: Fleet) -> None:
    """The same record again is one; another under its key is refused; a reader records nothing."""
    program = there.program("technician", "record")
    record = {"key": "w-1", "kind": "filled", "at": "2026-03-01T08:00:00+01:00", "litres": 1.5}
    path = f"/vehicles/{VEHICLE}/work"
    told = program(path, "POST", 201, json=record)
    assert (told["by"], told["at"], told["stands"]) == ("technician", "2026-03-01T07:00:00+00:00", True)
    program(path, "POST", 201, json=record)
    assert "says something else" in program(path, "POST", 422, json=record | {"litres": 2}).json["detail"]
    assert "cannot go into" in program(path, "POST", 422, json=record | {"key": "w-2", "litres": 999}).json["detail"]
    assert there.program("lead", "read")(path, "POST", 403, json=record).mimetype == "application/problem+json"
    assert [one["key"] for one in program(path)] == ["w-1"]


def test_what_was_found_is_recorded_and_told(there: Fleet) -> None:
    """About a finding as the list of findings names it; without one the record is refused."""
    program, path = there.program("technician", "record"), f"/vehicles/{VEHICLE}/work"
    finding = program("/findings")["items"][0]
    record = {
        "key": "w-3",
        "kind": "looked_at",
        "at": "2026-03-01T08:00:00Z",
        "found": "other_cause",
        "cause": "a fuse",
    }
    assert "which finding" in program(path, "POST", 422, json=record).json["detail"]
    told = program(path, "POST", 201, json=record | {"about": finding})
    (kept,) = program(path)
    assert kept == told
    assert (kept["found"], kept["cause"]) == ("other_cause", "a fuse")
    assert kept["about"] == {
        "kind": finding["kind"],
        "channel": finding["channel"],
        "began_at": kept["about"]["began_at"],
    }
    with there.engine.connect() as connection:
        (verdict,) = connection.execute(select(schema.verdict)).all()
        began = connection.execute(
            select(schema.finding.c.began_us).where(schema.finding.c.kind == finding["kind"])
        ).scalars()
        assert verdict.began_us in set(began)
    plain = program(path, "POST", 201, json={"key": "w-4", "kind": "bled", "at": "2026-03-01T08:00:00Z"})
    assert program(path, "POST", 201, json=plain)["about"] is None  # sent back as it was told


def test_a_set_up_is_changed_by_a_lead_who_has_read_it(there: Fleet) -> None:
    """What was read may be sent back; what somebody changed meanwhile is not overwritten; what cannot be is refused by name."""
    program, path = there.program("lead", "set-up"), f"/vehicles/{VEHICLE}"
    read = there.app.test_client().get(ROOT + path, headers={"Authorization": f"Bearer {there.token('lead', 'read')}"})
    changed = read.json | {"interval_min": 33.0, "valid_from": None}
    told = program(path, "PUT", json=changed, headers={"If-Match": read.headers["ETag"]})
    assert (told["interval_min"], len(told["lines"])) == (33.0, len(read.json["lines"]))
    answer = program(path, "PUT", 412, json=changed, headers={"If-Match": read.headers["ETag"]})
    assert "changed it meanwhile" in answer.json["detail"]
    for wrong, where in (
        ({"nlgi": "7"}, "nlgi"),
        ({"run_s": 1e6}, "interval_min"),
        ({"reservoir_l": -1}, "reservoir_l"),
    ):
        assert where in program(path, "PUT", 422, json=changed | wrong).json["detail"]
    assert "timezone" in program(path, "PUT", 422, json=changed | {"timezone": "Mars/Base"}).json["detail"]
    program("/vehicles/harrowmere-stone/HS-999", "PUT", json=changed)
    assert "HS-999" in {one["vehicle"] for one in all_of(program, "/vehicles", 2)}
    there.program("technician", "record")(path, "PUT", 403, json=changed)


def test_messages_are_recorded_once(there: Fleet) -> None:
    """By a token for them, which may do nothing else; what is none goes to quarantine."""
    program = there.program("lead", "messages")
    level = {"seq": 70_001, "at": "2026-03-01T06:00:00Z", "level_pct": 51.5}
    good = {"topic": f"lube/1/{VEHICLE}/level", "payload": level}
    told = program("/messages", "POST", json={"messages": [good, good, {"topic": "lube/1/x", "payload": {}}]})
    assert told == {"recorded": 1, "duplicates": 1, "rejected": 1}
    assert program("/messages", "POST", json={"messages": [good]})["duplicates"] == 1
    program("/vehicles", status=403)
    there.program("technician", "record")("/messages", "POST", 403, json={"messages": [good]})
    with there.engine.connect() as connection:
        row = connection.execute(select(schema.message).where(schema.message.c.seq == 70_001)).one()
    assert row.level_pct == 51.5
    assert row.received_us is not None
    answer = program("/messages", "POST", 422, json={"messages": [{"topic": "x"}]})
    assert json.loads(answer.text)["errors"]["json"]["messages"]


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("level", '{"seq":1,"at":"2026-03-01T06:00:00Z","level_pct":50,"temp_c":NaN}'),
        ("level", '{"seq":1,"at":"2026-03-01T06:00:00Z","level_pct":50,"temp_c":1e999}'),
        ("state", r'{"online":true,"firmware":"\ud800"}'),
        (r"\ud800", "{}"),
    ],
)
def test_a_message_that_no_broker_would_bring_is_refused_by_itself(there: Fleet, topic: str, payload: str) -> None:
    """The others handed in with it are recorded."""
    good = '{"seq":70002,"at":"2026-03-01T06:00:00Z","level_pct":51.5}'
    each = (
        f'{{"topic":"lube/1/{VEHICLE}/{kind}","payload":{said}}}' for kind, said in (("level", good), (topic, payload))
    )
    told = there.program("lead", "messages")(
        "/messages", "POST", data=f'{{"messages":[{",".join(each)}]}}', content_type="application/json"
    )
    assert told == {"recorded": 1, "duplicates": 0, "rejected": 1}


@pytest.mark.parametrize(("body", "why"), [("[" * 100_000, "nested too deeply"), ("9" * 5_000, "too long")])
def test_a_body_that_nobody_can_read_is_a_mistake_of_the_sender(there: Fleet, body: str, why: str) -> None:
    """No failure of the server."""
    program = there.program("lead", "messages")
    assert why in program("/messages", "POST", 400, data=body, content_type="application/json").json["detail"]


def test_the_account_is_told_by_month_and_by_day(there: Fleet) -> None:
    """Two days of ten doses at each point: the first point missed the second day, the last proved nothing. A stranger sees none of it."""
    with database.writing(there.engine) as connection:
        one = registry.find(connection, "HS-102")
        lines = one.newest.lines
        planned = np.full((2, len(lines)), 10.0)
        arrived, failed = planned.copy(), 0 * planned
        arrived[1, 0], failed[1, 0], arrived[:, -1] = 0, 10, 0
        told = Doses(first=date(2026, 2, 16), lines=lines, planned=planned, arrived=arrived, failed=failed)
        keep_greased(connection, one.id, one.newest, kept_of(told, one.setups), None)
    program, stranger = there.program("viewer", "read"), there.program("stranger", "read")
    month = program("/account")
    (sums,) = month["months"]
    assert (sums["month"], sums["planned"], sums["failed"], sums["not_proven"]) == ("2026-02", 20 * len(lines), 10, 20)
    assert sums["low_pct"] is None  # nobody knows of one vehicle how far others differ
    assert [one["failed_pct"] for one in month["worst_points"]] == [50.0]
    days = program(f"/vehicles/{VEHICLE}/doses?month=2026-02")
    assert len(days) == 2 * len(lines)
    assert [day for day in days if day["failed"]] == [
        {"day": "2026-02-17", "depot": one.newest.depot, "line": lines[0].line, "hand_point": None, "planned": 10.0, "arrived": 0.0,
         "failed": 10.0, "not_proven": 0.0}
    ]  # fmt: skip
    assert program(f"/vehicles/{VEHICLE}/doses?month=2026-03") == []
    assert "there is: 2026-02" in program("/account?month=2026-01", status=404).json["detail"]
    stranger("/account", status=404)
    stranger(f"/vehicles/{VEHICLE}/doses?month=2026-02", status=404)
    assert "month" in program("/account?month=2026-13", status=422).json["errors"]["query"]


def test_hand_points_are_set_up_greased_and_listed(there: Fleet) -> None:
    """What a lead registers a technician ticks off; a set-up that says nothing of them leaves them; a stranger sees none."""
    lead, path = there.program("lead", "set-up"), f"/vehicles/{VEHICLE}"
    points = [
        {"number": 2, "point": "tailgate hinges", "every": 30, "unit": "d", "strokes": 4},
        {"number": 1, "point": "slip joint", "every": 250, "unit": "h", "grams": 8.5, "critical": True},
    ]
    read = lead(path)
    told = lead(path, "PUT", json=read | {"hand_points": points, "valid_from": None})
    assert [(one["number"], one["every"], one["grams"]) for one in told["hand_points"]] == [
        (1, 250, 8.5),
        (2, 30, None),
    ]
    left_out = {name: value for name, value in told.items() if name != "hand_points"}
    assert len(lead(path, "PUT", json=left_out | {"unit": "tipper 102 b", "valid_from": None})["hand_points"]) == 2
    for wrong, why in (
        ({"strokes": None}, "grams or strokes"),
        ({"every": 0}, "every"),
        ({"number": 1}, "number 1 is there twice"),
    ):
        changed = read | {"hand_points": [points[0] | wrong, points[1]]}
        assert why in lead(path, "PUT", 422, json=changed).text
    assert "has at least one" in lead(path, "PUT", 422, json=read | {"lines": []}).json["detail"]
    technician = there.program("technician", "record")
    greased = {"key": "g-1", "kind": "points_greased", "at": "2026-03-01T07:00:00Z", "points": [2]}
    assert technician(f"{path}/work", "POST", 201, json=greased)["points"] == [2]
    unknown = technician(f"{path}/work", "POST", 422, json=greased | {"key": "g-2", "points": [9]})
    assert "point 9 is none of the points" in unknown.json["detail"]
    with database.writing(there.engine) as connection:
        one = registry.find(connection, "HS-102")
        first, second = one.newest.hand_points
        due = HandState(point=second, greased_us=1, since=9.0, due_us=2, from_us=2)
        keep_hand(connection, one.id, [HandState(point=first, reason="never greased by record"), due])
    items = all_of(lead, "/hand-points", 1)
    assert items == lead("/hand-points")["items"]
    assert [(one["number"], one["greased_at"], one["state"]) for one in items] == [
        (1, None, "unknown"),
        (2, "2026-03-01T07:00:00Z", "unknown"),  # recorded since the latest analysis, which says the date
    ]
    assert items[0]["reason"] == "never greased by record"
    assert lead("/hand-points?state=unknown")["items"] == items
    assert lead("/hand-points?state=due")["items"] == []
    assert there.program("stranger", "read")("/hand-points") == {"items": [], "next": None}


def test_parts_wear_prices_greases_and_evidence_are_told(there: Fleet) -> None:
    """As the command line prints them; prices to a lead only, of other fleets nothing."""
    with database.writing(there.engine) as connection:
        keep_rate(connection, HourlyRate(currency="EUR", work=65.0, standstill=90.0))
        price = Price(point_kind="kingpin", part=120.0, work_h=2.0, standstill_h=4.0, dry_life_h=500.0)
        keep_price(connection, price, now_us())
        keep_grease(connection, Grease(name="lithium EP", nlgi="2", thickener="lithium", lowest_c=-15.0))
    viewer, stranger = (there.program(name, "read") for name in ("viewer", "stranger"))
    lead = there.program("lead", "set-up")
    parts = viewer("/parts?days=30&depot=Skarvholm%20Quarry")
    assert (parts["days"], set(parts["failures"])) == (30, set(FAILURES))
    assert stranger("/parts")["vehicles"] == 0
    assert "by" in viewer("/parts?by=colour", status=422).json["errors"]["query"]
    assert viewer("/wear") == stranger("/wear") == []
    assert viewer(f"/vehicles/{VEHICLE}/wear") == []
    stranger(f"/vehicles/{VEHICLE}/wear", status=404)
    viewer("/prices", status=403)
    told = lead("/prices")
    assert (told["currency"], told["work_an_hour"], [one["dry_life_h"] for one in told["prices"]]) == ("EUR", 65, [500])
    assert stranger("/money-at-risk") == []
    assert [one["lowest_c"] for one in viewer("/greases")["greases"]] == [-15]
    evidence = viewer(f"/vehicles/{VEHICLE}/evidence?first=2026-02-01&last=2026-02-28&line=5")
    assert (evidence["line"], len(evidence["digest"])) == (5, 64)
    assert "span" in viewer(f"/vehicles/{VEHICLE}/evidence?first=2026-02-28&last=2026-02-01", status=422).json["detail"]
    stranger(f"/vehicles/{VEHICLE}/evidence?first=2026-02-01&last=2026-02-28", status=404)


def test_a_database_that_is_away_is_told_as_a_problem(there: Fleet) -> None:
    """With the time after which to ask again, and none of the driver's words."""
    program = there.program("lead", "read")
    with database.writing(there.engine) as connection:
        connection.exec_driver_sql("DROP TABLE finding")
    answer = program("/findings", status=503)
    assert (answer.mimetype, answer.headers["Retry-After"]) == ("application/problem+json", "10")
    assert "finding" not in answer.text


def test_too_many_questions_are_refused(there: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """By token, with the time after which to ask again."""
    monkeypatch.setattr("dashboard.api.service._MOST_A_MINUTE", 3)
    program, other = there.program("lead", "read"), there.program("viewer", "read")
    for _ in range(3):
        program("/refills")
    answer = program("/refills", status=429)
    assert answer.mimetype == "application/problem+json"
    assert int(answer.headers["Retry-After"]) <= 60
    other("/refills")
