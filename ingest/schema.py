"""Every table, once. Times are microseconds since 1970 UTC (`_us`); units are in the column names.

Messages of all kinds share one table, because one counter numbers them all: (vehicle, boot, seq) names a message.
"""

from typing import Any, Final

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Date,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    String,
    Table,
    Text,
    UniqueConstraint,
)

# Numbers of rows that come and go: SQLite's are that long anyway.
_Endless: Final = BigInteger().with_variant(Integer, "sqlite")

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# A vehicle is known from its first message or from the registry, whichever comes first. `news` grows with every
# batch that brought something new: an analysis that has seen the number need not look again.
vehicle = Table(
    "vehicle",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("fleet", String(64), nullable=False),
    Column("vehicle", String(64), nullable=False),
    Column("news", BigInteger, nullable=False, default=0),
    Column("heard_us", BigInteger),
    Column("online", Boolean),
    Column("online_received_us", BigInteger),
    UniqueConstraint("fleet", "vehicle"),
)

# Names of the pressure channels in the order of the vectors in `message`; the id is a hash of the names.
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
# is first needed (store.make_months); a recorder is the only one who writes here, so no key is checked against `vehicle`.
message = Table(
    "message",
    metadata,
    *_message_columns(),
    sqlite_with_rowid=False,
    postgresql_partition_by="RANGE (at_us)",
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

# What was found of the time before `since_us` when its messages were thinned: findings, fills and days as they were.
past = Table(
    "past",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("since_us", BigInteger, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("findings", JSON, nullable=False),
    Column("fills", JSON, nullable=False),
    Column("days", JSON, nullable=False),
)

# What could not be recorded: the first 64 KiB, and why: a code of `messages.REFUSALS` and where it is wrong.
quarantine = Table(
    "quarantine",
    metadata,
    Column("id", _Endless, primary_key=True),
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
intake = Table(
    "intake",
    metadata,
    Column("recorder", String(128), primary_key=True),
    Column("recorded", BigInteger, nullable=False, default=0),
    Column("duplicates", BigInteger, nullable=False, default=0),
    Column("rejected", BigInteger, nullable=False, default=0),
    Column("wills", BigInteger, nullable=False, default=0),
    Column("last_us", BigInteger),  # when it last committed
)

# How a vehicle was set up, from `valid_from_us` on; null: from its first message on.
setup = Table(
    "setup",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), nullable=False),
    Column("valid_from_us", BigInteger),
    Column("unit", Text, nullable=False),
    Column("vehicle_class", Text, nullable=False),
    Column("depot", Text, nullable=False),
    Column("timezone", String(64), nullable=False),
    Column("commissioned", Date),
    Column("feed", String(16), nullable=False),
    Column("reservoir_l", Double, nullable=False),
    Column("low_mark_pct", Double, nullable=False),
    Column("interval_min", Double, nullable=False),
    Column("run_s", Double, nullable=False),
    Column("relief_kpa", Double, nullable=False),
    Column("grease", Text, nullable=False),
    Column("nlgi", String(8), nullable=False),
    Column("level", String(8), nullable=False),
    Column("confirmation", Boolean),  # null: the file did not say
    Column("nominal_v", Double),
    UniqueConstraint("vehicle_id", "valid_from_us"),
)

line = Table(
    "line",
    metadata,
    Column("setup_id", Integer, ForeignKey("setup.id", ondelete="CASCADE"), primary_key=True),
    Column("line", SmallInteger, primary_key=True, autoincrement=False),
    Column("bundle", Text, nullable=False),
    Column("point", Text, nullable=False),
    Column("channel", String(64)),
    Column("dose_cm3", Double, nullable=False),
    Column("length_m", Double, nullable=False),
    Column("bore_mm", Double, nullable=False),
    Column("critical", Boolean, nullable=False),
)

# What people say that they did to a vehicle's system (`work.Work`). Rows are only added; one that corrects another names it.
work = Table(
    "work",
    metadata,
    Column("key", String(64), primary_key=True),
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("recorded_us", BigInteger, nullable=False),
    Column("corrects", String(64)),
    Column("detail", JSON, nullable=False),
    Index(None, "vehicle_id"),
)

# How past refill dates held, each time somebody looked (`backtest.Summary`).
backtest = Table(
    "backtest",
    metadata,
    Column("made_us", BigInteger, primary_key=True, autoincrement=False),
    Column("detail", JSON, nullable=False),
)

# The newest results of the analysis, one row a vehicle; made new as a whole.
analysis = Table(
    "analysis",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("as_of_us", BigInteger, nullable=False, index=True),
    Column("news", BigInteger, nullable=False),
    Column(
        "next_us", BigInteger
    ),  # when something is to be counted in that was there already: of a clock ahead, or a set-up to come
    Column("refill_state", String(8), nullable=False),
    Column("due_early_us", BigInteger),
    Column("due_expected_us", BigInteger),
    Column("refill", JSON, nullable=False),
    Column("fills", JSON, nullable=False),
    Column("days", JSON, nullable=False),  # what each local day brought, oldest first
    Column("lines", JSON, nullable=False),  # condition of each channel
    Column("notes", JSON, nullable=False),  # problems of the data itself
    Column("dry_h", Double),  # ignition hours that the point that waits longest has waited for grease
    Column("filled_us", BigInteger),  # the latest fill, seen or recorded
    Column("commissioning", JSON),  # `commissioning.as_json`; null where there is none
    Column(
        "alarms_due_us", BigInteger, index=True
    ),  # when its alarms have to be looked at next; null: with the next result
)

finding = Table(
    "finding",
    metadata,
    Column("id", _Endless, primary_key=True),
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), nullable=False),
    Column("kind", String(24), nullable=False),
    Column("channel", String(64)),
    Column("lines", JSON, nullable=False),
    Column("began_us", BigInteger, nullable=False),
    Column("detected_us", BigInteger, nullable=False),
    Column("ended_us", BigInteger),
    Column("severity", String(8), nullable=False),
    Column("summary", Text, nullable=False),
    Column("evidence", JSON, nullable=False),
    Column("watched_days", Double),  # that the vehicle had been watched for when it began
    Column("watched_h", Double),  # and ignition hours
    Index(None, "vehicle_id"),
)

