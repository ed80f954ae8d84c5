"""How often findings were true, by what people found."""

from typing import Any

import pytest

from analytics.account.found import LATEST, SET_RIGHT, Verdict, causes, in_vain, sentence, tallies
from analytics.kinds import FINDING_KINDS
from analytics.statistics.rates import share
from ingest.times import DAY_US

NOW_US = 2_000 * DAY_US


def verdict(
    found: Any, days_ago: float = 1.0, vehicle: int = 1, kind: str = "blocked_line", cause: str | None = None
) -> Verdict:
    """What somebody found."""
    return Verdict(
        vehicle_id=vehicle, fleet="f", vehicle=f"v{vehicle}", unit=f"unit {vehicle}", vehicle_class="truck" if vehicle < 5 else "loader",
        kind=kind, at_us=NOW_US - int(days_ago * DAY_US), found=found, cause=cause,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0000, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_exact_limits_are_the_published_ones(hits: int, of: int, low: float, high: float) -> None:
    """Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, the Clopper-Pearson method (figures from memory)."""
    told = share(hits, of)
    assert (told.ci_low, told.ci_high) == (pytest.approx(low, abs=6e-5), pytest.approx(high, abs=6e-5))


def test_only_the_latest_count() -> None:
    """Fifty of a kind: the ten oldest, all nothing, no longer do. Of the last 40, 37 were so, 2 something else, 1 nothing."""
    said = [verdict("nothing", 300 + n) for n in range(10)]
    said += [verdict(f, 10 + n) for n, f in enumerate(["nothing", "other_cause", "other_cause", *["as_told"] * 37])]
    (told,) = tallies(said)
    assert (told.true.hits, told.true.of, told.other_cause, told.nothing) == (37, LATEST, 2, 1)
    assert sentence(told) == (
        "Of the last 40 of this kind that somebody looked at, 37 were as told, 2 had another cause, 1 was nothing"
        " (95 % limits of being as told: 80 to 98 %)."
    )


def test_by_kind_and_class() -> None:
    """In the order of the kinds; one alone has wide limits."""
    told = tallies(
        [verdict("as_told", kind="silent"), verdict("as_told"), verdict("nothing", vehicle=7)],
        lambda v: v.vehicle_class,
    )
    assert [(one.kind, one.group, one.true.hits, one.true.of) for one in told] == sorted(
        [("blocked_line", "loader", 0, 1), ("blocked_line", "truck", 1, 1), ("silent", "truck", 1, 1)],
        key=lambda row: (list(FINDING_KINDS).index(row[0]), row[1]),
    )
    assert sentence(told[0]).startswith("Of the one of this kind that somebody looked at")


def test_who_was_sent_in_vain_is_told_with_what_to_set() -> None:
    """Twice on one vehicle, or on two vehicles of a kind; once is chance, and what lies longer back than a year is another time."""
    assert not in_vain([verdict("nothing")], NOW_US)
    assert not in_vain([verdict("nothing"), verdict("nothing", 400)], NOW_US)
    assert not in_vain([verdict("nothing"), verdict("other_cause"), verdict("as_told")], NOW_US)
    (told,) = in_vain([verdict("nothing"), verdict("nothing", 30)], NOW_US)
    assert told.vehicle is not None
    assert (told.vehicle.vehicle, told.times, told.set_right) == ("v1", 2, SET_RIGHT["blocked_line"])
    (told,) = in_vain([verdict("nothing"), verdict("nothing", vehicle=2)], NOW_US)
    assert (told.vehicle, told.kind, told.times) == (None, "blocked_line", 2)


def test_every_kind_has_something_to_set_right() -> None:
    """A new kind of finding needs its sentence."""
    assert set(SET_RIGHT) == set(FINDING_KINDS)


def test_causes_are_counted_however_they_are_written() -> None:
    """Case and spaces apart; those of findings that were true are not asked for."""
    said = [verdict("other_cause", cause="Tube  crushed"), verdict("other_cause", cause="tube crushed"),
            verdict("other_cause", kind="silent", cause="fuse"), verdict("as_told", cause="x")]  # fmt: skip
    assert causes(said) == [("blocked_line", "Tube crushed", 2), ("silent", "fuse", 1)]
