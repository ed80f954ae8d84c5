"""What concerns the readings themselves."""

from collections.abc import Mapping
from typing import Final

from analytics.kinds.kind import CLEAR, INSIDE, UNDER_PRESSURE, Check, Facts, Kind
from ingest.languages import later
from ingest.languages.saying import Said, number, say

_AS_BAR: Final = 20  # and more is a pressure that grease takes, were it bar


def _level_sensor(facts: Facts) -> Said:
    e = facts.evidence
    if "stuck_pct" in e:
        return say(
            "The level reading has stayed at {level} % although cycles used grease.", level=number(e["stuck_pct"])
        )
    if "read_high_pct" in e:
        return say(
            "The level reading rose by {points} points at once and later fell back by as many: nothing was filled in.",
            points=number(e["read_high_pct"], 0),
        )
    if "stepped_pct" in e:
        high = later(
            "The level reading stepped by {points} points at once and full reservoirs read high by as"
            " many since; the level is put right by that."
        )
        low = later(
            "The level reading stepped by {points} points at once and full reservoirs read low by as"
            " many since; the level is put right by that."
        )
        return say(high if e["stepped_pct"] > 0 else low, points=number(abs(e["stepped_pct"]), 0))
    if "drifted_pct" in e:
        return say(
            "Full reservoirs read higher and higher, by now {points} points; the level is put right by that.",
            points=number(e["drifted_pct"], 0),
        )
    if "reading_pct" in e:
        return say("The level sensor reads {level} %, which cannot be true.", level=number(e["reading_pct"]))
    return say(
        "No level reading came for {hours} ignition hours while the rest went on.",
        hours=number(e.get("missing_h", 0), 0),
    )


def _pressure_sensor(facts: Facts) -> Said:
    if "no_pressure_kpa" in facts.evidence:
        bar = later(
            "{where} has shown no pressure since it was first heard: the sensor is dead, the line was never connected, or its readings"
            " are in bar."
        )
        dead = later(
            "{where} has shown no pressure since it was first heard: the sensor is dead, or the line was never connected."
        )
        return say(bar if facts.evidence["no_pressure_kpa"] >= _AS_BAR else dead, where=facts.where)
    return say("The pressure reading of {where} is stuck, missing or impossible.", where=facts.where_inside)


def _silent(facts: Facts) -> Said:
    if "undated_messages" in facts.evidence:
        return say(
            "Nobody knows when it was heard: its clock is wrong, and so its {count} messages tell nothing. Set the clock.",
            count=number(facts.evidence["undated_messages"], 0),
        )
    if facts.evidence.get("never_heard"):
        return say("It was never heard, a week and more after it was commissioned and registered.")
    return say(
        "Nothing was heard for {days} days, longer than its ordinary stops.",
        days=number(facts.evidence["silent_h"] / 24, 1),
    )


READINGS_KINDS: Final[Mapping[str, Kind]] = {
    "level_sensor": Kind(
        importance=110,
        title=later("Level sensor"),
        group="readings",
        severity="plan",
        meaning=later(
            "The level reading is stuck, missing, impossible or off; until it is mended, refill dates are worked out from counted"
            " cycles, or from the reading put right."
        ),
        cause=later("A plug or wire, or the sensor itself; a follower plate that is caught."),
        checks=(
            Check(
                later("Compare the reading with the grease in the reservoir."),
                later("They agree: the reading was right; record that. They do not: go on."),
                hurts=(INSIDE,),
            ),
            Check(
                later("Look at plug and wire, and move them while somebody watches the reading."),
                later("It jumps: renew the plug. It does not: renew the sensor, and record it."),
            ),
        ),
        take=(later("level sensor of this reservoir"), later("contact cleaner"), later("multimeter")),
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
        title=later("Pressure sensor"),
        group="readings",
        severity="plan",
        meaning=later(
            "A pressure reading is stuck, missing or impossible; until it is mended, nothing watches these lines."
        ),
        cause=later("A plug or wire, or the sensor itself."),
        checks=(
            Check(
                later("Put a gauge on the line and run a cycle."),
                later(
                    "The gauge shows pressure and the reading does not: the sensor. Neither does: check the line for a leak."
                ),
                hurts=(UNDER_PRESSURE, CLEAR),
            ),
            Check(
                later("Look at plug and wire."),
                later("Loose or green: clean it. Sound: renew the sensor, and record it."),
            ),
        ),
        take=(later("pressure sensor of this range"), later("gauge with the line's thread"), later("contact cleaner")),
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
        evidence=("never_heard",),
        title=later("Silent"),
        group="readings",
        severity="plan",
        meaning=later(
            "Nothing was heard for longer than this vehicle's ordinary stops explain, or it was never heard."
        ),
        cause=later(
            "The vehicle is laid up or out of coverage, its controller has no supply, or sends under another name."
        ),
        checks=(
            Check(
                later("Ask where the vehicle is and whether it is in use."),
                later("Laid up: record it, and no more alarms come. In use: go on."),
            ),
            Check(
                later("Look at the controller's supply, its antenna and its SIM."),
                later("No light: the supply. A light, but nothing sent: antenna, SIM or coverage."),
            ),
        ),
        take=(later("multimeter"), later("fuses"), later("spare antenna")),
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
