"""The demo's own conduct, without a browser."""

from pathlib import Path

import pytest
from alembic import command as alembic

from ingest import database
from ingest.environment import CLOCK
from simulators import SimulationError
from simulators.demo import Demo, State, save_state
from tests.conftest import free_port


def test_a_demo_of_an_older_version_says_in_a_line_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rather than fail in the middle of its start: with what its database asks for."""
    monkeypatch.delenv(CLOCK, raising=False)
    engine = database.connect(f"sqlite:///{tmp_path / 'tallow.db'}")
    config = database.alembic_config()
    with database.writing(engine) as connection:
        config.attributes["connection"] = connection
        alembic.upgrade(config, "0032")
    engine.dispose()
    save_state(tmp_path, State("2026-03-01T00:00:00+00:00", "all"))
    with pytest.raises(
        SimulationError, match=r"another version.*; run: tallow upgrade --database sqlite:///.*tallow.db$"
    ):
        Demo(tmp_path, free_port(), 120, print).run()


def test_a_demo_whose_database_is_none_says_so_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And that another folder begins anew."""
    monkeypatch.delenv(CLOCK, raising=False)
    (tmp_path / "tallow.db").write_text("no database, however long one looks at it\n" * 50)
    save_state(tmp_path, State("2026-03-01T00:00:00+00:00", "all"))
    with pytest.raises(SimulationError, match="--data to begin anew"):
        Demo(tmp_path, free_port(), 120, print).run()
