"""What somebody must deal with, and how they are told."""

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    Text,
    UniqueConstraint,
)

from ingest.schema.base import metadata

# What somebody must deal with (`states.Condition` and what it is about), as its last transition left it. One that is
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
    Column("said", JSON),  # what the summary was made of, to be told in other languages (`languages.saying`)
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
    Column("assigned_to", String(128)),  # who is to deal with it
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

# What a depot wants otherwise than the default (`depots.Depot`). Minutes are of its own day.
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
    Column("latitude", Double),  # where it is, where somebody asked for who stands there; degrees
    Column("longitude", Double),
    Column("radius_m", Double),
)

# Days, both included, on which a depot is closed (`closed_days.ClosedDays`).
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

# Where alerts go (`routes.Route`), and how it went there lately. One that was removed stays for what was sent by it.
route = Table(
    "route",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("address", Text, nullable=False),  # sealed where a key is named
    Column("depot", String(256)),  # null: all
    Column("severity", String(8), nullable=False),  # the least that goes there
    Column("groups", JSON, nullable=False),  # groups of kinds; none: all
    Column("after_min", Integer, nullable=False),  # only if nobody acknowledged within so many minutes
    Column("at_any_hour", Boolean, nullable=False),
    Column(
        "most_alerts", Integer, nullable=False, server_default="10"
    ),  # in ten minutes one by one; more come together
    Column("language", String(8), nullable=False, server_default="en"),  # that people are told in there
    Column("removed", Boolean, nullable=False),
    Column("failures", Integer, nullable=False),  # in a row
    Column("failing_us", BigInteger),  # since when
    Column("next_try_us", BigInteger, nullable=False),
    Column("error", Text),
)

# Browsers that alerts are pushed to, each by a route of its own (`browsers.Browser`). Person 0: whoever is on this machine, before
# anybody is named. One that its push service knows no more stays for a while, to be told of.
push_browser = Table(
    "push_browser",
    metadata,
    Column("route_id", Integer, ForeignKey("route.id"), primary_key=True, autoincrement=False),
    Column("person_id", Integer, nullable=False, index=True),
    Column("label", String(64), nullable=False),
    Column("endpoint_hash", String(64), nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("answer", Text),  # of the push service, the last one
    Column("answered_us", BigInteger),
    Column("took", Boolean),  # whether by that answer it took the message
    Column("shown_us", BigInteger),  # when the browser last said that it showed one
    Column("gone_us", BigInteger),
    UniqueConstraint("endpoint_hash"),
)

# Alerts to be delivered, written with the transition that they tell of. `key` names what is said to whom, once.
outbox = Table(
    "outbox",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key", String(128), nullable=False),
    Column("route_id", Integer, ForeignKey("route.id"), nullable=False),
    Column("recipient", Text),  # one of several of the route; null: all there are
    Column("alarm_id", Integer, ForeignKey("alarm.id")),  # null: a digest, or a report of the delivery itself
    Column("made_us", BigInteger, nullable=False),
    Column("due_us", BigInteger, nullable=False),
    Column("title", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("detail", JSON, nullable=False),  # the same for programs
    Column("claimed_us", BigInteger),  # when somebody began to send it
    Column("tries", Integer, nullable=False, server_default="0"),  # that failed and may do better later
    Column("next_try_us", BigInteger, nullable=False, server_default="0"),
    Column("refused_why", Text),  # set aside: whoever it is for will not have it, however often it is tried
    Column("done_us", BigInteger, index=True),  # sent, or dropped
    Column("dropped_why", Text),
    UniqueConstraint("key"),
)

# Calendars that may be subscribed to: the hash of the secret in the address, and the depot.
calendar_token = Table(
    "calendar_token",
    metadata,
    Column("secret_hash", String(64), primary_key=True),
    Column("depot", String(256), nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("revoked_us", BigInteger),
)
