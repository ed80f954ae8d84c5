"""How well findings, refill dates and fills fit the truth of a simulated fleet.

`python -m tests.benchmarks.fleet_score --scenario bad-week` simulates it, registers and replays it into a database of its own,
asks the three commands as of each date of the truth, and prints the figures. A test holds floors under them.
"""

import argparse
import json
import statistics
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from analytics.pipeline import tasks
from analytics.pipeline.workers import workers
from analytics.planning.backtest import pinball
from analytics.planning.yardsticks import FAR_DAYS, QUANTILES
from ingest import database, registry, replay
from ingest.recorder_process import Recording
from ingest.setups import Setup
from ingest.times import DAY_US, HOUR_US, read_time
from simulators import fleet
from simulators.scenario import KINDS, load

SLACK_US = 3 * DAY_US  # by which a finding may miss the truth's time
# A trouble that has not lasted so long need not be known; a day for the others. Silence is only known by its length.
LEAST_US = {"silent": 7 * DAY_US, "reservoir_loss": 4 * DAY_US, "under_delivery": 6 * DAY_US}
# A finding of the first kind only follows from a truth of one of the others: neither hit nor false.
FOLLOWS = {
    "blocked_line": ("pressure_sensor",),
    "open_line": ("pressure_sensor", "starved_pump"),
    "incomplete_cycles": ("blocked_line", "starved_pump"),
    "under_delivery": ("blocked_line", "starved_pump", "incomplete_cycles", "level_sensor"),
    "reservoir_loss": ("level_sensor",),
    "low_level": ("starved_pump", "level_sensor", "near_mark"),
    "overfill": ("level_sensor",),
    "level_sensor": ("starved_pump",),
    "missed_cycles": ("timer_mismatch",),
    "timer_mismatch": ("missed_cycles",),
    "silent": ("parked", "radio_gap", "idle"),
}


@dataclass(frozen=True)
class Figures:
    """Of a whole fleet; refill figures are (10-90 % coverage, mean pinball loss in days)."""

    truths: dict[str, int]
    recall: dict[str, float]
    precision: dict[str, float]
    delay_h: dict[str, float]
    false_per_100_months: float
    refill_cases: int
    coverage: float
    pinball_days: float
    nominal_pinball_days: float
    straight_pinball_days: float
    fill_recall: float
    fill_precision: float
    fill_litre_error: float


def figures(folder: Path, scenario: str, seed: int | None, every_us: int | None = None) -> Figures:
    """Simulate a scenario in `folder`, put it through the program, and score what it says."""
    story = load(scenario)
    end_us = read_time("2026-03-01T06:00:00Z") if every_us is None else every_us
    fleet.write(story, end_us / 3.6e9, story.seed if seed is None else seed, end_us, folder, lambda done: None)
    truth = json.loads((folder / "truth.json").read_text())
    engine = database.open_database(f"sqlite:///{folder / 'tallow.db'}")
    with database.writing(engine) as connection:
        registry.register(connection, folder, 0)
    with Recording(database.address(engine), "score") as recording:
        for path in sorted(folder.glob("messages-*.ndjson.gz")):
            replay.replay(path, recording, lambda done: None)
    with workers() as pool:
        answers = {
            at: list(tasks.outcomes(engine, read_time(at), pool, lambda done, of: None)) for at in truth["as_of"]
        }
    with engine.connect() as connection:
        setups = {vehicle: kept[-1] for (_, vehicle), (_, kept) in registry.read_setups(connection).items()}
    engine.dispose()
    return score(truth, answers, setups)


