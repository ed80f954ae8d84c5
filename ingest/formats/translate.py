"""From rows to arrivals by a mapping. Pure: what a row becomes depends on it, on the name of its file and, in an hour that comes
twice, on the rows of its vehicle before it.

A message needs a name (boot, seq) that is the same whenever its row is read. Where no column numbers the rows, it is made of what
the row says of itself: the clock's time, the kind, and what tells two messages of one kind and time apart. Numbers made so are
in order of time, with gaps; so nothing shows that no row is missing between two. What a unit or a zone makes of the
text is not in the name: a mapping that is put right does not record the rows a second time.
"""

import json
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from hashlib import blake2b
from pathlib import Path
from typing import Any, Final

import msgspec

from ingest.errors import Problem
from ingest.formats.convert import NotAllowed, Reads, fixed, reader
from ingest.formats.j1939 import MOST_FMI, MOST_SPN, Codes
from ingest.formats.local_time import RowTimes, Told
from ingest.formats.mapping import FaultList, From, Mapping, MessageFrom, Source, When, fields_of, source
from ingest.formats.rows import Form, Row, read_rows
from ingest.log_files import Progress, shown
from ingest.messages import KINDS, Arrival, Number, Rejected, encode, is_name, topic
from ingest.times import instant, microseconds

_LOG_BOOT: Final = "log"  # of names made here: never those of a controller that numbers its messages
_APART: Final = {
    "cycle": ("cycle_no",),
    "level": ("level_pct",),
    "fault": ("code", "active", "channel"),
    "ignition": ("on",),
    "state": ("online",),
}
_COMMON: Final = frozenset({"seq", "boot", "engine_h"})  # said of any message: no row is one for having these


class Wrong(Exception):
    """A cell that is not what it should be: where it stands, what it says, what would be allowed."""

    def __init__(self, where: str, text: str | None, allowed: object) -> None:
        said = "is empty" if text is None else f"says {text[:80]!r}"
        super().__init__(f"{where} {said}; allowed is {allowed}")


@dataclass(frozen=True)
class Field:
    """A field of a message, and how it is read."""

    name: str
    said: Source
    read: Reads
    constant: Any
    required: bool

    def value(self, cells: dict[str, str], file: str) -> tuple[Any, str]:
        """The value, None where there is none, and what the text says whatever its unit. Raises Wrong."""
        if self.said.constant is not None:
            return self.constant, str(self.said.constant)
        if self.said.file is not None:
            found = re.search(self.said.file, file)
            text = None if found is None else found[1]
        else:
            text = cells.get(self.said.column or "")
        if text is None:
            if self.required:
                raise Wrong(self.said.shown, None, f"what says {self.name}")
            return None, ""
        try:
            return self.read(text)
        except NotAllowed as allowed:
            raise Wrong(self.said.shown, text, allowed) from None


def field_of(name: str, kind: Any, given: From, decimal: str, *, required: bool) -> Field:
    """How a field is read. Raises Problem where the mapping is wrong."""
    said = source(given)
    if sum(one is not None for one in (said.column, said.constant, said.file)) != 1:
        raise Problem(f"{name}: say one of column, constant and file")
    if said.constant is not None and said != Source(constant=said.constant):
        raise Problem(f"{name}: a constant is what it is, without unit, values or anything else")
    if said.file is not None:
        try:
            groups = re.compile(said.file).groups
        except re.error as error:
            raise Problem(f"{name}: file {said.file!r} is no pattern: {error}") from None
        if groups != 1:
            raise Problem(f"{name}: file {said.file!r} needs one group in brackets, which is the part that is meant")
    read = reader(name, kind, said, decimal)
    constant = None if said.constant is None else fixed(name, kind, said.constant)
    return Field(name, said, read, constant, required)


@dataclass(frozen=True)
class Kind:
    """One kind of message that rows may be: its fields, pressures, and which rows are meant."""

    kind: str
    fields: tuple[Field, ...]
    peaks: tuple[Field, ...]  # by channel
    rests: tuple[Field, ...]
    when: When | None
    from_end: bool

    def means(self, cells: dict[str, str]) -> bool:
        """Whether a row is such a message: it says so, or it says anything that only such a message does."""
        if self.when is not None:
            return cells.get(self.when.column) in self.when.texts
        own = (one for one in (*self.fields, *self.peaks, *self.rests) if one.name not in _COMMON)
        return any(one.said.column in cells for one in own)

    def values(self, cells: dict[str, str], file: str) -> tuple[dict[str, Any], dict[str, str]]:
        """The fields, and what they say for the name. Raises Wrong."""
        values, texts = dict[str, Any](), dict[str, str]()
        for one in self.fields:
            values[one.name], texts[one.name] = one.value(cells, file)
        for name, pressures in (("peak_kpa", self.peaks), ("rest_kpa", self.rests)):
            if pressures or (name == "peak_kpa" and self.kind == "cycle"):
                readings = {one.name: one.value(cells, file)[0] for one in pressures}
                values[name] = {channel: kpa for channel, kpa in readings.items() if kpa is not None}
        return {name: value for name, value in values.items() if value is not None}, texts


