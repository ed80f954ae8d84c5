"""alarms and their transitions; depots, routes and what is to be delivered; calendars; people; how each vehicle stands."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Bring the tables up. What the analysis made is made anew, so that lists have all of it."""
    _make_people()
    _make_routes()
    _make_alarms()
    _make_outbox()
    _make_standing()
    _widen_analysis()


def _make_people() -> None:
    op.create_table(
        "attempt",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=128), nullable=False),
        sa.Column("origin", sa.String(length=64), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_attempt"),
    )
    op.create_index("ix_attempt_at_us", "attempt", ["at_us"])
    op.create_table(
        "change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_change"),
    )
    op.create_table(
        "feed",
        sa.Column("secret_hash", sa.String(length=64), nullable=False),
        sa.Column("depot", sa.String(length=256), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("revoked_us", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("secret_hash", name="pk_feed"),
    )
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=128), nullable=False),
        sa.Column("secret_hash", sa.Text(), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("fleets", sa.JSON(), nullable=False),
        sa.Column("depots", sa.JSON(), nullable=False),
        sa.Column("units", sa.JSON(), nullable=False),
        sa.Column("session", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_person"),
        sa.UniqueConstraint("name", name="uq_person_name"),
    )
    op.create_table(
        "shared",
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_shared"),
    )


def _make_routes() -> None:
    op.create_table(
        "depot",
        sa.Column("name", sa.String(length=256), nullable=False),
        sa.Column("lead_days", sa.Double(), nullable=False),
        sa.Column("digest_min", sa.Integer(), nullable=False),
        sa.Column("quiet_from_min", sa.Integer(), nullable=True),
        sa.Column("quiet_until_min", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("name", name="pk_depot"),
    )
    op.create_table(
        "route",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("depot", sa.String(length=256), nullable=True),
        sa.Column("severity", sa.String(length=8), nullable=False),
        sa.Column("groups", sa.JSON(), nullable=False),
        sa.Column("after_min", sa.Integer(), nullable=False),
        sa.Column("at_any_hour", sa.Boolean(), nullable=False),
        sa.Column("removed", sa.Boolean(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("failing_us", sa.BigInteger(), nullable=True),
        sa.Column("next_try_us", sa.BigInteger(), nullable=False),
        sa.Column("error", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_route"),
    )


def _make_alarms() -> None:
    op.create_table(
        "alarm",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("channel", sa.String(length=64), nullable=True),
        sa.Column("lines", sa.JSON(), nullable=False),
        sa.Column("severity", sa.String(length=8), nullable=False),
        sa.Column("summary", sa.Text(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.Column("began_us", sa.BigInteger(), nullable=False),
        sa.Column("ended_us", sa.BigInteger(), nullable=True),
        sa.Column("raised_us", sa.BigInteger(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("acknowledged", sa.Boolean(), nullable=False),
        sa.Column("shelved_until_us", sa.BigInteger(), nullable=True),
        sa.Column("suppressed_why", sa.Text(), nullable=True),
        sa.Column("out_of_service", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("changed_us", sa.BigInteger(), nullable=False),
        sa.Column("transitions", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"], name="fk_alarm_vehicle_id"),
        sa.PrimaryKeyConstraint("id", name="pk_alarm"),
    )
    op.create_index("ix_alarm_state", "alarm", ["state"])
    op.create_index("ix_alarm_vehicle_id", "alarm", ["vehicle_id"])
    op.create_table(
        "transition",
        sa.Column("alarm_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("event", sa.String(length=16), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name="fk_transition_alarm_id"),
        sa.PrimaryKeyConstraint("alarm_id", "number", name="pk_transition"),
    )
    op.create_index("ix_transition_at_us", "transition", ["at_us"])


def _make_outbox() -> None:
    op.create_table(
        "outbox",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=128), nullable=False),
        sa.Column("route_id", sa.Integer(), nullable=False),
        sa.Column("alarm_id", sa.Integer(), nullable=True),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("due_us", sa.BigInteger(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.Column("claimed_us", sa.BigInteger(), nullable=True),
        sa.Column("done_us", sa.BigInteger(), nullable=True),
        sa.Column("dropped_why", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name="fk_outbox_alarm_id"),
        sa.ForeignKeyConstraint(["route_id"], ["route.id"], name="fk_outbox_route_id"),
        sa.PrimaryKeyConstraint("id", name="pk_outbox"),
        sa.UniqueConstraint("key", name="uq_outbox_key"),
    )
    op.create_index("ix_outbox_done_us", "outbox", ["done_us"])


def _make_standing() -> None:
    op.create_table(
        "standing",
        sa.Column("vehicle_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("fleet", sa.String(length=64), nullable=False),
        sa.Column("vehicle", sa.String(length=64), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("vehicle_class", sa.Text(), nullable=False),
        sa.Column("depot", sa.Text(), nullable=False),
        sa.Column("timezone", sa.String(length=64), nullable=False),
        sa.Column("low_mark_pct", sa.Double(), nullable=False),
        sa.Column("nlgi", sa.String(length=8), nullable=False),
        sa.Column("search", sa.Text(), nullable=False),
        sa.Column("sold", sa.Boolean(), nullable=False),
        sa.Column("need", sa.Integer(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("dry_h", sa.Double(), nullable=False),
        sa.Column("level_pct", sa.Double(), nullable=True),
        sa.Column("due_early_us", sa.BigInteger(), nullable=True),
        sa.Column("detail", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"], name="fk_standing_vehicle_id"),
        sa.PrimaryKeyConstraint("vehicle_id", name="pk_standing"),
    )
    op.create_index("ix_standing_order", "standing", ["need", "rank"])


def _widen_analysis() -> None:
    op.add_column("analysis", sa.Column("dry_h", sa.Double(), nullable=True))
    op.add_column("analysis", sa.Column("filled_us", sa.BigInteger(), nullable=True))
    op.add_column("analysis", sa.Column("commissioning", sa.JSON(), nullable=True))
    op.add_column("analysis", sa.Column("alarms_due_us", sa.BigInteger(), nullable=True))
    op.create_index("ix_analysis_alarms_due_us", "analysis", ["alarms_due_us"])
    op.execute("DELETE FROM finding")
    op.execute("DELETE FROM analysis")
