"""Names that say what they name: tables, and the number that grows with what a vehicle says.

Recorders of the version before cannot go on with these names: they end or wait, and acknowledge nothing meanwhile.
"""

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_TABLES: Final = {
    "change": "change_log",
    "feed": "calendar_token",
    "intake": "recorder_stats",
    "past": "archive",
    "shared": "app_secret",
    "standing": "vehicle_summary",
}
_OF_A_VEHICLE: Final = ("past", "standing")
_LISTS: Final = {
    "order": ["need", "rank"],
    "totals": ["sold", "depot", "vehicle_class", "need", "fleet"],
}


def upgrade() -> None:
    """Nothing changes but names."""
    on_postgresql = op.get_bind().dialect.name == "postgresql"
    if on_postgresql:  # in the order in which recorders take them: nobody waits in a ring
        op.execute("LOCK TABLE vehicle, past, intake, analysis, standing IN ACCESS EXCLUSIVE MODE")
    for name in _LISTS:
        op.drop_index(f"ix_standing_{name}", "standing")
    for before, now in _TABLES.items():
        op.rename_table(before, now)
        if on_postgresql:  # SQLite's keys have names inside their table only
            op.execute(f"ALTER TABLE {now} RENAME CONSTRAINT pk_{before} TO pk_{now}")
    if on_postgresql:
        for before in _OF_A_VEHICLE:
            now = _TABLES[before]
            op.execute(f"ALTER TABLE {now} RENAME CONSTRAINT fk_{before}_vehicle_id TO fk_{now}_vehicle_id")
        op.execute("ALTER SEQUENCE change_id_seq RENAME TO change_log_id_seq")
    for name, columns in _LISTS.items():
        op.create_index(f"ix_vehicle_summary_{name}", "vehicle_summary", columns)
    for table in ("vehicle", "analysis"):
        op.alter_column(table, "news", new_column_name="revision", existing_type=sa.BigInteger())