def score(truth: dict[str, Any], answers: dict[str, list[tasks.Outcome]], setups: Mapping[str, Setup]) -> Figures:
    """Compare the answers of each as-of with the truth."""
    last = answers[truth["as_of"][-1]]
    found: list[dict[str, Any]] = [
        {"vehicle": o.vehicle, "kind": f.kind, "channel": f.channel, "began": f.began_us, "detected": f.detected_us,
         "ended": f.ended_us if f.ended_us is not None else 1 << 62}
        for o in last for f in o.findings
    ]  # fmt: skip
    faults, context = ([_span(row) for row in truth[part]] for part in ("faults", "context"))
    hits: dict[str, list[float]] = defaultdict(list)
    truths: dict[str, int] = defaultdict(int)
    for fault in faults:
        mine = [f for f in found if _same(f, fault)]
        if not mine and (
            min(fault["ended"], read_time(truth["end"])) - fault["began"] < DAY_US or _hidden(fault, faults)
        ):
            continue  # too short to matter, or told by another finding
        truths[fault["kind"]] += 1
        if mine:
            hits[fault["kind"]].append((min(f["detected"] for f in mine) - fault["began"]) / HOUR_US)
    true, false = defaultdict[str, int](int), defaultdict[str, int](int)
    for f in found:
        if any(_same(f, fault) for fault in faults):
            true[f["kind"]] += 1
        elif not any(_follows(f, other) for other in faults + context):
            false[f["kind"]] += 1
    months = len(last) * truth["days"] / 30.4
    return Figures(
        dict(truths),
        {kind: len(hits[kind]) / truths[kind] for kind in truths},
        {kind: true[kind] / (true[kind] + false[kind]) for kind in KINDS if true[kind] + false[kind]},
        {kind: float(np.median(hits[kind])) for kind in truths if hits[kind]},
        100 * sum(false.values()) / months,
        *_refills(truth, answers, setups),
        *_fills(truth, last),
    )


def _span(row: dict[str, Any]) -> dict[str, Any]:
    ended = 1 << 62 if row["ended_at"] is None else read_time(row["ended_at"])
    return row | {"began": read_time(row["began_at"]), "ended": ended}


def _near(f: dict[str, Any], other: dict[str, Any]) -> bool:
    return bool(
        f["vehicle"] == other["vehicle"]
        and f["began"] <= other["ended"] + SLACK_US
        and other["began"] <= f["ended"] + SLACK_US
    )


def _same(f: dict[str, Any], fault: dict[str, Any]) -> bool:
    channel = fault["channel"] is None or f["channel"] == fault["channel"]
    return f["kind"] == fault["kind"] and channel and _near(f, fault)


def _follows(f: dict[str, Any], other: dict[str, Any]) -> bool:
    return other["kind"] in FOLLOWS.get(f["kind"], ()) and _near(f, other)


def _hidden(fault: dict[str, Any], faults: list[dict[str, Any]]) -> bool:
    return any(_follows(fault, other) for other in faults if other is not fault)


# Refills ----------------------------------------------------------------------------------------------------


def _refills(
    truth: dict[str, Any], answers: dict[str, list[tasks.Outcome]], setups: Mapping[str, Setup]
) -> tuple[int, float, float, float, float]:
    inside, loss, nominal, straight = list[bool](), list[float](), list[float](), list[float]()
    for row in truth["refills"]:
        at_us = read_time(row["as_of"])
        outcome, setup = next(o for o in answers[row["as_of"]] if o.vehicle == row["vehicle"]), setups[row["vehicle"]]
        due = FAR_DAYS if row["due_at"] is None else (read_time(row["due_at"]) - at_us) / DAY_US
        if due >= FAR_DAYS or setup.level != "percent":
            continue
        refill = outcome.refill
        said = [_days(us, at_us) for us in (refill.due_early_us, refill.due_expected_us, refill.due_late_us)]
        inside.append(said[0] <= due <= said[2])
        loss.append(statistics.mean([pinball(q, due, s) for q, s in zip(QUANTILES, said, strict=True)]))
        for losses, one in ((nominal, _nominal(outcome, setup)), (straight, _straight(outcome, at_us))):
            losses.append(statistics.mean([pinball(q, due, min(max(one, 0.0), FAR_DAYS)) for q in QUANTILES]))
    shares = float(np.mean(inside)), float(np.mean(loss)), float(np.mean(nominal)), float(np.mean(straight))
    return len(inside), *shares


def _days(us: int | None, at_us: int) -> float:
    return FAR_DAYS if us is None else min((us - at_us) / DAY_US, FAR_DAYS)


