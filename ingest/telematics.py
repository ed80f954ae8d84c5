"""Servers of ISO/TS 15143-3 that are asked for hours and positions: which, how, and what they answered.

A server is asked for its snapshot page by page, each page only if it changed (RFC 9110: ETag, Last-Modified), and for the time series of
each vehicle from the last time on. What comes twice is recorded once, by its name. A server that fails is left alone for a while, twice as
long after each failure, or as long as it says (Retry-After).
"""

import random
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from email.utils import parsedate_to_datetime
from typing import Any, Final
from urllib.parse import quote, urljoin, urlsplit

import msgspec
from sqlalchemy import Connection, Engine, delete, insert, select, update

from ingest import schema, stands
from ingest.database import writing
from ingest.errors import Problem
from ingest.formats.iso15143 import MOST_BYTES, Equipment, Reader
from ingest.recorder import Recorder, Tally
from ingest.sealing import seal, unseal
from ingest.times import DAY_US, EPOCH, instant, rfc3339

MOST_PAGES: Final = 1_000
_ANSWER_S: Final = 30.0  # until an answer begins, and between its parts
_WHOLE_S: Final = 300.0  # for all of a page
_LOOK_S: Final = 1_800.0  # for all of a look at a server, so that the others have their turn
_FIRST_DAYS: Final = 14  # of a time series that was never asked for
_OVERLAP_US: Final = DAY_US  # what a server heard late
_PAUSE_S: Final = 60.0  # after a failure; twice as long after each further one
_LONGEST_PAUSE_S: Final = 6 * 3_600.0
_LONGEST_ASKED_S: Final = 86_400.0  # that a server may ask us to wait
_NONE: Final = (404, 410)  # HTTP: there is no such page
_SHUT: Final = (401, 403, 429)  # whatever is asked for
_PLACES: Final = ("{id}", "{from}", "{to}")


class _Failed(Exception):
    """A server did not give what it was asked for; says why, how long it wants to be left alone, and whether asking it for anything else
    is `in_vain`."""

    def __init__(self, why: str, wait_s: float = 0.0, status: int | None = None, *, in_vain: bool = False) -> None:
        super().__init__(why)
        self.wait_s, self.status, self.in_vain = wait_s, status, in_vain or status in _SHUT


@dataclass(frozen=True)
class Source:
    """A server that is polled, and how that went: `known` is what its pages were like, by address; `series_us` until when each vehicle's
    series was asked for."""

    equipment: Equipment
    header: str | None
    known: dict[str, Any] = field(default_factory=dict)
    series_us: dict[str, int] = field(default_factory=dict)
    failures: int = 0
    next_try_us: int = 0
    asked_us: int | None = None
    answer: str | None = None

    @property
    def name(self) -> str:
        """What it is called."""
        return self.equipment.source


@dataclass
class Polled:
    """What one look at a server brought; `problem` says what failed, in one line."""

    name: str
    pages: int = 0
    unchanged: int = 0
    places: int = 0
    tally: Tally = field(default_factory=Tally)
    unknown: str = ""
    missing: list[str] = field(default_factory=list)  # vehicles that the server has no series of
    problem: str | None = None

    @property
    def told(self) -> str:
        """In a line."""
        said = (
            f"{self.pages} page{'s' * (self.pages != 1)}, {self.unchanged} unchanged; {self.tally.recorded.total()} readings recorded,"
            f" {self.tally.duplicates} known, {self.tally.rejected} rejected"
        )
        said += f"; {self.places} positions looked at" if self.places else ""
        return said + (f"; no series of {', '.join(self.missing)}" if self.missing else "")


def keep(connection: Connection, equipment: Equipment, header: str | None) -> None:
    """Have a server polled from now on, or otherwise than before. Raises Problem."""
    check(equipment, header)
    table = schema.telematics
    connection.execute(delete(table).where(table.c.name == equipment.source))
    sealed = None if header is None else seal(header)
    values = {"mapping": msgspec.to_builtins(equipment), "header": sealed, "known": {}, "series_us": {}}
    connection.execute(insert(table).values(name=equipment.source, failures=0, next_try_us=0, **values))


