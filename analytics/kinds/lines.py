"""What concerns the lines of one pressure channel."""

import math
from collections.abc import Mapping
from typing import Final

from analytics.kinds.kind import CLEAR, UNDER_PRESSURE, Check, Evidence, Facts, Kind, as_ratio


def _departure(e: Evidence) -> str:
    """What a line's pressure shows, and how sure that is."""
    told = f"pressure {as_ratio(e.get('ratio_to_expected', 0.0))} times what is expected"
    told += (
        f", far outside its normal variation ({e['deviation_sd']:.0f} x)." if e.get("deviation_sd", 0.0) >= 2 else "."
    )
    if "left_pct" in e and abs(e["left_pct"] - e["left_pct_before"]) >= 15:
        told += f" 10 s after the pump stops, pressure is still {e['left_pct']:.0f} % of its peak (before: {e['left_pct_before']:.0f} %)."
    if "rise_s" in e and abs(math.log(max(e["rise_s"], 1) / max(e["rise_s_before"], 1))) > 0.5:
        told += f" It takes {e['rise_s']:.0f} s to rise (before: {e['rise_s_before']:.0f} s)."
    if e.get("temperature_known") == 0:
        told += " The temperature is not known: cold may be part of the reason."
    return told


def _from_the_start(facts: Facts, what: str) -> str:
    """A fault that was there when the line was first heard, and is over."""
    e = facts.evidence
    alike = f"lines like it on {e['sister_vehicles']} sister vehicles" if e["sister_vehicles"] else "lines like it"
    return (
        f"{facts.where} was perhaps {what} from the start: it was first heard at {as_ratio(e['ratio_to_lines_alike'])} times the pressure"
        f" of {alike}, and has come to read what they do."
    )


def _open_line(facts: Facts) -> str:
    if "ratio_to_lines_alike" in facts.evidence:
        return _from_the_start(facts, "open")
    return f"{facts.where} looks broken, off or leaking: {_departure(facts.evidence)}"


def _blocked_line(facts: Facts) -> str:
    if "ratio_to_lines_alike" in facts.evidence:
        return _from_the_start(facts, "blocked")
    return f"{facts.where} looks blocked: {_departure(facts.evidence)}"


LINES_KINDS: Final[Mapping[str, Kind]] = {
    "open_line": Kind(
        importance=40,
        title="Line broken or leaking",
        group="lines",
        severity="act_now",
        meaning="The pressure of one channel is less than half of what it should be, while the others are sound.",
        cause="The tube is broken, pulled off or chafed through, or its pumping element is worn or stuck.",
        checks=(
            Check(
                "Follow the line from the pump to the point with your eyes, never with your hand.",
                "Fresh grease on the way: the leak is there. No grease, and the point is dry: go on to the pumping element.",
            ),
            Check(
                f"Take the line off at the pump and run a cycle. {UNDER_PRESSURE} {CLEAR}",
                "Grease comes out in full: the line leaks further on. Little or none: the element is worn or stuck.",
            ),
            Check(
                f"Renew tube or fitting, fill the tube with grease before connecting it, and run a cycle. {CLEAR}",
                "Pressure is back: record the line as replaced; ten cycles prove it.",
            ),
        ),
        take=(
            "tube of the line's bore and length",
            "fittings for both ends",
            "hand gun with grease to fill the tube",
            "cable ties",
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
        title="Line blocked",
        group="lines",
        severity="plan",
        meaning="The pressure of one channel is far above what its own past and the weather explain, or stands at relief.",
        cause="Dirt or hardened grease, a crushed or kinked tube, a plugged fitting or a seized joint.",
        checks=(
            Check(
                f"Open the line at the point and run a cycle. {UNDER_PRESSURE} {CLEAR}",
                "Grease comes out: the point itself is blocked; clean or renew the fitting, and free the joint. None: go on.",
            ),
            Check(
                f"Open the line at the pump or the divider and run a cycle. {UNDER_PRESSURE} {CLEAR}",
                "Grease comes out: the tube is blocked, kinked or crushed; renew it. None: the outlet is blocked.",
            ),
            Check(
                f"Behind a divider: loosen its outlets one at a time, slowly and shielded, and run a cycle; never plug one. {CLEAR}",
                "The divider moves again and pressure falls: that outlet, or what is behind it, is blocked.",
            ),
            Check(
                "Grease the point by hand until the line works. On a blocked point a hand gun builds very high pressure: never"
                " hold its hose at the end.",
                "It takes grease: record it. It takes none: the joint is seized, for a qualified person to judge.",
            ),
        ),
        take=(
            "tube of the line's bore and length",
            "fittings for both ends",
            "hand gun with grease",
            "wire brush and solvent for fittings",
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
