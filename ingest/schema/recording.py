"""What is recorded: vehicles, their messages, and what became of every publication."""

from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Double,
    Integer,
    LargeBinary,
    String,
    Table,
    Text,
    UniqueConstraint,
)

from ingest.schema.base import ENDLESS, metadata

# A vehicle is known from its first message or from the registry, whichever comes first. `revision` grows with every
# batch that brought something new: an analysis that has seen the number need not look again.
vehicle = Table(
    "vehicle",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("fleet", String(64), nullable=False),
    Column("vehicle", String(64), nullable=False),
    Column("revision", BigInteger, nullable=False, default=0),
    Column("made_us", BigInteger),  # when it became known
    Column("heard_us", BigInteger),
    Column("online", Boolean),
    Column("online_received_us", BigInteger),
    UniqueConstraint("fleet", "vehicle"),
)

# Names of the pressure channels in the order of the vectors in `message`; the id is a hash of the names, or the next that was free.
channel_list = Table(
    "channel_list",
    metadata,
    Column("id", BigInteger, primary_key=True, autoincrement=False),
    Column("channels", JSON, nullable=False),
)


def _message_columns() -> list[Column[Any]]:
    """Who, when, and what was said, grouped by the kind that says it."""
    return [
        Column("vehicle_id", Integer, primary_key=True),
        Column("at_us", BigInteger, primary_key=True, autoincrement=False),  # the controller's own clock, never altered
        Column("boot", String(32), primary_key=True),
        Column("seq", BigInteger, primary_key=True, autoincrement=False),
        Column("received_us", BigInteger),
        Column("sent_us", BigInteger),
        Column("kind", String(8), nullable=False),
        Column("engine_h", Double),
        Column("temp_c", Double),
        Column("cycle_no", BigInteger),
        Column("run_s", Double),
        Column("manual", Boolean),
        Column("complete", Boolean),
        Column("supply_v", Double),
        Column("peak_list", BigInteger),  # channel_list.id
        Column("peak_kpa", LargeBinary),  # 32-bit little-endian floats of the channels that have a reading
        Column("rest_list", BigInteger),
        Column("rest_kpa", LargeBinary),
        Column("trace", LargeBinary),  # MessagePack: channel -> {dt_s, kpa}
        Column("level_pct", Double),
        Column("tilt_deg", Double),
        Column("code", String(16)),
        Column("active", Boolean),
        Column("channel", String(64)),
        Column("value", Double),
        Column("ignition_on", Boolean),
        Column("online", Boolean),
        Column("firmware", String(256)),
    ]


# A vehicle's messages lie together in order of time. PostgreSQL keeps each month in a table of its own, made when it
# is first needed (partitions.make_months); a recorder is the only one who writes here, so no key is checked against `vehicle`.
message = Table(
    "message",
    metadata,
    *_message_columns(),
    sqlite_with_rowid=False,
)

# What retention left of older messages: some of each vehicle's day.
thinned = Table("thinned", metadata, *_message_columns(), sqlite_with_rowid=False)

# Every name (vehicle, boot, seq) that was ever recorded, as ranges that neither touch nor overlap. It is what keeps
# names unique: over all months, and after the messages themselves are gone.
name_range = Table(
    "name_range",
    metadata,
    Column("vehicle_id", Integer, primary_key=True),
    Column("boot", String(32), primary_key=True),
    Column("first_seq", BigInteger, primary_key=True, autoincrement=False),
    Column("last_seq", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

# What could not be recorded: the first 64 KiB, and why: a code of `messages.REFUSALS` and where it is wrong.
quarantine = Table(
    "quarantine",
    metadata,
    Column("id", ENDLESS, primary_key=True),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("code", String(16), nullable=False),
    Column("detail", Text, nullable=False),
    Column("received_us", BigInteger),
)

# How many of each kind were ever refused: stays when quarantine lets the oldest go.
refusal = Table(
    "refusal",
    metadata,
    Column("recorder", String(128), primary_key=True),
    Column("code", String(16), primary_key=True),
    Column("count", BigInteger, nullable=False),
)

# One row for each recorder, so that several never wait for each other's counters.
recorder_stats = Table(
    "recorder_stats",
    metadata,
    Column("recorder", String(128), primary_key=True),
    Column("recorded", BigInteger, nullable=False, default=0),
    Column("duplicates", BigInteger, nullable=False, default=0),
    Column("rejected", BigInteger, nullable=False, default=0),
    Column("wills", BigInteger, nullable=False, default=0),
    Column("last_us", BigInteger),  # when it last committed
    Column("taken_over", Integer, nullable=False, server_default="0"),  # times another of its name took its session
    Column("taken_over_us", BigInteger),  # when that was last
    Column(
        "listened_us", BigInteger
    ),  # when it was last subscribed with nothing left to record, by the machine's clock
)
