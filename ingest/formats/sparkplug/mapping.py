"""The mapping that says what metrics mean: a TOML file as for logs, where a column is a metric's name."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from math import isfinite
from pathlib import Path
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta, Struct

from ingest.errors import Problem
from ingest.formats.convert import plain, unit_of
from ingest.formats.mapping import MessageFrom, VehicleFrom, decoded, fields_of, source, wrong_in_messages
from ingest.formats.sparkplug.payload import Value, text_of
from ingest.formats.translate import Field, Kind, Wrong, field_of, kind_of, number_of
from ingest.messages import is_name
from ingest.times import EPOCH

# Parts of a topic, as the specification names them (4.1).
GROUP, NODE, DEVICE = "group_id", "edge_node_id", "device_id"
_BOOT: Final = "sparkplug"  # of messages whose mapping names no metric for it
# The metric that makes a message, where the mapping does not say `on`.
_MADE_BY: Final = {"cycle": "cycle_no", "level": "level_pct", "fault": "active", "ignition": "on", "state": "online"}

_ENCODE: Final = msgspec.json.Encoder().encode


class MetricsFrom(MessageFrom, frozen=True, forbid_unknown_fields=True):
    """One message, made whenever the metric `on` is reported; a cycle only where it changes. Other metrics count as they stand then."""

    on: str | None = None


class Session(Struct, frozen=True, forbid_unknown_fields=True):
    """How edge nodes are listened to: the seconds that a message may be late (5.9), and the name of this host for edge nodes that
    wait for it (4.4)."""

    reorder_s: Annotated[float, Meta(ge=0, le=3600)] = 5.0
    host_id: Annotated[str, Meta(pattern=r"^[^+/#\x00]{1,256}$")] | None = None


class SparkplugMapping(Struct, frozen=True, forbid_unknown_fields=True):
    """A whole mapping."""

    vehicle: VehicleFrom
    message: Annotated[list[MetricsFrom], Meta(min_length=1)]
    sparkplug: Session = Session()


Channels = tuple[tuple[str, str, float], ...]  # channel, metric, kPa in one of its units
_AS_IT_IS: Final = (
    msgspec.inspect.BoolType,
    msgspec.inspect.IntType,
)  # what a metric says of these needs no reading as a text


@dataclass(frozen=True, slots=True)
class _Scalar:
    """A field outside channels: a number by its unit, something else as the text that logs would have."""

    name: str
    column: str  # its metric
    field: Field
    convert: Callable[[float], float] | None  # of a field that is a number
    as_it_is: type | None  # what needs no reading

    def value(self, told: Value | None) -> Any:
        """What its metric's value means, None where that is not known. Raises Wrong."""
        field = self.field
        if field.said.constant is not None:
            return field.constant
        if told is None:
            if field.required:
                raise Wrong(field.said.shown, None, f"what says {field.name}")
            return None
        if self.convert is not None and type(told) in (float, int):
            number: float = round(self.convert(told), 6)  # type: ignore[arg-type]
            if not isfinite(number):  # what JSON cannot say
                raise Wrong(field.said.shown, repr(told), "a finite number")
            return number
        return field.value({self.column: text_of(told)}, "")[0]


def _scalar(field: Field, kind: str) -> _Scalar:
    known = plain(msgspec.inspect.type_info(fields_of(kind)[field.name].type))
    said = field.said
    number = isinstance(known, msgspec.inspect.FloatType) and said.values is None and said.constant is None
    direct = said.values is None and said.at_least is None and isinstance(known, _AS_IT_IS)
    shape: type | None = (bool if isinstance(known, msgspec.inspect.BoolType) else int) if direct else None
    if number and said.unit is None and said.factor is None:
        shape = float  # in our own unit
    return _Scalar(field.name, said.column or "", field, unit_of(field.name, said) if number else None, shape)


