"""From topics and bytes of Sparkplug B to values, and back for the one command that is sent.

Numbers of sections are those of the Sparkplug 3.0.0 specification.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

from google.protobuf.message import DecodeError

from ingest.formats.sparkplug.schema_pb2 import Metric, Payload

NAMESPACE: Final = "spBv1.0"
SUBSCRIPTION: Final = f"{NAMESPACE}/#"
REBIRTH: Final = "Node Control/Rebirth"
BD_SEQ: Final = "bdSeq"
OWN_METRICS: Final = (BD_SEQ, "Node Control/", "Device Control/")  # of the protocol itself
MOST_BYTES: Final = 1 << 20  # of a payload
_LONGEST_TOPIC: Final = 1_024  # characters; those that were read are remembered
_QUALITY: Final = "Quality"  # the key of a property (6.4.9.1)
# is_historical (field 5) and is_null (field 7) that are true, as protobuf writes them.
_MARKS: Final = (b"\x28\x01", b"\x38\x01", _QUALITY.encode())
_OF_NODE: Final = ("NBIRTH", "NDATA", "NDEATH")
_OF_DEVICE: Final = ("DBIRTH", "DDATA", "DDEATH")
_NOT_DATA: Final = ("NCMD", "DCMD")
_GOOD: Final = 192  # 6.4.9.1: quality codes are 0 bad, 192 good, 500 stale

Value = bool | int | float | str


class Unreadable(Exception):
    """Why a publication cannot be read, in words."""


@dataclass(frozen=True, slots=True)
class Address:
    """Who published what kind of message; `device` is empty where the edge node speaks for itself."""

    group: str
    kind: str
    node: str
    device: str = ""


def address_of(topic: str) -> Address | None:
    """Who speaks (section 4.1); None for commands and states of hosts. Raises Unreadable."""
    if len(topic) > _LONGEST_TOPIC:
        raise Unreadable(f"the topic is longer than {_LONGEST_TOPIC:,} characters")
    return _address_of(topic)


@lru_cache(65_536)
def _address_of(topic: str) -> Address | None:
    match topic.split("/"):
        case [namespace, "STATE", *_] if namespace == NAMESPACE:
            return None
        case [namespace, _, kind, *_] if namespace == NAMESPACE and kind in _NOT_DATA:
            return None
        case [namespace, group, kind, node] if namespace == NAMESPACE and kind in _OF_NODE and group and node:
            return Address(group, kind, node)
        case [namespace, group, kind, node, device] if (
            namespace == NAMESPACE and kind in _OF_DEVICE and group and node and device
        ):
            return Address(group, kind, node, device)
    raise Unreadable(
        f"the topic is not {NAMESPACE}/group/{'|'.join(_OF_NODE)}/node or {NAMESPACE}/group/{'|'.join(_OF_DEVICE)}/node/device"
    )


def payload_of(data: bytes) -> Payload:
    """What was published. Raises Unreadable."""
    if len(data) > MOST_BYTES:
        raise Unreadable(f"the payload is larger than {MOST_BYTES:,} bytes")
    try:
        payload = Payload.FromString(data)
    except DecodeError:
        raise Unreadable("the payload is no Sparkplug B: it does not follow its protobuf schema") from None
    if payload.HasField("body"):
        # What was compressed comes like this; the specification defines no compression, so nothing says which it is.
        raise Unreadable(
            "the payload is compressed or of a form of its own: metrics are read only where they stand openly"
        )
    return payload


def may_be_marked(data: bytes) -> bool:
    """Whether a metric of a payload may be historical, null, or of a quality; rarely also where none is. To look at each metric for
    that would take a third of the time of all reading."""
    return any(mark in data for mark in _MARKS)


def _signed(bits: int) -> Callable[[int], int]:
    half, whole = 1 << (bits - 1), 1 << bits
    return lambda raw: ((raw + half) & (whole - 1)) - half


def _unsigned(bits: int) -> Callable[[int], int]:
    most = (1 << bits) - 1
    return lambda raw: raw & most


def text(value: Any) -> str:
    """A text of a payload. Raises Unreadable for bytes that are none: the library hands them on as they are."""
    if not isinstance(value, str):
        raise Unreadable("a text in the payload is not UTF-8")
    return value


@dataclass(frozen=True, slots=True)
class _Type:
    name: str
    fields: tuple[str, ...]
    convert: Callable[[Any], Value] | None = None


_FLOAT: Final = 9
_INTEGER: Final = ("int_value", "long_value")
# 6.4.16. Signed integers travel in unsigned fields as two's complement, of their own width or of the field's (from memory).
_TYPES: Final = {
    1: _Type("Int8", _INTEGER, _signed(8)), 2: _Type("Int16", _INTEGER, _signed(16)),
    3: _Type("Int32", _INTEGER, _signed(32)), 4: _Type("Int64", _INTEGER[::-1], _signed(64)),
    5: _Type("UInt8", _INTEGER, _unsigned(8)), 6: _Type("UInt16", _INTEGER, _unsigned(16)),
    7: _Type("UInt32", _INTEGER, _unsigned(32)), 8: _Type("UInt64", _INTEGER[::-1], _unsigned(64)),
    9: _Type("Float", ("float_value",)), 10: _Type("Double", ("double_value",)),
    11: _Type("Boolean", ("boolean_value",)), 12: _Type("String", ("string_value",), text),
    13: _Type("DateTime", _INTEGER[::-1]), 14: _Type("Text", ("string_value",), text), 15: _Type("UUID", ("string_value",), text),
}  # fmt: skip
_NOT_READ: Final = {16: "DataSet", 17: "Bytes", 18: "File", 19: "Template", 20: "PropertySet", 21: "PropertySetList"}


@dataclass(frozen=True, slots=True)
class Reading:
    """How a metric of a datatype is read: the field its value is in, and what makes a value of that."""

    name: str
    datatype: str
    field: str
    second: str  # the other field that edge nodes use
    convert: Callable[[Any], Value] | None

    def careful(self, metric: Metric) -> Value | None:
        """The value, None where it is null or its quality is not good. Raises Unreadable where there is none."""
        if metric.is_null or not _is_good(metric):
            return None
        where = self.field if metric.HasField(self.field) else self.second
        if not metric.HasField(where):
            raise Unreadable(f'metric "{self.name}": its value is no {self.datatype}, as its birth says it is')
        value: Value = getattr(metric, where)
        return value if self.convert is None else self.convert(value)


def reading_of(name: str, datatype: int, *, shortest: bool, numeric: bool) -> Reading:
    """How a metric of this datatype is read.

    With `shortest` a 32-bit float is the decimal number of seven digits that it stands for. Raises Unreadable for a datatype
    that is not read, or is no number where it must be one.
    """
    known = _TYPES.get(datatype)
    if known is None or (numeric and datatype > 10):
        told = known.name if known else "an array" if 22 <= datatype <= 34 else _NOT_READ.get(datatype)
        read_are = "numbers" if numeric else "numbers, Boolean, String and DateTime"
        raise Unreadable(
            f'metric "{name}": its datatype is {told or f"none that is known ({datatype})"}; {read_are} can be read'
        )
    convert = _shortest if shortest and datatype == _FLOAT else known.convert
    return Reading(name, known.name, known.fields[0], known.fields[-1], convert)


def _shortest(value: float) -> float:
    return float(f"{value:.7g}")


def _is_good(metric: Metric) -> bool:
    told = metric.properties
    return all(
        value.int_value == _GOOD
        for key, value in zip(told.keys, told.values, strict=False)
        if key == _QUALITY and value.HasField("int_value")
    )


def text_of(value: Value) -> str:
    """A value as files of logs would write it."""
    return value.strip() if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else repr(value)


def rebirth_of(group: str, node: str, now_ms: int) -> tuple[str, bytes]:
    """Topic and payload of the request to publish births anew (5.17, 6.4.23: no sequence number, QoS 0, not retained)."""
    metric = Metric(name=REBIRTH, timestamp=now_ms, datatype=11, boolean_value=True)
    return f"{NAMESPACE}/{group}/NCMD/{node}", Payload(timestamp=now_ms, metrics=[metric]).SerializeToString()
