"""Servers of ISO/TS 15143-3 that are polled, against one that answers like the standard's public descriptions.

Element names are those of the public descriptions; the shape of links (`Links` of `rel` and `href`) and of time series is from memory.
"""

import contextlib
import json
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from sqlalchemy import Engine, select

from ingest import database, schema, stands, telematics
from ingest.errors import Problem
from ingest.formats.iso15143 import Equipment, Reader, Seen
from ingest.recorder import Recorder
from ingest.sealing import is_sealed, make_key
from ingest.telematics import Source, keep, poll, poll_due, remove, sources
from ingest.times import DAY_US, HOUR_US, read_time
from tests.dashboard.test_command import tallow

NOW = read_time("2026-03-01T12:00:00Z")
TOKEN = "Authorization: Bearer hush"


@pytest.fixture
def database_url(tmp_path: Path) -> str:
    """One kind of database is enough here."""
    return f"sqlite:///{tmp_path / 'tallow.db'}"


def equipment(
    id_: str, hours: float, at: str = "2026-03-01T06:00:00Z", place: tuple[float, float] | None = None
) -> str:
    """An element of a snapshot."""
    where = (
        ""
        if place is None
        else f'<Location datetime="{at}"><Latitude>{place[0]}</Latitude><Longitude>{place[1]}</Longitude></Location>'
    )
    return (
        f"<Equipment><EquipmentHeader><EquipmentID>{id_}</EquipmentID></EquipmentHeader>{where}"
        f'<CumulativeOperatingHours datetime="{at}"><Hour>{hours}</Hour></CumulativeOperatingHours></Equipment>'
    )


