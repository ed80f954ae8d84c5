"""What concerns the level of the grease: low, overfilled, a refill due."""

from collections.abc import Mapping
from typing import Final

from analytics.kinds.kind import CLEAR, FILLING_PUMP, INSIDE, REFILL_DUE, WATCH_THE_LEVEL, Check, Facts, Kind
from ingest.languages import later
from ingest.languages.saying import Said, number, say


def _low_level(facts: Facts) -> Said:
    e, mark = facts.evidence, number(facts.setup.low_mark_pct)
    if "by_switch" in e:
        return say(
            "The low-level switch says that the grease is down to the low mark, {mark} %. Fill before air gets in.",
            mark=mark,
        )
    return say(
        "The level is at {level} %; the low mark is {mark} %. Fill before air gets in.",
        level=number(e["level_pct"], 0),
        mark=mark,
    )


def _overfill(facts: Facts) -> Said:
    return say(
        "The reservoir is filled to {level} %, above its full mark.", level=number(facts.evidence["level_pct"], 0)
    )


REFILL_KINDS: Final[Mapping[str, Kind]] = {
    "low_level": Kind(
        importance=30,
        evidence=("level_pct",),
        title=later("Reservoir low"),
        group="refill",
        severity="act_now",
        meaning=later("The grease is at or below the low mark."),
        cause=later("It was used and not refilled, or grease is lost. If the pump draws air, the system must be bled."),
        checks=(
            Check(
                later("Wipe the filling fitting clean, then fill to the full mark with the grease of the set-up."),
                later(
                    "Filled: record the litres. It needs much more or less than the reading said: check the level sensor."
                ),
                hurts=(WATCH_THE_LEVEL,),
            ),
            Check(
                later("Run a cycle by the test button and look at the pressures."),
                later("As before: done. Low on all channels: air came in; bleed the outlets."),
                hurts=(CLEAR,),
            ),
        ),
        take=(FILLING_PUMP, later("rags")),
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
        evidence=("level_pct",),
        title=later("Overfilled"),
        group="refill",
        severity="note",
        meaning=later("The grease stands above the full mark."),
        cause=later("Too much was filled in; it comes out at the vent, or passes the follower plate."),
        checks=(
            Check(
                later("Look at the vent and at the follower plate."),
                later(
                    "Clean: leave it; it goes down with the cycles. Grease there: wipe it off, and stop at the mark next time."
                ),
                hurts=(INSIDE,),
            ),
        ),
        take=(later("rags"),),
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
    title=later("Refill due"),
    group="refill",
    severity="plan",
    meaning=later("The reservoir reaches its low mark soon."),
    cause=later("Grease is used as it should be."),
    checks=(
        Check(
            later("Wipe the filling fitting clean, then fill to the full mark with the grease of the set-up."),
            later("Filled: record the litres. It needs much more or less than was said: check the level sensor."),
            hurts=(WATCH_THE_LEVEL,),
        ),
    ),
    take=(FILLING_PUMP, later("rags")),
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
