"""What concerns the lines of one pressure channel."""

import math
from collections.abc import Mapping
from typing import Any, Final

from analytics.kinds.kind import CLEAR, UNDER_PRESSURE, Check, Evidence, Facts, Kind, as_ratio
from ingest.languages import later
from ingest.languages.saying import Said, joined, number, say


def _more(e: Evidence) -> Said | None:
    """What else a line's pressure shows."""
    told: list[Said] = []
    if "left_pct" in e and abs(e["left_pct"] - e["left_pct_before"]) >= 15:
        told.append(
            say(
                "10 s after the pump stops, pressure is still {left} % of its peak (before: {before} %).",
                left=number(e["left_pct"], 0),
                before=number(e["left_pct_before"], 0),
            )
        )
    if "rise_s" in e and abs(math.log(max(e["rise_s"], 1) / max(e["rise_s_before"], 1))) > 0.5:
        told.append(
            say(
                "It takes {rise} s to rise (before: {before} s).",
                rise=number(e["rise_s"], 0),
                before=number(e["rise_s_before"], 0),
            )
        )
    if e.get("temperature_known") == 0:
        told.append(say("The temperature is not known: cold may be part of the reason."))
    return joined(told)


def _departure(facts: Facts, plain: str, sure: str) -> Said:
    """What a line's pressure shows: in one sentence or, where it is far outside its normal variation, in the other."""
    e = facts.evidence
    places: dict[str, Any] = {"where": facts.where, "ratio": as_ratio(e.get("ratio_to_expected", 0.0))}
    far = e.get("deviation_sd", 0.0) >= 2
    told = say(sure, **places, times=number(e["deviation_sd"], 0)) if far else say(plain, **places)
    return told.then(_more(e))


def _from_the_start(facts: Facts, alike: str, on_sisters: str) -> Said:
    """A fault that was there when the line was first heard, and is over; `on_sisters` where sister vehicles tell it."""
    e = facts.evidence
    places: dict[str, Any] = {"where": facts.where, "ratio": as_ratio(e["ratio_to_lines_alike"])}
    if not e["sister_vehicles"]:
        return say(alike, **places)
    return say(on_sisters, **places, vehicles=e["sister_vehicles"])


def _open_line(facts: Facts) -> Said:
    if "ratio_to_lines_alike" in facts.evidence:
        return _from_the_start(facts, *_OPEN_FROM_THE_START)
    return _departure(facts, *_OPEN)


def _blocked_line(facts: Facts) -> Said:
    if "at_relief_from_the_start" in facts.evidence:
        text = later(
            "{where} has stood at relief pressure since it was first heard, and most others do not: it looks blocked from the start."
        )
        return say(text, where=facts.where)
    if "ratio_to_lines_alike" in facts.evidence:
        return _from_the_start(facts, *_BLOCKED_FROM_THE_START)
    return _departure(facts, *_BLOCKED)


_OPEN: Final = (
    later("{where} looks broken, off or leaking: pressure {ratio} times what is expected."),
    later(
        "{where} looks broken, off or leaking: pressure {ratio} times what is expected, far outside its normal variation ({times} x)."
    ),
)
_BLOCKED: Final = (
    later("{where} looks blocked: pressure {ratio} times what is expected."),
    later(
        "{where} looks blocked: pressure {ratio} times what is expected, far outside its normal variation ({times} x)."
    ),
)
_OPEN_FROM_THE_START: Final = (
    later(
        "{where} was perhaps open from the start: it was first heard at {ratio} times the pressure of lines like it, and has come to read"
        " what they do."
    ),
    later(
        "{where} was perhaps open from the start: it was first heard at {ratio} times the pressure of lines like it on {vehicles} sister"
        " vehicles, and has come to read what they do."
    ),
)
_BLOCKED_FROM_THE_START: Final = (
    later(
        "{where} was perhaps blocked from the start: it was first heard at {ratio} times the pressure of lines like it, and has come to"
        " read what they do."
    ),
    later(
        "{where} was perhaps blocked from the start: it was first heard at {ratio} times the pressure of lines like it on {vehicles} sister"
        " vehicles, and has come to read what they do."
    ),
)


