"""What concerns the pump as a whole: its grease, its timer, its cycles."""

from collections.abc import Mapping
from typing import Final

from analytics.kinds.kind import CLEAR, FILLING_PUMP, INSIDE, UNDER_PRESSURE, Check, Facts, Kind, as_ratio


def _starved_pump(facts: Facts) -> str:
    ratio = as_ratio(facts.evidence["ratio_to_expected"])
    return f"The pump has lost pressure on all channels ({ratio} times expected): air or an empty reservoir; fill and bleed."


def _missed_cycles(facts: Facts) -> str:
    e = facts.evidence
    return f"{e['missed']:.0f} of {e['expected']:.0f} cycles never ran although the ignition was on."


def _reservoir_loss(facts: Facts) -> str:
    used, expected = facts.evidence["cm3_per_cycle"], facts.evidence["expected_cm3_per_cycle"]
    return f"{used:.1f} cm3 leave the reservoir with each cycle instead of {expected:.1f} cm3: look for a leak."


def _under_delivery(facts: Facts) -> str:
    used, expected = facts.evidence["cm3_per_cycle"], facts.evidence["expected_cm3_per_cycle"]
    return f"Only {used:.1f} cm3 leave the reservoir with each cycle instead of {expected:.1f} cm3."


def _incomplete_cycles(facts: Facts) -> str:
    return f"{facts.evidence['count']:.0f} cycles were not complete: unconfirmed, too short or not vented."


def _timer_mismatch(facts: Facts) -> str:
    e, told = facts.evidence, []
    if "interval_min" in e:
        told.append(
            f"Cycles come every {e['interval_min']:.1f} min of ignition time; the set-up sheet says {e['registered_min']:g} min."
        )
    if "run_s" in e:
        told.append(f"Cycles run for {e['run_s']:.0f} s; the set-up sheet says {e['registered_run_s']:g} s.")
    return " ".join(told)


def _controller_fault(facts: Facts) -> str:
    e = facts.evidence
    if "supply_v" in e:
        return f"The supply sags to {e['supply_v']:.1f} V while the pump runs; {e['usual_v']:.1f} V are usual for this vehicle."
    what = {
        "motor_current": "that the motor's current is out of its range",
        "supply_low": "that its supply is low",
        "cycle_timeout": "that cycles do not end in their time",
        "pressure_high": "that the pressure is too high",
        "pressure_low": "that the pressure is too low",
    }[e["code"]]
    return f"The controller itself reports {what}, and nothing else explains it ({e['reports']:.0f} reports)."


