"""What steps of the analysis knew at the end of an earlier day and of earlier weeks, so that news need not begin with a vehicle's first
message.

A step that goes from row to row (`cycles`, `level.tracker`, `pressure.following`) puts down its state where a day has ended, with a
digest of all it rested on: settings, set-ups, and every row up to then. It goes on from a state only where its own rows up to then have
that digest: a late message, a corrected clock, another set-up or a thinned past make it begin earlier, or anew. So no state ever changes
an answer; without any the answer only takes longer.
"""

import io
import math
import pickle
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, is_dataclass
from hashlib import blake2b
from typing import Any, ClassVar, Final, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Ints
from ingest.times import DAY_US, LONG_AGO_US

_WEEK_US: Final = 7 * DAY_US
_SETTLED_US: Final = DAY_US // 2  # what is younger is often put right by what comes after it
_WEEKS: Final = 2  # whose ends are kept beside that of a day: they stand by for messages that are late
KEPT: Final = 1 + _WEEKS

Value = TypeVar("Value")


@dataclass(frozen=True)
class Checkpoint:
    """The state of a step after all rows up to `until_us`, and the digest of what it rests on."""

    step: str
    until_us: int
    digest: bytes
    state: bytes


class Basis:
    """What a step rests on: `constants`, whose `repr` tells all of them, and arrays whose rows go by the ascending times that stand
    before them."""

    def __init__(self, constants: tuple[Any, ...], rows: tuple[tuple[Ints, tuple[NDArray[Any], ...]], ...]) -> None:
        self._constants = repr(constants).encode()
        self._columns = [_Column(at_us, array) for at_us, arrays in rows for array in (at_us, *arrays)]

    def digest(self, until_us: int) -> bytes:
        """Of all of it up to a time; of a later one than before it only takes in the rows between."""
        told = blake2b(self._constants, digest_size=16)
        for column in self._columns:
            told.update(column.digest(until_us))
        return told.digest()


class _Column:
    """An array whose rows go by ascending times, and how far they are in its digest."""

    def __init__(self, at_us: Ints, array: NDArray[Any]) -> None:
        self._at_us, self._array = at_us, array
        self._begin()

    def _begin(self) -> None:
        self._done, self._told = 0, blake2b(self._array.dtype.str.encode(), digest_size=16)

    def digest(self, until_us: int) -> bytes:
        """Of the rows up to a time."""
        number = int(np.searchsorted(self._at_us, until_us, "right"))
        if number < self._done:
            self._begin()
        self._told.update(np.ascontiguousarray(self._array[self._done : number]).view(np.uint8).data)
        self._done = number
        return f"{number} ".encode() + self._told.digest()


class Stateful:
    """Part of a step. Its attributes are its state, but for those that are `GIVEN`: they follow from what the step rests on."""

    GIVEN: ClassVar[frozenset[str]] = frozenset()
    looked_us: int = LONG_AGO_US  # latest time of what its state rests on, where that may lie after the row it is at

    def state(self) -> dict[str, Any]:
        """As it is put down."""
        return {name: value for name, value in vars(self).items() if name not in self.GIVEN}

    def go_on(self, state: dict[str, Any]) -> None:
        """Go on from what was put down."""
        vars(self).update(state)


@dataclass
class Runs(Generic[Value]):
    """A value of each row, which stays alike for long: the rows at which it changes, and to what."""

    rows: list[int] = field(default_factory=list)
    values: list[Value] = field(default_factory=list)

    def note(self, row: int, value: Value) -> None:
        """What it is from this row on."""
        if not self.values or self.values[-1] != value:
            self.rows.append(row)
            self.values.append(value)

    def places(self, number: int) -> Ints:
        """Which of the values each of the first rows has."""
        return np.repeat(np.arange(len(self.values)), np.diff([*self.rows, number]))


