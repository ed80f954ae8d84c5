"""The condition of every line on the line list."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, Final, Literal

import numpy as np

from analytics.findings import urgency
from analytics.kinds import FINDING_KINDS, severity_rank
from analytics.settings import DEFAULTS, Settings
from analytics.statistics.robust import middle_of
from analytics.statistics.sequential import ewma, ewma_limit
from analytics.vehicle.analysis import Result
from analytics.vehicle.idle import idle_since_us
from analytics.vehicle.lubrication import unproven_from_the_start
from analytics.vehicle.pressure import LEAST_TOLD, Pressures
from ingest.arrays import Floats

_DRIFT_READINGS: Final = 60
_DRIFT_LATEST: Final = 200  # of which the moving average is made


_DRIFT_WEIGHT: Final = 0.1


_MOST_SIGMAS: Final = 3.0  # that a single reading counts for


_DRIFT_SIGMAS: Final = 4.0  # readings of a day go together, so that a wider limit than usual is needed


_DRIFT_RATIO: Final = 1.2  # since the line was sound: what ages soundly takes 2,000 ignition hours for it


def _drift(ratio: Floats, noise: float) -> str | None:
    """Whether a line that is called nothing yet is on its way: its moving average has left its limits ("rising", "falling").

    An average run length of 500 takes 2.814 standard deviations at this weight (Lucas and Saccucci 1990); the limit is wider.
    """
    log, least = np.log(np.maximum(ratio, 1e-3)), np.log(_DRIFT_RATIO)
    middle = abs(float(middle_of(log[-_DRIFT_READINGS:])))
    if max(_MOST_SIGMAS * noise, middle) < least:  # whatever the average is
        return None
    latest = float(ewma(np.clip(log / noise, -_MOST_SIGMAS, _MOST_SIGMAS), _DRIFT_WEIGHT)[-1])
    # The average of what is clipped says of a quiet line that it drifts, not how far.
    far = max(abs(latest) * noise, middle)
    if abs(latest) < ewma_limit(_DRIFT_WEIGHT, _DRIFT_SIGMAS) or far < least:
        return None
    return "rising" if latest > 0 else "falling"


# What a line is called that is on its way to a finding.
DRIFTS: Final = ("rising", "falling")
LineState = Literal["act_now", "plan", "note", "not_proven", "sound"]
# So many intervals without grease at a point are more than the timer explains.
WAITS_INTERVALS: Final = 3.0
# Latest readings whose median is told: more of a pump that draws air, whose pressures jump.
_READINGS: Final = 5
_STARVED_READINGS: Final = LEAST_TOLD


@dataclass(frozen=True, kw_only=True)
class LineCondition:
    """One line: what its readings say (`condition`), how it is marked (`state`), whether a point that steering or braking depends on
    may be dry (`critical_dry`), the latest ratio of its channel's pressure to what is expected, and ignition hours since grease last
    surely arrived; None where that is not known."""

    line: int
    bundle: str
    condition: str
    state: LineState
    critical_dry: bool
    ratio: float | None
    hours_since_grease: float | None

    def to_row(self) -> list[Any]:
        """As it is kept in a database: in short, since a list shows very many."""
        return [
            self.line, self.bundle, self.condition, self.state, self.critical_dry, self.ratio, self.hours_since_grease,
        ]  # fmt: skip

    @staticmethod
    def from_row(row: Sequence[Any]) -> "LineCondition":
        """What `to_row` made."""
        return LineCondition(**dict(zip(_FIELDS, row, strict=True)))


_FIELDS: Final = tuple(field.name for field in fields(LineCondition))


def line_conditions(result: Result, settings: Settings = DEFAULTS) -> list[LineCondition]:
    """The condition of each line of the line list, in its order."""
    open_ = sorted((f for f in result.findings if f.open), key=urgency)
    pressures = result.pressures
    index = {name: j for j, name in enumerate(pressures.channels)}
    odd = unproven_from_the_start(pressures, result.history.setup)
    silent = any(f.kind == "silent" for f in open_) or idle_since_us(result.history) is not None
    out = []
    for line in result.history.setup.lines:
        own = [f for f in open_ if f.channel is not None and f.channel == line.channel]
        drying = [f for f in open_ if FINDING_KINDS[f.kind].dries and (f in own or f.channel is None)]
        ratio = None if line.channel is None else _ratio(pressures, index[line.channel])
        if own or drying:
            condition = (own or drying)[0].kind
        elif line.channel is None:
            condition = "unwatched"
        else:
            condition = "learning" if ratio is None else _by_readings(pressures, index[line.channel])
        hours = result.hours_since_grease[line.line]
        concerning = sorted({*(f.severity for f in own), *(f.severity for f in drying)}, key=severity_rank)
        out.append(
            LineCondition(
                line=line.line,
                bundle=line.bundle,
                condition=condition,
                state=concerning[0]
                if concerning
                else _state(condition, hours, result, settings, silent or line.channel in odd),
                critical_dry=line.critical and bool(drying or (hours or 0.0) >= settings.dry_act_now_h),
                ratio=ratio,
                hours_since_grease=hours,
            )
        )
    return out


def _ratio(pressures: Pressures, channel: int) -> float | None:
    """The ratio of a channel's latest readings to what is expected; None where nothing is."""
    ratio, starved = pressures.latest(channel, _STARVED_READINGS)
    if not len(ratio):
        return None
    return round(float(middle_of(ratio if starved[-1] else ratio[-_READINGS:])), 2)


def _by_readings(pressures: Pressures, channel: int) -> str:
    """What a channel's latest readings say of its lines."""
    own, _ = pressures.latest(channel, _DRIFT_LATEST, with_grease=True)
    if len(own) < _DRIFT_READINGS:
        return "sound"
    return _drift(own.astype(np.float64), float(pressures.noise[channel])) or "sound"


def _state(condition: str, hours: float | None, result: Result, settings: Settings, unproven: bool) -> LineState:
    """How a line is marked that no open finding concerns. What nothing proves is never sound, nor is a line that is `unproven`: of a
    vehicle of which nothing is heard, or odd beside those like it, so that it may have been faulty from the start."""
    if hours is not None and hours >= settings.dry_act_now_h:
        return "plan"
    waits = hours is None or hours > WAITS_INTERVALS * result.history.setup.interval_min / 60
    if waits or unproven or condition in ("unwatched", "learning"):
        return "not_proven"
    return "note" if condition in DRIFTS else "sound"
