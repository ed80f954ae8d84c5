"""Hour meters and positions from telematics servers: snapshots and time series of ISO/TS 15143-3, as XML or JSON.

An `EquipmentHeader` says whose the `CumulativeOperatingHours` beside it are (element names as published; that time series have the two side
by side, like snapshots, is from memory). Each becomes a state with an hour meter, by a boot that names its source: the
analysis takes it for a meter outside the controller (`analytics.vehicle.outside_meters`). A `Location` beside a header is a position,
which is looked at only where the mapping asks for it. `Links` of relation `next` lead to the next page (from memory, as RFC 8288 has
them).
"""

import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Final, NamedTuple
from xml.etree import ElementTree

import msgspec
from msgspec import Meta, Struct

from ingest.errors import Problem
from ingest.formats.mapping import decoded
from ingest.formats.translate import number_of
from ingest.log_files import Progress, opened, shown
from ingest.messages import METER_BOOT, Arrival, Rejected, State, encode, is_name, topic
from ingest.times import instant, read_time

MOST_BYTES: Final = 64 << 20  # of a file
_TOLD: Final = 20
_HEADER, _HOURS, _PLACE = "equipmentheader", "cumulativeoperatinghours", "location"
_HOUR, _TIME = "hour", "datetime"
_MOST_H: Final = 1_000_000_000  # as messages have it
_DURATION: Final = re.compile(r"P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?(?:(\d+(?:\.\d+)?)S)?)?", re.ASCII)  # ISO 8601
_DECIMAL: Final = re.compile(r"\d+(\.\d+)?", re.ASCII)


class Equipment(Struct, frozen=True, forbid_unknown_fields=True):
    """The mapping: what the source is called, and which equipment is which vehicle. Of several sources the lowest rank counts;
    without `vehicles` the identifier is the vehicle's name."""

    source: Annotated[str, Meta(pattern=r"^[A-Za-z0-9 _-]{1,20}$")]
    fleet: str
    by: Annotated[str, Meta(pattern="^(EquipmentID|SerialNumber|PIN)$")] = "EquipmentID"
    rank: Annotated[int, Meta(ge=1, le=9)] = 1
    vehicles: dict[str, str] | None = None
    positions: bool = False  # whether it is looked at where the vehicles stand
    address: str = ""  # of the snapshot's first page, where it is polled
    series: str = ""  # of a vehicle's time series of hours, with {id}, {from} and {to}


def load(path: Path) -> Equipment:
    """Read a mapping. Raises Problem that says where it is wrong."""
    equipment = decoded(path, Equipment)
    for name in (equipment.fleet, *(equipment.vehicles or {}).values()):
        if not is_name(name):
            raise Problem(f"{path}: {name!r} has more than up to 64 of A-Z a-z 0-9 _ -")
    return equipment


class Seen(NamedTuple):
    """Where a vehicle was, degrees."""

    fleet: str
    vehicle: str
    at_us: int
    latitude: float
    longitude: float


class Page(NamedTuple):
    """A page of a server: its readings, positions where they are asked for, and the address of the next one."""

    arrivals: list[Arrival]
    seen: list[Seen]
    next_address: str | None