def check(equipment: Equipment, header: str | None) -> None:
    """Raises Problem where nothing can be polled so."""
    if not equipment.address and not equipment.series:
        raise Problem('the mapping names no address: add address = "https://…", the first page of the snapshot')
    for address in filter(None, (equipment.address, equipment.series)):
        parts = urlsplit(address)
        if parts.scheme not in ("https", "http") or not parts.hostname or "@" in parts.netloc:
            raise Problem(f"{address} is no address such as https://server.example/Fleet/1, without name and password")
        if header and parts.scheme == "http" and parts.hostname not in ("localhost", "127.0.0.1", "::1"):
            raise Problem(f"{address}: the header would travel readable; use https")
    if equipment.series and not (all(one in equipment.series for one in _PLACES) and equipment.vehicles):
        raise Problem(f"series needs {', '.join(_PLACES)} in its address, and vehicles named in the mapping")
    if header is not None:
        name, colon, value = header.partition(":")
        if not colon or not name.strip() or not value.strip() or not header.isascii() or not header.isprintable():
            raise Problem("the header is one line such as Authorization: Bearer TOKEN")


def sources(connection: Connection) -> list[Source]:
    """The servers that are polled, by name."""
    table = schema.telematics
    return [
        Source(
            msgspec.convert(row.mapping, Equipment), None if row.header is None else unseal(row.header), dict(row.known),
            dict(row.series_us), row.failures, row.next_try_us, row.asked_us, row.answer,
        )
        for row in connection.execute(select(table).order_by(table.c.name))
    ]  # fmt: skip


def remove(connection: Connection, name: str) -> None:
    """Poll a server no more, and forget how it lets us in. Raises Problem."""
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("PRAGMA secure_delete = ON")
    if not connection.execute(delete(schema.telematics).where(schema.telematics.c.name == name)).rowcount:
        raise Problem(f"no server is called {name!r}; tallow poll list shows them")


def seal_headers(connection: Connection) -> int:
    """Have what lets us in encrypted by the key of now; how many. Raises Problem."""
    found = [one for one in sources(connection) if one.header is not None]
    for one in found:
        table = schema.telematics
        connection.execute(update(table).where(table.c.name == one.name).values(header=seal(one.header or "")))
    return len(found)


def poll(engine: Engine, source: Source, now_us: int) -> Polled:
    """Ask a server for what is new, record it, and keep how that went. Raises sqlalchemy.exc.DBAPIError."""
    told, reader = Polled(source.name), Reader(source.equipment)
    look = _Look(engine, source, reader, told, now_us)
    wait_s = 0.0
    try:
        look.snapshot()
        look.series()
    except _Failed as failed:
        told.problem, wait_s = f"{source.name}: {failed}", failed.wait_s
    except Problem as problem:
        told.problem = f"{source.name}: {problem}"
    except (ValueError, OverflowError) as error:  # what one server says must never be the end of the others
        told.problem = f"{source.name}: what it answers cannot be read ({type(error).__name__})"
    told.unknown = reader.shown_unknown()
    failures = source.failures + 1 if told.problem else 0
    pause_s = min(_PAUSE_S * 2 ** min(source.failures, 12), _LONGEST_PAUSE_S)
    values = {
        "known": look.known if told.problem is None else source.known | look.known, "series_us": look.series_us,
        "failures": failures, "next_try_us": now_us + int(1e6 * max(pause_s, wait_s)) if failures else 0, "asked_us": now_us,
        "answer": (told.problem or told.told)[:500],
    }  # fmt: skip
    with writing(engine) as connection:
        connection.execute(update(schema.telematics).where(schema.telematics.c.name == source.name).values(**values))
    return told


