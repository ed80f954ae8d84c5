"""Greases: the published table, and the cold of weeks to come by hand."""

from datetime import date

import numpy as np
import pytest

from analytics.planning.greases import THICKENERS, Grease, change, checked, cold_weeks, known_weeks, mixing, warning
from ingest.errors import Problem
from ingest.times import DAY_US, read_time

# US Bureau of Reclamation, FIST 2-4 (1990), table 2, row by row as printed, its columns in the order of the rows.
PRINTED = {
    "sodium": "CIIIIIIII", "aluminium complex": "ICIIIIBCI", "barium": "IICIIIIII", "calcium": "IIICIIBCI",
    "calcium complex": "IIIICIIII", "clay": "IIIIIBIII", "lithium": "IBIBIICCI", "lithium complex": "ICICIICCI", "polyurea": "IIIIIIIIC",
}  # fmt: skip
WORDS = {"C": "compatible", "B": "borderline", "I": "incompatible"}


def test_thickeners_mix_as_the_published_table_says() -> None:
    """Every pair of it, both ways round; two of one kind are the same; where another source differs, and where it says nothing,
    nothing is told."""
    for one, row in PRINTED.items():
        for other, letter in zip(PRINTED, row, strict=True):
            expected = WORDS[letter]
            if one == other:
                expected = "same"
            elif {one, other} == {"aluminium complex", "lithium complex"}:
                expected = "sources differ"
            assert mixing(one, other) == mixing(other, one) == expected, (one, other)
    assert mixing("calcium sulfonate", "lithium") == "not known"
    assert set(THICKENERS) == {*PRINTED, "calcium sulfonate"}


def grease(nlgi: str, lowest_c: float, thickener: str = "lithium", name: str = "EP") -> Grease:
    return Grease(name=name, nlgi=nlgi, thickener=thickener, lowest_c=lowest_c)


def test_what_is_not_proven_to_mix_is_warned_of() -> None:
    """With what to do: nothing of two lithium greases."""
    assert warning(grease("1", -30), grease("2", -20)) is None
    assert warning(grease("1", -30, "lithium complex"), grease("2", -20)) is None
    assert "incompatible" in (warning(grease("1", -30, "polyurea"), grease("2", -20)) or "")
    for said in (warning(grease("1", -30, "calcium sulfonate"), grease("2", -20)),
                 warning(grease("1", -30, "lithium complex"), grease("2", -20, "aluminium complex"))):  # fmt: skip
        assert said is not None
        assert "ask the makers of both" in said


def test_cold_of_a_week_is_what_a_tenth_lies_below() -> None:
    """Readings of -20 to 20 in steps of one in week 3 of two years: a tenth lie below -16; of a week with few readings nothing is known."""
    first = read_time("2025-01-13T00:00:00Z")
    at = np.r_[
        first + np.arange(41) * DAY_US // 10,
        read_time("2026-01-12T06:00:00Z") + np.arange(41) * DAY_US // 10,
        [first + 30 * DAY_US],
    ]
    told = cold_weeks(at.astype(np.int64), np.r_[np.arange(-20.0, 21.0), np.arange(-20.0, 21.0), 5.0])
    assert told == {"03": pytest.approx(-16.0, abs=0.2)}


def test_a_grease_is_changed_before_it_gets_too_cold() -> None:
    """From 2 November (week 45) on: week 49 has -18, week 51 -24. NLGI 2 moves down to -15: before 30 November, and NLGI 1 that moves
    down to -25 is the stiffest of its thickener that will do; where none will, none is named."""
    today, lows = date(2026, 11, 4), {"45": -5.0, "47": -14.0, "49": -18.0, "51": -24.0}
    held, one = grease("2", -15), grease("1", -25)
    listed = [held, one, grease("0", -35), grease("2", -40, "calcium sulfonate")]
    told = change(held, lows, listed, today)
    assert told is not None
    assert (told.before, told.low_c, told.coldest_c, told.instead) == (date(2026, 11, 30), -18.0, -24.0, one)
    without = change(held, lows, [held], today)
    assert without is not None
    assert without.instead is None
    assert change(one, lows, listed, today) is None
    assert change(held, {}, listed, today) is None  # nothing is known: nothing is told, and that is said
    assert known_weeks(lows, today) == 4


@pytest.mark.parametrize(
    "wrong", [{"name": " "}, {"nlgi": "7"}, {"thickener": "soap"}, {"lowest_c": 80.0}, {"lowest_c": float("nan")}]
)
def test_what_cannot_be_meant_is_refused(wrong: dict[str, object]) -> None:
    """Each is named."""
    with pytest.raises(Problem):
        checked(Grease(**vars(grease("2", -20)) | wrong))