class Server:
    """A telematics server: pages of a snapshot as XML, or one as JSON, and time series; with tags, dates and its own ways to fail."""

    def __init__(self) -> None:
        self.pages: list[str] = []
        self.series: dict[str, list[tuple[str, float]]] = {}
        self.series_fail: dict[str, int] = {}
        self.asked: list[tuple[str, dict[str, str]]] = []
        self.fail: tuple[int, dict[str, str]] | None = None
        self.as_json = self.drips = False
        self.links_to = ""
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                path = unquote(self.path)
                outer.asked.append((path, {k.casefold(): v for k, v in self.headers.items()}))
                if self.headers.get("Authorization") != "Bearer hush":
                    self.send_error(401)
                elif outer.fail is not None:
                    status, more = outer.fail
                    self.send_response(status)
                    for name, value in more.items():
                        self.send_header(name, value)
                    self.end_headers()
                elif path.startswith("/Fleet/Equipment/"):
                    self._series(path)
                else:
                    self._page(int(path.rsplit("/", 1)[1]))

            def _page(self, number: int) -> None:
                body = outer.page(number)
                tag = f'"{hash(body)}"'
                if self.headers.get("If-None-Match") == tag:
                    self.send_response(304)
                    self.end_headers()
                    return
                self._answer(body, {"ETag": tag, "Last-Modified": "Sun, 01 Mar 2026 06:10:00 GMT"})

            def _series(self, path: str) -> None:
                _, _, _, _, id_, _, begin, end, _ = path.split("/")
                if id_ in outer.series_fail:
                    self.send_error(outer.series_fail[id_])
                    return
                if id_ not in outer.series:
                    self.send_error(404)
                    return
                rows = "".join(
                    f'<CumulativeOperatingHours datetime="{at}"><Hour>{hours}</Hour></CumulativeOperatingHours>'
                    for at, hours in outer.series[id_]
                    if read_time(begin) <= read_time(at) <= read_time(end)
                )
                self._answer(
                    f"<Messages><EquipmentHeader><EquipmentID>{id_}</EquipmentID></EquipmentHeader>{rows}</Messages>",
                    {},
                )

            def _answer(self, body: str, more: dict[str, str]) -> None:
                self.send_response(200)
                for name, value in more.items():
                    self.send_header(name, value)
                self.end_headers()
                with contextlib.suppress(OSError):  # nobody listens any more
                    while outer.drips:
                        self.wfile.write(b" ")
                        time.sleep(0.05)
                    self.wfile.write(body.encode())

            def log_message(self, *_: Any) -> None:
                """Say nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.base = f"http://127.0.0.1:{self.server.server_port}"

    def page(self, number: int) -> str:
        """A page with its links."""
        following = self.links_to or (f"/Fleet/{number + 1}" if number < len(self.pages) else "")
        if self.as_json:
            links = [{"Rel": "self", "Href": f"/Fleet/{number}"}] + (
                [{"Rel": "next", "Href": following}] if following else []
            )
            hours = {"Hour": 50.5, "Datetime": "2026-03-01T06:00:00Z"}
            return json.dumps(
                {
                    "Links": links,
                    "Equipment": [{"EquipmentHeader": {"EquipmentID": "EX-7"}, "CumulativeOperatingHours": hours}],
                }
            )
        link = f"<Links><rel>next</rel><href>{following}</href></Links>" if following else ""
        return f'<Fleet version="1"><Links><rel>self</rel><href>/Fleet/{number}</href></Links>{link}{self.pages[number - 1]}</Fleet>'


@pytest.fixture
def server() -> Iterator[Server]:
    """A server that listens."""
    made = Server()
    thread = threading.Thread(target=made.server.serve_forever)
    thread.start()
    yield made
    made.server.shutdown()
    thread.join()
    made.server.server_close()


def said(server: Server, **more: Any) -> Equipment:
    """A mapping for it."""
    values: dict[str, Any] = {"vehicles": {"EX-7": "L7", "EX-8": "L8"}, "address": f"{server.base}/Fleet/1"}
    return Equipment("maker", "quarry", **(values | more))


def added(engine: Engine, one: Equipment, header: str | None = TOKEN) -> Source:
    """A server that is polled."""
    with database.writing(engine) as connection:
        keep(connection, one, header)
    return again(engine)


def again(engine: Engine) -> Source:
    """As it is kept now."""
    with engine.connect() as connection:
        (found,) = sources(connection)
    return found


def hours(engine: Engine) -> list[tuple[str, float]]:
    """What was recorded, by vehicle and time."""
    message, vehicle = schema.message, schema.vehicle
    with engine.connect() as connection:
        rows = connection.execute(
            select(vehicle.c.vehicle, message.c.engine_h)
            .join(vehicle, vehicle.c.id == message.c.vehicle_id)
            .order_by(vehicle.c.vehicle, message.c.at_us)
        )
        return [(name, h) for name, h in rows]


def test_all_pages_are_read_once_and_only_what_changed_again(server: Server, engine: Engine) -> None:
    """By links from page to page; unchanged ones by their tags; a reading that comes again is known."""
    server.pages = [equipment("EX-7", 100.0), equipment("EX-8", 7.0) + equipment("EX-9", 1.0)]
    source = added(engine, said(server))
    told = poll(engine, source, NOW)
    assert (told.pages, told.unchanged, told.tally.recorded.total(), told.problem) == (2, 0, 2, None)
    assert "EX-9" in told.unknown
    told = poll(engine, again(engine), NOW)
    assert (told.pages, told.unchanged, told.tally.recorded.total()) == (2, 2, 0)
    assert server.asked[-1][1]["if-modified-since"] == "Sun, 01 Mar 2026 06:10:00 GMT"
    server.pages[1] = equipment("EX-8", 7.0) + equipment("EX-8", 9.0, "2026-03-01T08:00:00Z")
    told = poll(engine, again(engine), NOW)
    assert (told.unchanged, told.tally.recorded.total(), told.tally.duplicates) == (1, 1, 1)
    assert hours(engine) == [("L7", 100.0), ("L8", 7.0), ("L8", 9.0)]


def test_json_pages_are_followed_too(server: Server, engine: Engine) -> None:
    """Names in other letters, links of relation next."""
    server.as_json, server.pages = True, ["", ""]
    told = poll(engine, added(engine, said(server)), NOW)
    assert (told.pages, told.tally.recorded.total(), told.tally.duplicates, told.problem) == (2, 1, 1, None)
    assert hours(engine) == [("L7", 50.5)]


def test_series_go_on_where_they_were_asked_for_last(server: Server, engine: Engine) -> None:
    """With a day's overlap for what the server heard late; a meter put to zero is a reading like others; who has no series is named."""
    server.series = {
        "EX-7": [("2026-02-20T06:00:00Z", 1.0), ("2026-02-28T20:00:00Z", 9.5), ("2026-03-01T06:00:00Z", 0.5)]
    }
    series = f"{server.base}/Fleet/Equipment/ID/{{id}}/Hours/{{from}}/{{to}}/1"
    source = added(engine, said(server, address="", series=series))
    told = poll(engine, source, NOW)
    assert (told.tally.recorded.total(), told.missing, told.problem) == (3, ["EX-8"], None)
    assert "no series of EX-8" in told.told
    server.series["EX-7"].append(("2026-02-28T13:00:00Z", 9.0))  # heard late
    told = poll(engine, again(engine), NOW + HOUR_US)
    path = next(path for path, _ in reversed(server.asked) if "/EX-7/" in path)
    assert "/2026-02-28T12:00:00Z/2026-03-01T13:00:00Z/" in path
    assert (told.tally.recorded.total(), told.tally.duplicates) == (1, 2)


