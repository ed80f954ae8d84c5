"""How well findings, refill dates and fills fit the truth of a simulated fleet.

The fleet is simulated, registered and replayed into a database of its own, and the three questions are asked as of each date
of the truth.
"""

import gzip
import heapq
import json
import statistics
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from analytics.pipeline import tasks, vehicle_summary
from analytics.pipeline.workers import workers
from analytics.planning.backtest import pinball
from analytics.planning.yardsticks import FAR_DAYS, QUANTILES
from ingest import database, registry, replay
from ingest.recorder_process import RecorderProcess
from ingest.setups import Setup
from ingest.times import DAY_US, HOUR_US, read_time
from simulators import fleet
from simulators.scenario import load
from tests.helpers.databases import sqlite_at

END = "2026-03-01T06:00:00Z"  # of the scenario's history
FOREVER_US = 1 << 62
SMALL_PCT = 8  # fills of less need not be seen
SLACK_US = 3 * DAY_US  # by which a finding may miss the truth's time
# A finding of the first kind only follows from a truth of one of the others: neither hit nor false. "run time" is the timer mismatch
# of that variant.
FOLLOWS = {
    "blocked_line": ("pressure_sensor",),
    "open_line": ("pressure_sensor", "starved_pump"),
    "incomplete_cycles": ("blocked_line", "starved_pump", "run time"),
    "under_delivery": ("blocked_line", "starved_pump", "incomplete_cycles", "level_sensor", "run time"),
    "reservoir_loss": ("level_sensor", "run time"),
    "low_level": ("starved_pump", "level_sensor", "near_mark"),
    "overfill": ("level_sensor",),
    "level_sensor": ("starved_pump",),
    "missed_cycles": ("timer_mismatch",),
    "timer_mismatch": ("missed_cycles",),
    "silent": ("parked", "radio_gap", "idle", "depot_closed"),
}


@dataclass(frozen=True, kw_only=True)
class Figures:
    """Of a whole fleet; losses and the errors of refill dates are in days."""

    truths: dict[str, int]
    hits: dict[str, int]
    true: dict[str, int]
    false: dict[str, int]
    delay_h: dict[str, float]
    by_variant: dict[str, tuple[int, int]]  # (truths, hits) of "kind: variant"
    false_beside: dict[str, int]  # false findings by what odd thing they coincide with; one may count under several
    false_per_100_months: float
    shown_right: float  # share of the findings open on the as-of dates that were true then
    refills: "RefillFigures"
    fill_recall: float
    fill_precision: float
    fill_litre_error: float

    def recall(self, *kinds: str) -> float:
        """Share of the truths of some kinds, or of all, that were found."""
        chosen = kinds or tuple(self.truths)
        return sum(self.hits.get(kind, 0) for kind in chosen) / sum(self.truths[kind] for kind in chosen)

    def precision(self, *kinds: str) -> float:
        """Share of the findings of some kinds, or of all, that were true."""
        chosen = kinds or (*self.true, *(kind for kind in self.false if kind not in self.true))
        true = sum(self.true.get(kind, 0) for kind in chosen)
        return true / (true + sum(self.false.get(kind, 0) for kind in chosen))


@dataclass(frozen=True, kw_only=True)
class RefillFigures:
    """Of refill dates: share of cases that the 10-90 % window holds, and mean pinball losses."""

    cases: int
    coverage: float
    pinball_days: float
    nominal_pinball_days: float
    straight_pinball_days: float


Row = dict[str, Any]


def figures(folder: Path, scenario: str, seed: int | None, *, as_in_life: bool = False) -> Figures:
    """Simulate a scenario in `folder`, put it through the program, and score what it says; `as_in_life` each date is asked for when
    only what had arrived by then is recorded."""
    story = load(scenario)
    end_us = read_time(END)
    fleet.write(story, end_us / 3.6e9, story.seed if seed is None else seed, end_us, folder, lambda done: None)
    truth = json.loads((folder / "truth.json").read_text())
    engine = sqlite_at(folder / "tallow.db")
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, folder, 0)
    answers: dict[str, list[tasks.Outcome]] = {}
    lines, begun = _lines(folder), 0
    with workers() as pool, RecorderProcess(database.address(engine), "score") as recording:
        for at in truth["as_of"]:
            arrived = bisect_left(lines, at, lo=begun, key=_received) if as_in_life else len(lines)
            part = folder / f"until-{at[:10]}.ndjson"
            part.write_bytes(b"".join(lines[begun:arrived]))
            replay.replay(replay.read_log(part, lambda done: None), recording)
            begun = arrived
            answers[at] = list(tasks.outcomes(engine, read_time(at), pool, lambda done, of: None))
    with engine.connect() as connection:
        setups = {one.name: one.newest for one in registry.read_vehicles(connection)}
    engine.dispose()
    return score(truth, answers, setups)


def _lines(folder: Path) -> list[bytes]:
    """The lines of all log files in order of receipt."""
    files = [
        gzip.decompress(path.read_bytes()).splitlines(True) for path in sorted(folder.glob("messages-*.ndjson.gz"))
    ]
    return list(heapq.merge(*files, key=_received))


