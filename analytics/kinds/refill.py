"""What concerns the level of the grease: low, overfilled, a refill due."""

from collections.abc import Mapping
from typing import Final

from analytics.kinds.kind import CLEAR, FILLING_PUMP, INSIDE, REFILL_DUE, WATCH_THE_LEVEL, Check, Facts, Kind


def _low_level(facts: Facts) -> str:
    e = facts.evidence
    mark = facts.setup.low_mark_pct
    if "by_switch" in e:
        return (
            f"The low-level switch says that the grease is down to the low mark, {mark:g} %. Fill before air gets in."
        )
    return f"The level is at {e['level_pct']:.0f} %; the low mark is {mark:g} %. Fill before air gets in."


def _overfill(facts: Facts) -> str:
    return f"The reservoir is filled to {facts.evidence['level_pct']:.0f} %, above its full mark."


REFILL_KINDS: Final[Mapping[str, Kind]] = {
    "low_level": Kind(
        importance=30,
        title="Reservoir low",
        group="refill",
        severity="act_now",
        meaning="The grease is at or below the low mark.",
        cause="It was used and not refilled, or grease is lost. If the pump draws air, the system must be bled.",
        checks=(
            Check(
                f"Wipe the filling fitting clean, then fill to the full mark with the grease of the set-up. {WATCH_THE_LEVEL}",
                "Filled: record the litres. It needs much more or less than the reading said: check the level sensor.",
            ),
            Check(
                f"Run a cycle by the test button and look at the pressures. {CLEAR}",
                "As before: done. Low on all channels: air came in; bleed the outlets.",
            ),
        ),
        take=(FILLING_PUMP, "rags"),
        fills=True,
        minutes=20,
        of_a_channel=False,
        dries=False,
        follows_from=("level_sensor",),
        hides=("open_line", "under_delivery", REFILL_DUE),
        on_delay_h=0.0,
        off_delay_h=1.0,
        answered_by=("filled",),
        proven_by_cycles=False,
        controller_codes=("level_low",),
        sentence=_low_level,
    ),
    "overfill": Kind(
        importance=100,
        title="Overfilled",
        group="refill",
        severity="note",
        meaning="The grease stands above the full mark.",
        cause="Too much was filled in; it comes out at the vent, or passes the follower plate.",
        checks=(
            Check(
                f"Look at the vent and at the follower plate. {INSIDE}",
                "Clean: leave it; it goes down with the cycles. Grease there: wipe it off, and stop at the mark next time.",
            ),
        ),
        take=("rags",),
        fills=False,
        minutes=10,
        of_a_channel=False,
        dries=False,
        follows_from=("level_sensor",),
        hides=(),
        on_delay_h=6.0,
        off_delay_h=1.0,
        answered_by=(),
        proven_by_cycles=False,
        controller_codes=(),
        sentence=_overfill,
    ),
}

# The refill is no finding, but an alarm like them.
REFILL_DUE_KIND: Final = Kind(
    importance=150,
    title="Refill due",
    group="refill",
    severity="plan",
    meaning="The reservoir reaches its low mark soon.",
    cause="Grease is used as it should be.",
    checks=(
        Check(
            f"Wipe the filling fitting clean, then fill to the full mark with the grease of the set-up. {WATCH_THE_LEVEL}",
            "Filled: record the litres. It needs much more or less than was said: check the level sensor.",
        ),
    ),
    take=(FILLING_PUMP, "rags"),
    fills=True,
    minutes=15,
    of_a_channel=False,
    dries=False,
    follows_from=(),
    hides=(),
    on_delay_h=0.0,
    off_delay_h=0.0,
    answered_by=("filled",),
    proven_by_cycles=False,
    controller_codes=(),
    sentence=None,  # it speaks of a forecast: `alarms.refill_due`
)
