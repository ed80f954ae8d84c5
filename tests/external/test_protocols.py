"""Facts of the protocols that messages travel by and are written in."""

from datetime import UTC, datetime

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ingest import broker, listener
from ingest.messages import Arrival, Decoded, Level, Rejected, decode, topic


def read_at(at: str) -> datetime | str:
    result = decode(Arrival(topic("f", "v", "level"), b'{"seq":1,"at":"%s","level_pct":1}' % at.encode(), None))
    if isinstance(result, Rejected):
        return result.reason
    assert isinstance(result, Decoded)
    assert isinstance(result.message, Level)
    return result.message.at


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # RFC 3339 section 5.8, examples.
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
        # Section 4.3: an unknown offset is written -00:00; section 5.6: T and Z may be lower case.
        ("1985-04-12T23:20:50-00:00", datetime(1985, 4, 12, 23, 20, 50, tzinfo=UTC)),
        ("1985-04-12t23:20:50z", datetime(1985, 4, 12, 23, 20, 50, tzinfo=UTC)),
        # A leap second, section 5.8: there is no other word for it than the second before.
        ("1990-12-31T23:59:60Z", datetime(1990, 12, 31, 23, 59, 59, tzinfo=UTC)),
        ("1990-12-31T15:59:60-08:00", datetime(1990, 12, 31, 23, 59, 59, tzinfo=UTC)),
    ],
)
def test_rfc_3339_times_are_read(text: str, expected: datetime) -> None:
    """The examples of the standard (RFC 3339, July 2002)."""
    assert read_at(text) == expected


@pytest.mark.parametrize(
    "text", ["1985-04-12", "1985-04-12T23:20:50", "1985-13-12T23:20:50Z", "1985-02-29T00:00:00Z", "now"]
)
def test_what_is_no_rfc_3339_date_time_is_refused(text: str) -> None:
    """A date-time has a date that exists, a time and an offset (RFC 3339 section 5.6 and 5.7)."""
    assert isinstance(read_at(text), str)


def test_mqtt_5_identifiers() -> None:
    """MQTT 5.0 (OASIS, 2019), table 2-4: session expiry interval is property 17, receive maximum 33."""
    wishes = Properties(PacketTypes.CONNECT)
    assert wishes.getIdentFromName("SessionExpiryInterval") == 17
    assert wishes.getIdentFromName("ReceiveMaximum") == 33


@pytest.mark.parametrize(
    ("value", "name"),
    [
        (132, "Unsupported protocol version"),
        (134, "Bad user name or password"),
        (135, "Not authorized"),
        (138, "Banned"),
    ],
)
def test_mqtt_5_reason_codes_of_a_refusal(value: int, name: str) -> None:
    """MQTT 5.0 section 3.2.2.2: reason codes of CONNACK; from 128 (0x80) on they mean failure."""
    code = ReasonCode(PacketTypes.CONNACK, identifier=value)
    assert code.getName() == name
    assert code.is_failure
    assert value in (*listener._VERSION_REFUSED, *listener._LOGIN_REFUSED)


def test_the_session_outlives_a_week() -> None:
    """Session expiry is counted in seconds (MQTT 5.0 section 3.1.2.11.2); receive maximum is never 0 (3.1.2.11.3)."""
    assert broker.SESSION_S >= 7 * 24 * 3600
    assert 0 < listener.RECEIVE_MAXIMUM <= 65_535
