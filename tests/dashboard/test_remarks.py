"""Remarks and photos on work: what is kept of them, what is refused, and who may add and see them; the history of work."""

import io
import json
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import dash
import pytest
from argon2 import PasswordHasher
from flask.testing import FlaskClient
from PIL import Image
from sqlalchemy import Engine

from dashboard import accounts, passwords, photos
from dashboard.exports import csv
from dashboard.queries import work
from dashboard.queries.scope import Scope
from dashboard.web.app import create_app
from ingest import database, registry, remarks, times, work_records
from ingest.errors import Problem
from ingest.work import work_of
from tests.conftest import page_request
from tests.dashboard.test_access import PASSWORD, PEOPLE, sign_in
from tests.helpers.alarms import bring_up, fleet

__all__ = ["fleet"]

ADDRESS = "/remark/harrowmere-stone/HS-102"
PHOTO = "/photo/harrowmere-stone/HS-102"


def picture(size: tuple[int, int] = (60, 40), kind: str = "JPEG", **also: Any) -> bytes:
    """A picture whose left half is red."""
    image = Image.new("RGB", size, "white")
    image.paste((200, 0, 0), (0, 0, size[0] // 2, size[1]))
    out = io.BytesIO()
    image.save(out, kind, **also)
    return out.getvalue()


def with_camera() -> bytes:
    """A picture as a phone makes it: lying on its side, with place and maker (tags of Exif 2.3: 0x0112 orientation, 0x010F maker, 0x8825
    place)."""
    exif = Image.Exif()
    exif[0x0112] = 6  # to be turned by a quarter to the right
    exif[0x010F] = "an invented camera"
    exif.get_ifd(0x8825)[1] = "N"
    return picture(exif=exif.tobytes(), comment=b"where it was taken")


def huge_png() -> bytes:
    """A small file that says that it is 60,000 pixels a side (PNG: a length, a type, data and CRC-32 for each chunk)."""
    head = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    chunks = [(b"IHDR", head), (b"IDAT", zlib.compress(b"\0" * 1000)), (b"IEND", b"")]
    packed = (struct.pack(">I", len(d)) + n + d + struct.pack(">I", zlib.crc32(n + d)) for n, d in chunks)
    return b"\x89PNG\r\n\x1a\n" + b"".join(packed)


def test_a_photo_is_made_anew() -> None:
    """Upright, and without anything of the file but what is seen."""
    sent = with_camera()
    assert b"invented camera" in sent
    kept = photos.made_anew(sent)
    assert (kept.width, kept.height) == (40, 60)
    with Image.open(io.BytesIO(kept.jpeg)) as image:
        assert image.format == "JPEG"
        assert image.size == (40, 60)
        assert not image.getexif()
        assert not {"exif", "comment", "icc_profile"} & set(image.info)
        top, bottom = image.getpixel((20, 5)), image.getpixel((20, 55))
    assert isinstance(top, tuple)
    assert isinstance(bottom, tuple)
    assert top[1] < 60  # red
    assert bottom[1] > 200  # white
    assert b"invented camera" not in kept.jpeg


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_large_photo_is_made_smaller(kind: str) -> None:
    """1600 pixels a side are enough to see a fitting."""
    kept = photos.made_anew(picture((2400, 1200), kind))
    assert (kept.width, kept.height) == (1600, 800)


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        (b"", "no photo"),
        (b"GIF89a, or so it says", "no photo"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "no photo"),
        (picture(kind="BMP"), "no photo"),
        (picture((600, 400))[:2000], "damaged"),
        (picture((300, 200), "PNG")[:150], "damaged"),
        (huge_png(), "million pixels"),
        (b"\xff\xd8" + b"x" * photos.LARGEST_BYTES, "at most 10 MB"),
    ],
    ids=["empty", "text", "drawing", "another kind", "cut", "cut png", "huge", "heavy"],
)
def test_what_is_no_photo_is_refused(sent: bytes, told: str) -> None:
    """In one line that says why."""
    with pytest.raises(Problem, match=told) as refused:
        photos.made_anew(sent)
    assert "\n" not in str(refused.value)


@pytest.fixture
def database_url(tmp_path: Path) -> str:
    """One kind of database is enough here."""
    return f"sqlite:///{tmp_path / 'tallow.db'}"


