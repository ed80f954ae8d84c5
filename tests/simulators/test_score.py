"""The whole program against the truth of simulated fleets: floors that no change may fall through."""

from pathlib import Path

import pytest

from tests.helpers.score import figures


@pytest.mark.long
def test_the_demo_fleet(tmp_path: Path) -> None:
    """Everything that breaks is found; hardly anything else is."""
    told = figures(tmp_path, "demo", None)
    assert len(told.truths) == 13
    assert min(told.recall(kind) for kind in told.truths) >= 0.8
    assert told.recall() >= 0.95
    assert told.false_per_100_months <= 3
    assert 0.72 <= told.refills.coverage <= 0.95
    assert told.refills.pinball_days <= 0.8 * told.refills.nominal_pinball_days
    assert told.refills.pinball_days <= 0.6 * told.refills.straight_pinball_days
    assert told.fill_recall >= 0.97
    assert told.fill_precision >= 0.97
    assert told.fill_litre_error <= 0.04


@pytest.mark.long
def test_a_quiet_fleet(tmp_path: Path) -> None:
    """Cold snaps, another grade, long parks, radio gaps, new controllers and wrong clocks are no faults."""
    told = figures(tmp_path, "quiet", None)
    assert set(told.truths) <= {"low_level"}
    assert told.false_per_100_months <= 3


@pytest.mark.long
def test_a_bad_week(tmp_path: Path) -> None:
    """Much at once, in the cold."""
    told = figures(tmp_path, "bad-week", None)
    assert told.recall() >= 0.9
    assert told.false_per_100_months <= 8  # 24 vehicle-months: one is 4


def test_a_worn_fleet(tmp_path: Path) -> None:
    """Faults that creep, sensors and meters that are coarse or fail, work out of coverage: asked when only what had arrived is known."""
    told = figures(tmp_path, "worn", None, as_in_life=True)
    assert told.recall() >= 0.95
    assert told.precision() >= 0.88
    assert told.recall("blocked_line", "open_line", "controller_fault", "timer_mismatch", "silent") == 1.0
    assert told.false_per_100_months <= 3
    assert told.shown_right >= 0.88
    assert 0.76 <= told.refills.coverage <= 0.88
    assert told.refills.pinball_days <= 0.6 * told.refills.nominal_pinball_days
    assert told.fill_recall >= 0.94
    assert told.fill_precision >= 0.94
    assert told.fill_litre_error <= 0.03
