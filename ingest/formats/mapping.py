"""The mapping that says what the columns of a log mean: a small TOML file, read and checked as far as no row is needed."""

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Final, Literal, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec
from msgspec import Meta, Struct

from ingest.bounds import Channel
from ingest.errors import Problem
from ingest.messages import KINDS, MAX_CHANNELS, FaultCode

Scalar = str | int | float | bool
_Shape = TypeVar("_Shape")
Character = Annotated[str, Meta(min_length=1, max_length=1)]


class Source(Struct, frozen=True, forbid_unknown_fields=True):
    """Where a value comes from: one of `column`, `constant` and `file` (a pattern whose group is taken from the file's name).

    `values` says what a text means, `unit` what a number is in once it is multiplied by `factor`; the others go with units (`convert`).
    """

    column: str | None = None
    constant: Scalar | None = None
    file: str | None = None
    unit: str | None = None
    factor: float | None = None
    values: dict[str, Scalar] | None = None
    at_least: float | None = None
    full_l: float | None = None
    empty_mm: float | None = None
    full_mm: float | None = None

    @property
    def shown(self) -> str:
        """What people look for in the file."""
        return (
            f'column "{self.column}"' if self.column is not None else "the file's name" if self.file else "the constant"
        )


From = Source | str  # a text alone is a column's name


def source(given: From) -> Source:
    """A source, however it was written."""
    return Source(column=given) if isinstance(given, str) else given


class FileForm(Struct, frozen=True, forbid_unknown_fields=True):
    """How the file is written. `columns` are the names where the file has no row of names; `empty` are texts that mean nothing."""

    separator: Character = ","
    decimal: Literal[".", ","] = "."
    encoding: str = "utf-8-sig"
    skip: Annotated[int, Meta(ge=0)] = 0
    columns: list[str] | None = None
    empty: list[str] = []
    last_line: Literal["whole"] | None = None


class VehicleFrom(Struct, frozen=True, forbid_unknown_fields=True):
    """Whose row it is."""

    fleet: From
    vehicle: From


class TimeFrom(Struct, frozen=True, forbid_unknown_fields=True):
    """When it happened: one column or several, a format of `strptime` or one of `FORMATS`, and the zone of a clock without offset."""

    column: str | Annotated[list[str], Meta(min_length=1)]
    format: str = "iso"
    zone: str | None = None

    @property
    def columns(self) -> list[str]:
        """In the order in which they are read."""
        return [self.column] if isinstance(self.column, str) else self.column


class When(Struct, frozen=True, forbid_unknown_fields=True, rename={"is_": "is"}):
    """A row is meant where the column says one of these."""

    column: str
    is_: str | list[str]

    @property
    def texts(self) -> frozenset[str]:
        """What the column may say."""
        return frozenset([self.is_] if isinstance(self.is_, str) else self.is_)


class Pressures(Struct, frozen=True, forbid_unknown_fields=True):
    """Where a channel's readings stand."""

    peak: From | None = None
    rest: From | None = None


class MessageFrom(Struct, frozen=True, forbid_unknown_fields=True):
    """One message of a row. `time_is` says whether the time of a cycle is its start or its end."""

    kind: Literal["cycle", "level", "fault", "ignition", "state"]
    fields: dict[str, From] = {}
    channels: Annotated[dict[Channel, Pressures], Meta(max_length=MAX_CHANNELS)] = {}
    when: When | None = None
    time_is: Literal["start", "end"] = "start"


class Code(Struct, frozen=True, forbid_unknown_fields=True, rename={"is_": "is"}):
    """What a suspect parameter with one of these failure modes is called here; without `fmi` with any."""

    spn: Annotated[int, Meta(ge=0, le=524_287)]
    is_: FaultCode
    fmi: list[Annotated[int, Meta(ge=0, le=31)]] | None = None
    channel: Channel | None = None


class FaultList(Struct, frozen=True, forbid_unknown_fields=True):
    """Each row is a fault by its suspect parameter number and failure mode identifier."""

    spn: From
    fmi: From
    active: From
    code: Annotated[list[Code], Meta(min_length=1)]
    value: From | None = None
    when: When | None = None


class Mapping(Struct, frozen=True, forbid_unknown_fields=True):
    """A whole mapping."""

    vehicle: VehicleFrom
    time: TimeFrom
    file: FileForm = FileForm()
    message: list[MessageFrom] = []
    j1939: FaultList | None = None