def _received(line: bytes) -> str:
    return line.rsplit(b'"', 2)[1].decode()


def score(truth: dict[str, Any], answers: dict[str, list[tasks.Outcome]], setups: Mapping[str, Setup]) -> Figures:
    """Compare the answers of each as-of with the truth."""
    end_us, last = read_time(truth["end"]), answers[truth["as_of"][-1]]
    found = _findings(last)
    faults, context = ([_span(row) for row in truth[part]] for part in ("faults", "context"))
    delays: dict[str, list[float]] = defaultdict(list)
    truths, hits = Counter[str](), Counter[str]()
    variants: dict[str, tuple[int, int]] = {}
    for fault in faults:
        mine = [f for f in found if _same(f, fault)]
        if not mine and not _must_be_known(fault, faults, end_us):
            continue
        name = f"{fault['kind']}: {fault['variant']}".removesuffix(": ")
        of, hit = variants.get(name, (0, 0))
        variants[name] = of + 1, hit + bool(mine)
        truths[fault["kind"]] += 1
        if mine:
            hits[fault["kind"]] += 1
            shown = read_time(fault["certain_at"]) if fault.get("certain_at") else fault["began"]
            delays[fault["kind"]].append((min(f["detected"] for f in mine) - shown) / HOUR_US)
    true, false, beside = Counter[str](), Counter[str](), Counter[str]()
    for f in found:
        right = _right(f, faults, context)
        if right == "hit":
            true[f["kind"]] += 1
        elif right == "false":
            false[f["kind"]] += 1
            beside.update({f"{c['kind']} {c['variant']}".strip() for c in context if _near(f, c)} or {"nothing"})
    return Figures(
        truths=dict(truths),
        hits=dict(hits),
        true=dict(true),
        false=dict(false),
        delay_h={kind: float(np.median(hours)) for kind, hours in delays.items()},
        by_variant=variants,
        false_beside=dict(beside),
        false_per_100_months=100 * sum(false.values()) / (len(last) * truth["days"] / 30.4),
        shown_right=_shown_right(answers, faults, context),
        refills=_refills(truth, answers, setups),
        **_fills(truth, last, setups),
    )


def _findings(outcomes: Iterable[tasks.Outcome]) -> list[Row]:
    return [
        {"vehicle": o.setup.vehicle, "kind": f.kind, "channel": f.channel, "began": f.began_us, "detected": f.detected_us,
         "ended": f.ended_us if f.ended_us is not None else FOREVER_US}
        for o in outcomes for f in o.findings
    ]  # fmt: skip


def _shown_right(answers: dict[str, list[tasks.Outcome]], faults: list[Row], context: list[Row]) -> float:
    """Share of the findings that were open on an as-of date, and are true of that date or follow from what is."""
    right = [
        _right(f | {"began": read_time(at), "ended": read_time(at)}, faults, context) != "false"
        for at, outcomes in answers.items()
        for f in _findings(outcomes)
        if f["ended"] == FOREVER_US
    ]
    return float(np.mean(right))


def _right(f: Row, faults: list[Row], context: list[Row]) -> str:
    """Whether a finding is a "hit", only "follows" from something else, or is "false"."""
    if any(_same(f, fault) for fault in faults):
        return "hit"
    return "follows" if any(_follows(f, other) for other in faults + context) else "false"


def _must_be_known(fault: Row, faults: list[Row], end_us: int) -> bool:
    """Whether it lasted, shows in a reading, was heard of, and is not told by another finding."""
    lasted = min(fault["ended"], end_us) - fault["began"] >= DAY_US
    shows = "certain_at" not in fault or fault["certain_at"] is not None
    unheard = any(
        other["kind"] == "silent" and other["vehicle"] == fault["vehicle"] and other is not fault
        and other["began"] <= fault["began"] and fault["ended"] <= other["ended"]
        for other in faults
    )  # fmt: skip
    return lasted and shows and not unheard and not any(_follows(fault, o) for o in faults if o is not fault)


def _span(row: Row) -> Row:
    ended = FOREVER_US if row["ended_at"] is None else read_time(row["ended_at"])
    return row | {"began": read_time(row["began_at"]), "ended": ended}


def _near(f: Row, other: Row) -> bool:
    return bool(
        f["vehicle"] == other["vehicle"]
        and f["began"] <= other["ended"] + SLACK_US
        and other["began"] <= f["ended"] + SLACK_US
    )


def _same(f: Row, fault: Row) -> bool:
    channel = fault["channel"] is None or f["channel"] == fault["channel"]
    return f["kind"] == fault["kind"] and channel and _near(f, fault)


def _follows(f: Row, other: Row) -> bool:
    name = other["variant"] if other["variant"] == "run time" else other["kind"]
    return name in FOLLOWS.get(f["kind"], ()) and _near(f, other)


# Refills ----------------------------------------------------------------------------------------------------