class Reader:
    """Reads files; `unknown` counts readings of equipment that the mapping does not name."""

    def __init__(self, equipment: Equipment) -> None:
        self._equipment, self.unknown = equipment, Counter[str]()

    def shown_unknown(self) -> str:
        """The equipment that the mapping does not name, in words."""
        first = ", ".join(f'"{name}"' for name, _ in self.unknown.most_common(_TOLD))
        return (
            f"Equipment that the mapping does not name: {first}; readings of it: {self.unknown.total()}."
            if first
            else ""
        )

    def read(self, path: Path, progress: Progress) -> Iterator[Arrival]:
        """The readings of a file. Raises Problem where it cannot be read."""
        with opened(path) as (file, tell):
            data = file.read(MOST_BYTES + 1)
            tell(progress)
        if len(data) > MOST_BYTES:
            raise Problem(f"{path} is larger than {MOST_BYTES >> 20} MB")
        for header, hours in _containers(_tree(str(path), data), _HOURS):
            yield from self._readings(shown(path), header, hours)

    def page(self, where: str, data: bytes) -> Page:
        """What a server answered, from `where`. Raises Problem where it cannot be read."""
        tree = _tree(where, data)
        arrivals = [one for header, hours in _containers(tree, _HOURS) for one in self._readings(where, header, hours)]
        seen = [one for header, told in _containers(tree, _PLACE) for one in self._seen(header, told)]
        return Page(arrivals, seen if self._equipment.positions else [], _next_of(tree))

    def _seen(self, header: Any, told: Any) -> Iterator[Seen]:
        """Positions; one that is none is left out: nothing is recorded of it."""
        said = self._equipment
        identifier = header.get(said.by.lower()) if isinstance(header, dict) else None
        vehicle = identifier if said.vehicles is None else said.vehicles.get(str(identifier))
        for one in told if isinstance(told, list) else [told]:
            try:
                latitude, longitude = float(one["latitude"]), float(one["longitude"])
                at_us = read_time(str(one[_TIME]))
            except (KeyError, TypeError, ValueError, OverflowError):
                continue
            if isinstance(vehicle, str) and is_name(vehicle) and abs(latitude) <= 90 and abs(longitude) <= 180:
                yield Seen(said.fleet, vehicle, at_us, latitude, longitude)

    def _readings(self, file: str, header: Any, hours: Any) -> Iterator[Arrival]:
        said = self._equipment
        identifier = header.get(said.by.lower()) if isinstance(header, dict) else None
        for one in hours if isinstance(hours, list) else [hours]:
            raw = msgspec.json.encode({"EquipmentHeader": header, "CumulativeOperatingHours": one})
            where = f"{file}: {said.by} {identifier}"
            if not isinstance(identifier, str) or not identifier:
                yield Arrival(file, raw, None, Rejected("row", f"EquipmentHeader has no {said.by}"))
                continue
            vehicle = identifier if said.vehicles is None else said.vehicles.get(identifier)
            if vehicle is None:
                self.unknown[identifier] += 1
            elif not is_name(vehicle):
                why = f"{said.by} is {identifier!r}; name its vehicle in the mapping's vehicles"
                yield Arrival(where, raw, None, Rejected("row", why))
            else:
                yield self._reading(where, raw, vehicle, one)

    def _reading(self, where: str, raw: bytes, vehicle: str, one: Any) -> Arrival:
        try:
            at_us = read_time(str(one[_TIME]))
            hours = _hours(one[_HOUR])
        except (KeyError, TypeError, ValueError):
            told = (
                "CumulativeOperatingHours needs datetime, a time with its offset, and Hour, a number or an ISO 8601 duration"
                f" of up to {_MOST_H:,} hours"
            )
            return Arrival(where, raw, None, Rejected("row", told))
        seq = number_of(at_us // 1_000_000, f"{at_us}|{hours!r}".encode())
        boot = f"{METER_BOOT}{self._equipment.rank}:{self._equipment.source}"
        state = State(online=True, boot=boot, seq=seq, at=instant(at_us), engine_h=hours)
        return Arrival(topic(self._equipment.fleet, vehicle, "state"), encode(state), None)


def _hours(told: Any) -> float:
    """Raises ValueError."""
    text = str(told).strip()
    found = _DURATION.fullmatch(text)
    if _DECIMAL.fullmatch(text):
        number = float(text)
    elif found is not None and any(found.groups()):
        days, hours, minutes, seconds = (float(part or 0) for part in found.groups())
        number = round(24 * days + hours + minutes / 60 + seconds / 3600, 6)
    else:
        raise ValueError
    if number > _MOST_H:  # more digits than a float has make infinity, which JSON cannot say
        raise ValueError
    return number


def _objects(tree: Any) -> Iterator[dict[str, Any]]:
    """All elements that hold others, wherever they stand."""
    waiting = [tree]
    while waiting:
        one = waiting.pop()
        if isinstance(one, list):
            waiting += reversed(one)
        elif isinstance(one, dict):
            yield one
            waiting += reversed([inner for inner in one.values() if isinstance(inner, dict | list)])


def _containers(tree: Any, name: str) -> Iterator[tuple[Any, Any]]:
    """Headers and what is called so beside them."""
    return ((one[_HEADER], one[name]) for one in _objects(tree) if _HEADER in one and name in one)


def _next_of(tree: Any) -> str | None:
    """The address of the next page, as it is written."""
    links = (one for one in _objects(tree) if str(one.get("rel", "")).strip().lower() == "next")
    return next((str(one["href"]).strip() for one in links if one.get("href")), None)


def _tree(where: str, data: bytes) -> Any:
    """A document of either kind. Raises Problem."""
    is_json = data.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] in (b"{", b"[")
    return _of_json(where, data) if is_json else _of_xml(where, data)


def _plain(name: str) -> str:
    """A name without namespace, mark of an attribute, and case: JSON writers differ in all three."""
    return name.rpartition("}")[2].lstrip("@_").lower()


def _of_json(path: str, data: bytes) -> Any:
    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {_plain(name): plain(inner) for name, inner in value.items()}
        return [plain(inner) for inner in value] if isinstance(value, list) else value

    try:
        return plain(msgspec.json.decode(data.removeprefix(b"\xef\xbb\xbf")))
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise Problem(f"{path} is no JSON: {error}") from None


class _NoDoctype(ElementTree.TreeBuilder):
    def doctype(self, _name: str, _public: str | None, _system: str | None) -> None:
        raise ValueError("it declares a document type, and no document of this standard does")


def _of_xml(path: str, data: bytes) -> Any:
    def plain(element: ElementTree.Element) -> Any:
        held: dict[str, Any] = {_plain(name): value for name, value in element.attrib.items()}
        for child in element:
            name, inner = _plain(child.tag), plain(child)
            if name not in held:
                held[name] = inner
            elif isinstance(held[name], list):  # only ever made here: an element is no list
                held[name].append(inner)
            else:
                held[name] = [held[name], inner]
        return held or (element.text or "").strip()

    try:
        parser = ElementTree.XMLParser(target=_NoDoctype())
        parser.feed(data)
        return plain(parser.close())
    except (ElementTree.ParseError, ValueError, LookupError, RecursionError) as error:
        raise Problem(f"{path} is neither XML nor JSON that can be read: {error}") from None
