"""Greases: which may meet in a reservoir, and which are too stiff for the weeks to come.

Whether thickeners mix is told by a published table: US Bureau of Reclamation, Facilities Instructions, Standards, and Techniques,
volume 2-4, Lubrication of Powerplant Equipment (November 1990), table 2. It is a guide only: oils and additives differ, too. A review of 21
such tables ("Contradictory Compatibility", October 2019) found them at odds over aluminium complex and lithium complex: 12
call that compatible, 4 borderline, 5 incompatible. Where sources differ, or say nothing, only the makers of both greases can tell.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final, Literal

from ingest.errors import Problem
from ingest.languages import later, tr
from ingest.times import DAY_US, instant

if TYPE_CHECKING:
    from ingest.arrays import Floats, Ints

THICKENERS: Final = (
    later("sodium"), later("aluminium complex"), later("barium"), later("calcium"), later("calcium complex"),
    later("clay"), later("lithium"), later("lithium complex"), later("polyurea"), later("calcium sulfonate"),
)  # fmt: skip
# Of each with itself and those after it: compatible, borderline, incompatible; calcium sulfonate is not in the table.
_TABLE: Final = ("CIIIIIIII", "CIIIIBCI", "CIIIIII", "CIIBCI", "CIIII", "BIII", "CCI", "CI", "C")
_WORDS: Final[Mapping[str, "Mixing"]] = {"C": "compatible", "B": "borderline", "I": "incompatible"}
_DIFFER: Final = frozenset({frozenset({"aluminium complex", "lithium complex"})})
_BORDERLINE: Final = later("{pair}: borderline by {source}. Do not mix them unproven: ask the makers of both.")
_INCOMPATIBLE: Final = later("{pair}: incompatible by {source}. Do not mix them unproven: ask the makers of both.")
_DIFFERS: Final = later("{pair}: published tables differ. Not proven to mix: ask the makers of both.")
_NOT_NAMED: Final = later(
    "{pair}: no published table known here names both. Not proven to mix: ask the makers of both."
)
Mixing = Literal["same", "compatible", "borderline", "incompatible", "sources differ", "not known"]
SOURCE: Final = "US Bureau of Reclamation, FIST 2-4 (1990), table 2"
AHEAD_WEEKS: Final = 26
_FEWEST_READINGS: Final = 20  # of a week, before anything is normal in it
_COLD: Final = 10  # percent of readings that are colder
_SOFTEST: Final = ("000", "00", "0", "1", "2", "3", "4", "5", "6")


@dataclass(frozen=True, kw_only=True)
class Grease:
    """One of the list: its thickener, grade, and the lowest temperature at which it can be pumped, by its data sheet."""

    name: str
    nlgi: str
    thickener: str
    lowest_c: float

    @property
    def called(self) -> str:
        """As set-ups call it: lithium EP, NLGI 2."""
        return f"{self.name}, NLGI {self.nlgi}"


def checked(grease: Grease) -> Grease:
    """The same. Raises Problem where it cannot be meant."""
    if not grease.name.strip() or len(grease.name) > 256:
        raise Problem("name the grease")
    if grease.nlgi not in _SOFTEST:
        raise Problem(f"nlgi: one of {', '.join(_SOFTEST)}")
    if grease.thickener not in THICKENERS:
        raise Problem(f"thickener: one of {', '.join(THICKENERS)}")
    if not -70 <= grease.lowest_c <= 30:
        raise Problem("lowest temperature: degrees Celsius from -70 to 30")
    return grease


def mixing(one: str, other: str) -> Mixing:
    """What is known of two thickeners that meet."""
    if one == other:
        return "same"
    if frozenset({one, other}) in _DIFFER:
        return "sources differ"
    a, b = sorted(THICKENERS.index(name) for name in (one, other))
    if b >= len(_TABLE):
        return "not known"
    return _WORDS[_TABLE[a][b - a]]


def warning(filled: Grease, held: Grease) -> str | None:
    """What to say where a grease was filled on another; None where nothing speaks against it."""
    told = mixing(filled.thickener, held.thickener)
    if told in ("same", "compatible"):
        return None
    pair = tr(
        "{filled} ({thickener}) on {held} ({held_thickener})",
        filled=filled.called, thickener=tr(filled.thickener), held=held.called, held_thickener=tr(held.thickener),
    )  # fmt: skip
    if told in ("incompatible", "borderline"):
        text = _BORDERLINE if told == "borderline" else _INCOMPATIBLE
        return tr(text, pair=pair, source=SOURCE)
    return tr(_DIFFERS if told == "sources differ" else _NOT_NAMED, pair=pair)


def cold_weeks(at_us: "Ints", temp_c: "Floats") -> dict[str, float]:
    """Week of the year (01 to 53, ISO 8601) -> temperature that a tenth of the readings (n,) lie below; of weeks with enough of them."""
    import numpy as np  # here, since who only lists greases needs none

    known = np.isfinite(temp_c)
    days, of_day = np.unique(at_us[known] // DAY_US, return_inverse=True)
    week = np.array([instant(int(day) * DAY_US).isocalendar().week for day in days], np.int64)[of_day]
    order = np.argsort(week, kind="stable")
    weeks, first = np.unique(week[order], return_index=True)
    by_week = np.split(temp_c[known][order], first[1:])
    return {
        f"{number:02d}": round(float(np.percentile(temps, _COLD)), 1)
        for number, temps in zip(weeks.tolist(), by_week, strict=False)
        if len(temps) >= _FEWEST_READINGS
    }


@dataclass(frozen=True, kw_only=True)
class Change:
    """A grease that is too stiff for a week to come (its Monday): how cold that is, how cold it gets until it is warm again, and which
    of the list can be pumped then and has the same thickener (None: none is known)."""

    held: Grease
    before: date
    low_c: float
    coldest_c: float
    instead: Grease | None


def change(held: Grease, lows_c: Mapping[str, float], greases: Sequence[Grease], today: date) -> Change | None:
    """Whether a grease has to be changed for the weeks to come, by the normal cold of each week; None where it fits all that are known."""
    mondays = [today - timedelta(days=today.weekday()) + timedelta(weeks=n) for n in range(AHEAD_WEEKS)]
    cold = [(monday, lows_c.get(f"{monday.isocalendar().week:02d}")) for monday in mondays]
    too_cold = [(monday, low) for monday, low in cold if low is not None and low < held.lowest_c]
    if not too_cold:
        return None
    coldest = min(low for _, low in too_cold)
    fit = [one for one in greases if one.thickener == held.thickener and one.lowest_c <= coldest]
    instead = max(
        fit, key=lambda one: (_SOFTEST.index(one.nlgi), one.called), default=None
    )  # the stiffest that still moves
    return Change(held=held, before=too_cold[0][0], low_c=too_cold[0][1], coldest_c=coldest, instead=instead)


def known_weeks(lows_c: Mapping[str, float], today: date) -> int:
    """Of how many of the weeks to come the normal cold is known."""
    return sum(f"{(today + timedelta(weeks=n)).isocalendar().week:02d}" in lows_c for n in range(AHEAD_WEEKS))
