"""How a point that somebody greases by hand stands. How that is worked out stands in `vehicle/hand_points.py`."""

from dataclasses import dataclass
from typing import Final

from ingest.setups import HandPoint
from ingest.times import DAY_US

SOON_DAYS: Final = 7
HAND_FROM: Final = 10_000  # a point greased by hand has its number above those of lines


@dataclass(frozen=True, kw_only=True)
class HandState:
    """How a point greased by hand stands. `since` is in the unit of its interval and `hours_since` in ignition hours, both by the meter's
    latest reading (`read_us`; None: a calendar's); None is not known, and so is a point that was never greased by record. `from_us` is
    from when greasing it is no waste; `reason` says why no date is known."""

    point: HandPoint
    greased_us: int | None = None
    since: float | None = None
    hours_since: float | None = None
    read_us: int | None = None
    from_us: int | None = None
    due_us: int | None = None
    reason: str = ""


def standing(due_us: int | None, now_us: int) -> str:
    """Whether a point is `due`, `soon`, `ok`, or `unknown`."""
    if due_us is None:
        return "unknown"
    if due_us <= now_us:
        return "due"
    return "soon" if due_us <= now_us + SOON_DAYS * DAY_US else "ok"
