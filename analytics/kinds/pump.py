"""What concerns the pump as a whole: its grease, its timer, its cycles."""

from collections.abc import Mapping
from typing import Final

from analytics.kinds.kind import CLEAR, FILLING_PUMP, INSIDE, UNDER_PRESSURE, Check, Facts, Kind, as_ratio
from ingest.languages import later
from ingest.languages.saying import Said, number, say


def _starved_pump(facts: Facts) -> Said:
    ratio = as_ratio(facts.evidence["ratio_to_expected"])
    return say(
        "The pump has lost pressure on all channels ({ratio} times expected): air or an empty reservoir; fill and bleed.", ratio=ratio
    )  # fmt: skip


def _missed_cycles(facts: Facts) -> Said:
    told = {name: number(facts.evidence[name], 0) for name in ("missed", "expected")}
    return say("{missed} of {expected} cycles never ran although the ignition was on.", **told)


def _reservoir_loss(facts: Facts) -> Said:
    e = facts.evidence
    return say(
        "{used} cm3 leave the reservoir with each cycle instead of {expected} cm3: look for a leak.",
        used=number(e["cm3_per_cycle"], 1), expected=number(e["expected_cm3_per_cycle"], 1),
    )  # fmt: skip


def _under_delivery(facts: Facts) -> Said:
    e = facts.evidence
    return say(
        "Only {used} cm3 leave the reservoir with each cycle instead of {expected} cm3.",
        used=number(e["cm3_per_cycle"], 1), expected=number(e["expected_cm3_per_cycle"], 1),
    )  # fmt: skip


def _incomplete_cycles(facts: Facts) -> Said:
    count = number(facts.evidence["count"], 0)
    return say("{count} cycles were not complete: unconfirmed, too short or not vented.", count=count)


def _timer_mismatch(facts: Facts) -> Said:
    e = facts.evidence
    interval = run = None
    if "interval_min" in e:
        interval = say(
            "Cycles come every {seen} min of ignition time; the set-up sheet says {registered} min.",
            seen=number(e["interval_min"], 1), registered=number(e["registered_min"]),
        )  # fmt: skip
    if "run_s" in e:
        run = say(
            "Cycles run for {seen} s; the set-up sheet says {registered} s.",
            seen=number(e["run_s"], 0), registered=number(e["registered_run_s"]),
        )  # fmt: skip
    return run or Said("", []) if interval is None else interval.then(run)


def _controller_fault(facts: Facts) -> Said:
    e = facts.evidence
    if "supply_v" in e:
        return say(
            "The supply sags to {lowest} V while the pump runs; {usual} V are usual for this vehicle.",
            lowest=number(e["supply_v"], 1), usual=number(e["usual_v"], 1),
        )  # fmt: skip
    return say(_REPORTS[e["code"]], reports=number(e["reports"], 0))


_REPORTS: Final = {
    "motor_current": later(
        "The controller itself reports that the motor's current is out of its range, and nothing else explains it ({reports} reports)."
    ),
    "supply_low": later("The controller itself reports that its supply is low, and nothing else explains it ({reports} reports)."),
    "cycle_timeout": later(
        "The controller itself reports that cycles do not end in their time, and nothing else explains it ({reports} reports)."
    ),
    "pressure_high": later(
        "The controller itself reports that the pressure is too high, and nothing else explains it ({reports} reports)."
    ),
    "pressure_low": later("The controller itself reports that the pressure is too low, and nothing else explains it ({reports} reports)."),
}  # fmt: skip


