"""Findings in sentences for a technician."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from analytics.findings import KINDS, Finding, Severity, Stretch
from analytics.vehicle.commissioning import Handover
from analytics.vehicle.history import History
from analytics.vehicle.pressure import PROOF_CYCLES, traces
from ingest.setups import Line, Setup
from ingest.times import instant
from ingest.work import Work


def to_finding(stretch: Stretch, history: History) -> Finding:
    """A finding in words: what, where, since when, with what figures."""
    setup = history.setup_of(stretch.detected_us)
    lines = [line for line in setup.lines if stretch.channel is not None and line.channel == stretch.channel]
    severity: Severity = KINDS[stretch.kind].severity
    critical = any(line.critical for line in lines)
    if stretch.kind == "blocked_line" and (critical or len(lines) > 6):
        severity = "act_now"
    evidence = {k: v for k, v in stretch.evidence.items() if v is not None}
    if stretch.kind in ("blocked_line", "open_line"):
        evidence |= traces.evidence(history, stretch)
    remarks = _remarks(stretch, history)
    if remarks:
        evidence["controller_remarks"] = remarks
    repair = _repair(stretch, history)
    if repair is not None:
        evidence["cycles_since_repair"] = _proof_cycles(stretch, history, repair)
    summary = _SENTENCES[stretch.kind](evidence, _where(stretch.channel, lines), setup)
    if len(lines) > 1:
        summary += _which(stretch.kind, setup.feed)
    began = instant(stretch.began_us).astimezone(ZoneInfo(setup.timezone))
    summary += f" Since {began.day} {began:%b %Y}."
    if repair is not None:
        summary += " " + _proof(stretch, int(evidence["cycles_since_repair"]), repair, setup)
    if critical and stretch.kind in ("blocked_line", "open_line"):
        summary += " It feeds a point that steering or braking depends on."
    return Finding(
        stretch.kind, stretch.channel, tuple(line.line for line in lines), stretch.began_us, stretch.detected_us,
        stretch.ended_us, severity, summary, evidence,
    )  # fmt: skip


def beside_handover(found: Finding, handed: Handover | None) -> Finding:
    """A finding about a line, and what that line read when it was handed over."""
    if handed is None or found.kind not in ("blocked_line", "open_line") or found.began_us < handed.since_us:
        return found
    first = next((x.peak_kpa for x in handed.lines if x.channel == found.channel and x.peak_kpa is not None), None)
    if first is None:
        return found
    at = "" if handed.temp_c is None else f" at {handed.temp_c:.0f} °C"
    return replace(
        found, summary=f"{found.summary} When it was handed over it read {first:.0f} kPa{at}.",
        evidence={**found.evidence, "handover_kpa": first},
    )  # fmt: skip


# What proves a repair: the work that answers a kind of finding.
_ANSWERED_BY: Final[Mapping[str, tuple[str, ...]]] = {
    "blocked_line": ("line_mended",),
    "open_line": ("line_mended",),
    "starved_pump": ("bled",),
    "pressure_sensor": ("sensor_replaced",),
    "level_sensor": ("sensor_replaced",),
    "timer_mismatch": ("timer_set",),
    "missed_cycles": ("controller_swapped",),
}


def _repair(stretch: Stretch, history: History) -> Work | None:
    """The latest recorded work that should have ended a stretch while it lasted."""
    end_us = stretch.ended_us if stretch.ended_us is not None else history.as_of_us
    answers = _ANSWERED_BY.get(stretch.kind, ())
    fitting = [
        work
        for work in history.work
        if work.kind in answers and stretch.began_us <= work.at_us <= end_us and _concerns(work, stretch, history)
    ]
    return fitting[-1] if fitting else None


def _concerns(work: Work, stretch: Stretch, history: History) -> bool:
    if work.kind == "sensor_replaced":
        return work.channel == stretch.channel
    return stretch.channel is None or stretch.channel in history.channels_of(work)


def _proof_cycles(stretch: Stretch, history: History, repair: Work) -> int:
    """Cycles since a repair that say something of it."""
    end_us = stretch.ended_us if stretch.ended_us is not None else history.as_of_us
    c = history.cycles
    later = (c.at_us > repair.at_us) & (c.at_us <= end_us)
    if stretch.channel in c.channels and stretch.kind in ("blocked_line", "open_line"):
        later &= np.isfinite(c.peak_kpa[:, c.channels.index(stretch.channel)])
    return int(later.sum())


def _proof(stretch: Stretch, cycles_since: int, repair: Work, setup: Setup) -> str:
    """Whether a repair held, in a sentence."""
    day = instant(repair.at_us).astimezone(ZoneInfo(setup.timezone))
    when = f"{day.day} {day:%b %Y}"
    if stretch.ended_us is not None:
        return f"The work of {when} held."
    if cycles_since >= PROOF_CYCLES:
        return f"The repair of {when} did not hold: {cycles_since} cycles since then show it still."
    return f"Worked on {when}; {cycles_since} of {PROOF_CYCLES} cycles that prove it have run."


# What the controller itself says of it: evidence, never a verdict. Cold makes controllers chatter.
_REMARKS: Final[Mapping[str, tuple[str, ...]]] = {
    "blocked_line": ("pressure_high",),
    "open_line": ("pressure_low",),
    "starved_pump": ("pressure_low",),
    "incomplete_cycles": ("cycle_timeout",),
    "missed_cycles": ("motor_current", "supply_low"),
    "low_level": ("level_low",),
    "pressure_sensor": ("sensor_open",),
    "level_sensor": ("sensor_open",),
}


def _remarks(stretch: Stretch, history: History) -> int:
    """How often the controller remarked on it itself."""
    faults, codes = history.faults, _REMARKS.get(stretch.kind, ())
    end_us = stretch.ended_us if stretch.ended_us is not None else history.as_of_us
    inside = np.flatnonzero((faults.at_us >= stretch.began_us) & (faults.at_us <= end_us) & (faults.active == 1))
    return sum(
        faults.code[i] in codes and (faults.channel[i] is None or faults.channel[i] == stretch.channel) for i in inside
    )


def _where(channel: str | None, lines: list[Line]) -> str:
    if len(lines) == 1:
        line = lines[0]
        bundle = f", {line.bundle}" if line.bundle else ""
        return f"Line {line.line} ({line.point}{bundle})"
    if lines:
        numbers = sorted(line.line for line in lines)
        shown = (
            f"{numbers[0]} to {numbers[-1]}"
            if numbers[-1] - numbers[0] + 1 == len(numbers)
            else ", ".join(map(str, numbers))
        )
        return f"Channel {channel} (one of lines {shown})"
    return f"Channel {channel}"


def _which(kind: str, feed: str) -> str:
    """What tells the lines of one channel apart."""
    if kind == "open_line":
        return " Which one: watch a cycle; the points stay dry where the line is open, and grease lies on its way."
    if kind != "blocked_line":
        return ""
    if feed == "progressive":
        return " Which one: isolate the divider's outlets one at a time; pressure falls at the blocked one."
    if feed == "injector":
        return " Which one: watch the injectors from a distance while a cycle runs; the one that does not move is at the blocked line."
    return " Which one: open the lines one at a time at the pump and run a cycle; pressure falls at the blocked one."


def _ratio(e: Mapping[str, float]) -> str:
    return (
        f"{e['ratio_to_expected']:.1f}"
        if e.get("ratio_to_expected", 0) >= 1
        else f"{e.get('ratio_to_expected', 0):.2f}"
    )


def _departure(e: Mapping[str, float]) -> str:
    """What a line's pressure shows, and how sure that is."""
    said = f"pressure {_ratio(e)} times what is expected"
    said += f", {e['deviation_sd']:.0f} times its usual scatter." if e.get("deviation_sd", 0) >= 2 else "."
    if "left_pct" in e and abs(e["left_pct"] - e["left_pct_before"]) >= 15:
        said += (
            f" {e['left_pct']:.0f} % of it is left when the pump has stopped (before: {e['left_pct_before']:.0f} %)."
        )
    if "rise_s" in e and abs(np.log(max(e["rise_s"], 1) / max(e["rise_s_before"], 1))) > 0.5:
        said += f" It takes {e['rise_s']:.0f} s to rise (before: {e['rise_s_before']:.0f} s)."
    if e.get("temperature_known") == 0:
        said += " The temperature is not known, so that cold may have its part in it."
    return said