PUMP_KINDS: Final[Mapping[str, Kind]] = {
    "starved_pump": Kind(
        importance=10,
        title="Pump starved",
        group="pump",
        severity="act_now",
        meaning="Pressure is lost on all channels together.",
        cause="There is air in the pump, mostly because the reservoir ran empty; more rarely the main line is off.",
        checks=(
            Check(
                f"Look at the grease in the reservoir, not only at the reading. {INSIDE}",
                "Empty or hollow in the middle: fill it. Full: look for air or a stiff grease at the pump's inlet.",
            ),
            Check(
                f"Open one outlet at the pump and run a cycle by the test button. {UNDER_PRESSURE} {CLEAR}",
                "Grease with bubbles: bleed until it comes without. Nothing at all: the pump runs without delivering, or cold"
                " grease blocks its inlet.",
            ),
            Check(
                f"Close up, and run two more cycles. {CLEAR}",
                "Pressure is back on every channel: it is mended; record that it was bled. Still nothing: follow the main line.",
            ),
        ),
        take=(
            FILLING_PUMP,
            "spanners for the pump outlets",
            "rags",
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
        title="Cycles missed",
        group="pump",
        severity="act_now",
        meaning="The ignition was on, but the pump did not run when its timer should have started it.",
        cause="A fuse, a plug or the supply; a motor or timer that has failed; or somebody switched the system off.",
        checks=(
            Check(
                f"Press the test button. {CLEAR}",
                "The pump runs: the timer does not start it; go to its setting and its ignition wire. It does not: go to the supply.",
            ),
            Check(
                f"Measure the voltage at the pump's plug while it should run. {CLEAR}",
                "None: fuse, plug or wire. About nominal: the motor. Well below nominal: a bad earth or a corroded plug.",
            ),
            Check(
                "With the battery isolated, look at the wires to pump and timer.",
                "Chafed or green: renew them, and tie them up.",
            ),
            Check("Ask whoever drives it.", "Switched off on purpose: find out why before it is switched on again."),
        ),
        take=("multimeter", "fuses of the size on the pump's plate", "contact cleaner, terminals and crimping tool"),
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
        title="Grease lost",
        group="pump",
        severity="plan",
        meaning="More grease leaves the reservoir than the cycles account for.",
        cause="A leak at the reservoir or the pump, a relief valve that does not shut, or a line broken close to the pump.",
        checks=(
            Check(
                "With the engine off, look for grease at the reservoir, its seal, the pump outlets and the relief valve.",
                "Grease at the valve: it opens too early or a line is blocked. At a seal or outlet: renew it.",
            ),
            Check(
                "Follow the first half metre of every line with your eyes, never with your hand.",
                "Grease on the frame: a line is broken before its element. Nothing: compare the doses with the set-up sheet.",
            ),
        ),
        take=("seal kit of the pump", "fittings for the outlets", "rags, to see fresh grease come"),
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
        title="Too little delivered",
        group="pump",
        severity="plan",
        meaning="Less grease leaves the reservoir than the cycles account for.",
        cause="Worn or starved pumping elements, a cavity in the grease, or doses that are set smaller than the sheet says.",
        checks=(
            Check(
                f"Measure what one outlet delivers in ten cycles, and compare with the line list. {UNDER_PRESSURE} {CLEAR}",
                "About as the sheet says: measure another one. Much less: the element is worn, or set smaller.",
            ),
            Check(
                f"Look at the grease and at the follower plate. {INSIDE}",
                "A hole down to the pump: stir it down, and ask whether the grease is too stiff for the weather.",
            ),
        ),
        take=("measuring cup or scales", "spare pumping element", "spanners for the pump outlets"),
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
        title="Cycles incomplete",
        group="pump",
        severity="plan",
        meaning="Cycles ran, but were not confirmed or were cut short, or the main line did not vent afterwards.",
        cause=(
            "A divider that does not move, a confirmation switch that has failed, a pump that is cut off early, or a vent valve that"
            " sticks."
        ),
        checks=(
            Check(
                f"Watch a cycle at the divider. {CLEAR}",
                "The indicator moves: the switch or its wire has failed. It does not: look for a blocked outlet or air.",
            ),
            Check(
                f"Time the pump. {CLEAR}",
                "It stops early: the timer's setting or the supply. It runs its full time: go on.",
            ),
            Check(
                f"On injector systems, read the main line's pressure when the pump has stopped. {CLEAR}",
                "It stays up: the vent valve sticks, or the grease is too stiff in the cold.",
            ),
        ),
        take=("watch", "multimeter", "gauge for the main line", "confirmation switch of the divider's type"),
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
        title="Timer differs",
        group="pump",
        severity="plan",
        meaning="Cycles come at another interval than the one on the set-up sheet, or run for another time.",
        cause="Somebody changed the timer, or the set-up sheet is out of date.",
        checks=(
            Check(
                "Read the timer's setting and compare it with the set-up sheet.",
                "The timer is wrong: set it, and record it. The sheet is wrong: correct it, and register the vehicle again.",
            ),
        ),
        take=("set-up sheet of this vehicle",),
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
        title="Controller reports a fault",
        group="pump",
        severity="plan",
        meaning="The controller keeps reporting a fault, or its supply sags, and no other finding explains it.",
        cause="A weak supply or a bad earth, a worn motor or one that runs against stiff grease, or one of the controller's own sensors.",
        checks=(
            Check(
                "Read the fault in the controller's own display or log.",
                "The code named here: go on. Another one: follow that. None: clear it and see whether it comes back.",
            ),
            Check(
                f"Measure the voltage at the pump's plug while it runs. {CLEAR}",
                "Well below nominal: battery, plug, wire or earth. About nominal: go on.",
            ),
            Check(
                f"Measure the motor's current while it runs, and compare it with the pump's plate. {CLEAR}",
                "Too high: stiff grease, a blocked line or a worn motor. Too low: it delivers nothing. As on the plate: the controller.",
            ),
        ),
        take=(
            "multimeter with a current clamp",
            "contact cleaner, terminals and crimping tool",
            "fuses of the size on the plate",
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