def kind_of(said: MessageFrom, decimal: str) -> Kind:
    """How a kind of message is read. Raises Problem where the mapping is wrong."""
    known = fields_of(said.kind)
    fields = [
        field_of(
            name,
            known[name].type,
            given,
            decimal,
            required=known[name].required or (said.kind, name) == ("state", "online"),
        )
        for name, given in said.fields.items()
    ]
    pressures: dict[str, list[Field]] = {"peak_kpa": [], "rest_kpa": []}
    for channel, one in said.channels.items():
        for name, given in (("peak_kpa", one.peak), ("rest_kpa", one.rest)):
            if given is not None:
                like = field_of(name, Number | None, given, decimal, required=False)
                pressures[name].append(Field(channel, like.said, like.read, like.constant, required=False))
    return Kind(
        said.kind,
        tuple(fields),
        tuple(pressures["peak_kpa"]),
        tuple(pressures["rest_kpa"]),
        said.when,
        said.time_is == "end",
    )


class _Faults:
    """Rows of a fault list by SPN and FMI."""

    def __init__(self, said: FaultList, decimal: str) -> None:
        self._codes, self._when = Codes(said.code), said.when
        self._spn = field_of("spn", int, said.spn, decimal, required=True)
        self._fmi = field_of("fmi", int, said.fmi, decimal, required=True)
        self._active = field_of("active", bool, said.active, decimal, required=True)
        self._value = (
            None if said.value is None else field_of("value", Number | None, said.value, decimal, required=False)
        )
        self.columns = [one.said.column for one in (self._spn, self._fmi, self._active, self._value) if one is not None]

    def values(self, cells: dict[str, str], file: str) -> tuple[dict[str, Any], dict[str, str]] | None:
        """The fields of a fault, and what they say for the name; None where the table does not know the part. Raises Wrong."""
        if self._when is not None and cells.get(self._when.column) not in self._when.texts:
            return None
        spn, spn_text = self._number(self._spn, cells, file, MOST_SPN)
        if not self._codes.names(spn):
            return None
        fmi, fmi_text = self._number(self._fmi, cells, file, MOST_FMI)
        try:
            code = self._codes.code(spn, fmi)
        except NotAllowed as allowed:
            raise Wrong(self._fmi.said.shown, fmi_text, allowed) from None
        active, _ = self._active.value(cells, file)
        values = {"code": code.is_, "active": active, "channel": code.channel}
        if self._value is not None:
            values["value"], _ = self._value.value(cells, file)
        named = {"code": spn_text, "active": str(active), "channel": fmi_text}
        return {name: value for name, value in values.items() if value is not None}, named

    @staticmethod
    def _number(field: Field, cells: dict[str, str], file: str, most: int) -> tuple[int, str]:
        number, text = field.value(cells, file)
        if not 0 <= number <= most:
            raise Wrong(field.said.shown, text, f"a whole number from 0 to {most}")
        return number, text


