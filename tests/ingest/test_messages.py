"""From bytes to messages: what is one is read, what is not is refused with a reason, and nothing ever raises."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.messages import (
    KINDS,
    MAX_PAYLOAD_BYTES,
    Arrival,
    Cycle,
    Decoded,
    Level,
    Rejected,
    State,
    decode,
    encode,
    topic,
)
from ingest.times import instant, microseconds
from tests.helpers.messages import COMMON, CYCLE


def read(kind: str, payload: object, where: str = "") -> Decoded | Rejected:
    data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return decode(Arrival(where or topic("f", "v", kind), data, None))


def test_each_kind_is_read() -> None:
    """The five kinds of the interface, with only what they must have."""
    samples = {
        "cycle": CYCLE,
        "level": COMMON | {"level_pct": 55},
        "fault": COMMON | {"code": "level_low", "active": True},
        "ignition": COMMON | {"engine_h": 12.5, "on": False},
        "state": {"online": False},
    }
    assert samples.keys() == KINDS.keys()
    for kind, payload in samples.items():
        result = read(kind, payload)
        assert isinstance(result, Decoded)
        assert type(result.message) is KINDS[kind]


def test_nul_is_refused_only_where_it_would_be_stored() -> None:
    """Not in a field that is ignored, nor where a text only looks like it."""
    assert not isinstance(read("level", COMMON | {"level_pct": 1, "remark": "\x00"}), Rejected)
    assert not isinstance(read("level", COMMON | {"level_pct": 1, "boot": "\\u0000"}), Rejected)


def test_no_clock_is_refused_for_the_year_it_shows() -> None:
    """RFC 3339, 5.6: a year is four digits, and 0000 is one; what is no time is none in that year either."""
    for said in ("0000-01-01T00:00:00Z", "0000-02-29T12:00:00+14:00", "9999-12-31T23:59:59-14:00"):
        result = read("level", COMMON | {"level_pct": 1, "boot": "0000-1", "at": said, "sent_at": said})
        assert isinstance(result, Decoded)
        assert isinstance(result.message, Level)
        assert (result.message.boot, result.message.at) == ("0000-1", result.message.sent_at)
    assert isinstance(read("level", COMMON | {"level_pct": 1, "at": "0000-00-00T00:00:00Z"}), Rejected)


def test_null_is_absent_and_unknown_fields_are_ignored() -> None:
    """Null and absent mean the same; what is not known yet does not disturb."""
    plain, told = read("cycle", CYCLE), read("cycle", CYCLE | {"boot": None, "rest_kpa": None, "colour": "blue"})
    assert isinstance(plain, Decoded)
    assert isinstance(told, Decoded)
    assert plain.message == told.message


def test_a_will_has_neither_seq_nor_time() -> None:
    """The last will cannot know them, and is no message of record."""
    result = read("state", {"online": False})
    assert isinstance(result, Decoded)
    assert isinstance(result.message, State)
    assert not result.message.of_record


@pytest.mark.parametrize("value", [-1000, 100_000, 0, -0.0])
def test_a_broken_sensor_sends_readings_not_errors(value: float) -> None:
    """Whatever a pressure sensor says is a reading."""
    result = read("cycle", CYCLE | {"peak_kpa": {"p1": value}})
    assert isinstance(result, Decoded)
    assert isinstance(result.message, Cycle)
    assert result.message.peak_kpa["p1"] == value


@pytest.mark.parametrize(
    "at", ["1970-01-01T00:00:00Z", "2100-01-01T00:00:00+14:00", "2026-03-01T06:00:00.123456-09:30"]
)
def test_no_time_is_refused_for_its_value(at: str) -> None:
    """A clock that lost power says 1970, and that is still a message."""
    assert isinstance(read("level", COMMON | {"at": at, "level_pct": 1}), Decoded)


@pytest.mark.parametrize(
    ("kind", "payload", "reason"),
    [
        ("cycle", b"", "not JSON"),
        ("cycle", b'{"seq": 1', "not JSON"),
        ("cycle", b"\xff\xfe", "not JSON"),
        ("cycle", b"[]", "Expected `object`"),
        ("cycle", b"[" * 60_000, "not"),
        ("cycle", b'{"seq": NaN}', "not JSON"),
        ("level", COMMON | {"level_pct": 1e400}, "not JSON"),
        ("level", COMMON | {"level_pct": 200.5}, "level_pct"),
        ("level", COMMON | {"level_pct": "55"}, "level_pct"),
        ("level", COMMON, "level_pct"),
        ("level", {"seq": -1, "at": COMMON["at"], "level_pct": 1}, "seq"),
        ("level", {"seq": 2**70, "at": COMMON["at"], "level_pct": 1}, "seq"),
        ("level", COMMON | {"at": "2026-02-30T00:00:00Z", "level_pct": 1}, "at"),
        ("level", COMMON | {"at": "2026-03-01T06:00:00", "level_pct": 1}, "at"),
        ("level", COMMON | {"boot": "", "level_pct": 1}, "boot"),
        ("level", COMMON | {"boot": "a\x00b", "level_pct": 1}, "NUL"),
        ("cycle", COMMON | {"cycle_no": 1, "run_s": 90, "peak_kpa": {"\x00": 1}}, "NUL"),
        ("state", COMMON | {"online": True, "firmware": "\x00"}, "NUL"),
        ("fault", COMMON | {"code": "on_fire", "active": True}, "code"),
        ("ignition", COMMON | {"on": True}, "engine_h"),
        ("state", {"online": 1}, "online"),
        ("cycle", CYCLE | {"peak_kpa": {"p1": "high"}}, "peak_kpa"),
        ("cycle", CYCLE | {"run_s": 0}, "run_s"),
        ("cycle", CYCLE | {"trace": {"p1": {"dt_s": 1, "kpa": [0] * 1025}}}, "trace"),
        ("weather", COMMON, "no such kind"),
        ("level", b" " * (MAX_PAYLOAD_BYTES + 1), "larger"),
    ],
)
def test_what_is_no_message_is_refused_with_its_reason(kind: str, payload: object, reason: str) -> None:
    """Each refusal says what is wrong in words."""
    result = read(kind, payload)
    assert isinstance(result, Rejected)
    assert reason in result.reason


@pytest.mark.parametrize(
    "where",
    ["lube/2/f/v/level", "lube/1/f/v", "lube/1/f/v/level/x", "lube/1/../v/level", "lube/1/f/+/level", "lube/1//v/level",
     f"lube/1/f/{'v' * 65}/level", "lube/1/f/ vehicle/level", "lube/1/f/v\u00e9/level"],
)  # fmt: skip
def test_a_wrong_topic_is_refused(where: str) -> None:
    """Names are plain; nothing else is one of our topics."""
    assert isinstance(read("level", COMMON | {"level_pct": 1}, where), Rejected)


@given(st.binary(max_size=300), st.sampled_from(sorted(KINDS)))
def test_no_bytes_raise(payload: bytes, kind: str) -> None:
    """Whatever arrives, decoding answers."""
    assert isinstance(read(kind, payload), Decoded | Rejected)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)


@given(st.sampled_from(sorted(CYCLE)), _JSON)
def test_no_value_in_a_field_raises(field: str, value: object) -> None:
    """A cycle with anything in any field is read or refused."""
    assert isinstance(read("cycle", CYCLE | {field: value}), Decoded | Rejected)


@given(st.integers(-(10**15), 10**16))
def test_microseconds_and_instants_are_each_others_inverse(us: int) -> None:
    """No time is bent by going through a date-time and back."""
    assert microseconds(instant(us)) == us


def test_what_is_encoded_is_read_again() -> None:
    """The simulator writes by the same types that the decoder reads by."""
    message = Level(seq=1, at=instant(1_700_000_000_000_000), level_pct=43.5)
    result = read("level", encode(message))
    assert isinstance(result, Decoded)
    assert result.message == message
