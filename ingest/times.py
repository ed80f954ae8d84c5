"""Times: UTC microseconds since 1970 inside, RFC 3339 where people and files read them, the local clock of a zone."""

import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Final
from zoneinfo import ZoneInfo

import msgspec
from msgspec import Meta

if TYPE_CHECKING:
    from ingest.arrays import Ints


def rfc3339(us: int) -> str:
    """A time as the program prints it: UTC, whole seconds unless there is a fraction."""
    at = instant(us)
    return at.strftime("%Y-%m-%dT%H:%M:%S") + (f".{at.microsecond:06d}".rstrip("0") if at.microsecond else "") + "Z"


EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


_MICROSECOND: Final = timedelta(microseconds=1)


_FIRST_US: Final = -62_135_596_800_000_000


_LAST_US: Final = 253_402_300_799_999_999


Instant = Annotated[datetime, Meta(tz=True)]


def microseconds(at: datetime) -> int:
    """Microseconds from 1970 UTC to an aware date-time."""
    return (at - EPOCH) // _MICROSECOND


def instant(us: int) -> datetime:
    """The aware UTC date-time of microseconds since 1970, kept within the years 1 to 9999."""
    return EPOCH + timedelta(microseconds=min(max(us, _FIRST_US), _LAST_US))


def machine_us() -> int:
    """The present by this machine's clock, microseconds since 1970 UTC."""
    return time.time_ns() // 1000


@dataclass(frozen=True)
class Clock:
    """A clock that shows `shown_us` when the machine's shows `machine_us`, and runs `speed` times as fast."""

    machine_us: int
    shown_us: int
    speed: float


_shown: list[Clock] = []


def follow_clock(clock: Clock) -> None:
    """From now on the present is what that clock shows: a demo's time runs faster than life."""
    _shown[:] = [clock]


def pace() -> float:
    """How many times faster than this machine's clock the present passes."""
    return _shown[0].speed if _shown else 1.0


def shown_us(at_us: int) -> int:
    """What the present's clock shows when this machine's shows a time: the same, unless this process follows another."""
    for clock in _shown:
        return clock.shown_us + int((at_us - clock.machine_us) * clock.speed)
    return at_us


def now_us() -> int:
    """The present, microseconds since 1970 UTC: by this machine's clock, unless this process follows another."""
    return shown_us(machine_us())


def read_time(text: str) -> int:
    """Microseconds since 1970 UTC of an RFC 3339 date-time. Raises ValueError that says how to write one."""
    try:
        return microseconds(msgspec.convert(text, Instant))
    except msgspec.ValidationError:
        raise ValueError(f"{text!r} is not an RFC 3339 time with its offset, such as 2026-03-01T06:00:00Z") from None


def read_local(text: str, timezone: str) -> int:
    """Microseconds since 1970 UTC of a date-time by ISO 8601: by its offset, or by the local clock of a zone where it has none. Raises
    ValueError."""
    at = datetime.fromisoformat(text)
    return microseconds(at if at.tzinfo else at.replace(tzinfo=ZoneInfo(timezone)))


HOUR_US: Final = 3_600_000_000


DAY_US: Final = 24 * HOUR_US


# No controller of this kind ran before; a clock that says so has lost its power.
EARLIEST_US: Final = 1_262_304_000_000_000  # 2010-01-01
# No answer is for a time after it: calendars end, and what a clock says of then is nothing.
LATEST_US: Final = 7_258_118_400_000_000  # 2200-01-01
# Later and earlier than any time there is.
FOREVER_US: Final = 1 << 62
LONG_AGO_US: Final = -FOREVER_US
AHEAD_US: Final = HOUR_US  # what claims to be further ahead of the present is of a wrong clock


def local_us(at_us: "Ints", zone: ZoneInfo) -> "Ints":
    """Microseconds of the local clock since 1970, of times (n,)."""
    import numpy as np  # here, since they take long to load
    import pandas as pd

    local = pd.DatetimeIndex(at_us.astype("datetime64[us]"), tz="UTC").tz_convert(zone).tz_localize(None)
    return np.asarray(local.as_unit("us").asi8, np.int64)