class Checkpoints:
    """Those of one vehicle: what was kept of earlier analyses, and what this one puts down."""

    def __init__(self, kept: Sequence[Checkpoint] = ()) -> None:
        self._held = {(one.step, one.until_us): one for one in kept}
        self._kept = frozenset(kept)

    def to_keep(self, as_of_us: int) -> tuple[Checkpoint, ...] | None:
        """Those of the latest day and weeks; None where they are what was kept."""
        ends = _ends(as_of_us)
        latest = tuple(one for one in self._held.values() if one.until_us in ends)
        return None if self._kept.issuperset(latest) else latest

    def forget(self, step: str) -> None:
        """What was kept of a step holds too little for it: it has to begin with the first row."""
        self._held = {key: one for key, one in self._held.items() if one.step != step}

    def walk(self, step: str, basis: Basis, parts: Sequence[Stateful], row_us: Ints, as_of_us: int) -> Iterator[int]:
        """The rows that a step has to go through, in order; its parts are where it was before the first of them."""
        known_us = self._taken_up(step, basis, parts, as_of_us)
        begin = int(np.searchsorted(row_us, known_us, "right"))
        for end_us in _ends(as_of_us):
            if end_us > known_us:
                row = int(np.searchsorted(row_us, end_us, "right"))
                yield from range(begin, row)
                begin = row
                if row == 0 or any(part.looked_us > end_us for part in parts):
                    continue  # there is nothing yet, or what comes may still change it
                dumped = _dumped([part.state() for part in parts])
                self._held[step, end_us] = Checkpoint(step, end_us, basis.digest(end_us), dumped)
        yield from range(begin, len(row_us))

    def _taken_up(self, step: str, basis: Basis, parts: Sequence[Stateful], as_of_us: int) -> int:
        """Bring the parts to where the latest state that holds has them, and until when that is; long ago where none holds."""
        for until_us in sorted((until_us for name, until_us in self._held if name == step), reverse=True):
            held = self._held[step, until_us]
            if until_us > as_of_us or held.digest != basis.digest(until_us) or (states := _loaded(held.state)) is None:
                continue
            for part, state in zip(parts, states, strict=True):
                part.go_on(state)
            return until_us
        return LONG_AGO_US


@dataclass(frozen=True)
class Walk:
    """Through rows at ascending times, as of a moment."""

    at_us: Ints
    as_of_us: int
    checkpoints: Checkpoints = field(default_factory=Checkpoints)

    def rows(self, step: str, columns: tuple[NDArray[Any], ...], part: Stateful) -> Iterator[int]:
        """Those that a step has to go through that rests on these columns of the rows and on nothing else."""
        basis = Basis((), ((self.at_us, columns),))
        return self.checkpoints.walk(step, basis, [part], self.at_us, self.as_of_us)


def _ends(as_of_us: int) -> list[int]:
    """The ends of the latest weeks before the latest day that is settled, and of that day, the earliest first. Each has been that of the
    latest day before, so that its state is there when its week is over."""
    day_us = (as_of_us - _SETTLED_US) // DAY_US * DAY_US
    week_us = (day_us - 1) // _WEEK_US * _WEEK_US
    return [*(week_us - n * _WEEK_US for n in reversed(range(_WEEKS))), day_us]


def _dumped(states: list[dict[str, Any]]) -> bytes:
    # One pickle: what several parts share they still share when they go on.
    told = io.BytesIO()
    _Dumped(told, pickle.HIGHEST_PROTOCOL).dump(states)
    return zlib.compress(told.getvalue(), 1)


def _loaded(state: bytes) -> list[dict[str, Any]] | None:
    """The states of parts; None where what was kept is damaged: then it is as if it were not there."""
    try:
        states: list[dict[str, Any]] = _States(io.BytesIO(zlib.decompress(state))).load()
    except (zlib.error, pickle.UnpicklingError, EOFError):
        return None
    return states


class _Dumped(pickle.Pickler):
    """Arrays of numbers as type, shape and bytes; flags as bits."""

    def persistent_id(self, value: Any) -> Any:
        if not isinstance(value, np.ndarray):
            return None
        told = np.packbits(value) if value.dtype == bool else np.ascontiguousarray(value)
        return value.dtype.str, value.shape, told.tobytes()


class _States(pickle.Unpickler):
    """Makes numbers, arrays of them and the plain data classes of the analysis, and nothing else: whoever can write into the database
    runs no code."""

    def persistent_load(self, told: Any) -> Any:
        try:
            kind, shape, values = told
            if np.dtype(kind) == bool:
                return np.unpackbits(np.frombuffer(values, np.uint8))[: math.prod(shape)].view(bool).reshape(shape)
            return np.frombuffer(values, kind).reshape(shape).copy()
        except (TypeError, ValueError) as error:
            raise pickle.UnpicklingError("it is no array of numbers") from error

    def find_class(self, module: str, name: str) -> Any:
        if module == "analytics.findings" or module.startswith("analytics.vehicle."):
            found = super().find_class(module, name)
            if isinstance(found, type) and is_dataclass(found):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} is no state of an analysis")
