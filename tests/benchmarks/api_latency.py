"""How fast lists for programs answer for a large fleet, beside reading one row of the same database in the same run.

    python -m tests.benchmarks.api_latency --vehicles 10000 [--postgresql postgresql://user@host/postgres]

The aim: 95 of 100 answers of each list within 60 ms at 10,000 vehicles, wherever in the list they begin. Asked in one process by the
application itself, with a token; what travels over a network is not part of it.
"""

import argparse
import time
from collections.abc import Iterator
from typing import Any

from flask.testing import FlaskClient
from sqlalchemy import Engine, select

from dashboard import access_tokens, accounts
from dashboard.web.app import create_app
from ingest import schema
from ingest.database import writing
from ingest.times import now_us
from tests.benchmarks.dashboard_latency import fill, timed
from tests.benchmarks.databases import database, tidy

AIM_MS = 60.0
LISTS = (
    "/vehicles", "/vehicles?need=act_now", "/vehicles?depot=depot+7", "/findings", "/findings?open=true", "/findings?kind=low_level",
    "/refills",
    "/refills?fleet=fleet-3", "/alarms", "/alarms?state=unacknowledged",
)  # fmt: skip


def client(engine: Engine) -> tuple[FlaskClient, dict[str, str]]:
    """A program with a token of somebody who may see everything, and the header that shows it."""
    with writing(engine) as connection:
        accounts.add(connection, "A. Lindehav", "correct horse battery", "lead")
        token = access_tokens.add(connection, "A. Lindehav", "benchmark", "read", now_us())
    return create_app(engine).server.test_client(), {"Authorization": f"Bearer {token}"}


def cursors(asking: FlaskClient, shown: dict[str, str], path: str, most: int) -> Iterator[str]:
    """The addresses of a list's parts, from the first on."""
    address = f"/api/v1{path}"
    for _ in range(most):
        yield address
        answer = asking.get(address, headers=shown)
        assert answer.status_code == 200, answer.text
        following = (answer.json or {}).get("next")
        if not following:
            return
        address = f"/api/v1{path}{'&' if '?' in path else '?'}cursor={following}"


def answers(engine: Engine, rounds: int) -> Iterator[tuple[str, float, float, int, int]]:
    """(list, median ms, 95 of 100 within ms, kB of the first part, parts) with each part asked for in turn."""
    asking, shown = client(engine)
    for path in LISTS:
        parts = list(cursors(asking, shown, path, 200))
        turn: Any = iter(parts * (1 + rounds // len(parts)))

        def ask(turn: Any = turn) -> None:
            while (answer := asking.get(next(turn), headers=shown)).status_code == 429:
                time.sleep(1)
            assert answer.status_code == 200

        median, p95 = timed(ask, min(rounds, len(parts) * (1 + rounds // len(parts))))
        yield path, median, p95, len(asking.get(parts[0], headers=shown).data) // 1000, len(parts)


def main() -> None:
    """Print a line for each list."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=10_000)
    parser.add_argument("--rounds", type=int, default=60)
    parser.add_argument("--postgresql")
    asked = parser.parse_args()
    with database(asked.postgresql) as engine:
        fill(engine, asked.vehicles, 365)
        tidy(engine)

        def row() -> None:
            with engine.connect() as connection:
                connection.execute(select(schema.vehicle_summary).limit(1)).one()

        one, _ = timed(row, asked.rounds)
        print(
            f"{asked.vehicles} vehicles, {engine.dialect.name}; reading one row: {one:.2f} ms; aim: p95 {AIM_MS:.0f} ms"
        )
        for path, median, p95, size_kb, parts in answers(engine, asked.rounds):
            missed = "" if p95 < AIM_MS else "  MISSED"
            print(f"{path:<32} median {median:6.1f} ms  p95 {p95:6.1f} ms  {size_kb:4d} kB  {parts:3d} parts{missed}")


if __name__ == "__main__":
    main()