@pytest.fixture
def app(fleet: Engine, monkeypatch: pytest.MonkeyPatch) -> dash.Dash:
    """The application over a fleet with one record of work, and one person of each kind."""
    monkeypatch.setattr(passwords, "HASHER", PasswordHasher(time_cost=1, memory_cost=64))
    bring_up(fleet)
    with database.writing(fleet) as connection:
        for name, (role, fleets, depots) in PEOPLE.items():
            accounts.add(connection, name, PASSWORD, role, fleets, depots)
        found = registry.find(connection, "harrowmere-stone/HS-102")
        said = {
            "key": "w1",
            "kind": "line_mended",
            "lines": [5],
            "by": "technician",
            "at_us": times.now_us() - 3_600_000_000,
        }
        work_records.record(connection, found.id, found.setups, work_of(said), times.now_us())
    return create_app(fleet)


def sent(client: FlaskClient, key: str, body: bytes, mimetype: str = "image/jpeg") -> Any:
    return client.post(f"{ADDRESS}/w1/{key}", data=body, content_type=mimetype)


def problem(answer: Any) -> str:
    """What is wrong, as the server says it."""
    return str(answer.json["problem"])


def test_who_may_add_and_see_a_photo(app: dash.Dash, fleet: Engine) -> None:
    """Technicians of the vehicle add; whoever sees the vehicle sees the photo; others do not learn that it is there."""
    technician = sign_in(app, "technician")
    assert sent(technician, "r1", with_camera()).status_code == 200
    assert sent(technician, "r1", with_camera()).status_code == 200  # the same sent twice is one
    words = technician.post(f"{ADDRESS}/w1/r2", json={"text": "<b>kinked</b>", "by": "somebody else"})
    assert (words.status_code, words.json) == (200, {})
    of_another = technician.post(f"{ADDRESS}/w1/r3", json={"text": "made on a shared phone", "by": "lead"})
    assert (of_another.status_code, problem(of_another)) == (409, "lead made this, and technician is signed in")
    with fleet.connect() as connection:
        kept = remarks.read(connection, ["w1"])["w1"]
    assert [(one.key, one.who, one.size) for one in kept] == [
        ("r1", "technician", (40, 60)),
        ("r2", "technician", None),
    ]
    for name, status in (("viewer", 200), ("lead", 200), ("stranger", 404), ("neighbour", 404)):
        assert sign_in(app, name).get(f"{PHOTO}/r1.jpg").status_code == status
    shown = technician.get(f"{PHOTO}/r1.jpg")
    assert shown.mimetype == "image/jpeg"
    assert shown.headers["X-Content-Type-Options"] == "nosniff"
    assert shown.headers["Cache-Control"].startswith("private")
    assert technician.get("/photo/harrowmere-stone/HS-101/r1.jpg").status_code == 404  # of another vehicle
    assert technician.get(f"{PHOTO}/r2.jpg").status_code == 404
    assert app.server.test_client().get(f"{PHOTO}/r1.jpg").status_code in (302, 401)
    page = technician.post("/_dash-update-component", json=page_request("/vehicle/harrowmere-stone/HS-102"))
    assert f"{PHOTO}/r1.jpg" in json.dumps(page.json)


