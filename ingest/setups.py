"""How a vehicle's lubrication system is set up, and which set-up holds when."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import Meta, Struct

from ingest.bounds import STORABLE, Channel, Positive
from ingest.work import Work

Said = Annotated[str, Meta(min_length=1, max_length=256, pattern=STORABLE)]
Text = Annotated[str, Meta(max_length=256, pattern=STORABLE)]


Feed = Literal["direct", "progressive", "injector"]


LevelSensor = Literal["percent", "switch", "none"]


class Line(Struct, frozen=True, kw_only=True):
    """One tube to one lubrication point; `dose_cm3` is grease per complete cycle, `channel` the reading that watches it."""

    line: Annotated[int, Meta(ge=1, le=9999)]
    bundle: Text
    point: Said
    channel: Channel | None
    dose_cm3: Positive
    length_m: Positive
    bore_mm: Positive
    critical: bool = False


IntervalUnit = Literal["h", "km", "d"]


class HandPoint(Struct, frozen=True, kw_only=True):
    """A point that somebody greases by hand, by its number: due again after `every` hours of ignition, kilometres or days, with so many
    grams or strokes of a grease gun (one of the two). Without a grease of its own it takes the vehicle's."""

    number: Annotated[int, Meta(ge=1, le=9999)]
    point: Said
    every: Positive
    unit: IntervalUnit
    grams: Positive | None = None
    strokes: Positive | None = None
    grease: Text = ""
    critical: bool = False


class Setup(Struct, frozen=True, kw_only=True):
    """How a vehicle's lubrication system is set up, from `valid_from_us` on (None: from its first message on).

    `registered_us` is when the vehicle was registered, or this set-up of it; None where nobody kept it. Without a `controller` it has no
    automatic system: no lines, nothing of reservoir, pump and timer means anything (`NO_SYSTEM`), and nobody expects to hear of it.
    """

    fleet: str
    vehicle: str
    unit: Said
    vehicle_class: Text
    depot: Said
    timezone: Said
    commissioned: date | None
    feed: Feed
    reservoir_l: Positive
    low_mark_pct: Annotated[float, Meta(ge=0, le=100)]
    interval_min: Positive
    run_s: Positive
    relief_kpa: Positive
    grease: Text
    nlgi: Annotated[str, Meta(max_length=8, pattern=STORABLE)]
    level: LevelSensor = "percent"
    confirmation: bool | None = None
    nominal_v: float | None = None
    valid_from_us: int | None = None
    registered_us: int | None = None
    lines: tuple[Line, ...] = ()
    controller: bool = True
    hand_points: tuple[HandPoint, ...] = ()

    @property
    def dose_cm3(self) -> float:
        """Grease delivered to all points by one complete cycle, cm3."""
        return sum(line.dose_cm3 for line in self.lines)

    @property
    def grease_and_grade(self) -> str:
        """What to fill in."""
        return f"{self.grease}, NLGI {self.nlgi}"

    @property
    def channels(self) -> tuple[str, ...]:
        """Pressure channels in the order of the line list."""
        return tuple(dict.fromkeys(line.channel for line in self.lines if line.channel))


# What stands where a set-up needs a value and the vehicle has no system that it could be of.
NO_SYSTEM: Final[Mapping[str, str]] = {
    "feed": "direct", "reservoir_l": "1", "low_mark_pct": "0", "interval_min": "60", "run_s": "60", "relief_kpa": "10000",
    "level": "none", "confirmation": "no", "nominal_v": "",
}  # fmt: skip


@dataclass(frozen=True)
class Vehicle:
    """A registered vehicle: its set-ups, oldest first, work that changed one included."""

    id: int
    setups: tuple[Setup, ...]

    @property
    def fleet(self) -> str:
        """The fleet it belongs to."""
        return self.setups[0].fleet

    @property
    def name(self) -> str:
        """What its controller calls it."""
        return self.setups[0].vehicle

    @property
    def newest(self) -> Setup:
        """The set-up that was registered or came about last, be it still to come."""
        return self.setups[-1]

    def in_force(self, at_us: int) -> Setup:
        """The set-up that holds at a time; the first one before it began."""
        return in_force(self.setups, at_us)


def in_force(setups: tuple[Setup, ...], at_us: int) -> Setup:
    """The set-up that holds at a time; the first one before it began."""
    return ([s for s in setups if s.valid_from_us is None or s.valid_from_us <= at_us] or [setups[0]])[-1]


def as_worked(setups: tuple[Setup, ...], work: Iterable[Work]) -> tuple[Setup, ...]:
    """Set-ups, and those that follow from work: each goes on until the next that somebody registered."""
    for one in work:
        changed: dict[str, Any] = {}
        if one.kind == "timer_set":
            changed = {"interval_min": one.interval_min, "run_s": one.run_s}
        elif one.kind == "moved":
            changed = {"depot": one.depot, "timezone": one.timezone}
        changed = {name: value for name, value in changed.items() if value is not None}
        if not changed:
            continue
        before = [s for s in setups if s.valid_from_us is None or s.valid_from_us <= one.at_us]
        base = (before or setups)[-1 if before else 0]
        if "run_s" in changed and base.feed != "injector":  # an injector fires once, however long the pump runs
            more = changed["run_s"] / base.run_s
            changed["lines"] = tuple(msgspec.structs.replace(x, dose_cm3=x.dose_cm3 * more) for x in base.lines)
        new = msgspec.structs.replace(base, valid_from_us=one.at_us, **changed)
        setups = (*before, new, *setups[len(before) :])
    return setups