# Litres of a grease at a depot in a month, of each vehicle (`amounts.Amount`); the depot and grease of that time.
supply = Table(
    "supply",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("month", String(7), primary_key=True),
    Column("depot", String(256), primary_key=True),
    Column("grease", String(512), primary_key=True),
    Column("used_l", Double, nullable=False),
    Column("filled_l", Double, nullable=False),
    Column("held_l", Double, nullable=False),
    Column("unaccounted_l", Double, nullable=False),
)

# Which analyser works on a vehicle, and until when nobody else begins: one that dies loses its claim by itself.
claim = Table(
    "claim",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("who", String(64), nullable=False),
    Column("until_us", BigInteger, nullable=False),
)

# Each registered vehicle as lists show it: who it is, by the registry, and how it stands, by the newest analysis.
standing = Table(
    "standing",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("fleet", String(64), nullable=False),
    Column("vehicle", String(64), nullable=False),
    Column("unit", Text, nullable=False),
    Column("vehicle_class", Text, nullable=False),
    Column("depot", Text, nullable=False),
    Column("timezone", String(64), nullable=False),
    Column("low_mark_pct", Double, nullable=False),
    Column("nlgi", String(8), nullable=False),
    Column("search", Text, nullable=False),  # what it may be found by, casefolded
    Column("sold", Boolean, nullable=False),
    # By the analysis.
    Column("need", Integer, nullable=False),  # 0 act now, 1 plan, 2 note, 3 nothing
    Column("rank", Integer, nullable=False),  # of its worst finding's kind
    Column("dry_h", Double, nullable=False),  # ignition hours that a point in trouble has waited for grease
    Column("level_pct", Double),
    Column("due_early_us", BigInteger),
    Column("grease", Text),  # what it takes
    Column("use_l_a_day", Double),  # at its present pace
    Column("watched_days", Double),  # for so long it has been watched
    Column("watched_h", Double),  # and for so many ignition hours
    Column("detail", JSON),  # `standing.Detail`; null before the first analysis
    Index("ix_standing_order", "need", "rank"),
    Index(
        "ix_standing_totals", "sold", "depot", "vehicle_class", "need", "fleet"
    ),  # all that totals and choices are counted from
)

# What somebody must deal with (`lifecycle.Condition` and what it is about), as its last transition left it. One that is
# normal is history, unless a finding shows that its stretch goes on.
alarm = Table(
    "alarm",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), nullable=False),
    Column("kind", String(24), nullable=False),
    Column("channel", String(64)),
    Column("lines", JSON, nullable=False),
    Column("severity", String(8), nullable=False),
    Column("summary", Text, nullable=False),
    Column("evidence", JSON, nullable=False),
    Column("began_us", BigInteger, nullable=False),
    Column("ended_us", BigInteger),
    Column("raised_us", BigInteger, nullable=False),
    Column("active", Boolean, nullable=False),
    Column("acknowledged", Boolean, nullable=False),
    Column("shelved_until_us", BigInteger),
    Column("suppressed_why", Text),
    Column("out_of_service", Boolean, nullable=False),
    Column("state", String(16), nullable=False, index=True),
    Column("changed_us", BigInteger, nullable=False),
    Column("transitions", Integer, nullable=False),
    Index(None, "vehicle_id"),
)

