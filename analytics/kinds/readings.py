"""What concerns the readings themselves."""

from collections.abc import Mapping
from typing import Final

from analytics.kinds.kind import CLEAR, INSIDE, UNDER_PRESSURE, Check, Facts, Kind

_AS_BAR: Final = 20  # and more is a pressure that grease takes, were it bar


def _level_sensor(facts: Facts) -> str:
    e = facts.evidence
    if "stuck_pct" in e:
        return f"The level reading has stayed at {e['stuck_pct']:g} % although cycles used grease."
    if "read_high_pct" in e:
        return f"The level reading rose by {e['read_high_pct']:.0f} points at once and later fell back by as many: nothing was filled in."
    if "stepped_pct" in e:
        way = "high" if e["stepped_pct"] > 0 else "low"
        return (
            f"The level reading stepped by {abs(e['stepped_pct']):.0f} points at once and full reservoirs read {way} by as many since;"
            " the level is put right by that."
        )
    if "drifted_pct" in e:
        return f"Full reservoirs read higher and higher, by now {e['drifted_pct']:.0f} points; the level is put right by that."
    if "reading_pct" in e:
        return f"The level reading fell to {e['reading_pct']:g} % at once and cannot be true."
    return f"No level reading came for {e.get('missing_h', 0):.0f} ignition hours while the rest went on."


def _pressure_sensor(facts: Facts) -> str:
    if "no_pressure_kpa" in facts.evidence:
        in_bar = facts.evidence["no_pressure_kpa"] >= _AS_BAR
        why = (
            "the line was never connected, or its readings are in bar" if in_bar else "or the line was never connected"
        )
        return f"{facts.where} has shown no pressure since it was first heard: the sensor is dead, {why}."
    return f"The pressure reading of {facts.where[0].lower() + facts.where[1:]} is stuck, missing or impossible."


def _silent(facts: Facts) -> str:
    if "never_heard" in facts.evidence:
        return "It was never heard, a week and more after it was commissioned and registered."
    return f"Nothing was heard for {facts.evidence['silent_h'] / 24:.1f} days, longer than its ordinary stops."


READINGS_KINDS: Final[Mapping[str, Kind]] = {
    "level_sensor": Kind(
        importance=110,
        title="Level sensor",
        group="readings",
        severity="plan",
        meaning="The level reading is stuck, missing, impossible or off; until it is mended, refill dates are worked out from counted"
        " cycles, or from the reading put right.",
        cause="A plug or wire, or the sensor itself; a follower plate that is caught.",
        checks=(
            Check(
                f"Compare the reading with the grease in the reservoir. {INSIDE}",
                "They agree: the reading was right; record that. They do not: go on.",
            ),
            Check(
                "Look at plug and wire, and move them while somebody watches the reading.",
                "It jumps: renew the plug. It does not: renew the sensor, and record it.",
            ),
        ),
        take=("level sensor of this reservoir", "contact cleaner", "multimeter"),
        fills=False,
        minutes=30,
        of_a_channel=False,
        dries=False,
        follows_from=("starved_pump",),
        hides=(),
        on_delay_h=12.0,
        off_delay_h=6.0,
        answered_by=("sensor_replaced",),
        proven_by_cycles=True,
        controller_codes=("sensor_open",),
        sentence=_level_sensor,
    ),
    "pressure_sensor": Kind(
        importance=120,
        title="Pressure sensor",
        group="readings",
        severity="plan",
        meaning="A pressure reading is stuck, missing or impossible; until it is mended, nothing watches these lines.",
        cause="A plug or wire, or the sensor itself.",
        checks=(
            Check(
                f"Put a gauge on the line and run a cycle. {UNDER_PRESSURE} {CLEAR}",
                "The gauge shows pressure and the reading does not: the sensor. Neither does: check the line for a leak.",
            ),
            Check("Look at plug and wire.", "Loose or green: clean it. Sound: renew the sensor, and record it."),
        ),
        take=("pressure sensor of this range", "gauge with the line's thread", "contact cleaner"),
        fills=False,
        minutes=30,
        of_a_channel=True,
        dries=False,
        follows_from=(),
        hides=(),
        on_delay_h=12.0,
        off_delay_h=6.0,
        answered_by=("sensor_replaced",),
        proven_by_cycles=True,
        controller_codes=("sensor_open",),
        sentence=_pressure_sensor,
    ),
    "silent": Kind(
        importance=130,
        title="Silent",
        group="readings",
        severity="plan",
        meaning="Nothing was heard for longer than this vehicle's ordinary stops explain, or it was never heard.",
        cause="The vehicle is laid up or out of coverage, its controller has no supply, or sends under another name.",
        checks=(
            Check(
                "Ask where the vehicle is and whether it is in use.",
                "Laid up: record it, and no more alarms come. In use: go on.",
            ),
            Check(
                "Look at the controller's supply, its antenna and its SIM.",
                "No light: the supply. A light, but nothing sent: antenna, SIM or coverage.",
            ),
        ),
        take=("multimeter", "fuses", "spare antenna"),
        fills=False,
        minutes=30,
        of_a_channel=False,
        dries=False,
        follows_from=(),
        hides=(),
        on_delay_h=0.0,
        off_delay_h=0.0,
        answered_by=(),
        proven_by_cycles=False,
        controller_codes=(),
        sentence=_silent,
    ),
}
