"""What the demo's people grease by hand: rows for the registry's files, and what they wrote down (`by-hand.toml`).

Only the demo has them: a simulated fleet's truth is of what its controllers do.
"""

import csv
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from ingest.times import DAY_US
from simulators.scenario import Scenario

_POINT_COLUMNS: Final = (
    "fleet vehicle number point interval_h interval_km interval_days grams strokes grease critical".split()
)
_BY: Final = "R. Tarvolen"


@dataclass(frozen=True)
class Recorded:
    """What somebody wrote down about a vehicle."""

    vehicle: str
    said: dict[str, Any]  # a record of work, as people send it


def _told() -> dict[str, Any]:
    return tomllib.loads(Path(__file__).with_name("by-hand.toml").read_text("utf-8"))


def write_registry(scenario: Scenario, folder: Path) -> None:
    """Add what is greased by hand to the registry files of a folder."""
    told = _told()
    vehicles = folder / "vehicles.csv"
    with vehicles.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for machine in told["machine"]:
        depot = scenario.depots[machine["depot"]]
        rows.append(
            {name: machine[name] for name in ("vehicle", "unit", "class", "nlgi")}
            | {"fleet": scenario.fleet, "depot": depot.name, "timezone": depot.timezone, "controller": "no"}
            | {"grease": rows[0]["grease"]}
        )
    _write(vehicles, [*rows[0], "controller"], rows)
    points = [{"fleet": scenario.fleet} | {name: str(value) for name, value in p.items()} for p in told["point"]]
    _write(folder / "points.csv", _POINT_COLUMNS, points)


def _write(path: Path, columns: list[str], rows: list[dict[str, str]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.DictWriter(file, columns, restval="")
        out.writeheader()
        out.writerows(rows)


def records(end_us: int) -> Iterator[Recorded]:
    """What was written down until the end of the history, oldest first."""
    told = _told()
    said: list[tuple[int, str, dict[str, Any]]] = []
    for one in told["readings"]:
        for name in ("engine_h", "odometer_km"):
            for days, value in zip(one["days_ago"], one.get(name, ()), strict=False):
                said.append((days, one["vehicle"], {"kind": "meter_read", name: value}))
    for one in told["greased"]:
        said += [
            (days, one["vehicle"], {"kind": "points_greased", "points": one["points"]}) for days in one["days_ago"]
        ]
    for number, (days, vehicle, what) in enumerate(sorted(said, key=lambda one: (-one[0], one[1], str(one[2])))):
        key = f"by-hand-{number}"
        yield Recorded(vehicle, what | {"key": key, "at_us": int(end_us - days * DAY_US), "by": _BY})
