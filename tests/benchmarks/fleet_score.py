"""Prints how well the answers fit the truth of a simulated fleet: `python -m tests.benchmarks.fleet_score --scenario bad-week`."""

import argparse
import sys
import tempfile
from pathlib import Path

from simulators.scenario import KINDS
from tests.helpers.score import Figures, figures


def show(told: Figures) -> None:
    """Print the figures as a table."""
    print(f"{'finding':20}{'truths':>8}{'recall':>8}{'precision':>11}{'median delay h':>16}")
    for kind in KINDS:
        if kind in told.truths or kind in told.precision:
            recall = f"{told.recall[kind]:8.2f}" if kind in told.recall else f"{'-':>8}"
            precision = f"{told.precision[kind]:11.2f}" if kind in told.precision else f"{'-':>11}"
            delay = f"{told.delay_h[kind]:16.1f}" if kind in told.delay_h else f"{'-':>16}"
            print(f"{kind:20}{told.truths.get(kind, 0):8}{recall}{precision}{delay}")
    print(f"false findings per 100 vehicle-months: {told.false_per_100_months:.1f}")
    print(
        f"refill dates: {told.refill_cases} cases, 10-90 % window holds {told.coverage:.2f}, pinball loss {told.pinball_days:.2f} d"
        f" (registered doses {told.nominal_pinball_days:.2f} d, straight line {told.straight_pinball_days:.2f} d)"
    )
    print(
        f"fills: recall {told.fill_recall:.3f}, precision {told.fill_precision:.3f}, median litre error {told.fill_litre_error:.1%}"
    )


def main() -> None:
    """Simulate, ask and score."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--scenario", default="demo")
    ask.add_argument("--seed", type=int)
    asked = ask.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        show(figures(Path(folder), asked.scenario, asked.seed))
    sys.stdout.flush()


if __name__ == "__main__":
    main()
