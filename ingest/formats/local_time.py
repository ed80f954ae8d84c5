"""From the time that a row says to a moment: formats, offsets, and the hour that a local clock shows twice."""

import re
from collections.abc import Hashable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from ingest.formats.convert import NotAllowed, number_in
from ingest.formats.mapping import TimeFrom
from ingest.times import EPOCH

_SLIP: Final = timedelta(minutes=1)  # rows that are written a little out of order are no change of the clock
_NO_OFFSET: Final = "a time with its offset, or a zone in the mapping's time"


@dataclass(frozen=True, slots=True)
class Told:
    """A moment, what the clock showed then, and whether it showed that for the second time."""

    at: datetime
    shown: datetime
    again: bool


@dataclass
class _Course:
    """Where a vehicle's rows have got to: the clock's time, and within an hour that comes twice, whether it is the second."""

    shown: datetime
    again: bool | None = None
    backwards: bool = False  # newest first


class RowTimes:
    """Reads the times of a file's rows, one after another.

    Where a clock is set back, an hour comes twice; the order of a vehicle's rows says which is meant: the first until they step
    back (in a file that is newest first: the second until they step forward). Where a file has no row of the vehicle before that
    hour, nothing says so, and the time is not allowed.
    """

    def __init__(self, said: TimeFrom, decimal: str) -> None:
        self._format, self._decimal = said.format, decimal
        self._zone = None if said.zone is None else ZoneInfo(said.zone)
        self._courses: dict[Hashable, _Course] = {}

    def next_file(self) -> None:
        """The next row is the first of another file, which may be of any time."""
        self._courses.clear()

    def read(self, whose: Hashable, text: str) -> Told:
        """The time of a vehicle's next row. Raises NotAllowed."""
        at = self._parsed(text)
        try:
            if at.tzinfo is not None:
                return Told(at.astimezone(UTC), at.replace(tzinfo=None), again=False)
            if self._zone is None:
                raise NotAllowed(_NO_OFFSET)
            return self._resolved(whose, at, self._zone)
        except OverflowError:
            raise NotAllowed("a time in the years 1 to 9999") from None

    def _parsed(self, text: str) -> datetime:
        try:
            if self._format == "iso":
                if not re.search(r"[T ]\d", text):
                    raise ValueError("a date alone is no moment")
                return datetime.fromisoformat(text)
            if self._format in ("unix_s", "unix_ms"):
                seconds = number_in(text, self._decimal) / (1000 if self._format == "unix_ms" else 1)
                return EPOCH + timedelta(seconds=seconds)
            return datetime.strptime(text, self._format)  # noqa: DTZ007 - the zone comes next
        except (ValueError, OverflowError):
            shown = "2026-03-01T06:00:00Z or 2026-03-01 06:00:00" if self._format == "iso" else self._format
            raise NotAllowed(f"a time written as {shown}") from None

    def _resolved(self, whose: Hashable, shown: datetime, zone: ZoneInfo) -> Told:
        first, second = shown.replace(tzinfo=zone), shown.replace(tzinfo=zone, fold=1)
        before, after = first.utcoffset(), second.utcoffset()
        assert before is not None
        assert after is not None
        if before < after:
            raise NotAllowed("a time that was: the clock was put forward over this one")
        course = self._courses.get(whose)
        if before == after:
            self._courses[whose] = _Course(shown)
            again = False
        elif course is None:
            raise NotAllowed(
                "a time with its offset: the clock showed this one twice, and no earlier row of the vehicle in the file says"
                " which is meant"
            )
        else:
            again = _go_on(course, shown)
        return Told((second if again else first).astimezone(UTC), shown, again)


def _go_on(course: _Course, shown: datetime) -> bool:
    """Whether a time within an hour that comes twice is of the second."""
    if course.again is None:
        course.backwards = shown < course.shown
        course.again, course.shown = course.backwards, shown
        return course.again
    step = course.shown - shown if not course.backwards else shown - course.shown
    if step >= _SLIP:
        if course.again != course.backwards:
            raise NotAllowed("a time with its offset: the clock showed this one twice, and rows go back more than once")
        course.again = not course.backwards
        course.shown = shown
    elif step < timedelta(0):
        course.shown = shown
    return course.again