def test_what_is_refused(app: dash.Dash, fleet: Engine) -> None:
    """Others' vehicles, other roles, other records, what is no photo, what is too large; nothing of it is kept."""
    for name, told in (("viewer", "only a technician"), ("stranger", "is registered"), ("neighbour", "is registered")):
        answer = sent(sign_in(app, name), "r1", picture())
        assert answer.status_code == 400
        assert told in answer.json["problem"]
    assert sent(app.server.test_client(), "r1", picture()).status_code in (302, 401)
    client = sign_in(app, "technician")
    assert "no photo" in sent(client, "r1", b"no picture").json["problem"]
    assert sent(client, "r1", picture(), "text/html").status_code == 415
    assert sent(client, "r1", picture(), "multipart/form-data").status_code == 415
    assert sent(client, "r1", b"x" * (photos.LARGEST_BYTES + 1)).status_code == 413
    assert "no photo" in problem(sent(client, "r1", b"x" * photos.LARGEST_BYTES))  # it is looked at, whoever sends it
    assert "no such record" in problem(client.post(f"{ADDRESS}/w9/r1", json={"text": "x"}))
    assert "no such record" in problem(client.post("/remark/harrowmere-stone/HS-101/w1/r1", json={"text": "x"}))
    assert client.post(f"{ADDRESS}/w1/a.b", json={"text": "x"}).status_code == 400
    assert "say something" in problem(client.post(f"{ADDRESS}/w1/r1", json={"text": " "}))
    assert client.post(f"{ADDRESS}/w1/r1", json={"text": "x" * 1001}).status_code == 400
    assert client.post(f"{ADDRESS}/w1/r1", json=["x"]).status_code == 400
    for other_site in ("https://elsewhere.example", "http://[", "null", "", "http://localhost@elsewhere.example"):
        answer = client.post(f"{ADDRESS}/w1/r1", json={"text": "x"}, headers={"Origin": other_site})
        assert answer.status_code == 403, other_site
    with database.writing(fleet) as connection:
        assert remarks.read(connection, ["w1"]) == {}
        found = registry.find(connection, "harrowmere-stone/HS-102")

        def add(key: str) -> bool:
            return remarks.add(connection, found.id, "w1", remarks.Remark(key=key, at_us=1, who="x", text="y"))

        assert all(add(f"r{k}") for k in range(remarks.MOST_REMARKS))
        assert not add("r0")
        with pytest.raises(Problem, match="at most 40"):
            add("one-more")


@pytest.fixture
def done(app: dash.Dash, fleet: Engine) -> Callable[..., list[str]]:
    """More work, some of it corrected and withdrawn; gives keys of what a question finds."""
    assert app is not None
    now = times.now_us()
    with database.writing(fleet) as connection:
        for key, vehicle, said in (
            ("w2", "HS-101", {"kind": "filled", "to_pct": 100, "at_us": now - 60_000_000}),
            ("w3", "HS-102", {"kind": "filled", "to_pct": 90, "at_us": now - 50_000_000}),
            ("w4", "HS-102", {"kind": "filled", "to_pct": 95, "at_us": now - 40_000_000, "corrects": "w3"}),
            ("w5", "HS-101", {"kind": "filled", "withdrawn": True, "at_us": now - 30_000_000, "corrects": "w2"}),
        ):
            found = registry.find(connection, f"harrowmere-stone/{vehicle}")
            work_records.record(connection, found.id, found.setups, work_of(said | {"key": key, "by": "x"}), now)
        remarks.add(connection, registry.find(connection, "harrowmere-stone/HS-102").id, "w4",
                    remarks.Remark(key="r1", at_us=now, who="x", text="=1+1"))  # fmt: skip

    def found_by(*asked: Any, **also: Any) -> list[str]:
        return [row.work.key for row in work.work(fleet, *asked, **also).rows]

    return found_by


def test_work_is_found_by_vehicle_kind_and_depot(done: Callable[..., list[str]], fleet: Engine) -> None:
    """The latest first; what no longer stands is there and says so, withdrawals are no work; of another fleet or depot nothing is found."""
    assert done() == ["w4", "w3", "w2", "w1"]
    assert done(vehicle="tipper 101") == ["w2"]
    assert done(vehicle="102", kind="filled") == ["w4", "w3"]
    assert done(vehicle="%") == []
    assert done(Scope(depot="nowhere")) == []
    assert done(page=2, page_rows=3) == ["w1"]
    view = work.work(fleet, page_rows=3)
    assert view.more
    assert [row.stands for row in view.rows] == [True, False, False]
    rows = csv.work_table(work.work(fleet).rows)
    assert [(row["stands"], row["to_pct"]) for row in rows] == [("yes", "95"), ("no", "90"), ("no", "100"), ("yes", "")]
    assert rows[0]["remarks"] == "x: =1+1"
    for name, sees in (("viewer", True), ("stranger", False), ("neighbour", False)):
        with fleet.connect() as connection:
            person = next(one for one in accounts.people(connection) if one.name == name)
        with accounts.acting_as(person):
            assert bool(work.work(fleet).rows) is sees
