"""Scenarios: small TOML files that say which fleet, which weather, and what breaks when."""

import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ingest.messages import is_name
from simulators import SimulationError
from simulators.duty import HABITS
from simulators.weather import Climate

SHIPPED = ("demo", "quiet", "bad-week", "worn")
KINDS = (
    "blocked_line",
    "open_line",
    "starved_pump",
    "missed_cycles",
    "incomplete_cycles",
    "timer_mismatch",
    "reservoir_loss",
    "under_delivery",
    "overfill",
    "low_level",
    "level_sensor",
    "pressure_sensor",
    "silent",
    "controller_fault",
)
LOOK_ALIKES = (
    "parked",
    "radio_gap",
    "grease_change",
    "controller_replaced",
    "wrong_clock",
    "thermometer",
    "sensor_replaced",
    "top_ups",
)

_LATELY_DAYS: Final = 2.0
HOUR_METERS = ("fine", "whole", "none")


@dataclass(frozen=True)
class Point:
    """One line of a line list."""

    line: int
    bundle: str
    point: str
    dose_cm3: float
    length_m: float
    bore_mm: float
    critical: bool


@dataclass(frozen=True)
class Trouble:
    """What breaks: begin and end in days before the history's end (None: lasts), and figures of its own: a ratio, the days in which
    it grows to that, and points by which a new level sensor reads otherwise."""

    kind: str
    begin_days: float
    end_days: float | None = None
    line: int | None = None
    ratio: float = 1.0
    ramp_days: float = 0.0
    offset_pct: float = 0.0
    variant: str = ""


@dataclass(frozen=True)
class Machine:
    """One vehicle of the fleet."""

    vehicle: str
    unit: str
    vehicle_class: str
    depot: str
    feed: str
    points: tuple[Point, ...]
    reservoir_l: float
    low_mark_pct: float
    interval_min: float
    run_s: float
    relief_kpa: float
    nlgi: str
    channel_by: str  # "line", "bundle", "main" or "none"
    level: str = "percent"
    level_step_pct: float = 0.5  # to which the level sensor rounds
    hour_meter: str = "fine"  # "fine", "whole" (hours) or "none"
    trace_every: int = 0  # cycles; none by default
    troubles: tuple[Trouble, ...] = ()
    fitted_days: int | None = None  # its system was fitted so many days before the history's end

    @property
    def has_a_story(self) -> bool:
        """Whether a fault lasts at the history's end, or did until shortly before, or the system was fitted lately."""
        lasting = any(t.kind in KINDS and (t.end_days or 0.0) < _LATELY_DAYS for t in self.troubles)
        return lasting or self.fitted_days is not None


@dataclass(frozen=True)
class Depot:
    """Where vehicles stand, and its weather."""

    name: str
    timezone: str
    climate: Climate
    holidays: frozenset[tuple[int, int]]  # (month, day)
    careless: float  # share of fills that come days late
    closed: tuple[tuple[float, float], ...] = ()  # (begin, in days before the end; days) in which nobody works


@dataclass(frozen=True)
class Scenario:
    """A fleet and what happens to it."""

    fleet: str
    seed: int
    days: int
    ask_days: tuple[int, ...]  # before the end, on which the truth says when refills are due
    depots: dict[str, Depot]
    machines: tuple[Machine, ...] = field(default_factory=tuple)


