"""What stands for a point or a pump over a span: doses day by day and where they stopped, and a hash over the records it rests on."""

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any


@dataclass(frozen=True, kw_only=True)
class DayOfDoses:
    """Doses of a day: planned, surely arrived, surely not; what is neither is not proven."""

    day: date
    planned: float
    arrived: float
    failed: float


@dataclass(frozen=True, kw_only=True)
class Gap:
    """Days in a row, those without a planned dose aside, on which no planned dose surely arrived at the point of a line; `failed` of
    `planned` surely did not."""

    line: int
    first: date
    last: date
    planned: float
    failed: float


def gaps(line: int, days: Sequence[DayOfDoses]) -> list[Gap]:
    """The gaps of a line in days that are in order."""
    found: list[list[DayOfDoses]] = []
    dry = False
    for one in days:
        if not one.planned:
            continue
        if one.arrived:
            dry = False
            continue
        if dry:
            found[-1].append(one)
        else:
            found.append([one])
        dry = True
    return [
        Gap(
            line=line, first=run[0].day, last=run[-1].day, planned=sum(d.planned for d in run), failed=sum(d.failed for d in run)
        )
        for run in found
    ]  # fmt: skip


def together(lines: Iterable[Sequence[DayOfDoses]]) -> list[DayOfDoses]:
    """The doses of several lines by day, in order."""
    by_day: dict[date, list[DayOfDoses]] = {}
    for one in (one for days in lines for one in days):
        by_day.setdefault(one.day, []).append(one)
    return [
        DayOfDoses(
            day=day, planned=sum(d.planned for d in all_), arrived=sum(d.arrived for d in all_), failed=sum(d.failed for d in all_)
        )
        for day, all_ in sorted(by_day.items())
    ]  # fmt: skip


def digest(rows: Iterable[Sequence[Any]]) -> str:
    """SHA-256 (FIPS 180-4) over rows in their order, each as a line of JSON; bytes are written in hexadecimal."""
    found = hashlib.sha256()
    for row in rows:
        found.update(json.dumps(list(row), default=_plain, ensure_ascii=False, separators=(",", ":")).encode())
        found.update(b"\n")
    return found.hexdigest()


def of_all(digests: Iterable[tuple[str, str]]) -> str:
    """One over several, by name."""
    return digest(sorted(digests))


def _plain(value: Any) -> str:
    return value.hex() if isinstance(value, bytes | memoryview) else str(value)