def _refills(
    truth: dict[str, Any], answers: dict[str, list[tasks.Outcome]], setups: Mapping[str, Setup]
) -> RefillFigures:
    inside, loss, nominal, straight = list[bool](), list[float](), list[float](), list[float]()
    blind = [_span(row) for row in truth["faults"] if row["kind"] in ("level_sensor", "silent")]
    for row in truth["refills"]:
        at_us = read_time(row["as_of"])
        outcome, setup = (
            next(o for o in answers[row["as_of"]] if o.setup.vehicle == row["vehicle"]),
            setups[row["vehicle"]],
        )
        due = FAR_DAYS if row["due_at"] is None else (read_time(row["due_at"]) - at_us) / DAY_US
        if due >= FAR_DAYS or setup.level != "percent" or _within(at_us, row["vehicle"], blind):
            continue
        refill = outcome.refill
        said = [_days(us, at_us) for us in (refill.due_early_us, refill.due_expected_us, refill.due_late_us)]
        inside.append(said[0] <= due <= said[2])
        loss.append(statistics.mean([pinball(q, due, s) for q, s in zip(QUANTILES, said, strict=True)]))
        for losses, one in ((nominal, _nominal(outcome, setup)), (straight, _straight(outcome, at_us))):
            losses.append(statistics.mean([pinball(q, due, min(max(one, 0.0), FAR_DAYS)) for q in QUANTILES]))
    return RefillFigures(
        cases=len(inside),
        coverage=float(np.mean(inside)),
        pinball_days=float(np.mean(loss)),
        nominal_pinball_days=float(np.mean(nominal)),
        straight_pinball_days=float(np.mean(straight)),
    )


def _within(at_us: int, vehicle: str, spans: list[Row], after_us: int = 0) -> bool:
    return any(s["vehicle"] == vehicle and s["began"] <= at_us <= s["ended"] + after_us for s in spans)


def _days(us: int | None, at_us: int) -> float:
    return FAR_DAYS if us is None else min((us - at_us) / DAY_US, FAR_DAYS)


def _nominal(outcome: tasks.Outcome, setup: Setup) -> float:
    """Registered doses and the cycles of the last four weeks, from the level that the program believes."""
    if outcome.refill.level_pct is None:
        return FAR_DAYS
    cycles = sum(day.done + day.incomplete + day.lost for day in outcome.days[-28:]) / 28
    left = outcome.refill.level_pct - outcome.refill.low_mark_pct
    use = cycles * setup.dose_cm3 / setup.reservoir_l / 10
    return left / use if use > 0 else FAR_DAYS


def _straight(outcome: tasks.Outcome, at_us: int) -> float:
    """A straight line through what the level lost since the last fill."""
    fills = [fill for fill in outcome.fills if fill.at_us <= at_us]
    if outcome.refill.level_pct is None or not fills:
        return FAR_DAYS
    passed = (at_us - fills[-1].at_us) / DAY_US
    lost = fills[-1].to_pct - outcome.refill.level_pct
    left = outcome.refill.level_pct - outcome.refill.low_mark_pct
    return left / (lost / passed) if lost > 1 and passed > 1 else FAR_DAYS


def _fills(truth: dict[str, Any], last: Iterable[tasks.Outcome], setups: Mapping[str, Setup]) -> dict[str, float]:
    known_us = read_time(truth["end"]) - DAY_US * 3 // 2  # later ones need not be certain yet
    blind = [_span(row) for row in truth["faults"] if row["kind"] in ("silent", "level_sensor")]
    blind += [_span(row) for row in truth["context"] if row["kind"] == "radio_gap" and row["ended_at"] is None]
    steps = {row["vehicle"]: row["step_pct"] for row in truth["context"] if row["kind"] == "coarse_level"}
    real = [
        row | {"small": row["to_pct"] - row["from_pct"] < max(SMALL_PCT, 1.2 * steps.get(row["vehicle"], 0))}
        for row in truth["fills"]
        if setups[row["vehicle"]].level == "percent" and not _within(read_time(row["at"]), row["vehicle"], blind)
    ]
    seen = [
        (o.setup.vehicle, fill) for o in last for fill in o.fills
        if fill.at_us < known_us and not _within(fill.at_us, o.setup.vehicle, blind, DAY_US)
    ]  # fmt: skip
    needed = [row for row in real if not row["small"] and read_time(row["at"]) < known_us]
    matched, found, errors = set[int](), 0, list[float]()
    for row in needed + [row for row in real if row not in needed]:
        near = [
            (abs(fill.at_us - read_time(row["at"])), k)
            for k, (name, fill) in enumerate(seen)
            if name == row["vehicle"] and k not in matched
        ]
        if near and min(near)[0] < 3.5 * DAY_US:  # over a weekend
            matched.add(min(near)[1])
            if row in needed:
                found += 1
                errors.append(abs(seen[min(near)[1]][1].litres / row["litres"] - 1))
    return {
        "fill_recall": found / len(needed),
        "fill_precision": len(matched) / len(seen),
        "fill_litre_error": float(np.median(errors)),
    }
