"""What was recorded of one vehicle, as NumPy arrays; loads neither a database nor a broker."""

from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Common:
    """What rows of any kind have, as arrays of shape (n,); missing numbers are NaN, missing times -1."""

    boot: NDArray[np.str_]
    seq: Ints
    at_us: Ints
    sent_us: Ints
    received_us: Ints
    engine_h: Floats

    def __len__(self) -> int:
        return len(self.seq)


@dataclass(frozen=True)
class Cycles(Common):
    """Pressures are (n, channels) in the order of `channels`; `manual` and `complete` are 1, 0 or NaN. Of channels that no line list
    names so many are `left_out`."""

    cycle_no: Ints
    run_s: Floats
    manual: Floats
    complete: Floats
    temp_c: Floats
    supply_v: Floats
    channels: tuple[str, ...]
    peak_kpa: NDArray[np.float32]
    rest_kpa: NDArray[np.float32]
    trace: tuple[bytes | None, ...]  # MessagePack: channel -> {dt_s, kpa}
    left_out: int = 0


@dataclass(frozen=True)
class Levels(Common):
    """Level readings, percent of the volume at the full mark."""

    level_pct: Floats
    temp_c: Floats
    tilt_deg: Floats


@dataclass(frozen=True)
class Ignitions(Common):
    """Ignition switched on (1) or off (0)."""

    on: Floats


@dataclass(frozen=True)
class Faults(Common):
    """What the controller noticed itself."""

    code: tuple[str, ...]
    active: Floats
    channel: tuple[str | None, ...]
    value: Floats


@dataclass(frozen=True)
class States(Common):
    """Online (1) or not (0)."""

    online: Floats


@dataclass(frozen=True)
class Messages:
    """Everything recorded of one vehicle, in no particular order."""

    cycles: Cycles
    levels: Levels
    ignitions: Ignitions
    faults: Faults
    states: States


Rows = TypeVar("Rows", bound=Common)


def chosen(rows: Rows, which: NDArray[Any], **changed: Any) -> Rows:
    """The chosen rows, in that order (indices or a mask); `changed` arrays take the place of theirs."""
    indices = np.flatnonzero(which) if which.dtype == bool else which
    picked: dict[str, Any] = {
        name: tuple(map(values.__getitem__, indices.tolist())) if isinstance(values, tuple) else values[indices]
        for name, values in vars(rows).items()
        if name not in ("channels", "left_out")
    }
    return replace(rows, **{**picked, **changed})


def runs_of(boot: NDArray[np.str_]) -> Ints:
    """Where messages begin to be of another boot than those before them, the first included: there are few such places, and to compare
    texts takes long."""
    return np.flatnonzero(np.r_[True, boot[1:] != boot[:-1]][: len(boot)])


def numbered(boot: NDArray[np.str_]) -> Ints:
    """(n,) the boots as numbers, in the order of their names."""
    begins = runs_of(boot)
    return np.repeat(np.unique(boot[begins], return_inverse=True)[1], np.diff(begins, append=len(boot)))


def of_each(number: Ints, rows: Ints) -> list[Ints]:
    """`rows` apart by the number of each, ascending, and in their order. However many numbers there are, they are gone through once: a
    controller that says another boot with each message must not cost more than one that does not."""
    rows = rows[np.argsort(number[rows], kind="stable")]
    return np.split(rows, np.flatnonzero(np.diff(number[rows])) + 1) if len(rows) else []


def arrived_by(messages: Messages, at_us: int) -> Messages:
    """What had arrived by a time; a message whose receipt is not known had arrived when it happened."""

    def upto(rows: Rows) -> Rows:
        return chosen(rows, rows.received_us <= at_us)

    return Messages(
        upto(messages.cycles), upto(messages.levels), upto(messages.ignitions), upto(messages.faults), upto(messages.states)
    )  # fmt: skip