class Translator:
    """Makes arrivals of rows; `unasked` counts rows that are none of the messages that the mapping names."""

    def __init__(self, mapping: Mapping) -> None:
        """Raises Problem where the mapping is wrong."""
        decimal = mapping.file.decimal
        self._mapping, self.unasked = mapping, 0
        self._fleet = field_of("fleet", str, mapping.vehicle.fleet, decimal, required=True)
        self._vehicle = field_of("vehicle", str, mapping.vehicle.vehicle, decimal, required=True)
        for field in (self._fleet, self._vehicle):
            if field.constant is not None and not is_name(str(field.constant)):
                raise Problem(f"{field.name}: {field.constant!r} has more than up to 64 of A-Z a-z 0-9 _ -")
        self._times = RowTimes(mapping.time, decimal)
        self._kinds = [kind_of(message, decimal) for message in mapping.message]
        self._faults = None if mapping.j1939 is None else _Faults(mapping.j1939, decimal)

    @property
    def columns(self) -> list[str]:
        """The columns that the mapping reads, each once."""
        fields = [self._fleet, self._vehicle]
        named: list[str | None] = list(self._mapping.time.columns)
        for kind in self._kinds:
            fields += [*kind.fields, *kind.peaks, *kind.rests]
            named += [] if kind.when is None else [kind.when.column]
        if self._faults is not None:
            named += self._faults.columns
        named += [one.said.column for one in fields]
        return list(dict.fromkeys(name for name in named if name is not None))

    def read(self, path: Path, form: Form, progress: Progress) -> Iterator[Arrival]:
        """The arrivals in a file, in its order. Raises Problem where it cannot be read."""
        self._times.next_file()
        return self.arrivals(shown(path), read_rows(path, form, self._mapping.file, self.columns, progress))

    def arrivals(self, file: str, rows: Iterable[Row]) -> Iterator[Arrival]:
        """What rows become; one that is not what it should be comes with that flaw, and goes to quarantine."""
        for row in rows:
            if row.wrong:
                yield _flawed(file, row, row.wrong)
                continue
            some = False
            try:
                for arrival in self._messages(file, row):
                    some = True
                    yield arrival
            except Wrong as wrong:
                some = True
                yield _flawed(file, row, str(wrong))
            self.unasked += not some

    def _messages(self, file: str, row: Row) -> Iterator[Arrival]:
        """The messages of one row. Raises Wrong where all of it is wrong."""
        cells = row.cells
        meant: list[tuple[Kind | None, Callable[[], Any]]] = [
            (kind, partial(kind.values, cells, file)) for kind in self._kinds if kind.means(cells)
        ]
        if self._faults is not None and (faults := self._faults):
            meant.append((None, partial(faults.values, cells, file)))
        if not meant:
            return
        fleet, vehicle = self._whose(self._fleet, cells, file), self._whose(self._vehicle, cells, file)
        found = []
        for kind, read in meant:
            try:
                values = read()
            except Wrong as wrong:
                yield _flawed(file, row, str(wrong))
                continue
            if values is not None:
                found.append((kind, *values))
        if found:
            told = self._time((fleet, vehicle), cells)
            for kind, values, texts in found:
                yield _arrival(fleet, vehicle, kind, told, values, texts)

    def _whose(self, field: Field, cells: dict[str, str], file: str) -> str:
        name, text = field.value(cells, file)
        if not is_name(name):
            raise Wrong(field.said.shown, text, "up to 64 of A-Z a-z 0-9 _ -, or what the mapping's values say")
        return str(name)

    def _time(self, whose: tuple[str, str], cells: dict[str, str]) -> Told:
        columns = self._mapping.time.columns
        shown = "column " + " and ".join(f'"{name}"' for name in columns)
        texts = [cells.get(name) for name in columns]
        if None in texts:
            raise Wrong(shown, None, "a time")
        text = " ".join(one for one in texts if one is not None)
        try:
            return self._times.read(whose, text)
        except NotAllowed as allowed:
            raise Wrong(shown, text, allowed) from None


def _arrival(
    fleet: str, vehicle: str, kind: Kind | None, told: Told, values: dict[str, Any], texts: dict[str, str]
) -> Arrival:
    name = "fault" if kind is None else kind.kind
    at = told.at
    if kind is not None and kind.from_end:
        at = instant(microseconds(at) - round(values["run_s"] * 1e6))
    if "seq" not in values:
        values = (
            {"boot": _LOG_BOOT} | values | {"seq": _number(name, told, [texts.get(one, "") for one in _APART[name]])}
        )
    message = msgspec.convert(values | {"at": at}, KINDS[name])
    return Arrival(topic(fleet, vehicle, name), encode(message), None)


def _number(kind: str, told: Told, apart: list[str]) -> int:
    seconds = (told.shown - datetime(1970, 1, 1)) // timedelta(seconds=1)  # noqa: DTZ001 - what the clock showed
    return number_of(seconds, json.dumps([kind, told.shown.isoformat(), told.again, *apart]).encode())


def number_of(seconds: int, said: bytes) -> int:
    """A message's number, made of its time (seconds since 1970) and of what it says: in order of time, with gaps."""
    return min(max(seconds, 0), 2**32 - 1) << 31 | int.from_bytes(blake2b(said, digest_size=4).digest()) >> 1


def _flawed(file: str, row: Row, wrong: str) -> Arrival:
    return Arrival(f"{file}:{row.number}", row.text, None, Rejected("row", wrong))