FORMATS: Final = ("iso", "unix_s", "unix_ms")
# `seq` and `boot` name a message; the time has a table of its own, and pressures are in `channels`.
_NOT_MAPPED: Final = frozenset({"at", "sent_at", "peak_kpa", "rest_kpa", "trace"})
_MADE: Final = frozenset({"seq", "at", "peak_kpa"})  # what is there without a field of its own


def fields_of(kind: str) -> dict[str, msgspec.structs.FieldInfo]:
    """What a row may say of a kind of message."""
    return {one.name: one for one in msgspec.structs.fields(KINDS[kind]) if one.name not in _NOT_MAPPED}


def load(path: Path) -> Mapping:
    """Read a mapping. Raises Problem that says where it is wrong."""
    mapping = decoded(path, Mapping)
    wrong = [*_wrong_in_file(mapping.file), *_wrong_in_time(mapping.time)]
    if not mapping.message and mapping.j1939 is None:
        wrong.append("it names no message: add a table [[message]] with kind and fields, or [j1939]")
    wrong += wrong_in_messages(mapping.message)
    if wrong:
        raise Problem(f"{path}: {'; '.join(wrong)}")
    return mapping


def decoded(path: Path, shape: type[_Shape]) -> _Shape:
    """A TOML file of a shape. Raises Problem."""
    try:
        return msgspec.toml.decode(path.read_bytes(), type=shape)
    except OSError as error:
        raise Problem(f"{path} cannot be read: {error.strerror or error}") from None
    except (msgspec.DecodeError, UnicodeDecodeError) as error:  # a ValidationError is one, too
        raise Problem(f"{path}: {error}") from None


def _wrong_in_file(form: FileForm) -> list[str]:
    try:
        "".encode(form.encoding)
    except LookupError:
        return [f"there is no encoding {form.encoding!r}; say utf-8-sig, utf-16 or cp1252, for instance"]
    return ["separator and decimal are the same character"] if form.separator == form.decimal else []


def _wrong_in_time(time: TimeFrom) -> list[str]:
    wrong = []
    if time.zone is not None:
        try:
            ZoneInfo(time.zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            wrong.append(f"there is no time zone {time.zone!r}; write one such as Europe/Oslo or UTC")
    if time.format in FORMATS:
        return wrong
    if (
        not re.search("%[Yy]", time.format)
        or not re.search("%[dj]", time.format)
        or not re.search("%[HI]", time.format)
    ):
        wrong.append(
            f"time.format {time.format!r} is neither {', '.join(FORMATS)} nor a format with year, day and hour, such as"
            " %d.%m.%Y %H:%M:%S"
        )
    elif not _is_format(time.format):
        wrong.append(f"time.format {time.format!r} has a directive that strptime does not know")
    elif "%z" not in time.format and time.zone is None:
        wrong.append("time.zone is missing: the format has no offset (%z), so nothing else says which clock it is")
    return wrong


def _is_format(text: str) -> bool:
    """Whether what it writes can be read by it."""
    try:
        datetime.strptime(datetime(2026, 3, 1, 6, tzinfo=UTC).strftime(text), text)  # noqa: DTZ007
    except ValueError:
        return False
    return True


def wrong_in_messages(messages: Sequence[MessageFrom]) -> list[str]:
    """What of messages cannot be, as far as no row is needed to see it."""
    wrong = []
    for number, message in enumerate(messages, start=1):
        where, known = f"message {number} ({message.kind})", fields_of(message.kind)
        for name in message.fields.keys() - known.keys():
            hint = "; pressures go into channels" if name.endswith("_kpa") else ""
            wrong.append(f"{where} has no field {name!r} that a row can say; known are {', '.join(known)}{hint}")
        missing = [one.name for one in known.values() if one.required and one.name not in {*message.fields, *_MADE}]
        if message.kind == "state":
            missing += ["online"] if "online" not in message.fields and "online" not in missing else []
        if missing:
            wrong.append(f"{where} needs {' and '.join(missing)} in its fields")
        columns = [given for given in message.fields.values() if source(given).column is not None]
        if message.when is None and not message.channels and not columns:
            wrong.append(f"{where}: nothing says which rows are meant; add when")
        if message.channels and message.kind != "cycle":
            wrong.append(f"{where} has channels, and only a cycle has pressures")
        if message.time_is == "end" and message.kind != "cycle":
            wrong.append(f"{where}: only a cycle has a start and an end")
        if "seq" in message.fields and len(messages) > 1 and message.when is None:
            wrong.append(f"{where}: with a column of numbers a row is one message: say by `when` which rows are meant")
    return wrong
