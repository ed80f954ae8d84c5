"""The messages that a lubrication controller publishes: their types, and the way from bytes to them.

A topic reads `lube/1/{fleet}/{vehicle}/{kind}`; the payload is one JSON object whose shape is that of
the structure in `KINDS` for its kind. Whatever does not fit becomes a `Rejected` with a reason.
"""

import re
from collections.abc import Mapping
from functools import lru_cache
from typing import Annotated, Final, Literal

import msgspec
from msgspec import Meta, Struct

from ingest.languages import later
from ingest.times import Instant

ROOT: Final = "lube/1"
ALERT_ROOT: Final = "lube-alert/1"  # what is published about vehicles, by an account of its own
SUBSCRIPTION: Final = f"{ROOT}/#"
SHARE: Final = "tallow"  # the group in which the ingesters of the shipped units share the messages
MAX_PAYLOAD_BYTES: Final = 64 * 1024
MAX_CHANNELS: Final = 256
METER_BOOT: Final = "meter:"  # begins the boot of states that are hour meters read elsewhere than at the controller

_LEAP_SECOND: Final = re.compile(rb"(T\d\d:\d\d:)60(?=[.Zz+-])")
# A year of RFC 3339 that no calendar here has; the one in its place has a 29 February, too.
_YEAR_ZERO: Final = re.compile(rb'("(?:sent_)?at"\s*:\s*")0000(?=-)')
_NAME: Final = re.compile(r"[A-Za-z0-9_-]{1,64}", re.ASCII)

FaultCode = Literal[
    "pressure_high",
    "pressure_low",
    "cycle_timeout",
    "level_low",
    "motor_current",
    "supply_low",
    "sensor_open",
]
Count = Annotated[int, Meta(ge=0, le=2**63 - 1)]
# NUL cannot be stored by every database. `decode` sees to it: a pattern looked at for every channel of every cycle
# would take four times as long as all the rest.
_NO_NUL: Final = {"pattern": r"^[^\x00]*$"}
Boot = Annotated[str, Meta(min_length=1, max_length=32, extra_json_schema=_NO_NUL)]
Channel = Annotated[str, Meta(min_length=1, max_length=64, extra_json_schema=_NO_NUL)]
Text = Annotated[str, Meta(max_length=256, extra_json_schema=_NO_NUL)]
# Any number a broken sensor may send is a reading; the bound only keeps it within 32-bit floats.
Number = Annotated[float, Meta(ge=-1e9, le=1e9)]
Hours = Annotated[float, Meta(ge=0, le=1e9)]
LevelPct = Annotated[float, Meta(ge=-50, le=200)]
Readings = Annotated[dict[Channel, Number | None], Meta(max_length=MAX_CHANNELS)]


class Trace(Struct, frozen=True):
    """Pressure sampled every `dt_s` seconds from the start of the cycle."""

    dt_s: Annotated[float, Meta(gt=0, le=3600)]
    kpa: Annotated[list[Number], Meta(max_length=1024)]