def _level_sensor(e: Mapping[str, float]) -> str:
    if "stuck_pct" in e:
        return f"The level reading has stood at {e['stuck_pct']:g} % while cycles took grease out."
    if "reading_pct" in e:
        return f"The level reading fell to {e['reading_pct']:g} % at once and cannot be true."
    return f"No level reading came for {e.get('missing_h', 0):.0f} ignition hours while the rest went on."


_SENTENCES: Final[Mapping[str, Any]] = {
    "blocked_line": lambda e, where, s: f"{where} looks blocked: {_departure(e)}",
    "open_line": lambda e, where, s: f"{where} looks broken, off or leaking: {_departure(e)}",
    "starved_pump": lambda e, where, s: (
        f"The pump has lost pressure on all channels ({_ratio(e)} times expected): air or an empty reservoir; fill and bleed."
    ),
    "missed_cycles": lambda e, where, s: (
        f"{e['missed']:.0f} of {e['expected']:.0f} cycles never ran although the ignition was on."
    ),
    "incomplete_cycles": lambda e, where, s: (
        f"{e['count']:.0f} cycles ran without doing their work: unconfirmed, too short or not vented."
    ),
    "timer_mismatch": lambda e, where, s: (
        f"Cycles come every {e['interval_min']:.1f} min of ignition time; the set-up sheet says {e['registered_min']:g} min."
    ),
    "reservoir_loss": lambda e, where, s: (
        f"{e['cm3_per_cycle']:.1f} cm3 leave the reservoir with each cycle, not {e['expected_cm3_per_cycle']:.1f} cm3: look for a leak."
    ),
    "under_delivery": lambda e, where, s: (
        f"Only {e['cm3_per_cycle']:.1f} cm3 leave the reservoir with each cycle instead of {e['expected_cm3_per_cycle']:.1f} cm3."
    ),
    "overfill": lambda e, where, s: f"The reservoir is filled to {e['level_pct']:.0f} %, above its full mark.",
    "low_level": lambda e, where, s: (
        f"The low-level switch says that the grease is down to the low mark, {s.low_mark_pct:g} %. Fill before air gets in."
        if "by_switch" in e
        else f"The level is at {e['level_pct']:.0f} %; the low mark is {s.low_mark_pct:g} %. Fill before air gets in."
    ),
    "level_sensor": lambda e, where, s: _level_sensor(e),
    "pressure_sensor": lambda e, where, s: (
        f"The pressure reading of {where[0].lower() + where[1:]} is stuck, missing or impossible."
    ),
    "silent": lambda e, where, s: (
        f"Nothing was heard for {e['silent_h'] / 24:.1f} days, longer than its ordinary stops."
    ),
}