def _nominal(outcome: tasks.Outcome, setup: Setup) -> float:
    """Registered doses and the cycles of the last four weeks, from the level that the program believes."""
    if outcome.refill.level_pct is None:
        return FAR_DAYS
    cycles = sum(day["done"] + day["incomplete"] + day["lost"] for day in outcome.days[-28:]) / 28
    left = outcome.refill.level_pct - outcome.refill.low_mark_pct
    use = cycles * setup.dose_cm3 / setup.reservoir_l / 10
    return left / use if use > 0 else FAR_DAYS


def _straight(outcome: tasks.Outcome, at_us: int) -> float:
    """A straight line through what the level lost since the last fill."""
    fills = [fill for fill in outcome.fills if read_time(fill["at"]) <= at_us]
    if outcome.refill.level_pct is None or not fills:
        return FAR_DAYS
    passed = (at_us - read_time(fills[-1]["at"])) / DAY_US
    lost = fills[-1]["to_pct"] - outcome.refill.level_pct
    left = outcome.refill.level_pct - outcome.refill.low_mark_pct
    return left / (lost / passed) if lost > 1 and passed > 1 else FAR_DAYS


def _fills(truth: dict[str, Any], last: Iterable[tasks.Outcome]) -> tuple[float, float, float]:
    seen = [fill for o in last for fill in o.fills]
    watched = {o.vehicle for o in last if o.fills}
    blind = [_span(row) for row in truth["faults"] if row["kind"] in ("silent", "level_sensor")]
    end_us = read_time(truth["end"])
    real = [
        row
        for row in truth["fills"]
        if row["vehicle"] in watched
        and read_time(row["at"]) < end_us - 1.5 * DAY_US
        and not any(b["vehicle"] == row["vehicle"] and b["began"] <= read_time(row["at"]) <= b["ended"] for b in blind)
    ]
    seen = [
        fill
        for fill in seen
        if read_time(fill["at"]) < end_us - 1.5 * DAY_US
        and not any(
            b["vehicle"] == fill["vehicle"] and b["began"] <= read_time(fill["at"]) <= b["ended"] + DAY_US
            for b in blind
        )
    ]
    matched, errors = set(), []
    for row in real:
        near = [
            (abs(read_time(fill["at"]) - read_time(row["at"])), k)
            for k, fill in enumerate(seen)
            if fill["vehicle"] == row["vehicle"] and k not in matched
        ]
        if near and min(near)[0] < 3.5 * DAY_US:  # over a weekend
            matched.add(min(near)[1])
            errors.append(abs(seen[min(near)[1]]["litres"] / row["litres"] - 1))
    return len(matched) / len(real), len(matched) / len(seen), float(np.median(errors))


def show(told: Figures) -> None:
    """Print the figures as a table."""
    print(f"{'finding':20}{'truths':>8}{'recall':>8}{'precision':>11}{'median delay h':>16}")
    for kind in KINDS:
        if kind in told.truths or kind in told.precision:
            recall = f"{told.recall[kind]:8.2f}" if kind in told.recall else f"{'-':>8}"
            precision = f"{told.precision[kind]:11.2f}" if kind in told.precision else f"{'-':>11}"
            delay = f"{told.delay_h[kind]:16.1f}" if kind in told.delay_h else f"{'-':>16}"
            print(f"{kind:20}{told.truths.get(kind, 0):8}{recall}{precision}{delay}")
    print(f"false findings per 100 vehicle-months: {told.false_per_100_months:.1f}")
    print(
        f"refill dates: {told.refill_cases} cases, 10-90 % window holds {told.coverage:.2f}, pinball loss {told.pinball_days:.2f} d"
        f" (registered doses {told.nominal_pinball_days:.2f} d, straight line {told.straight_pinball_days:.2f} d)"
    )
    print(
        f"fills: recall {told.fill_recall:.3f}, precision {told.fill_precision:.3f}, median litre error {told.fill_litre_error:.1%}"
    )


def main() -> None:
    """Simulate, ask and score."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--scenario", default="demo")
    ask.add_argument("--seed", type=int)
    asked = ask.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        show(figures(Path(folder), asked.scenario, asked.seed))
    sys.stdout.flush()


if __name__ == "__main__":
    main()
