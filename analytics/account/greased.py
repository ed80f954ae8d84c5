"""Greased as planned: what is kept of a vehicle's doses, and percent with limits from sums of what is kept."""

import zlib
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from analytics.account.points import point_kind
from analytics.statistics.ratio import ratio_error
from analytics.vehicle.day import setup_of_day
from ingest.arrays import Floats
from ingest.setups import Setup

if TYPE_CHECKING:
    import pandas as pd

    from analytics.vehicle.doses import Doses

_TENTHS: Final = 10.0  # doses are kept in tenths: a timer that is set otherwise makes parts of one
CONFIDENCE: Final = 0.95


@dataclass
class Sums:
    """Doses of some points over some days: planned, surely arrived, surely not."""

    planned: float = 0.0
    arrived: float = 0.0
    failed: float = 0.0

    def add(self, planned: float, arrived: float, failed: float) -> None:
        """More of them."""
        self.planned += planned
        self.arrived += arrived
        self.failed += failed


@dataclass
class Month(Sums):
    """A vehicle's month at a depot; `worst` is the highest share that surely did not arrive at one of its points, and `days` what
    `packed` made of it."""

    worst: float = 0.0
    days: bytes = b""


@dataclass(frozen=True)
class Kept:
    """What is kept of a vehicle: by (month, depot), by (month, depot, kind of point, critical), and by (week, depot). A month is
    YYYY-MM, a week the date of its Monday."""

    months: dict[tuple[str, str], Month] = field(default_factory=dict)
    kinds: dict[tuple[str, str, str, bool], Sums] = field(default_factory=dict)
    weeks: dict[tuple[str, str], Sums] = field(default_factory=dict)


def kept_of(doses: "Doses | None", setups: tuple[Setup, ...]) -> Kept:
    """What is kept of a vehicle's doses: each day belongs to the depot at which the vehicle was then."""
    kept = Kept()
    if doses is None:
        return kept
    zone = ZoneInfo(setups[-1].timezone)
    days = [doses.first + timedelta(days=k) for k in range(len(doses.planned))]
    depots = [setup_of_day(setups, day, zone).depot for day in days]
    by_day = np.stack([doses.planned, doses.arrived, doses.failed])  # (3, days, lines)
    columns = defaultdict[tuple[str, bool], list[int]](list)
    for k, line in enumerate(doses.lines):
        columns[point_kind(line.point), line.critical].append(k)
    for (month, depot), rows in _grouped(days, depots, lambda day: str(day)[:7]):
        mine = by_day[:, rows]
        of_line = mine.sum(axis=1)
        if not of_line[0].any():
            continue
        planned = of_line[0] > 0
        worst = float((of_line[2][planned] / of_line[0][planned]).max())
        packed_days = packed(doses, [days[k].day for k in rows], mine)
        kept.months[month, depot] = Month(*_sums(of_line), worst=round(worst, 4), days=packed_days)
        for (kind, critical), of_kind in columns.items():
            if of_line[0, of_kind].any():
                kept.kinds[month, depot, kind, critical] = Sums(*_sums(of_line[:, of_kind]))
    for (week, depot), rows in _grouped(days, depots, lambda day: str(day - timedelta(days=day.weekday()))):
        if by_day[0, rows].any():
            kept.weeks[week, depot] = Sums(*_sums(by_day[:, rows].sum(axis=1)))
    return kept


def _grouped(
    days: Sequence[date], depots: Sequence[str], name: Callable[[date], str]
) -> Iterator[tuple[tuple[str, str], list[int]]]:
    found = defaultdict[tuple[str, str], list[int]](list)
    for k, (day, depot) in enumerate(zip(days, depots, strict=True)):
        found[name(day), depot].append(k)
    yield from found.items()


def _sums(table: Floats) -> tuple[float, float, float]:
    planned, arrived, failed = (round(float(value), 1) for value in table.sum(axis=1))
    return planned, arrived, failed


# Days, in short ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class DaysOfMonth:
    """Doses of a vehicle by day of a month, `days` (n,), and line, `lines` (m,): arrays of shape (n, m)."""

    days: NDArray[np.int16]
    lines: NDArray[np.int16]
    planned: Floats
    arrived: Floats
    failed: Floats


def packed(doses: "Doses", days: Sequence[int], table: Floats) -> bytes:
    """A table (3, days, lines) of doses in tenths, in some hundred bytes: most lines of a vehicle are alike."""
    head = np.array([len(days), len(doses.lines), *days, *(line.line for line in doses.lines)], "<i2")
    # Line after line, so that those that are alike repeat each other.
    body = np.round(table * _TENTHS).astype("<u2").transpose(2, 0, 1)
    return zlib.compress(head.tobytes() + body.tobytes())


def unpacked(kept: bytes) -> DaysOfMonth:
    """What `packed` made."""
    raw = zlib.decompress(kept)
    days, lines = (int(n) for n in np.frombuffer(raw, "<i2", 2))
    head = np.frombuffer(raw, "<i2", days + lines, offset=4)
    table = np.frombuffer(raw, "<u2", offset=4 + head.nbytes).reshape(lines, 3, days) / _TENTHS
    planned, arrived, failed = table.transpose(1, 2, 0)
    return DaysOfMonth(days=head[:days], lines=head[days:], planned=planned, arrived=arrived, failed=failed)


# Percent with limits ----------------------------------------------------------------------------------------


def with_limits(sums: "pd.DataFrame") -> "pd.DataFrame":
    """Percent greased as planned, of rows with the sums `planned`, `arrived`, `failed` over `vehicles`, and their squares and products
    `pp`, `pa`, `aa`, `pf`, `ff`.

    Adds `not_proven` doses; `arrived_pct`, surely, and `at_most_pct`, if all that is not proven arrived: the truth of these doses lies
    between them. `low_pct` and `high_pct` widen that by how much vehicles differ, at CONFIDENCE (NaN of one vehicle): by so much
    another month or depot may differ without a reason.
    """
    from scipy.special import stdtrit  # here, since it takes long to load

    n, planned = sums["vehicles"].to_numpy(np.float64), sums["planned"].to_numpy(np.float64)
    arrived, failed = sums["arrived"].to_numpy(np.float64), sums["failed"].to_numpy(np.float64)
    pp = sums["pp"].to_numpy(np.float64)
    error, error_failed = (
        ratio_error(n, planned, y, pp, *(sums[name].to_numpy(np.float64) for name in products))
        for y, products in ((arrived, ("pa", "aa")), (failed, ("pf", "ff")))
    )
    reach = stdtrit(np.maximum(n - 1, 1), (1 + CONFIDENCE) / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        surely, at_most = arrived / planned, 1 - failed / planned
    told: dict[str, Any] = {
        "not_proven": np.maximum(planned - arrived - failed, 0.0).round(1),
        "arrived_pct": 100 * surely,
        "at_most_pct": 100 * at_most,
        "low_pct": 100 * np.maximum(surely - reach * error, 0.0),
        "high_pct": 100 * np.minimum(at_most + reach * error_failed, 1.0),
    }
    return sums.drop(columns=["pp", "pa", "aa", "pf", "ff"]).assign(**told)