LINES_KINDS: Final[Mapping[str, Kind]] = {
    "open_line": Kind(
        importance=40,
        evidence=("ratio_to_expected",),
        title=later("Line broken or leaking"),
        group="lines",
        severity="act_now",
        meaning=later(
            "The pressure of one channel is less than half of what it should be, while the others are sound."
        ),
        cause=later("The tube is broken, pulled off or chafed through, or its pumping element is worn or stuck."),
        checks=(
            Check(
                later("Follow the line from the pump to the point with your eyes, never with your hand."),
                later(
                    "Fresh grease on the way: the leak is there. No grease, and the point is dry: go on to the pumping element."
                ),
            ),
            Check(
                later("Take the line off at the pump and run a cycle."),
                later(
                    "Grease comes out in full: the line leaks further on. Little or none: the element is worn or stuck."
                ),
                hurts=(UNDER_PRESSURE, CLEAR),
            ),
            Check(
                later("Renew tube or fitting, fill the tube with grease before connecting it, and run a cycle."),
                later("Pressure is back: record the line as replaced; ten cycles prove it."),
                hurts=(CLEAR,),
            ),
        ),
        take=(
            later("tube of the line's bore and length"),
            later("fittings for both ends"),
            later("hand gun with grease to fill the tube"),
            later("cable ties"),
        ),
        fills=False,
        minutes=45,
        of_a_channel=True,
        dries=True,
        follows_from=("pressure_sensor",),
        hides=("reservoir_loss",),
        on_delay_h=0.0,
        off_delay_h=1.0,
        answered_by=("line_mended",),
        proven_by_cycles=True,
        controller_codes=("pressure_low",),
        sentence=_open_line,
    ),
    "blocked_line": Kind(
        importance=50,
        evidence=("ratio_to_expected",),
        title=later("Line blocked"),
        group="lines",
        severity="plan",
        meaning=later(
            "The pressure of one channel is far above what its own past and the weather explain, or stands at relief."
        ),
        cause=later("Dirt or hardened grease, a crushed or kinked tube, a plugged fitting or a seized joint."),
        checks=(
            Check(
                later("Open the line at the point and run a cycle."),
                later(
                    "Grease comes out: the point itself is blocked; clean or renew the fitting, and free the joint. None: go on."
                ),
                hurts=(UNDER_PRESSURE, CLEAR),
            ),
            Check(
                later("Open the line at the pump or the divider and run a cycle."),
                later(
                    "Grease comes out: the tube is blocked, kinked or crushed; renew it. None: the outlet is blocked."
                ),
                hurts=(UNDER_PRESSURE, CLEAR),
            ),
            Check(
                later(
                    "Behind a divider: loosen its outlets one at a time, slowly and shielded, and run a cycle; never plug one."
                ),
                later("The divider moves again and pressure falls: that outlet, or what is behind it, is blocked."),
                hurts=(CLEAR,),
            ),
            Check(
                later(
                    "Grease the point by hand until the line works. On a blocked point a hand gun builds very high pressure: never"
                    " hold its hose at the end."
                ),
                later(
                    "It takes grease: record it. It takes none: the joint is seized, for a qualified person to judge."
                ),
            ),
        ),
        take=(
            later("tube of the line's bore and length"),
            later("fittings for both ends"),
            later("hand gun with grease"),
            later("wire brush and solvent for fittings"),
        ),
        fills=False,
        minutes=60,
        of_a_channel=True,
        dries=True,
        follows_from=("pressure_sensor",),
        hides=("incomplete_cycles", "under_delivery"),
        on_delay_h=0.0,
        off_delay_h=1.0,
        answered_by=("line_mended",),
        proven_by_cycles=True,
        controller_codes=("pressure_high", "cycle_timeout"),
        sentence=_blocked_line,
    ),
}