def load(name_or_path: str) -> Scenario:
    """A shipped scenario by name, or one in a TOML file. Raises SimulationError that says what is wrong with it."""
    shipped = name_or_path in SHIPPED
    path = Path(__file__).with_name(f"{name_or_path}.toml") if shipped else Path(name_or_path)
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        raise SimulationError(
            f"scenario {name_or_path!r} is neither a file that can be read nor one of: {', '.join(SHIPPED)}"
        ) from None
    try:
        return _parse(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise SimulationError(f"scenario {name_or_path} is not TOML: {error}") from None
    except (KeyError, TypeError, ValueError) as error:
        what = f"lacks {error.args[0]!r}" if isinstance(error, KeyError) else str(error)
        raise SimulationError(f"scenario {name_or_path}: {what}") from None


def _parse(data: dict[str, Any]) -> Scenario:
    if "like" in data:  # depots, sheets and systems of another
        other = tomllib.loads(Path(__file__).with_name(f"{data['like']}.toml").read_text("utf-8"))
        data = {part: other[part] | data.get(part, {}) for part in ("depot", "sheet", "system")} | {
            k: v for k, v in data.items() if k not in ("depot", "sheet", "system")
        }
    if not is_name(data["fleet"]):
        raise ValueError("fleet: up to 64 of A-Z a-z 0-9 _ -")
    depots = {key: _depot(key, d) for key, d in data["depot"].items()}
    sheets = {name: _points(name, rows) for name, rows in data["sheet"].items()}
    machines = []
    for v in [*data.get("vehicle", ()), *(one for group in data.get("group", ()) for one in _members(group))]:
        model = data["system"][v["system"]]
        points = sheets[model["sheet"]]
        troubles = tuple(trouble_of(v["vehicle"], t, len(points)) for t in v.get("trouble", ()))
        if not is_name(v["vehicle"]) or v["class"] not in HABITS or v["depot"] not in depots:
            raise ValueError(f"vehicle {v['vehicle']}: its name, class or depot is not known")
        if v.get("hour_meter", "fine") not in HOUR_METERS or v.get("level_step_pct", 0.5) <= 0:
            raise ValueError(
                f"vehicle {v['vehicle']}: hour_meter is one of {', '.join(HOUR_METERS)}, level_step_pct above 0"
            )
        machines.append(
            Machine(
                vehicle=v["vehicle"], unit=v["unit"], vehicle_class=v["class"], depot=v["depot"], feed=model["feed"],
                points=points, reservoir_l=model["reservoir_l"], low_mark_pct=model["low_mark_pct"],
                interval_min=model["interval_min"], run_s=model["run_s"], relief_kpa=model["relief_kpa"],
                nlgi=model["nlgi"], channel_by=model["channel_by"], level=model.get("level", "percent"),
                level_step_pct=v.get("level_step_pct", 0.5), hour_meter=v.get("hour_meter", "fine"),
                trace_every=model.get("trace_every", 0), troubles=troubles, fitted_days=v.get("fitted_days"),
            )
        )  # fmt: skip
    if not machines:
        raise ValueError("it has no vehicle; write [[vehicle]] or [[group]]")
    weeks = range(min(8, data["days"] // 14), 0, -1)
    ask_days = tuple(data.get("ask_days", (7 * week for week in weeks)))
    return Scenario(data["fleet"], data["seed"], data["days"], ask_days, depots, tuple(machines))


def _depot(key: str, d: dict[str, Any]) -> Depot:
    snaps = tuple((float(s["begin_days"]), float(s["days"]), float(s["depth_c"])) for s in d.get("cold_snap", ()))
    climate = Climate(d["mean_c"], d["season_c"], d["day_c"], d["front_c"], d["utc_offset_h"], snaps)
    try:
        holidays = frozenset((int(m), int(n)) for m, n in (day.split("-") for day in d.get("holidays", ())))
        ZoneInfo(d["timezone"])
    except (ValueError, ZoneInfoNotFoundError):
        raise ValueError(f"depot {key}: write holidays as month-day (12-25), and an IANA timezone") from None
    closed = tuple((float(c["begin_days"]), float(c["days"])) for c in d.get("closed", ()))
    return Depot(d["name"], d["timezone"], climate, holidays, float(d.get("careless", 0.0)), closed)


def _members(group: dict[str, Any]) -> list[dict[str, Any]]:
    """The vehicles of a group: `count` alike, numbered from `first`."""
    shared = {key: group[key] for key in ("class", "depot", "system")}
    numbers = range(group["first"], group["first"] + group["count"])
    return [{"vehicle": f"{group['prefix']}{n}", "unit": f"{group['unit']} {n}"} | shared for n in numbers]


def _points(sheet: str, rows: list[str]) -> tuple[Point, ...]:
    points = []
    for number, row in enumerate(rows, start=1):
        parts = [part.strip() for part in row.split("|")]
        if len(parts) not in (5, 6):
            raise ValueError(
                f"sheet {sheet}, line {number}: write bundle | point | cm3 | metres | bore mm [| critical]"
            )
        bundle, point, dose, length, bore = parts[:5]
        points.append(Point(number, bundle, point, float(dose), float(length), float(bore), parts[5:] == ["critical"]))
    return tuple(points)


def trouble_of(vehicle: str, values: dict[str, Any], lines: int) -> Trouble:
    """A trouble of a vehicle with so many lines. Raises ValueError that says what is wrong with it."""
    trouble = Trouble(**values)
    if trouble.kind not in (*KINDS, *LOOK_ALIKES):
        raise ValueError(f"vehicle {vehicle}: no trouble is called {trouble.kind!r}")
    if trouble.line is not None and not 1 <= trouble.line <= lines:
        raise ValueError(f"vehicle {vehicle}: it has lines 1 to {lines}, not {trouble.line}")
    return trouble
