"""Vehicles as nobody would want them: with whatever set-ups, messages and records of work can be recorded."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from random import Random
from typing import Any, Final

from msgspec.structs import replace

from ingest.messages import Arrival, topic
from ingest.setups import HandPoint, Line, Setup
from ingest.times import DAY_US, EARLIEST_US, HOUR_US, rfc3339
from ingest.work import KINDS

NOW_US: Final = 1_764_000_000_000_000  # in November 2025
YEAR_1_US, YEAR_9999_US = -62_135_596_800_000_000, 253_402_300_799_000_000
ZONES: Final = (
    "Etc/UTC",
    "Europe/Oslo",
    "Pacific/Apia",
    "Australia/Lord_Howe",
    "Africa/Casablanca",
    "Antarctica/Troll",
)
NUMBERS: Final = (0, -0.0, 1, -1, 1e9, -1e9, 1e-300, 5e-324, 28_000, -1000, 100_000, None)
LEVELS: Final = (0, -50, 200, 100, 120.1, 15, 14.999, 1e-9)
CODES: Final = (
    "pressure_high",
    "pressure_low",
    "cycle_timeout",
    "level_low",
    "motor_current",
    "supply_low",
    "sensor_open",
)
Said = tuple[str, int, dict[str, Any]]  # kind, when, what


@dataclass(frozen=True)
class Odd:
    """One of them: set-ups in order of time, what it sent, work as somebody said it, and when it is asked about."""

    setups: list[Setup]
    sent: list[Arrival]
    work: list[dict[str, Any]]
    as_of_us: int


def odd_vehicle(seed: int, name: str) -> Odd:
    """The vehicle of a number."""
    random = Random(seed)
    end_us = NOW_US - random.choice([0, 0, 5, 40, 400]) * DAY_US
    start_us = end_us - int(random.choice([0, 0.1, 3, 30, 60]) * DAY_US)
    setups = _setups(random, name, start_us, end_us)
    said = list(_life(random, setups[0], start_us, end_us))
    for _ in range(random.choice([0, 1, 3, 8])):
        said = _spoilt(random, said, start_us, end_us)
    asked_us = [
        NOW_US,
        NOW_US,
        end_us,
        (start_us + end_us) // 2,
        start_us - DAY_US,
        NOW_US + 900 * DAY_US,
        EARLIEST_US - 1,
        YEAR_1_US,
    ]
    return Odd(
        setups,
        _sent(random, name, said, end_us),
        _work(random, name, setups, start_us, end_us),
        random.choice(asked_us),
    )


def _setup(random: Random, name: str) -> Setup:
    dup, watched, odd = random.choice([1, 1, 3]), random.choice([None, "main", "p"]), random.random() < 0.3
    lines = tuple(
        Line(line=n + 1, bundle="", point=f"point {n}", channel=f"p{n // dup}" if watched == "p" else watched,
             dose_cm3=random.choice([0.2, 0.2, 0.001, 1e9]) if odd else 0.2, length_m=3.0, bore_mm=4.0, critical=random.random() < 0.2)
        for n in range(random.choice([1, 2, 8, 24, 100]))
    )  # fmt: skip
    every = random.choice([("h", 1), ("h", 20_000), ("d", 1), ("d", 3650), ("km", 50)])
    hand = (HandPoint(number=1, point="pin", every=every[1], unit=every[0], grams=5.0),)  # type: ignore[arg-type]
    interval_min = random.choice([0.01, 1e9, 1, 20]) if odd else random.choice([20.0, 60.0, 240.0])
    controller = random.random() > 0.1
    return Setup(
        fleet="f", vehicle=name, unit="u", vehicle_class="c", depot=random.choice(["Quarry", "Wharf"]), timezone=random.choice(ZONES),
        commissioned=random.choice([None, date(1, 1, 1), date(2025, 10, 1), date(2026, 5, 1)]),
        feed=random.choice(["direct", "progressive", "injector"]), reservoir_l=random.choice([0.001, 500, 4]) if odd else 4.0,
        low_mark_pct=random.choice([0, 100, 15]) if odd else 15.0, interval_min=interval_min,
        run_s=0.001 if odd and random.random() < 0.5 else min(120.0, interval_min * 30), relief_kpa=random.choice([1000, 28_000]),
        grease="g", nlgi="2", level=random.choice(["percent", "percent", "switch", "none"]),
        confirmation=random.choice([None, True, False]),
        nominal_v=random.choice([None, 12.0, 24.0]), registered_us=random.choice([None, NOW_US - 90 * DAY_US]),
        lines=lines if controller else (), controller=controller, hand_points=hand if not controller or random.random() < 0.3 else (),
    )  # fmt: skip


def _setups(random: Random, name: str, start_us: int, end_us: int) -> list[Setup]:
    first = _setup(random, name)
    if random.random() < 0.1:
        first = replace(first, valid_from_us=random.choice([start_us, end_us + 30 * DAY_US, YEAR_1_US, YEAR_9999_US]))
    by_time = {first.valid_from_us: first}
    for _ in range(random.choice([0, 0, 1, 5])):
        last, new = list(by_time.values())[-1], _setup(random, name)
        parts = random.choice([
            ["lines", "controller", "hand_points"], ["reservoir_l", "low_mark_pct"], ["feed"], ["level", "confirmation"],
            ["timezone", "depot"], ["interval_min", "run_s"],
        ])  # fmt: skip
        since_us = random.choice([random.randint(start_us, end_us), end_us + 90 * DAY_US, EARLIEST_US, YEAR_9999_US])
        by_time[since_us] = replace(last, valid_from_us=since_us, **{part: getattr(new, part) for part in parts})
    return sorted(by_time.values(), key=lambda one: (one.valid_from_us is not None, one.valid_from_us))


def _life(random: Random, setup: Setup, start_us: int, end_us: int) -> Iterator[Said]:
    """A life as it might be: days of ten hours, the level going down, pressures that stray a little."""
    at_us, number, hours, level, told = start_us, 0, 500.0, 90.0, random.choice([5, 40, 300])
    every_h = min(max(setup.interval_min / 60, 0.1), 5.0)
    while at_us < end_us and number < told:
        yield "ignition", at_us, {"on": True, "engine_h": hours}
        for k in range(int(10 / every_h)):
            number, level = number + 1, level - 0.05 if level > 5 else 95.0
            peaks = {channel: 5000 * random.lognormvariate(0, 0.05) for channel in setup.channels or ("x",)}
            meter = {"engine_h": hours + k * every_h} if random.random() < 0.5 else {}
            yield "cycle", at_us + int(k * every_h * HOUR_US), {
                "cycle_no": number, "run_s": setup.run_s, "temp_c": 10.0, "complete": setup.confirmation, "peak_kpa": peaks,
            } | meter  # fmt: skip
            yield "level", at_us + int(k * every_h * HOUR_US) + 1, {"level_pct": round(level, 1)}
        hours += 10
        yield "ignition", at_us + 10 * HOUR_US, {"on": False, "engine_h": hours}
        at_us += random.choice([1, 1, 1, 3, 20]) * DAY_US


def _spoilt(random: Random, said: list[Said], start_us: int, end_us: int) -> list[Said]:
    """The same with something wrong from a place on, before it, or here and there."""
    if not said:
        return said
    place, value, how = random.randrange(len(said)), random.choice(NUMBERS), random.random()
    share = random.choice([0.02, 0.5, 1.0])
    what = random.choice(
        ["field", "level", "peaks", "channels", "meter", "number", "time", "gone", "kind", "fault", "state"]
    )
    if what == "gone":
        return [one for one in said if random.random() > share]
    if what == "kind":
        return [one for one in said if (one[0] == said[place][0]) == (how < 0.5)]
    if what in ("fault", "state"):
        fault = {"code": random.choice(CODES), "channel": random.choice([None, "p0", "zz"]), "value": value}
        meter = {"boot": "meter:1:office", "engine_h": random.choice([0, 1e9, random.uniform(0, 5000)]), "online": True}
        more = [fault | {"active": random.random() < 0.6} if what == "fault" else meter for _ in range(9)]
        return said + [(what, random.randint(start_us, end_us), dict(one)) for one in more]
    out = []
    for k, (kind, at_us, values) in enumerate(said):
        if k >= place if how < 0.4 else k <= place if how < 0.6 else random.random() < share:
            at_us, values = _changed(random, what, value, how, (kind, at_us, values))
        out.append((kind, at_us, values))
    return out


def _changed(random: Random, what: str, value: Any, how: float, one: Said) -> tuple[int, dict[str, Any]]:
    kind, at_us, values = one
    if what == "time":
        return random.choice([at_us + 30 * DAY_US, at_us - 400 * DAY_US, 0, EARLIEST_US, NOW_US, YEAR_9999_US]), values
    if what == "meter":
        return at_us, values | {
            "engine_h": random.choice([0, 1e9, random.uniform(0, 1e9), float(int(values.get("engine_h", 0)))])
        }
    if kind == "level":
        new = {"level": {"level_pct": random.choice(LEVELS)}, "field": {"temp_c": value, "tilt_deg": value}}
        return at_us, values | new.get(what, {})
    if kind != "cycle":
        return at_us, values
    peaks = values["peak_kpa"]
    lists = [{}, peaks | {"\N{SNOWMAN}": 1}, {f"z{random.randrange(99)}": 5000.0}, dict(list(peaks.items())[:1])]
    counts = [0, 2**63 - 1, random.randrange(2**63), values["cycle_no"] * 1000]
    new = {
        "field": {random.choice(["temp_c", "supply_v"]): value, "manual": how < 0.2, "rest_kpa": dict.fromkeys(peaks, value)},
        "peaks": {"peak_kpa": dict.fromkeys(peaks, value)},
        "channels": {"peak_kpa": random.choice(lists)},
        "number": {"cycle_no": random.choice(counts), "run_s": abs(value or 1) or 1},
    }  # fmt: skip
    return at_us, values | new.get(what, {})


def _sent(random: Random, name: str, said: list[Said], end_us: int) -> list[Arrival]:
    boots, receipts, numbers, sent = random.choice("1112nar"), random.choice("tnled"), dict[str, int](), []
    for k, (kind, at_us, values) in enumerate(sorted(said, key=lambda one: one[1])):
        named = {"1": "0", "2": str(k % 2), "n": str(3 * k // len(said)), "a": str(k), "r": str(random.randrange(50))}
        boot = values.get("boot", named[boots])
        numbers[boot] = seq = numbers.get(boot, -1) + 1
        received = {"t": at_us + 9_000_000, "n": None, "l": at_us + 30 * DAY_US, "e": end_us, "d": at_us - 5 * DAY_US}[
            receipts
        ]
        stamped = {"sent_at": rfc3339(random.choice([at_us, 0, end_us]))} if random.random() < 0.3 else {}
        body = {"seq": seq, "boot": boot, "at": rfc3339(at_us)} | stamped | values
        sent.append(Arrival(topic("f", name, kind), json.dumps(body).encode(), received))
    return sent


def _work(random: Random, name: str, setups: list[Setup], start_us: int, end_us: int) -> list[dict[str, Any]]:
    told, moment_us = [], random.randint(start_us, end_us)
    for k in range(random.choice([0, 1, 4, 10])):
        more: dict[str, Any] = {
            "litres": random.choice([0.001, 2, None]), "to_pct": random.choice([0, 120, None]),
            "interval_min": random.choice([0.001, 1e9, None]), "run_s": random.choice([0.001, 1e9, None]), "depot": "Wharf",
            "lines": [line.line for line in setups[0].lines[:1]], "points": [1] if setups[0].hand_points else [],
            "engine_h": random.choice([0, 1e7, None]), "odometer_km": random.choice([0, 1e7, None]), "new_meter": random.random() < 0.5,
            "found": random.choice(["nothing", None]), "about": {"kind": "blocked_line", "began_us": start_us, "channel": "p0"},
        }  # fmt: skip
        at_us = random.choice([moment_us, moment_us, random.randint(start_us, end_us), EARLIEST_US])
        told.append({"key": f"{name}-{k}", "kind": random.choice(list(KINDS)), "at_us": at_us, "by": "somebody"} | more)
    return told