@pytest.mark.parametrize("status", [400, 500, 503])
def test_a_vehicle_that_fails_leaves_the_others_theirs(server: Server, engine: Engine, status: int) -> None:
    """It is asked again from where it was; one that is no more has no series; a page that cannot be read is a failure as well."""
    names = {f"EX-{n}": f"L{n}" for n in range(6)}
    good: list[Any] = [("2026-03-01T06:00:00Z", 1.0)]
    server.series = dict.fromkeys(names, good) | {"EX-2": [("2026-03-01T06:00:00Z", "<")]}
    server.series_fail = {"EX-0": status, "EX-3": 410}
    series = f"{server.base}/Fleet/Equipment/ID/{{id}}/Hours/{{from}}/{{to}}/1"
    told = poll(engine, added(engine, said(server, address="", series=series, vehicles=names)), NOW)
    assert told.problem == f"maker: series of EX-0 (and 1 more): it gives no page (HTTP {status})"
    assert (told.missing, sorted(again(engine).series_us)) == (["EX-3"], ["EX-1", "EX-4", "EX-5"])
    assert hours(engine) == [("L1", 1.0), ("L4", 1.0), ("L5", 1.0)]
    assert again(engine).failures == 1


@pytest.mark.parametrize("status", [401, 403, 429])
def test_who_is_not_let_in_asks_for_no_other_vehicle(server: Server, engine: Engine, status: int) -> None:
    """Once is enough, whichever is asked for first."""
    server.series_fail = {"EX-7": status, "EX-8": status}
    series = f"{server.base}/Fleet/Equipment/ID/{{id}}/Hours/{{from}}/{{to}}/1"
    assert f"(HTTP {status})" in str(poll(engine, added(engine, said(server, address="", series=series)), NOW).problem)
    assert len(server.asked) == 1