class Message(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What every message has. (fleet, vehicle, boot, seq) names it for good."""

    seq: Count
    at: Instant
    boot: Boot | None = None
    sent_at: Instant | None = None
    engine_h: Hours | None = None


class Cycle(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One run of the pump. `at` is its start; pressures in kPa, temperature in degrees Celsius."""

    cycle_no: Count
    run_s: Annotated[float, Meta(gt=0, le=1e9)]
    peak_kpa: Readings
    manual: bool | None = None
    complete: bool | None = None
    temp_c: Number | None = None
    supply_v: Number | None = None
    rest_kpa: Readings | None = None
    trace: Annotated[dict[Channel, Trace], Meta(max_length=MAX_CHANNELS)] | None = None


class Level(Message, frozen=True, kw_only=True, omit_defaults=True):
    """Grease in the reservoir, percent of the volume at the full mark."""

    level_pct: LevelPct
    temp_c: Number | None = None
    tilt_deg: Number | None = None


class Fault(Message, frozen=True, kw_only=True, omit_defaults=True):
    """What the controller itself noticed; `value` in the reading's own unit."""

    code: FaultCode
    active: bool
    channel: Channel | None = None
    value: Number | None = None


class Ignition(Message, frozen=True, kw_only=True, omit_defaults=True):
    """The ignition was switched on or off."""

    engine_h: Hours
    on: bool


class State(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Online or not. Retained, and the last will, which knows neither `seq` nor `at`."""

    online: bool
    seq: Count | None = None
    at: Instant | None = None
    boot: Boot | None = None
    sent_at: Instant | None = None
    engine_h: Hours | None = None
    firmware: Text | None = None

    @property
    def of_record(self) -> bool:
        """Whether it has a name and a time, and so a row of its own."""
        return self.seq is not None and self.at is not None


AnyMessage = Cycle | Level | Fault | Ignition | State
KINDS: Final[Mapping[str, type[AnyMessage]]] = {
    "cycle": Cycle,
    "level": Level,
    "fault": Fault,
    "ignition": Ignition,
    "state": State,
}
_DECODERS: Final = {kind: msgspec.json.Decoder(shape) for kind, shape in KINDS.items()}
_ENCODER: Final = msgspec.json.Encoder()


class Decoded(Struct, frozen=True):
    """A message that is what it should be, and whose it is."""

    fleet: str
    vehicle: str
    kind: str
    message: AnyMessage


# Why something is not recorded: a code that stays the same over versions, and what it means.
REFUSALS: Final[Mapping[str, str]] = {
    "log_line": later('the line of a log file is not {"topic": …, "payload": {…}, "received_at": …}'),
    "row": later("what another controller wrote or published cannot be read, or does not fit its mapping"),
    "topic": later("the topic is not lube/1/fleet/vehicle/kind"),
    "name": later("the fleet's or vehicle's name has characters other than A-Z a-z 0-9 _ -, or is too long"),
    "kind": later("there is no such kind of message"),
    "size": f"the payload is larger than {MAX_PAYLOAD_BYTES} bytes; the first {MAX_PAYLOAD_BYTES} are kept",
    "json": later("the payload is not JSON in UTF-8"),
    "shape": later("the payload is not the message that its topic says"),
    "unregistered": later(
        "there are as many vehicles that nobody has registered as are kept; register it, and release this"
    ),
    "contradiction": later("another message of the same boot and seq came first and says something else"),
}


class Rejected(Struct, frozen=True, array_like=True):
    """Why a publication is no message: one of REFUSALS, and where it is wrong."""

    code: str
    detail: str = ""

    @property
    def reason(self) -> str:
        """The whole of it in words."""
        return REFUSALS[self.code] + (f": {self.detail}" if self.detail else "")


class Arrival(Struct, frozen=True, array_like=True):
    """One publication as it came: `received_us` is microseconds since 1970 UTC, None where nobody noted it."""

    topic: str
    payload: bytes
    received_us: int | None
    flaw: Rejected | None = None  # why it is no publication at all


def topic(fleet: str, vehicle: str, kind: str) -> str:
    """The topic that a vehicle publishes a kind of message on."""
    return f"{ROOT}/{fleet}/{vehicle}/{kind}"


def source_of(topic: str) -> str:
    """Who published on a topic, whatever it is: a vehicle, or another controller's edge node; of a line of a file, the file."""
    parts = topic.split("/")
    if parts[0] == "lube":
        return "/".join(parts[:4])
    return "/".join([*parts[:2], *parts[3:4]]) if len(parts) > 2 else topic.rpartition(":")[0] or topic


def is_name(text: str) -> bool:
    """Whether a text may name a fleet or a vehicle."""
    return _NAME.fullmatch(text) is not None


def encode(message: AnyMessage) -> bytes:
    """The JSON payload of a message."""
    return _ENCODER.encode(message)


@lru_cache(65_536)
def _address(topic: str) -> tuple[str, str, str] | Rejected:
    """Fleet, vehicle and kind that a topic names."""
    parts = topic.split("/")
    if len(parts) != 5 or parts[0] != "lube" or parts[1] != "1":
        return Rejected("topic")
    _, _, fleet, vehicle, kind = parts
    if not (is_name(fleet) and is_name(vehicle)):
        return Rejected("name")
    if kind not in KINDS:
        return Rejected("kind", f"known are {', '.join(KINDS)}")
    return fleet, vehicle, kind


def _has_nul(json: bytes) -> bool:
    return b"\\u0000" in json and b"\\u0000" in json.replace(b"\\\\", b"")


def decode(arrival: Arrival) -> Decoded | Rejected:
    """Read a publication; never raises, whatever the bytes are."""
    if arrival.flaw is not None:
        return arrival.flaw
    address = _address(arrival.topic)
    if isinstance(address, Rejected):
        return address
    fleet, vehicle, kind = address
    payload = arrival.payload
    if len(payload) > MAX_PAYLOAD_BYTES:
        return Rejected("size")
    if b":60" in payload:
        # A leap second is a time as good as the one before it.
        payload = _LEAP_SECOND.sub(rb"\g<1>59", payload)
    if b'"0000-' in payload:
        payload = _YEAR_ZERO.sub(rb"\g<1>0004", payload)
    try:
        message = _DECODERS[kind].decode(payload)
    except msgspec.ValidationError as error:
        return Rejected("shape", str(error))
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        return Rejected("json", str(error))
    except RecursionError:
        return Rejected("json", "nested too deeply")
    if _has_nul(payload) and _has_nul(encode(message)):
        return Rejected("shape", "a name or text holds the character NUL")
    return Decoded(fleet, vehicle, kind, message)
