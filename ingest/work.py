"""Work that people record: what was done to a vehicle's system, when and by whom. Corrected by a later record, never erased."""

import math
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import Meta, Struct

from ingest.bounds import STORABLE, Channel, Positive, unseen
from ingest.errors import Problem, in_plain_words
from ingest.languages import later
from ingest.times import DAY_US, FOREVER_US, LONG_AGO_US, instant

Kind = Literal[
    "filled",
    "line_mended",
    "bled",
    "timer_set",
    "sensor_replaced",
    "greased_by_hand",
    "laid_up",
    "in_workshop",
    "back",
    "sold",
    "moved",
    "controller_swapped",
    "relined",
    "looked_at",
    "points_greased",
    "meter_read",
]

# What people call it, and what has to be said of it: one of these, in words.
KINDS: Final[Mapping[str, tuple[str, tuple[str, ...], str]]] = {
    "filled": (later("Reservoir filled"), ("litres", "to_pct"), later("how many litres, or up to which level")),
    "line_mended": (later("Line cleared or replaced"), ("lines",), later("which lines")),
    "bled": (later("System bled"), (), ""),
    "timer_set": (
        later("Timer set"),
        ("interval_min", "run_s"),
        later("the interval in minutes or the run time in seconds"),
    ),
    "sensor_replaced": (later("Sensor replaced"), (), ""),
    "greased_by_hand": (later("Points greased by hand"), (), ""),
    "laid_up": (later("Laid up"), (), ""),
    "in_workshop": (later("In the workshop"), (), ""),
    "back": (later("Back in use"), (), ""),
    "sold": (later("Sold"), (), ""),
    "moved": (later("Moved to another depot"), ("depot",), later("which depot")),
    "controller_swapped": (later("Controller swapped"), (), ""),
    "relined": (later("Fitted or re-lined"), (), ""),
    "looked_at": (later("Looked at, nothing done"), ("found",), later("what was found there")),
    "points_greased": (later("Hand points greased"), ("points",), later("which points")),
    "meter_read": (
        later("Meter read"),
        ("engine_h", "odometer_km"),
        later("the hours or the kilometres that it shows"),
    ),
}
# What is done to a system and its controller.
SYSTEM_WORK: Final[tuple[Kind, ...]] = (
    "filled", "line_mended", "bled", "timer_set", "sensor_replaced", "greased_by_hand", "controller_swapped", "relined",
)  # fmt: skip
# What somebody found who went there because of a finding.
Found = Literal["as_told", "other_cause", "nothing"]
FOUND: Final[Mapping[Found, str]] = {
    "as_told": later("As told"),
    "other_cause": later("Something else was wrong"),
    "nothing": later("Nothing was wrong"),
}
AWAY: Final[Mapping[str, str]] = {
    "laid_up": later("the vehicle is laid up"), "sold": later("the vehicle is sold"),
    "in_workshop": later("the vehicle is in the workshop"),
}  # fmt: skip
FULLEST_PCT: Final = 120  # a reservoir holds no more, not even to the vent
LATEST_AHEAD_US: Final = 600_000_000  # a phone's clock may be ahead by ten minutes

