"""Prints how well the answers fit the truth of a simulated fleet: `python -m tests.benchmarks.fleet_score --scenario bad-week`."""

import argparse
import sys
import tempfile
from pathlib import Path

from simulators.scenario import KINDS
from tests.helpers.score import Figures, figures


def show(told: Figures) -> None:
    """Print the figures as tables."""
    print(f"{'finding':20}{'truths':>8}{'recall':>8}{'precision':>11}{'median delay h':>16}")
    for kind in KINDS:
        if kind in told.truths or kind in told.true or kind in told.false:
            recall = f"{told.recall(kind):8.2f}" if kind in told.truths else f"{'-':>8}"
            precision = f"{told.precision(kind):11.2f}" if kind in told.true or kind in told.false else f"{'-':>11}"
            delay = f"{told.delay_h[kind]:16.1f}" if kind in told.delay_h else f"{'-':>16}"
            print(f"{kind:20}{told.truths.get(kind, 0):8}{recall}{precision}{delay}")
    print(f"{'all':20}{sum(told.truths.values()):8}{told.recall():8.2f}{told.precision():11.2f}")
    print(
        "\nvariants, found of all: " + ", ".join(f"{v} {hit}/{of}" for v, (of, hit) in sorted(told.by_variant.items()))
    )
    beside = sorted(told.false_beside.items(), key=lambda pair: -pair[1])
    print("false findings beside: " + (", ".join(f"{what} {n}" for what, n in beside) or "-"))
    print(f"false findings per 100 vehicle-months: {told.false_per_100_months:.1f}")
    print(f"open findings true on the day they are shown: {told.shown_right:.2f}")
    refills = told.refills
    print(
        f"refill dates: {refills.cases} cases, 10-90 % window holds {refills.coverage:.2f}, pinball loss {refills.pinball_days:.2f} d"
        f" (registered doses {refills.nominal_pinball_days:.2f} d, straight line {refills.straight_pinball_days:.2f} d)"
    )
    print(
        f"fills: recall {told.fill_recall:.3f}, precision {told.fill_precision:.3f}, median litre error {told.fill_litre_error:.1%}"
    )


def main() -> None:
    """Simulate, ask and score."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--scenario", default="demo")
    ask.add_argument("--seed", type=int)
    ask.add_argument("--as-in-life", action="store_true", help="at each date record only what had arrived by then")
    asked = ask.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        show(figures(Path(folder), asked.scenario, asked.seed, as_in_life=asked.as_in_life))
    sys.stdout.flush()


if __name__ == "__main__":
    main()