def test_a_look_at_a_server_ends(server: Server, engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that goes on and on, a byte at a time, is left for the next time, and nothing else of it is asked for."""
    monkeypatch.setattr(telematics, "_LOOK_S", 0.3)
    server.drips = True
    series = f"{server.base}/Fleet/Equipment/ID/{{id}}/Hours/{{from}}/{{to}}/1"
    server.series = {"EX-7": [], "EX-8": []}
    told = poll(engine, added(engine, said(server, address="", series=series)), NOW)
    assert "not all of it was there after" in str(told.problem)
    assert (len(server.asked), again(engine).failures) == (1, 1)


def test_a_failure_is_one_line_and_the_server_is_left_alone(server: Server, engine: Engine) -> None:
    """Twice as long each time, or as long as it says; who names it has it asked at once."""
    server.pages = [equipment("EX-7", 100.0)]
    added(engine, said(server))
    server.fail = (503, {})
    waits = []
    for _ in range(3):
        told = poll(engine, again(engine), NOW)
        assert told.problem == "maker: it gives no page (HTTP 503)"
        waits.append((again(engine).next_try_us - NOW) / 1e6)
    assert waits == [60, 120, 240]
    server.fail = (429, {"Retry-After": "900"})
    assert "asked too often (HTTP 429)" in str(poll(engine, again(engine), NOW).problem)
    assert again(engine).next_try_us == NOW + 900_000_000
    number = len(server.asked)
    (left,) = poll_due(engine, lambda: NOW + 1)
    assert "left alone until 12:15 UTC" in str(left.problem)
    assert len(server.asked) == number
    server.fail = None
    (told,) = poll_due(engine, lambda: NOW + 1, ("maker",))
    assert told.problem is None
    assert (again(engine).failures, again(engine).next_try_us) == (0, 0)
    with pytest.raises(Problem, match="no server is called 'other'"):
        poll_due(engine, lambda: NOW, ("other",))


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (
            {"fail": (302, {"Location": "http://169.254.169.254/"})},
            "answers by a redirect, which is not followed (HTTP 302)",
        ),
        ({"fail": (404, {})}, "there is no such page; look at the address in the mapping (HTTP 404)"),
        ({"pages": ["<broken"]}, "page 1 is neither XML nor JSON that can be read"),
        ({"links_to": "/Fleet/1"}, "its pages lead in a circle"),
        ({"links_to": "http://[x"}, "the address of its next page is none: 'http://[x'"),
        ({"links_to": "https://elsewhere.example/Fleet/2"}, "its next page is on another server (elsewhere.example)"),
    ],
)
def test_what_goes_wrong_is_told_in_one_line(server: Server, engine: Engine, change: dict[str, Any], why: str) -> None:
    """And what lets us in is sent to no other server."""
    server.pages = [equipment("EX-7", 100.0)]
    vars(server).update(change)
    told = poll(engine, added(engine, said(server)), NOW)
    assert told.problem is not None
    assert why in told.problem
    assert "\n" not in told.problem
    assert len(server.asked) == 1


def test_who_is_not_let_in_is_told(server: Server, engine: Engine) -> None:
    """Without the header, and where nobody listens."""
    told = poll(engine, added(engine, said(server), None), NOW)
    assert "it does not let us in" in str(told.problem)
    told = poll(engine, added(engine, said(server, address="http://127.0.0.1:1/Fleet/1")), NOW)
    assert "could not be asked" in str(told.problem)


def test_the_header_is_sealed_and_forgotten(
    server: Server, engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As other secrets are."""
    make_key(tmp_path / "key")
    monkeypatch.setenv("TALLOW_SECRETS_KEY_FILE", str(tmp_path / "key"))
    assert added(engine, said(server)).header == TOKEN
    with database.writing(engine) as connection:
        assert is_sealed(str(connection.scalar(select(schema.telematics.c.header))))
        assert telematics.seal_headers(connection) == 1
        remove(connection, "maker")
        assert sources(connection) == []
        with pytest.raises(Problem, match="no server is called"):
            remove(connection, "maker")


@pytest.mark.parametrize(
    ("more", "header", "why"),
    [
        ({"address": ""}, None, "names no address"),
        ({"address": "ftp://server.example/x"}, None, "is no address such as"),
        ({"address": "https://me:pw@server.example/x"}, None, "without name and password"),
        ({"address": "http://server.example/x"}, TOKEN, "would travel readable"),
        ({"series": "https://server.example/{id}"}, None, "series needs"),
        ({}, "Bearer hush", "one line such as"),
        ({}, "A: b\nC: d", "one line such as"),
    ],
)
def test_a_bad_setting_is_one_clear_line(server: Server, more: dict[str, Any], header: str | None, why: str) -> None:
    """Before anything is kept."""
    with pytest.raises(Problem, match=why) as found:
        telematics.check(said(server, **more), header)
    assert "\n" not in str(found.value)


# Where vehicles stand -----------------------------------------------------------------------------------------------

YARD, QUARRY = (59.9139, 10.7522), (60.3913, 5.3221)


def test_distances_are_great_circles() -> None:
    """A degree of a meridian is 111.2 km on a sphere of 6,371 km (2 pi r / 360); from pole to pole it is pi r."""
    assert stands.distance_m(0, 0, 1, 0) == pytest.approx(111_195, rel=1e-4)
    assert stands.distance_m(90, 0, -90, 50) == pytest.approx(3.14159265 * 6_371_008.8)
    assert stands.distance_m(0, 179.999, 0, -179.999) == pytest.approx(222.4, rel=1e-3)


def placed(engine: Engine, **places: tuple[float, float]) -> None:
    """Depots with a position."""
    values = {"lead_days": 7.0, "digest_min": 360, "radius_m": 300.0}
    with database.writing(engine) as connection:
        for name, (latitude, longitude) in places.items():
            connection.execute(
                schema.depot.insert().values(name=name, latitude=latitude, longitude=longitude, **values)
            )


def stood(engine: Engine) -> list[tuple[str, int, int]]:
    """What is kept: depot, from and to, hours before now."""
    with engine.connect() as connection:
        rows = connection.execute(select(schema.stood).order_by(schema.stood.c.until_us))
        return [(row.depot, (NOW - row.since_us) // HOUR_US, (NOW - row.until_us) // HOUR_US) for row in rows]


def test_positions_are_looked_at_only_where_both_ask_for_it(server: Server, engine: Engine) -> None:
    """The mapping and a depot; then it is kept where a vehicle stood, and no position."""
    server.pages = [equipment("EX-7", 1.0, place=YARD)]
    assert poll(engine, added(engine, said(server)), NOW).places == 0
    assert poll(engine, added(engine, said(server, positions=True)), NOW).places == 1
    assert stood(engine) == []
    placed(engine, Yard=YARD)
    assert poll(engine, added(engine, said(server, positions=True)), NOW).places == 1
    assert stood(engine) == [("Yard", 6, 6)]
    names = {
        column.name for table in schema.metadata.tables.values() if table.name != "depot" for column in table.columns
    }
    assert not names & {"latitude", "longitude"}


def test_a_stay_is_from_the_first_to_the_last_time(engine: Engine) -> None:
    """Late positions, those of clocks ahead and of strangers say nothing; old stays are let go of."""
    placed(engine, Yard=YARD, Quarry=QUARRY)
    hour = said_by("meter")
    Recorder(engine, "test").record([hour])

    def see(at_h: float, place: tuple[float, float], vehicle: str = "L7") -> int:
        with database.writing(engine) as connection:
            return stands.note(connection, [Seen("quarry", vehicle, NOW + int(at_h * HOUR_US), *place)], NOW)

    assert [see(-30, YARD), see(-20, YARD), see(-25, QUARRY), see(5, QUARRY), see(-19, YARD, "other")] == [
        1,
        1,
        0,
        0,
        0,
    ]
    assert stood(engine) == [("Yard", 30, 20)]
    see(-10, (59.93, 10.7522))  # two kilometres off
    see(-5, QUARRY)
    see(-1, QUARRY)
    assert stood(engine) == [("Yard", 30, 20), ("", 10, 10), ("Quarry", 5, 1)]
    with database.writing(engine) as connection:
        assert stands.prune(connection, NOW + 15 * DAY_US) == 3


def said_by(source: str) -> Any:
    """A reading that makes a vehicle known."""
    page = Reader(Equipment(source, "quarry", vehicles={"EX-7": "L7"})).page("x", equipment("EX-7", 1.0).encode())
    return page.arrivals[0]


def test_the_commands_poll(server: Server, tmp_path: Path) -> None:
    """Added by its mapping and a file with the header, polled, listed, failing with one line, removed; the header is printed nowhere."""
    server.pages = [equipment("EX-7", 100.0)]
    mapping, header, url = tmp_path / "map.toml", tmp_path / "header", f"sqlite:///{tmp_path / 'tallow.db'}"
    mapping.write_text(
        f'source = "maker"\nfleet = "quarry"\nvehicles = {{ "EX-7" = "L7" }}\naddress = "{server.base}/Fleet/1"\n'
    )
    header.write_text(TOKEN + "\n")
    added = tallow("poll", "add", str(mapping), "--header-file", str(header), database=url)
    assert (added.returncode, added.stderr) == (0, "")
    ran = tallow("poll", "run", database=url)
    assert (ran.returncode, ran.stdout) == (
        0,
        "maker: 1 page, 0 unchanged; 1 readings recorded, 0 known, 0 rejected\n",
    )
    server.fail = (500, {})
    failed = tallow("poll", "run", database=url)
    assert (failed.returncode, failed.stderr) == (1, "maker: it gives no page (HTTP 500)\n")
    listed = tallow("poll", "list", database=url)
    assert "maker, rank 1, " in listed.stdout
    assert "it gives no page (HTTP 500) (1 failures in a row)" in listed.stdout
    assert "hush" not in "".join(one.stdout + one.stderr for one in (added, ran, failed, listed))
    assert tallow("poll", "remove", "maker", database=url).returncode == 0
    assert "No server is polled" in tallow("poll", "list", database=url).stdout
    assert tallow("poll", "add", str(tmp_path / "none.toml"), database=url).stderr.count("\n") == 1