@dataclass(frozen=True, slots=True)
class _Made:
    """A message that metrics make."""

    kind: Kind
    scalars: tuple[_Scalar, ...]
    peaks: Channels
    rests: Channels

    def made(self, now: dict[str, Value | None], at_ms: int, sent_ms: int, trigger: tuple[str, Value]) -> bytes | None:
        """The payload; None where this is no such message. Raises Wrong. Bounds of numbers are the recorder's to see."""
        kind, when = self.kind.kind, self.kind.when
        if when is not None and text_of(now.get(when.column) or "") not in when.texts:
            return None
        values: dict[str, Any] = {"boot": _BOOT}
        for one in self.scalars:
            value: Any = now.get(one.column)
            if type(value) is not one.as_it_is or not isfinite(value):  # type: ignore[arg-type]  # mypy: of any type
                value = one.value(value)
            if value is not None:
                values[one.name] = value
        if kind == "cycle":
            values["peak_kpa"] = _readings(self.peaks, now)
            if self.rests:
                values["rest_kpa"] = _readings(self.rests, now)
        try:
            began_ms = at_ms - round(1000 * values["run_s"]) if self.kind.from_end else at_ms
            values["at"] = EPOCH + timedelta(milliseconds=began_ms)
            if sent_ms:
                values["sent_at"] = EPOCH + timedelta(milliseconds=sent_ms)
        except OverflowError:
            raise Wrong("the metric's timestamp", str(at_ms), "milliseconds since 1970 up to the year 9999") from None
        name = f"{kind}|{at_ms}|{trigger[0]}|{trigger[1]!r}"
        if kind == "fault":  # several may be made by one metric
            name += f"|{values.get('code')}|{values.get('channel')}"
        values["seq"] = number_of(at_ms // 1000, name.encode())
        return _ENCODE(values)


def _readings(channels: Channels, now: dict[str, Value | None]) -> dict[str, float | None]:
    """Pressures by channel; a metric of one is a number, its birth sees to that."""
    return {
        channel: None if (value := now.get(metric)) is None else value * factor  # type: ignore[operator]
        for channel, metric, factor in channels
    }


class Plan:
    """What a mapping asks for, ready to be used: `names` are the metrics that it reads, some as `pressures`, the others as `scalars`."""

    def __init__(self, mapping: SparkplugMapping) -> None:
        """Raises Problem where the mapping is wrong."""
        if any("seq" in message.fields for message in mapping.message):
            raise Problem("seq is made of what is said and when; leave it out")
        if wrong := wrong_in_messages(mapping.message):
            raise Problem("; ".join(wrong))
        self.session = mapping.sparkplug
        self._fleet = field_of("fleet", str, mapping.vehicle.fleet, ".", required=True)
        self._vehicle = field_of("vehicle", str, mapping.vehicle.vehicle, ".", required=True)
        whose = {one.said.column for one in (self._fleet, self._vehicle)} - {None}
        if not whose <= {GROUP, NODE, DEVICE} or self._fleet.said.file or self._vehicle.said.file:
            raise Problem(f"vehicle: say its fleet and vehicle by {GROUP}, {NODE}, {DEVICE} or a constant")
        # Whether each device is a vehicle; otherwise metrics of devices are named device/metric.
        self.by_device = DEVICE in whose
        self.made_by: dict[str, list[_Made]] = {}
        self.cycles: set[str] = set()  # metrics that make a cycle by their change
        self.pressures, self.scalars = set[str](), set[str]()
        for number, message in enumerate(mapping.message, start=1):
            self._add(f"message {number} ({message.kind})", message)
        self.names = self.pressures | self.scalars

    def _add(self, where: str, message: MetricsFrom) -> None:
        on = message.on or source(message.fields.get(_MADE_BY[message.kind], "")).column
        if not on:
            raise Problem(f"{where}: say on, the metric that makes it")
        if any(source(given).file for given in message.fields.values()):
            raise Problem(f"{where}: there is no file whose name could say something")
        peaks = tuple(_channel(name, one.peak, "peak_kpa") for name, one in message.channels.items() if one.peak)
        rests = tuple(_channel(name, one.rest, "rest_kpa") for name, one in message.channels.items() if one.rest)
        kind = kind_of(msgspec.structs.replace(message, channels={}), ".")
        columns = {one.said.column for one in kind.fields} | {on, None if message.when is None else message.when.column}
        self.scalars |= {str(name) for name in columns - {None}}
        self.pressures |= {metric for _, metric, _ in (*peaks, *rests)}
        scalars = tuple(_scalar(field, message.kind) for field in kind.fields)
        self.made_by.setdefault(on, []).append(_Made(kind, scalars, peaks, rests))
        if message.kind == "cycle":
            self.cycles.add(on)

    def whose(self, cells: dict[str, str]) -> tuple[str, str]:
        """Fleet and vehicle by the parts of a topic. Raises Wrong."""
        return _name(self._fleet, cells), _name(self._vehicle, cells)


def _channel(channel: str, given: Any, field: str) -> tuple[str, str, float]:
    said = source(given)
    if said.column is None or said.values is not None:
        raise Problem(f"channel {channel}: say the metric of its {field}, with a unit or factor")
    return channel, said.column, unit_of(field, said)(1.0)  # all units of pressure are multiples of each other


def _name(field: Field, cells: dict[str, str]) -> str:
    name, text = field.value(cells, "")
    if not is_name(name):
        raise Wrong(field.said.shown, text, "up to 64 of A-Z a-z 0-9 _ -, or what the mapping's values say")
    return str(name)


def load(path: Path) -> Plan:
    """Read a mapping. Raises Problem that says where it is wrong."""
    try:
        return Plan(decoded(path, SparkplugMapping))
    except Problem as problem:
        raise problem if str(path) in str(problem) else Problem(f"{path}: {problem}") from None
