"""first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Bring the tables up."""
    _make_vehicles()
    _make_message()
    _make_counters()
    _make_results()
    _make_setups()


def _make_vehicles() -> None:
    op.create_table(
        "channel_list",
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("channels", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_channel_list")),
    )
    op.create_table(
        "vehicle",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet", sa.String(length=64), nullable=False),
        sa.Column("vehicle", sa.String(length=64), nullable=False),
        sa.Column("news", sa.BigInteger(), nullable=False),
        sa.Column("heard_us", sa.BigInteger(), nullable=True),
        sa.Column("online", sa.Boolean(), nullable=True),
        sa.Column("online_received_us", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_vehicle")),
        sa.UniqueConstraint("fleet", "vehicle", name=op.f("uq_vehicle_fleet_vehicle")),
    )


def _make_message() -> None:
    op.create_table(
        "message",
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.String(length=32), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("digest", sa.BigInteger(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("sent_us", sa.BigInteger(), nullable=True),
        sa.Column("received_us", sa.BigInteger(), nullable=True),
        sa.Column("engine_h", sa.Double(), nullable=True),
        sa.Column("cycle_no", sa.BigInteger(), nullable=True),
        sa.Column("run_s", sa.Double(), nullable=True),
        sa.Column("manual", sa.Boolean(), nullable=True),
        sa.Column("complete", sa.Boolean(), nullable=True),
        sa.Column("temp_c", sa.Double(), nullable=True),
        sa.Column("supply_v", sa.Double(), nullable=True),
        sa.Column("peak_list", sa.BigInteger(), nullable=True),
        sa.Column("peak_kpa", sa.LargeBinary(), nullable=True),
        sa.Column("rest_list", sa.BigInteger(), nullable=True),
        sa.Column("rest_kpa", sa.LargeBinary(), nullable=True),
        sa.Column("trace", sa.LargeBinary(), nullable=True),
        sa.Column("level_pct", sa.Double(), nullable=True),
        sa.Column("tilt_deg", sa.Double(), nullable=True),
        sa.Column("code", sa.String(length=16), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=True),
        sa.Column("channel", sa.String(length=64), nullable=True),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("ignition_on", sa.Boolean(), nullable=True),
        sa.Column("online", sa.Boolean(), nullable=True),
        sa.Column("firmware", sa.String(length=256), nullable=True),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"], name=op.f("fk_message_vehicle_id")),
        sa.PrimaryKeyConstraint("vehicle_id", "boot", "seq", name=op.f("pk_message")),
        sqlite_with_rowid=False,
    )


def _make_counters() -> None:
    op.create_table(
        "intake",
        sa.Column("recorder", sa.String(length=128), nullable=False),
        sa.Column("recorded", sa.BigInteger(), nullable=False),
        sa.Column("duplicates", sa.BigInteger(), nullable=False),
        sa.Column("rejected", sa.BigInteger(), nullable=False),
        sa.Column("wills", sa.BigInteger(), nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("recorder", name=op.f("pk_intake")),
    )
    op.create_table(
        "quarantine",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("code", sa.String(length=16), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("received_us", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quarantine")),
    )
    op.create_table(
        "refusal",
        sa.Column("recorder", sa.String(length=128), nullable=False),
        sa.Column("code", sa.String(length=16), nullable=False),
        sa.Column("count", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("recorder", "code", name=op.f("pk_refusal")),
    )


def _make_results() -> None:
    op.create_table(
        "analysis",
        sa.Column("vehicle_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("as_of_us", sa.BigInteger(), nullable=False),
        sa.Column("news", sa.BigInteger(), nullable=False),
        sa.Column("refill_state", sa.String(length=8), nullable=False),
        sa.Column("due_early_us", sa.BigInteger(), nullable=True),
        sa.Column("due_expected_us", sa.BigInteger(), nullable=True),
        sa.Column("refill", sa.JSON(), nullable=False),
        sa.Column("fills", sa.JSON(), nullable=False),
        sa.Column("days", sa.JSON(), nullable=False),
        sa.Column("lines", sa.JSON(), nullable=False),
        sa.Column("notes", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"], name=op.f("fk_analysis_vehicle_id")),
        sa.PrimaryKeyConstraint("vehicle_id", name=op.f("pk_analysis")),
    )
    op.create_table(
        "finding",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("channel", sa.String(length=64), nullable=True),
        sa.Column("lines", sa.JSON(), nullable=False),
        sa.Column("began_us", sa.BigInteger(), nullable=False),
        sa.Column("detected_us", sa.BigInteger(), nullable=False),
        sa.Column("ended_us", sa.BigInteger(), nullable=True),
        sa.Column("severity", sa.String(length=8), nullable=False),
        sa.Column("summary", sa.Text(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"], name=op.f("fk_finding_vehicle_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
    )
    op.create_index(op.f("ix_finding_vehicle_id"), "finding", ["vehicle_id"], unique=False)


def _make_setups() -> None:
    op.create_table(
        "setup",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("valid_from_us", sa.BigInteger(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("vehicle_class", sa.Text(), nullable=False),
        sa.Column("depot", sa.Text(), nullable=False),
        sa.Column("timezone", sa.String(length=64), nullable=False),
        sa.Column("commissioned", sa.Date(), nullable=True),
        sa.Column("feed", sa.String(length=16), nullable=False),
        sa.Column("reservoir_l", sa.Double(), nullable=False),
        sa.Column("low_mark_pct", sa.Double(), nullable=False),
        sa.Column("interval_min", sa.Double(), nullable=False),
        sa.Column("run_s", sa.Double(), nullable=False),
        sa.Column("relief_kpa", sa.Double(), nullable=False),
        sa.Column("grease", sa.Text(), nullable=False),
        sa.Column("nlgi", sa.String(length=8), nullable=False),
        sa.Column("level", sa.String(length=8), nullable=False),
        sa.Column("confirmation", sa.Boolean(), nullable=True),
        sa.Column("nominal_v", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"], name=op.f("fk_setup_vehicle_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_setup")),
        sa.UniqueConstraint("vehicle_id", "valid_from_us", name=op.f("uq_setup_vehicle_id_valid_from_us")),
    )
    op.create_table(
        "line",
        sa.Column("setup_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("bundle", sa.Text(), nullable=False),
        sa.Column("point", sa.Text(), nullable=False),
        sa.Column("channel", sa.String(length=64), nullable=True),
        sa.Column("dose_cm3", sa.Double(), nullable=False),
        sa.Column("length_m", sa.Double(), nullable=False),
        sa.Column("bore_mm", sa.Double(), nullable=False),
        sa.Column("critical", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["setup_id"], ["setup.id"], name=op.f("fk_line_setup_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("setup_id", "line", name=op.f("pk_line")),
    )
