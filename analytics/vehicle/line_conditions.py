"""The condition of every line on the line list."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from analytics.findings import urgency
from analytics.statistics.sequential import ewma, ewma_limit
from analytics.vehicle.analysis import Result
from analytics.vehicle.pressure.sister_lines import odd_lines
from ingest.arrays import Floats


def odd_from_the_start(result: Result) -> dict[int, float]:
    """Lines whose pressure has differed from that of lines like them since they were first heard: line -> ratio.

    Nothing in a line's own past tells a fault that was there from the beginning; other lines of the vehicle do.
    """
    channels = result.pressures.channels
    off = dict(zip(channels, odd_lines(result.history, channels)(result.pressures.level), strict=True))
    return {
        line.line: round(float(np.exp(off[line.channel])), 2)
        for line in result.history.setup.lines
        if line.channel and np.isfinite(off[line.channel]) and off[line.channel] != 0.0
    }


_DRIFT_READINGS: Final = 60


_DRIFT_WEIGHT: Final = 0.1


_DRIFT_SIGMAS: Final = 4.0  # readings of a day go together, so that a wider limit than usual is needed


_DRIFT_RATIO: Final = 1.2  # since the line was sound: what ages soundly takes 2,000 ignition hours for it


def _drift(ratio: Floats, noise: float) -> str | None:
    """Whether a line that is called nothing yet is on its way: its moving average has left its limits ("rising", "falling").

    An average run length of 500 takes 2.814 standard deviations at this weight (Lucas and Saccucci 1990); the limit is wider.
    """
    z = np.clip(np.log(np.maximum(ratio[-200:], 1e-3)) / noise, -3, 3)
    latest = float(ewma(z, _DRIFT_WEIGHT)[-1])
    if abs(latest) < ewma_limit(_DRIFT_WEIGHT, _DRIFT_SIGMAS) or abs(latest) * noise < np.log(_DRIFT_RATIO):
        return None
    return "rising" if latest > 0 else "falling"


@dataclass(frozen=True, kw_only=True)
class LineCondition:
    """One line: the latest ratio of its channel's pressure to what is expected, and ignition hours since grease last surely arrived;
    None where that is not known."""

    line: int
    bundle: str
    condition: str
    ratio: float | None
    hours_since_grease: float | None

    def to_row(self) -> list[Any]:
        """As it is kept in a database: in short, since a list shows very many."""
        return [self.line, self.bundle, self.condition, self.ratio, self.hours_since_grease]

    @staticmethod
    def from_row(row: Sequence[Any]) -> "LineCondition":
        """What `to_row` made."""
        line, bundle, condition, ratio, hours = row
        return LineCondition(line=line, bundle=bundle, condition=condition, ratio=ratio, hours_since_grease=hours)


def line_conditions(result: Result) -> list[LineCondition]:
    """The condition of each line of the call-out sheet, in its order."""
    open_ = {f.channel: f.kind for f in sorted(result.findings, key=urgency, reverse=True) if f.open and f.channel}
    index = {name: j for j, name in enumerate(result.pressures.channels)}
    out = []
    for line in result.history.setup.lines:
        ratio = None
        condition = "unwatched"
        if line.channel is not None:
            column = result.pressures.ratio[:, index[line.channel]]
            known = column[~np.isnan(column)]
            ratio = round(float(np.median(known[-5:])), 2) if len(known) else None
            watched = "sound" if ratio is not None else "learning"
            if len(known) >= _DRIFT_READINGS:
                watched = (
                    _drift(known.astype(np.float64), float(result.pressures.noise[index[line.channel]])) or watched
                )
            condition = open_.get(line.channel) or watched
        hours = result.hours_since_grease[line.line]
        out.append(
            LineCondition(
                line=line.line, bundle=line.bundle, condition=condition, ratio=ratio, hours_since_grease=hours
            )
        )
    return out