Key = Annotated[str, Meta(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9_-]+$")]
Text = Annotated[str, Meta(max_length=1000, pattern=STORABLE)]
Reading = Annotated[float, Meta(ge=0, le=1e7)]
Name = Annotated[str, Meta(min_length=1, max_length=256, pattern=STORABLE)]


class About(Struct, frozen=True, kw_only=True):
    """The finding that sent somebody there: its kind, the channel where it names one, and when it began."""

    kind: Annotated[str, Meta(min_length=1, max_length=24, pattern=r"^[a-z_]+$")]
    began_us: int
    channel: Channel | None = None


class Work(Struct, frozen=True, kw_only=True):
    """One record. `key` is given by whoever makes it: the same record sent twice is one. `corrects` is the key of the
    record that it stands for; with `withdrawn` it only says that the other was wrong.

    `lines` are numbers of the line list (none: all); `channel` is a pressure sensor's (None: the level sensor). `found` says what was
    there of the finding that it is `about`, and `cause` what else was wrong. `points` are numbers of points greased by hand; `engine_h` and
    `odometer_km` what the vehicle's meters showed, with `new_meter` where they were replaced or put to zero since the reading before.
    `timezone` is that of the `depot` it moved to, which whoever keeps the record looks up.
    """

    key: Key
    kind: Kind
    at_us: int
    by: Name
    lines: tuple[Annotated[int, Meta(ge=1, le=9999)], ...] = ()
    channel: Channel | None = None
    litres: Positive | None = None
    to_pct: Annotated[float, Meta(ge=0, le=FULLEST_PCT)] | None = None
    grease: Text | None = None
    interval_min: Positive | None = None
    run_s: Positive | None = None
    depot: Name | None = None
    timezone: Name | None = None
    points: tuple[Annotated[int, Meta(ge=1, le=9999)], ...] = ()
    engine_h: Reading | None = None
    odometer_km: Reading | None = None
    new_meter: bool = False
    note: Text = ""
    found: Found | None = None
    cause: Text | None = None
    about: About | None = None
    corrects: Key | None = None
    withdrawn: bool = False

    @property
    def title(self) -> str:
        """What people call this kind of work."""
        return KINDS[self.kind][0]


def work_of(values: Mapping[str, Any]) -> Work:
    """A record out of what somebody said of it. Raises Problem that names what is wrong or missing."""
    if not isinstance(values.get("kind"), str) or values["kind"] not in KINDS:
        raise Problem(f"{values.get('kind')!r} is no kind of work; there are: {', '.join(KINDS)}")
    try:
        work: Work = msgspec.convert({k: v for k, v in values.items() if v is not None}, Work, strict=False)
    except msgspec.ValidationError as error:
        raise Problem(in_plain_words(error)) from None
    if (wrong := unseen(msgspec.structs.asdict(work).items())) is not None:
        raise Problem(wrong)
    for name in ("litres", "to_pct", "interval_min", "run_s", "engine_h", "odometer_km"):
        if not math.isfinite(getattr(work, name) or 0.0):
            raise Problem(f"{name}: not a number")
    if work.withdrawn and work.corrects is None:
        raise Problem("say which record is withdrawn")
    if work.found is not None and work.about is None:
        raise Problem("say which finding it was found about")
    if work.about is not None and not LONG_AGO_US < work.about.began_us < FOREVER_US:
        raise Problem("about: no finding began then; send began_us as the finding has it")
    if work.found == "other_cause" and not (work.cause or "").strip():
        raise Problem("say what else was wrong")
    _, needed, question = KINDS[work.kind]
    if needed and not work.withdrawn and not any(getattr(work, name) not in (None, ()) for name in needed):
        raise Problem(f"{work.title}: say {question}")
    return work


def check_fill(work: Work, reservoir_l: float, *, above_full: bool) -> None:
    """Whether so much can have been filled into a reservoir. Raises Problem for what cannot be; also for what lies above the full mark,
    unless who records it says that it does."""
    if work.kind != "filled" or work.withdrawn:
        return
    most_l = reservoir_l * FULLEST_PCT / 100
    if work.litres is not None and work.litres > most_l:
        raise Problem(
            f"litres: {work.litres:g} l cannot go into a reservoir that holds {reservoir_l:g} l at its full mark"
        )
    if not above_full and ((work.to_pct or 0.0) > 100 or (work.litres or 0.0) > reservoir_l):
        said = (
            f"{work.to_pct:g} %"
            if (work.to_pct or 0.0) > 100
            else f"{work.litres:g} l in a reservoir of {reservoir_l:g} l"
        )
        raise Problem(
            f"{said} is above the full mark, where grease comes out at the vent or passes the follower plate; say so if it is meant"
        )


def check_timer(work: Work, interval_min: float, run_s: float) -> None:
    """Whether a timer that was set to these can be set as the work says. Raises Problem."""
    if work.kind != "timer_set" or work.withdrawn:
        return
    interval_min, run_s = work.interval_min or interval_min, work.run_s or run_s
    if interval_min * 60 <= run_s:
        raise Problem(
            f"interval_min: {interval_min:g} min is no longer than the run of {run_s:g} s; say the minutes from start to start"
        )


# What a meter counts: field of a record, what people call it, its unit, and the most that it gains in a day.
METERS: Final[Mapping[str, tuple[str, str, float]]] = {
    "engine_h": ("hour meter", "h", 24.0),
    "odometer_km": ("odometer", "km", 3000.0),
}
_ROUNDING: Final = 1.0  # meters are read in whole hours and kilometres, and a day is not to the minute


def check_meters(work: Work, others: Iterable[Work]) -> None:
    """Whether meters can show what a record says, beside the readings of other records. Raises Problem."""
    if work.withdrawn:
        return
    by_time = sorted((one for one in others if one.key != work.corrects), key=lambda one: one.at_us)
    for name, (what, unit, most) in METERS.items():
        value = getattr(work, name)
        if value is None:
            continue
        read = [(one.at_us, getattr(one, name), one.new_meter) for one in by_time if getattr(one, name) is not None]
        before = next((one for one in reversed(read) if one[0] <= work.at_us), None)
        after = next((one for one in read if one[0] > work.at_us), None)
        pairs = [(*before[:2], work.at_us, value)] if before and not work.new_meter else []
        pairs += [(work.at_us, value, *after[:2])] if after and not after[2] else []
        for from_us, low, until_us, high in pairs:
            if high < low - _ROUNDING:
                other = (from_us, low) if until_us == work.at_us else (until_us, high)
                raise Problem(
                    f"{name}: {value:g} {unit}, and the {what} showed {other[1]:g} {unit} on"
                    f" {instant(other[0]):%Y-%m-%d}: it does not run back; say so if it was replaced or put to zero"
                )
            if high - low > most * ((until_us - from_us) / DAY_US + 1) + _ROUNDING:
                raise Problem(
                    f"{name}: from {low:g} to {high:g} {unit} in {(until_us - from_us) / DAY_US:.0f} days is more than"
                    f" the {what} counts; look again"
                )


def went_away(work: Iterable[Work]) -> Work | None:
    """The record since which a vehicle is laid up, in the workshop or sold; None where it is in use."""
    moves = [one for one in work if one.kind in AWAY or one.kind == "back"]
    return moves[-1] if moves and moves[-1].kind in AWAY else None


def why_away(work: Iterable[Work]) -> str | None:
    """Why nobody needs to be told of a vehicle; None where it is in use."""
    last = went_away(work)
    return None if last is None else AWAY[last.kind]
