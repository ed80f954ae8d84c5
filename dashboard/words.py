"""Numbers and times as people read them."""

import math
from datetime import date, datetime
from zoneinfo import ZoneInfo

from analytics.timer import Setting
from ingest.messages import instant
from ingest.work import Work

NEED_WORDS = {"act_now": "Act now", "plan": "Plan", "note": "Note", "none": "Nothing to do"}
# Never colour alone: each need has a shape of its own as well.
NEED_SHAPES = {"act_now": "●", "plan": "▲", "note": "■", "none": "✓"}


def local(at_us: int, timezone: str) -> datetime:
    """A time in the depot's zone."""
    return instant(at_us).astimezone(ZoneInfo(timezone))


def day(at: datetime | date) -> str:
    """25 Nov."""
    return f"{at.day} {at:%b}"


def moment(at_us: int, timezone: str) -> str:
    """25 Nov, 14:05."""
    at = local(at_us, timezone)
    return f"{day(at)}, {at:%H:%M}"


def ago(at_us: int | None, now_us: int) -> str:
    """How long ago, to one figure that matters."""
    if at_us is None:
        return "never"
    minutes = max(0, now_us - at_us) / 60e6
    if minutes < 2:
        return "just now"
    if minutes < 90:
        return f"{minutes:.0f} min ago"
    if minutes < 36 * 60:
        return f"{minutes / 60:.0f} h ago"
    return f"{minutes / 1440:.0f} days ago"


def window(early_us: int | None, late_us: int | None, timezone: str) -> str:
    """A stretch of days: 4 to 9 Dec."""
    if early_us is None:
        return "far off"
    early = local(early_us, timezone)
    if late_us is None:
        return f"from {day(early)}"
    late = local(late_us, timezone)
    if early.date() == late.date():
        return day(early)
    if (early.year, early.month) == (late.year, late.month):
        return f"{early.day} to {day(late)}"
    return f"{day(early)} to {day(late)}"


def litres(amount: float) -> str:
    """1.4 l."""
    return f"{amount:.1f} l" if amount >= 1 else f"{amount:.2f} l"


def containers(amount_l: float, container_l: float | None) -> str:
    """: 2 containers of 18 l; nothing where their size is not known."""
    if container_l is None:
        return ""
    number = math.ceil(amount_l / container_l - 1e-9)
    return f": {number} container{'s' * (number != 1)} of {container_l:g} l"


def work_details(one: Work) -> list[str]:
    """What was said of a piece of work, in short."""
    said = [
        f"line{'s' * (len(one.lines) > 1)} {', '.join(map(str, one.lines))}" if one.lines else "",
        one.channel or "",
        f"{one.litres:g} l" if one.litres is not None else "",
        f"to {one.to_pct:g} %" if one.to_pct is not None else "",
        one.grease or "",
        f"every {one.interval_min:g} min" if one.interval_min is not None else "",
        f"for {one.run_s:g} s" if one.run_s is not None else "",
        one.depot or "",
        one.note,
    ]
    return [text for text in said if text]


def timer_facts(now: Setting, then: Setting) -> list[str]:
    """Cycles a day, days of a reservoir and days to the low mark, under the present setting and another."""

    def told(what: str, before: float | None, after: float | None, unit: str) -> str:
        if before is None or after is None:
            return f"{what}: not known yet"
        return f"{what}: {before:.1f}{'' if now == then else f' -> {after:.1f}'} {unit}"

    return [
        told("Cycles", now.cycles_per_day, then.cycles_per_day, "a day"),
        told("A full reservoir lasts", now.reservoir_days, then.reservoir_days, "days"),
        told("Low mark, early", now.due_days[0], then.due_days[0], "days from now"),
        told("Low mark, most likely", now.due_days[1], then.due_days[1], "days from now"),
    ]