class _Look:
    """One look at a server."""

    def __init__(self, engine: Engine, source: Source, reader: Reader, told: Polled, now_us: int) -> None:
        self._engine, self._source, self._reader, self._told, self._now_us = engine, source, reader, told, now_us
        self._until_s = time.monotonic() + _LOOK_S
        self._recorder = Recorder(engine, f"poll {source.name}"[:64])
        self.known: dict[str, Any] = {}
        self.series_us = dict(source.series_us)

    def snapshot(self) -> None:
        """All pages of the snapshot, those that changed."""
        if self._source.equipment.address:
            self._pages(self._source.equipment.address, self._source.known)

    def series(self) -> None:
        """The hours of each vehicle since they were asked for last. One that fails is no reason to leave out the others; in another order
        each time, since those after what is in vain are not asked."""
        said, failed, wait_s = self._source.equipment, dict[str, str](), 0.0
        named = list(said.vehicles or {}) if said.series else []
        for identifier in random.sample(named, len(named)):
            begin_us = self.series_us.get(identifier, self._now_us - _FIRST_DAYS * DAY_US + _OVERLAP_US) - _OVERLAP_US
            values = (identifier, *(rfc3339(us // 1_000_000 * 1_000_000) for us in (begin_us, self._now_us)))
            address = said.series
            for place, value in zip(_PLACES, values, strict=True):
                address = address.replace(place, quote(value, safe=""))
            try:
                self._pages(address, None)
            except _Failed as error:
                if error.in_vain:
                    raise
                if error.status in _NONE:
                    self._told.missing.append(identifier)
                    continue
                failed[identifier], wait_s = str(error), max(wait_s, error.wait_s)
            except Problem as problem:
                failed[identifier] = str(problem)
            else:
                self.series_us[identifier] = self._now_us
        self._told.missing.sort()
        if failed:
            first = min(failed)
            others = f" (and {len(failed) - 1} more)" if len(failed) > 1 else ""
            raise _Failed(f"series of {first}{others}: {failed[first]}", wait_s)

    def _pages(self, address: str | None, known: dict[str, Any] | None) -> None:
        """A page and those that follow; with `known` only what is not as it was. Each is recorded before the next is asked for."""
        visited: set[str] = set()
        while address:
            if address in visited:
                raise _Failed("its pages lead in a circle")
            if len(visited) == MOST_PAGES:
                raise _Failed(f"it has more than {MOST_PAGES:,} pages")
            visited.add(address)
            before = None if known is None else known.get(address)
            answer = _get(address, self._source.header, before, self._until_s)
            self._told.pages += 1
            if answer is None and before is not None:
                self._told.unchanged += 1
                self.known[address] = before
                address = before.get("next")
                continue
            assert answer is not None
            page = self._reader.page(f"page {self._told.pages}", answer.data)
            if page.arrivals:
                self._told.tally.add(self._recorder.record(page.arrivals))
            if page.seen:
                with writing(self._engine) as connection:
                    stands.note(connection, page.seen, self._now_us)
                self._told.places += len(page.seen)
            after = _beside(address, page.next_address or answer.next_address)
            if known is not None:
                self.known[address] = {"etag": answer.etag, "modified": answer.modified, "next": after}
            address = after


@dataclass(frozen=True)
class _Answer:
    data: bytes
    etag: str | None
    modified: str | None
    next_address: str | None


def _beside(address: str, following: str | None) -> str | None:
    """The next page's address. Raises _Failed where it is none, or on another server, which must not be told what lets us in here."""
    if not following:
        return None
    try:
        found = urljoin(address, following)
        parts = urlsplit(found)
    except ValueError:
        raise _Failed(f"the address of its next page is none: {following[:80]!r}") from None
    if parts[:2] != urlsplit(address)[:2]:
        raise _Failed(f"its next page is on another server ({parts.netloc or 'none'}), which is not asked")
    return found


def _get(address: str, header: str | None, before: dict[str, Any] | None, look_until_s: float) -> _Answer | None:
    """A page; None where it is as it was. Raises _Failed."""
    import requests  # here, since nobody else needs it
    import urllib3

    if time.monotonic() > look_until_s:
        raise _too_late()
    sent = {"Accept": "application/json, application/xml;q=0.9, text/xml;q=0.8", "User-Agent": "tallow"}
    if header is not None:
        name, _, value = header.partition(":")
        sent[name.strip()] = value.strip()
    if before is not None:
        sent |= {"If-None-Match": before["etag"]} if before.get("etag") else {}
        sent |= {"If-Modified-Since": before["modified"]} if before.get("modified") else {}
    until_s = time.monotonic() + _WHOLE_S
    try:
        with requests.get(address, headers=sent, timeout=_ANSWER_S, allow_redirects=False, stream=True) as answer:
            if answer.status_code == 304 and before is not None:
                return None
            if answer.status_code != 200:
                raise _refused(answer.status_code, answer.headers.get("Retry-After", ""))
            data = bytearray()
            # What is there, since to wait for a whole part would leave it to the server how long that takes.
            while part := answer.raw.read1(1 << 16, decode_content=True):
                data += part
                if len(data) > MOST_BYTES:
                    raise _Failed(f"a page has more than {MOST_BYTES >> 20} MB")
                if time.monotonic() > look_until_s:
                    raise _too_late()
                if time.monotonic() > until_s:
                    raise _Failed(f"a page was not there after {_WHOLE_S:.0f} s")
            said = answer.headers
            following = answer.links.get("next", {}).get("url")
            return _Answer(bytes(data), said.get("ETag"), said.get("Last-Modified"), following)
    except (requests.RequestException, urllib3.exceptions.HTTPError) as error:
        away = isinstance(error, requests.ConnectionError)
        raise _Failed(f"the server could not be asked ({type(error).__name__})", in_vain=away) from None


def _too_late() -> _Failed:
    return _Failed(
        f"not all of it was there after {_LOOK_S / 60:.0f} minutes; the rest is asked for next time", in_vain=True
    )


def _refused(status: int, retry_after: str) -> _Failed:
    """Why a server gave no page, and how long it wants to be left alone."""
    why = {
        401: "it does not let us in; add the server again with another --header-file",
        403: "it does not let us in; add the server again with another --header-file",
        404: "there is no such page; look at the address in the mapping",
        410: "there is no such page any more; look at the address in the mapping",
        429: "it is asked too often",
    }.get(status, "it answers by a redirect, which is not followed" if 300 <= status < 400 else "it gives no page")
    return _Failed(f"{why} (HTTP {status})", _seconds(retry_after, time.time()), status)


def _seconds(retry_after: str, now_s: float) -> float:
    """RFC 9110, 10.2.3: seconds, or a date."""
    text = retry_after.strip()
    try:
        wait_s = (
            float(text) if text.isdigit() else (_aware(parsedate_to_datetime(text)) - EPOCH).total_seconds() - now_s
        )
    except (ValueError, TypeError):
        return 0.0
    return min(max(wait_s, 0.0), _LONGEST_ASKED_S)


def _aware(at: datetime) -> datetime:
    return at if at.tzinfo else at.replace(tzinfo=EPOCH.tzinfo)


def poll_due(engine: Engine, now_us: Callable[[], int], names: tuple[str, ...] = ()) -> list[Polled]:
    """Ask all servers, or those named; one that failed lately is left alone until it is time. Raises Problem."""
    with engine.connect() as connection:
        found = sources(connection)
    unknown = set(names) - {one.name for one in found}
    if unknown:
        raise Problem(f"no server is called {sorted(unknown)[0]!r}; tallow poll list shows them")
    out = []
    for one in found:
        if names and one.name not in names:
            continue
        at_us = now_us()
        if one.next_try_us > at_us and not names:
            until = f"{instant(one.next_try_us):%H:%M} UTC"
            out.append(Polled(one.name, problem=f"{one.answer}; left alone until {until}"))
            continue
        out.append(poll(engine, one, at_us))
    return out
