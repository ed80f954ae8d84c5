"""What the analysis makes of it, and who is at it."""

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    String,
    Table,
    Text,
    true,
)

from ingest.schema.base import ENDLESS, metadata

# The newest results of the analysis, one row a vehicle; made new as a whole.
analysis = Table(
    "analysis",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("as_of_us", BigInteger, nullable=False, index=True),
    Column("revision", BigInteger, nullable=False),
    Column(
        "next_us", BigInteger
    ),  # when something is to be counted in that was there already: of a clock ahead, or a set-up to come
    Column("due_early_us", BigInteger),
    Column("refill", JSON, nullable=False),
    Column("notes", JSON, nullable=False),  # problems of the data itself
    Column("filled_us", BigInteger),  # the latest fill, seen or recorded
    Column("commissioning", JSON),  # `commissioning.as_json`; null where there is none
    Column(
        "alarms_due_us", BigInteger, index=True
    ),  # when its alarms have to be looked at next; null: with the next result
    Column(
        "fleet_revision", BigInteger
    ),  # the sum of all vehicles' revisions then: others lend a vehicle their calendar
    Column("made_by", String(32)),  # version of the program
    Column("fills", JSON),  # those seen in the level; null: not kept
    Column("trends_us", BigInteger),  # when its trends were made, whether or not there were any
)

# What steps of the analysis knew at the end of a day and of earlier weeks (`checkpoints`): a cache, whose loss changes nothing but time.
checkpoint = Table(
    "checkpoint",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("step", String(16), primary_key=True),
    Column("until_us", BigInteger, primary_key=True, autoincrement=False),
    Column("digest", LargeBinary, nullable=False),  # of what the state rests on
    Column("state", LargeBinary, nullable=False),
    Column("made_by", LargeBinary, nullable=False),  # digest of the code
)

finding = Table(
    "finding",
    metadata,
    Column("id", ENDLESS, primary_key=True),
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), nullable=False),
    Column("kind", String(24), nullable=False),
    Column("channel", String(64)),
    Column("lines", JSON, nullable=False),
    Column("began_us", BigInteger, nullable=False),
    Column("detected_us", BigInteger, nullable=False, index=True),
    Column("ended_us", BigInteger, index=True),
    Column("severity", String(8), nullable=False),
    Column("summary", Text, nullable=False),
    Column("said", JSON),  # what the summary was made of, to be told in other languages (`languages.saying`)
    Column("evidence", JSON, nullable=False),
    Column("watched_days", Double),  # that the vehicle had been watched for when it began
    Column("watched_h", Double),  # and ignition hours
    Index(None, "vehicle_id"),
)

# Litres of a grease at a depot in a month, of each vehicle (`usage.Amount`); the depot and grease of that time.
supply = Table(
    "supply",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("month", String(7), primary_key=True),
    Column("depot", String(256), primary_key=True),
    Column("grease", String(512), primary_key=True),
    Column("used_l", Double, nullable=False),
    Column("filled_l", Double, nullable=False),
    Column("held_l", Double),  # null: no level was seen
    Column("unaccounted_l", Double),
)

# What was found of the time before `since_us` when its messages were thinned: findings, fills and days as they were.
archive = Table(
    "archive",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("since_us", BigInteger, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("findings", JSON, nullable=False),
    Column("fills", JSON, nullable=False),
    Column("days", JSON, nullable=False),
)

# How past refill dates held, each time somebody looked (`backtest.Summary`).
backtest = Table(
    "backtest",
    metadata,
    Column("made_us", BigInteger, primary_key=True, autoincrement=False),
    Column("detail", JSON, nullable=False),
)

# Each registered vehicle as lists show it: who it is, by the registry, and how it stands, by the newest analysis.
vehicle_summary = Table(
    "vehicle_summary",
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
    Column("controller", Boolean, nullable=False, server_default=true()),  # false: all of it is greased by hand
    # By the analysis.
    Column("need", Integer, nullable=False),  # `vehicle_summary.PRIORITIES`, by their place
    Column("rank", Integer, nullable=False),  # of its worst finding's kind
    Column("dry_h", Double),  # ignition hours that a point in trouble has waited for grease; null where nobody knows
    Column("level_pct", Double),
    Column("due_early_us", BigInteger),
    Column("grease", Text),  # what it takes
    Column("use_l_a_day", Double),  # at its present pace
    Column("watched_days", Double),  # for so long it has been watched
    Column("watched_h", Double),  # and for so many ignition hours
    Column("drifting", Integer),  # lines that are on their way, and called nothing yet; null: not counted yet
    Column("detail", JSON),  # `pipeline.vehicle_summary.Detail`; null before the first analysis
    Index("ix_vehicle_summary_order", "need", "rank"),
    Index("ix_vehicle_summary_name", "fleet", "vehicle"),  # in which programs read it, a part at a time
    Index("ix_vehicle_summary_due", "sold", "due_early_us", "fleet", "depot"),
    Index("ix_vehicle_summary_drifting", "sold", "drifting"),
    Index(
        "ix_vehicle_summary_totals", "sold", "depot", "vehicle_class", "need", "fleet"
    ),  # all that totals and choices are counted from
)

# What was counted of each depot on each day (UTC), so that weeks can be shown without counting again; null: not known of that day.
depot_day = Table(
    "depot_day",
    metadata,
    Column("day", String(10), primary_key=True),
    Column("fleet", String(64), primary_key=True),
    Column("depot", String(256), primary_key=True),
    Column("urgent", Integer),  # vehicles that could not wait
    Column("due", Integer),  # vehicles with a refill due within seven days
    Column("heard", Integer),  # vehicles that were heard that day
)

# What was answered to questions of a time (`pipeline.asked.Answer`), vehicle by vehicle; it holds while nothing is recorded.
asked = Table(
    "asked",
    metadata,
    Column("as_of_us", BigInteger, primary_key=True, autoincrement=False),
    Column("place", Integer, primary_key=True, autoincrement=False),  # in the order of fleets and vehicles
    Column("fleet_revision", BigInteger, nullable=False),
    Column("made_by", String(32), nullable=False),
    Column("answer", JSON, nullable=False),
)

# Which analyser works on a vehicle, and until when nobody else begins: one that dies loses its claim by itself.
claim = Table(
    "claim",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("who", String(64), nullable=False),
    Column("until_us", BigInteger, nullable=False),
)
