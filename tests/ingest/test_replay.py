"""Log files of messages."""

import gzip
import json
import os
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import Engine, select

from ingest import database, log_files, schema, totals
from ingest.errors import Problem
from ingest.log_files import size
from ingest.recorder import Tally
from ingest.recorder_process import RecorderProcess
from ingest.replay import BATCH, read_log, replay


def line(seq: int) -> str:
    return json.dumps(
        {"topic": "lube/1/f/v/level", "payload": {"seq": seq, "at": "2026-03-01T06:00:00Z", "level_pct": 40}}
    )


def run(path: Path, engine: Engine) -> Tally:
    with RecorderProcess(database.address(engine), "replay") as recording:
        return replay(read_log(path, lambda done: None), recording)


@pytest.mark.parametrize("name", ["log.ndjson", "log.ndjson.gz"])
def test_plain_and_gzip_files_are_recorded(engine: Engine, tmp_path: Path, name: str) -> None:
    """Also over several batches, and again without harm."""
    text = "\n".join(line(n) for n in range(4_500)).encode() + b"\n\n"
    path = tmp_path / name
    path.write_bytes(gzip.compress(text) if name.endswith("gz") else text)
    assert run(path, engine).recorded["level"] == 4_500
    assert run(path, engine).duplicates == 4_500
    assert size(path) == path.stat().st_size


def test_a_pipe_is_read_once(engine: Engine, tmp_path: Path) -> None:
    """Its size is not known before."""
    path = tmp_path / "pipe"
    os.mkfifo(path)
    writer = threading.Thread(target=lambda: path.write_text("\n".join(line(n) for n in range(10)) + "\n"))
    writer.start()
    assert size(path) == 0
    assert run(path, engine).recorded["level"] == 10
    writer.join(10)


def test_received_at_is_taken_and_never_the_present(engine: Engine, tmp_path: Path) -> None:
    """Without it the receipt stays unknown."""
    path = tmp_path / "log"
    path.write_text(line(1) + "\n" + line(2)[:-1] + ', "received_at": "1970-01-01T00:00:01Z"}\n')
    run(path, engine)
    with engine.connect() as connection:
        found = connection.execute(select(schema.message.c.received_us).order_by(schema.message.c.seq)).scalars().all()
    assert found == [None, 1_000_000]


def test_a_bad_line_is_quarantined_with_its_number(engine: Engine, tmp_path: Path) -> None:
    """The rest of the file is recorded."""
    path = tmp_path / "log"
    path.write_text("\n".join([line(1), '{"topic": 3}', "nonsense", line(2)]))
    tally = run(path, engine)
    assert (tally.recorded["level"], tally.rejected) == (2, 2)
    with engine.connect() as connection:
        assert connection.execute(select(schema.quarantine.c.topic)).scalars().all() == ["log:2", "log:3"]


def test_a_line_without_an_end_takes_no_room(engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A small packed file may hold one of many gigabytes: its beginning goes to quarantine, and the lines around it count as they are."""
    monkeypatch.setattr(log_files, "LONGEST_LINE", 300)
    path = tmp_path / "long.ndjson.gz"
    path.write_bytes(gzip.compress(f"{line(1)}\n{'x' * 1000}\n{'y' * 299}\n{'z' * 300}\n{line(2)}\n".encode()))
    tally = run(path, engine)
    assert (tally.recorded["level"], tally.rejected) == (2, 3)
    with engine.connect() as connection:
        held = connection.execute(select(schema.quarantine.c.topic, schema.quarantine.c.payload)).all()
    assert [(row.topic, len(row.payload)) for row in held] == [
        ("long.ndjson.gz:2", 300),
        ("long.ndjson.gz:3", 299),
        ("long.ndjson.gz:4", 300),
    ]


def test_a_file_may_have_any_name(engine: Engine, tmp_path: Path) -> None:
    """Also one that is no text."""
    path = tmp_path / os.fsdecode(b"log-\xff")
    path.write_text("nonsense\n")
    assert run(path, engine).rejected == 1
    with engine.connect() as connection:
        assert connection.execute(select(schema.quarantine.c.topic)).scalars().all() == ["log-?:1"]


def test_a_damaged_file_is_one_clear_line_and_keeps_what_was_read(engine: Engine, tmp_path: Path) -> None:
    """A gzip file that breaks off."""
    path = tmp_path / "log.gz"
    path.write_bytes(gzip.compress("\n".join(line(n) for n in range(9_000)).encode())[:-2_000])
    with pytest.raises(Problem, match=r"log\.gz cannot be read"):
        run(path, engine)
    with engine.connect() as connection:
        assert totals.status(connection)["recorded"]["level"] > 100


def test_a_database_that_stays_away_is_told_of_however_long_the_file(tmp_path: Path) -> None:
    """One clear line, also where the next batch is read already."""
    file = tmp_path / "held.db"
    database.open_database(f"sqlite:///{file}").dispose()
    line = '{"topic": "lube/1/f/v%d/ignition", "payload": {"seq": %d, "at": "2026-01-01T00:00:00Z", "on": true, "engine_h": 1}}\n'
    (tmp_path / "long.ndjson").write_text("".join(line % (n % 9, n) for n in range(2 * BATCH + 1)))
    with closing(sqlite3.connect(file, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        command = [
            sys.executable,
            "-m",
            "dashboard",
            "replay",
            str(tmp_path / "long.ndjson"),
            "--database",
            f"sqlite:///{file}",
        ]
        done = subprocess.run(command, capture_output=True, text=True, timeout=100, check=False)
    assert (done.returncode, done.stderr) == (1, "tallow: the database cannot be used: database is locked\n")