# What happened to an alarm, in order; only ever added to.
transition = Table(
    "transition",
    metadata,
    Column("alarm_id", Integer, ForeignKey("alarm.id"), primary_key=True, autoincrement=False),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("at_us", BigInteger, nullable=False, index=True),
    Column("event", String(16), nullable=False),
    Column("state", String(16), nullable=False),  # the one that it led to
    Column("who", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("until_us", BigInteger),
)

# What a depot wants otherwise than the default (`delivery.Depot`). Minutes are of its own day.
depot = Table(
    "depot",
    metadata,
    Column("name", String(256), primary_key=True),
    Column("lead_days", Double, nullable=False),
    Column("digest_min", Integer, nullable=False),
    Column("quiet_from_min", Integer),
    Column("quiet_until_min", Integer),
    Column("country", String(2)),  # whose public holidays it keeps
    Column("region", String(16)),
)

# Days, both included, on which a depot is closed.
closing = Table(
    "closing",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("depot", String(256), nullable=False),
    Column("first_day", String(10), nullable=False),
    Column("last_day", String(10), nullable=False),
    Column("what", Text, nullable=False),
    Column("origin", String(8), nullable=False),  # form or file
    Index(None, "depot"),
)

# Where alerts go (`delivery.Route`), and how it went there lately. One that was removed stays for what was sent by it.
route = Table(
    "route",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("address", Text, nullable=False),
    Column("depot", String(256)),  # null: all
    Column("severity", String(8), nullable=False),  # the least that goes there
    Column("groups", JSON, nullable=False),  # groups of kinds; none: all
    Column("after_min", Integer, nullable=False),  # only if nobody acknowledged within so many minutes
    Column("at_any_hour", Boolean, nullable=False),
    Column("removed", Boolean, nullable=False),
    Column("failures", Integer, nullable=False),  # in a row
    Column("failing_us", BigInteger),  # since when
    Column("next_try_us", BigInteger, nullable=False),
    Column("error", Text),
)

# Alerts to be delivered, written with the transition that they tell of. `key` names what is said to whom, once.
outbox = Table(
    "outbox",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key", String(128), nullable=False),
    Column("route_id", Integer, ForeignKey("route.id"), nullable=False),
    Column("alarm_id", Integer, ForeignKey("alarm.id")),  # null: a digest, or a report of the delivery itself
    Column("made_us", BigInteger, nullable=False),
    Column("due_us", BigInteger, nullable=False),
    Column("title", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("detail", JSON, nullable=False),  # the same for programs
    Column("claimed_us", BigInteger),  # when somebody began to send it
    Column("done_us", BigInteger, index=True),  # sent, or dropped
    Column("dropped_why", Text),
    UniqueConstraint("key"),
)

# Calendars that may be subscribed to: the hash of the secret in the address, and the depot.
feed = Table(
    "feed",
    metadata,
    Column("secret_hash", String(64), primary_key=True),
    Column("depot", String(256), nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("revoked_us", BigInteger),
)

# Who may use the dashboard (`people.Person`). `session` grows when all of a person's sessions are to end.
person = Table(
    "person",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(128), nullable=False),
    Column("secret_hash", Text, nullable=False),
    Column("role", String(16), nullable=False),
    Column("fleets", JSON, nullable=False),  # none: all
    Column("depots", JSON, nullable=False),  # none: all
    Column("units", JSON, nullable=False),
    Column("session", Integer, nullable=False),
    UniqueConstraint("name"),
)

# Attempts to sign in that failed, so that nobody can go on guessing at any of several servers.
attempt = Table(
    "attempt",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(128), nullable=False),
    Column("origin", String(64), nullable=False),
    Column("at_us", BigInteger, nullable=False, index=True),
)

# Who changed what of the set-up; work and alarms keep their own history. Only ever added to.
change = Table(
    "change",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at_us", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
)

# What all servers of one database share: the key that signs sessions.
shared = Table(
    "shared",
    metadata,
    Column("name", String(32), primary_key=True),
    Column("value", Text, nullable=False),
)