PUMP_KINDS: Final[Mapping[str, Kind]] = {
    "starved_pump": Kind(
        importance=10,
        title=later("Pump starved"),
        group="pump",
        severity="act_now",
        meaning=later("Pressure is lost on all channels together."),
        cause=later(
            "There is air in the pump, mostly because the reservoir ran empty; more rarely the main line is off."
        ),
        checks=(
            Check(
                later("Look at the grease in the reservoir, not only at the reading."),
                later(
                    "Empty or hollow in the middle: fill it. Full: look for air or a stiff grease at the pump's inlet."
                ),
                hurts=(INSIDE,),
            ),
            Check(
                later("Open one outlet at the pump and run a cycle by the test button."),
                later(
                    "Grease with bubbles: bleed until it comes without. Nothing at all: the pump runs without delivering, or cold"
                    " grease blocks its inlet."
                ),
                hurts=(UNDER_PRESSURE, CLEAR),
            ),
            Check(
                later("Close up, and run two more cycles."),
                later(
                    "Pressure is back on every channel: it is mended; record that it was bled. Still nothing: follow the main line."
                ),
                hurts=(CLEAR,),
            ),
        ),
        take=(
            FILLING_PUMP,
            later("spanners for the pump outlets"),
            later("rags"),
        ),
        fills=True,
        minutes=45,
        of_a_channel=False,
        dries=True,
        follows_from=(),
        hides=("open_line", "under_delivery", "incomplete_cycles", "level_sensor"),
        on_delay_h=0.0,
        off_delay_h=1.0,
        answered_by=("bled",),
        proven_by_cycles=True,
        controller_codes=("pressure_low", "cycle_timeout"),
        sentence=_starved_pump,
    ),
    "missed_cycles": Kind(
        importance=20,
        evidence=("missed", "expected"),
        title=later("Cycles missed"),
        group="pump",
        severity="act_now",
        meaning=later("The ignition was on, but the pump did not run when its timer should have started it."),
        cause=later(
            "A fuse, a plug or the supply; a motor or timer that has failed; or somebody switched the system off."
        ),
        checks=(
            Check(
                later("Press the test button."),
                later(
                    "The pump runs: the timer does not start it; go to its setting and its ignition wire. It does not: go to the supply."
                ),
                hurts=(CLEAR,),
            ),
            Check(
                later("Measure the voltage at the pump's plug while it should run."),
                later(
                    "None: fuse, plug or wire. About nominal: the motor. Well below nominal: a bad earth or a corroded plug."
                ),
                hurts=(CLEAR,),
            ),
            Check(
                later("With the battery isolated, look at the wires to pump and timer."),
                later("Chafed or green: renew them, and tie them up."),
            ),
            Check(
                later("Ask whoever drives it."),
                later("Switched off on purpose: find out why before it is switched on again."),
            ),
        ),
        take=(
            later("multimeter"),
            later("fuses of the size on the pump's plate"),
            later("contact cleaner, terminals and crimping tool"),
        ),
        fills=False,
        minutes=40,
        of_a_channel=False,
        dries=True,
        follows_from=(),
        hides=("under_delivery", "level_sensor", "timer_mismatch"),
        on_delay_h=0.0,
        off_delay_h=1.0,
        answered_by=("controller_swapped",),
        proven_by_cycles=True,
        controller_codes=("motor_current", "supply_low"),
        sentence=_missed_cycles,
    ),
    "reservoir_loss": Kind(
        importance=60,
        evidence=("cm3_per_cycle", "expected_cm3_per_cycle"),
        title=later("Grease lost"),
        group="pump",
        severity="plan",
        meaning=later("More grease leaves the reservoir than the cycles account for."),
        cause=later(
            "A leak at the reservoir or the pump, a relief valve that does not shut, or a line broken close to the pump."
        ),
        checks=(
            Check(
                later(
                    "With the engine off, look for grease at the reservoir, its seal, the pump outlets and the relief valve."
                ),
                later("Grease at the valve: it opens too early or a line is blocked. At a seal or outlet: renew it."),
            ),
            Check(
                later("Follow the first half metre of every line with your eyes, never with your hand."),
                later(
                    "Grease on the frame: a line is broken before its element. Nothing: compare the doses with the set-up sheet."
                ),
            ),
        ),
        take=(
            later("seal kit of the pump"),
            later("fittings for the outlets"),
            later("rags, to see fresh grease come"),
        ),
        fills=False,
        minutes=45,
        of_a_channel=False,
        dries=False,
        follows_from=("level_sensor", "starved_pump"),
        hides=(),
        on_delay_h=0.0,
        off_delay_h=1.0,
        answered_by=(),
        proven_by_cycles=False,
        controller_codes=(),
        sentence=_reservoir_loss,
    ),
    "under_delivery": Kind(
        importance=70,
        evidence=("cm3_per_cycle", "expected_cm3_per_cycle"),
        title=later("Too little delivered"),
        group="pump",
        severity="plan",
        meaning=later("Less grease leaves the reservoir than the cycles account for."),
        cause=later(
            "Worn or starved pumping elements, a cavity in the grease, or doses that are set smaller than the sheet says."
        ),
        checks=(
            Check(
                later("Measure what one outlet delivers in ten cycles, and compare with the line list."),
                later("About as the sheet says: measure another one. Much less: the element is worn, or set smaller."),
                hurts=(UNDER_PRESSURE, CLEAR),
            ),
            Check(
                later("Look at the grease and at the follower plate."),
                later(
                    "A hole down to the pump: stir it down, and ask whether the grease is too stiff for the weather."
                ),
                hurts=(INSIDE,),
            ),
        ),
        take=(later("measuring cup or scales"), later("spare pumping element"), later("spanners for the pump outlets")),
        fills=False,
        minutes=60,
        of_a_channel=False,
        dries=False,
        follows_from=("starved_pump", "incomplete_cycles", "level_sensor", "blocked_line"),
        hides=(),
        on_delay_h=0.0,
        off_delay_h=1.0,
        answered_by=(),
        proven_by_cycles=False,
        controller_codes=(),
        sentence=_under_delivery,
    ),
    "incomplete_cycles": Kind(
        importance=80,
        evidence=("count",),
        title=later("Cycles incomplete"),
        group="pump",
        severity="plan",
        meaning=later(
            "Cycles ran, but were not confirmed or were cut short, or the main line did not vent afterwards."
        ),
        cause=(
            later(
                "A divider that does not move, a confirmation switch that has failed, a pump that is cut off early, or a vent valve that"
                " sticks."
            )
        ),
        checks=(
            Check(
                later("Watch a cycle at the divider."),
                later(
                    "The indicator moves: the switch or its wire has failed. It does not: look for a blocked outlet or air."
                ),
                hurts=(CLEAR,),
            ),
            Check(
                later("Time the pump."),
                later("It stops early: the timer's setting or the supply. It runs its full time: go on."),
                hurts=(CLEAR,),
            ),
            Check(
                later("On injector systems, read the main line's pressure when the pump has stopped."),
                later("It stays up: the vent valve sticks, or the grease is too stiff in the cold."),
                hurts=(CLEAR,),
            ),
        ),
        take=(
            later("watch"),
            later("multimeter"),
            later("gauge for the main line"),
            later("confirmation switch of the divider's type"),
        ),
        fills=False,
        minutes=45,
        of_a_channel=False,
        dries=True,
        follows_from=("starved_pump",),
        hides=("under_delivery",),
        on_delay_h=0.0,
        off_delay_h=1.0,
        answered_by=(),
        proven_by_cycles=False,
        controller_codes=("cycle_timeout",),
        sentence=_incomplete_cycles,
    ),
    "timer_mismatch": Kind(
        importance=90,
        evidence=("interval_min", "run_s"),
        title=later("Timer differs"),
        group="pump",
        severity="plan",
        meaning=later("Cycles come at another interval than the one on the set-up sheet, or run for another time."),
        cause=later("Somebody changed the timer, or the set-up sheet is out of date."),
        checks=(
            Check(
                later("Read the timer's setting and compare it with the set-up sheet."),
                later(
                    "The timer is wrong: set it, and record it. The sheet is wrong: correct it, and register the vehicle again."
                ),
            ),
        ),
        take=(later("set-up sheet of this vehicle"),),
        fills=False,
        minutes=15,
        of_a_channel=False,
        dries=False,
        follows_from=("missed_cycles",),
        hides=(),
        on_delay_h=0.0,
        off_delay_h=1.0,
        answered_by=("timer_set",),
        proven_by_cycles=True,
        controller_codes=(),
        sentence=_timer_mismatch,
    ),
    "controller_fault": Kind(
        importance=95,
        evidence=("code",),
        title=later("Controller reports a fault"),
        group="pump",
        severity="plan",
        meaning=later("The controller keeps reporting a fault, or its supply sags, and no other finding explains it."),
        cause=later(
            "A weak supply or a bad earth, a worn motor or one that runs against stiff grease, or one of the controller's own sensors."
        ),
        checks=(
            Check(
                later("Read the fault in the controller's own display or log."),
                later(
                    "The code named here: go on. Another one: follow that. None: clear it and see whether it comes back."
                ),
            ),
            Check(
                later("Measure the voltage at the pump's plug while it runs."),
                later("Well below nominal: battery, plug, wire or earth. About nominal: go on."),
                hurts=(CLEAR,),
            ),
            Check(
                later("Measure the motor's current while it runs, and compare it with the pump's plate."),
                later(
                    "Too high: stiff grease, a blocked line or a worn motor. Too low: it delivers nothing. As on the plate: the controller."
                ),
                hurts=(CLEAR,),
            ),
        ),
        take=(
            later("multimeter with a current clamp"),
            later("contact cleaner, terminals and crimping tool"),
            later("fuses of the size on the plate"),
        ),
        fills=False,
        minutes=45,
        of_a_channel=False,
        dries=False,
        follows_from=("missed_cycles", "incomplete_cycles", "starved_pump", "blocked_line"),
        hides=(),
        on_delay_h=0.0,
        off_delay_h=6.0,
        answered_by=("controller_swapped",),
        proven_by_cycles=False,
        controller_codes=("motor_current", "supply_low", "cycle_timeout", "pressure_high", "pressure_low"),
        sentence=_controller_fault,
    ),
}
