"""A database of an older version comes up with everything it holds."""

from datetime import datetime
from typing import Any

from alembic import command as alembic
from sqlalchemy import text

from ingest import database
from ingest.messages import Arrival
from ingest.recorder import Recorder
from ingest.times import microseconds
from tests.helpers.messages import level, rows


def first_version(url: str) -> None:
    """A database as the first version left it: gaps in the counters, clocks gone wrong, several months."""
    engine = database.connect(url)
    config = database.alembic_config()
    with database.writing(engine) as connection:
        config.attributes["connection"] = connection
        alembic.upgrade(config, "0001")
        connection.execute(text("INSERT INTO vehicle (fleet, vehicle, news) VALUES ('f', 'v', 3)"))
        for seq, at in enumerate(("1970-01-01", "2026-01-31", "2026-02-01", "2100-01-01", "2026-03-01")):
            connection.execute(
                text(
                    "INSERT INTO message (vehicle_id, boot, seq, kind, digest, at_us, level_pct)"
                    " VALUES (1, '0', :seq, 'level', 0, :at_us, 50)"
                ),
                {"seq": seq + (seq > 2), "at_us": microseconds(datetime.fromisoformat(f"{at}T00:00:00Z"))},
            )
    engine.dispose()


def test_everything_is_held_after_an_upgrade(database_url: str) -> None:
    """Nothing is recorded twice afterwards, and what was free is recorded."""
    first_version(database_url)
    engine = database.connect(database_url)
    database.upgrade(engine)
    assert [row["seq"] for row in rows(engine)] == [0, 1, 2, 4, 5]
    again: list[Arrival] = [level(1, at="2026-01-31T00:00:00Z"), level(3, at="2026-02-15T00:00:00Z")]
    tally = Recorder(engine, "test").record(again)
    assert (tally.recorded.total(), tally.duplicates, tally.rejected) == (1, 1, 0)
    with engine.connect() as connection:
        held: Any = connection.execute(text("SELECT first_seq, last_seq FROM name_range")).all()
    assert list(map(tuple, held)) == [(0, 5)]
    engine.dispose()
