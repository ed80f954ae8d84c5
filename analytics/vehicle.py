"""The analysis of one vehicle: (set-ups, messages, as-of) -> findings, fills and refill forecast. No clock, no database."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from analytics import cycles, pressure, reservoir, traces
from analytics.commissioning import ODD_RATIO, Handover, handover, sister_ratios
from analytics.cycles import Audit
from analytics.findings import KINDS, Finding, Severity, Stretch, urgency
from analytics.greased import hours_since, weighed
from analytics.history import DAY_US, HOUR_US, History, build
from analytics.past import Past, fills_with, findings_with
from analytics.pressure import PROOF_CYCLES, Pressures
from analytics.refill import Refill, filled_to, forecast
from analytics.reservoir import Fill, Reservoir
from analytics.sequential import ewma, ewma_limit
from analytics.settings import DEFAULTS, Settings
from analytics.sisters import Sister
from ingest.messages import instant
from ingest.registry import Line, Setup
from ingest.store import Floats, Ints, Messages, rfc3339
from ingest.work import Work


@dataclass(frozen=True)
class Result:
    """Everything the analysis says of a vehicle."""

    history: History
    audit: Audit
    pressures: Pressures
    reservoir: Reservoir
    findings: tuple[Finding, ...]
    refill: Refill
    past: Past | None
    hours_since_grease: Mapping[int, float | None]  # line -> ignition hours, None where it never surely arrived
    handover: Handover | None  # how far its commissioning has come, where there was one

    @property
    def dry_h(self) -> float | None:
        """Ignition hours that the point that waits longest has waited for grease."""
        return max((hours for hours in self.hours_since_grease.values() if hours is not None), default=None)

    @property
    def filled_us(self) -> int | None:
        """When the reservoir was filled last, as far as the level shows or somebody recorded."""
        recorded = [work.at_us for work in self.history.work if work.kind == "filled"]
        return max([*recorded, *(fill.at_us for fill in self.fills)], default=None)

    @property
    def fills(self) -> tuple[Fill, ...]:
        """The fills seen in the level readings."""
        return fills_with(self.past, self.reservoir.fills, self.history.as_of_us)


def analyse(
    messages: Messages,
    setups: tuple[Setup, ...],
    as_of_us: int,
    past: Past | None = None,
    work: tuple[Work, ...] = (),
    settings: Settings = DEFAULTS,
    sisters: Sequence[Sister] = (),
) -> Result:
    """The analysis at `as_of_us`: nothing later is used. `past` is what is kept of the time before messages were thinned,
    `work` what people recorded, `sisters` what lends a calendar to a vehicle that was heard for a few days only."""
    history = build(messages, setups, as_of_us, work)
    audit = cycles.audit(history, settings)
    tank = reservoir.follow(history, audit, settings)
    pressures = pressure.judge(history, tuple(fill.at_us for fill in tank.fills), settings)
    flaws = cycles.flawed(history, pressures.explained, settings)
    stretches = [
        *audit.stretches,
        *cycles.silence(history, settings),
        *(_filled(stretch, history, tank) for stretch in tank.stretches),
        *_lone_channel(pressures, tank, history),
        *cycles.incomplete(history, flaws, pressures.explained, settings),
    ]
    told = _by_cause(stretches, history)
    if not any(s.kind in ("reservoir_loss", "under_delivery") and s.ended_us is None for s in told):
        tank = replace(tank, share=tank.own_share)
    findings = findings_with(past, [_told(stretch, history) for stretch in told], as_of_us)
    if not pressures.channels:  # then no pressure tells that it draws air
        flaws = flaws | reservoir.draws_air(history, tank)
    since = hours_since(history, findings, flaws)
    refill = forecast(history, audit, tank, settings, sisters)
    handed = handover(history, audit, tank, findings, settings)
    findings = [_against_handover(found, handed) for found in weighed(findings, since, settings)]
    return Result(
        history,
        audit,
        pressures,
        tank,
        tuple(sorted(findings, key=lambda f: (f.began_us, f.kind, f.channel or ""))),
        refill,
        past,
        since,
        handed,
    )


def _filled(stretch: Stretch, history: History, tank: Reservoir) -> Stretch:
    """A low level ends with a fill that somebody recorded, until a reading says otherwise."""
    if stretch.kind != "low_level" or stretch.ended_us is not None or "by_switch" in stretch.evidence:
        return stretch
    after = max(stretch.detected_us, tank.read_us or 0)
    mark = history.setup.low_mark_pct
    fills = [
        work.at_us
        for work in history.work
        if work.kind == "filled" and work.at_us > after and filled_to(work, history, tank) > mark
    ]
    return replace(stretch, ended_us=fills[0]) if fills else stretch


def _lone_channel(pressures: Pressures, tank: Reservoir, history: History) -> list[Stretch]:
    """With one channel, nothing but the level tells a line that is off from a pump that draws air."""
    if len(pressures.channels) != 1:
        return list(pressures.stretches)
    return [
        replace(stretch, kind="starved_pump", channel=None)
        if stretch.kind == "open_line" and not _has_grease(tank, history, stretch.detected_us)
        else stretch
        for stretch in pressures.stretches
    ]


def _has_grease(tank: Reservoir, history: History, at_us: int) -> bool:
    """Whether the level stands above the low mark, where pumps draw no air: by its reading, or by the switch at the mark."""
    setup, cycle = history.setup_of(at_us), int(np.searchsorted(history.cycles.at_us, at_us))
    if np.isfinite(tank.track[cycle]):
        return bool(tank.track[cycle] > setup.low_mark_pct + _ABOVE_PCT)
    faults = history.faults
    told = [i for i in np.flatnonzero(faults.at_us <= at_us) if faults.code[i] == "level_low"]
    return setup.level == "switch" and not (told and faults.active[told[-1]] == 1)


# Joint reasoning --------------------------------------------------------------------------------------------

_ABOVE_PCT: Final = 2.0  # as sure as a level is

# A kind is not raised while one of these lasts on the same vehicle: it only follows from it.
_FOLLOWS: Final[Mapping[str, tuple[str, ...]]] = {
    "open_line": ("pressure_sensor",),
    "blocked_line": ("pressure_sensor",),
    "incomplete_cycles": ("starved_pump",),
    "under_delivery": ("starved_pump", "incomplete_cycles", "level_sensor", "blocked_line"),
    "reservoir_loss": ("level_sensor", "starved_pump"),
    "low_level": ("level_sensor",),
    "overfill": ("level_sensor",),
    "level_sensor": ("starved_pump",),
    "timer_mismatch": ("missed_cycles",),
}


def _by_cause(stretches: list[Stretch], history: History) -> list[Stretch]:
    """One cause, one finding."""
    return [s for s in stretches if not any(_explains(other, s, history) for other in stretches)]


def _explains(cause: Stretch, effect: Stretch, history: History) -> bool:
    if cause.kind not in _FOLLOWS.get(effect.kind, ()):
        return False
    if cause.channel is not None and effect.channel is not None and cause.channel != effect.channel:
        return False
    if cause.began_us > effect.began_us + HOUR_US and effect.kind in (
        "low_level",
        "overfill",
        "timer_mismatch",
    ):
        return False
    if effect.kind == "under_delivery" and cause.kind == "blocked_line":
        setup = history.setup_of(cause.detected_us)
        blocked = sum(line.dose_cm3 for line in setup.lines if line.channel == cause.channel)
        if blocked < 0.2 * setup.dose_cm3:
            return False
    if effect.kind == "reservoir_loss" and cause.kind == "starved_pump" and cause.began_us > effect.began_us:
        return False  # what is lost may have emptied it; bleeding takes grease only afterwards
    cause_end = cause.ended_us if cause.ended_us is not None else history.as_of_us
    effect_end = effect.ended_us if effect.ended_us is not None else history.as_of_us
    slack = DAY_US if effect.kind in ("under_delivery", "reservoir_loss", "level_sensor") else HOUR_US
    if (effect.kind, cause.kind) == ("reservoir_loss", "starved_pump"):
        slack = 3 * DAY_US  # emptied lines fill again
    if effect.kind == "level_sensor" and "missing_h" in effect.evidence:
        return False
    return cause.began_us <= effect_end + slack and effect.began_us <= cause_end + slack


# Words ------------------------------------------------------------------------------------------------------


def _told(stretch: Stretch, history: History) -> Finding:
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


def _against_handover(found: Finding, handed: Handover | None) -> Finding:
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
    said += f", {e['scatters']:.0f} times its usual scatter." if e.get("scatters", 0) >= 2 else "."
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


# What people are shown --------------------------------------------------------------------------------------


_DAYS_SILENT: Final = 60


def days(result: Result, settings: Settings = DEFAULTS) -> list[dict[str, Any]]:
    """One object for each local day: date, cycles done, missed, incomplete, lost messages, ignition hours, litres that its cycles
    use by the sheet, level at its end (None: not known).

    Not long beyond the last that was heard.
    """
    history, c = result.history, result.history.cycles
    if not len(history.heard_us):
        return []
    zone = ZoneInfo(history.setup.timezone)
    heard_day = local_us(history.heard_us, zone) // DAY_US
    first = int(heard_day[0])
    heard_day = heard_day - first
    last = int(local_us(np.array([history.as_of_us]), zone)[0] // DAY_US) - first
    width = min(max(last, int(heard_day[-1])), int(heard_day[-1]) + _DAYS_SILENT) + 1
    cycle_day = local_us(c.at_us, zone) // DAY_US - first
    flawed = (c.complete == 0) | (c.run_s < settings.short_run * history.run_s)

    def per_day(day: Any, weight: Any) -> Any:
        return np.bincount(np.clip(day, 0, width - 1), weights=weight, minlength=width)

    ignition = per_day(heard_day, np.diff(history.heard_h, prepend=history.heard_h[0]))
    done, incomplete = per_day(cycle_day, (~flawed).astype(float)), per_day(cycle_day, flawed.astype(float))
    missed, lost = per_day(cycle_day, result.audit.missed), per_day(cycle_day, result.audit.lost)
    missed[int(heard_day[-1])] += result.audit.open_missed
    tank = result.reservoir
    reservoir_l = history.said("reservoir_l", c.at_us)
    used = per_day(cycle_day, tank.used_pct / 100 * reservoir_l)
    level = np.full(width, np.nan)
    known = np.flatnonzero(np.isfinite(tank.track))
    level[np.clip(cycle_day[known], 0, width - 1)] = tank.track[known]  # the last of the day stands
    told = [
        {
            "day": date.fromordinal(719_163 + first + k).isoformat(),
            "done": int(done[k]),
            "missed": int(missed[k]),
            "incomplete": int(incomplete[k]),
            "lost": int(lost[k]),
            "ignition_h": round(float(ignition[k]), 2),
            "used_l": round(float(used[k]), 4),
            "level_pct": round(float(level[k]), 1) if np.isfinite(level[k]) else None,
        }
        for k in range(width)
    ]
    if result.past is not None and result.past.days:
        kept = list(result.past.days)
        told = kept + [day for day in told if str(day["day"]) > kept[-1]["day"]]
    return told


def local_us(at_us: Ints, zone: ZoneInfo) -> Ints:
    """Microseconds of the local clock since 1970."""
    day, where = np.unique(at_us // DAY_US, return_inverse=True)
    begins, ends = (np.array([_ahead_us(int(d) * DAY_US, zone) for d in days_], np.int64) for days_ in (day, day + 1))
    ahead_us = begins[where]
    for k in np.flatnonzero(begins != ends):  # the clock is set on that day, at some full hour of UTC
        rows = np.flatnonzero(where == k)
        ahead_us[rows] = [_ahead_us(us, zone) for us in (at_us[rows] // HOUR_US * HOUR_US).tolist()]
    return np.asarray(at_us + ahead_us, np.int64)


def _ahead_us(at_us: int, zone: ZoneInfo) -> int:
    """By how much the local clock is ahead of UTC."""
    ahead = instant(at_us).astimezone(zone).utcoffset()
    return 0 if ahead is None else int(ahead.total_seconds()) * 1_000_000


def odd_from_the_start(result: Result) -> dict[int, float]:
    """Lines whose pressure has differed from that of lines like them since they were first heard: line -> ratio.

    Nothing in a line's own past tells a fault that was there from the beginning; at least eight lines of the vehicle with a
    channel of their own do.
    """
    level = dict(zip(result.pressures.channels, result.pressures.level, strict=True))
    own = [c for c, n in Counter(line.channel for line in result.history.setup.lines).items() if c and n == 1]
    lines = [x for x in result.history.setup.lines if x.channel in own and np.isfinite(level.get(x.channel, np.nan))]
    off, scatter = sister_ratios(lines, np.array([level[line.channel or ""] for line in lines]))
    limit = max(float(np.log(ODD_RATIO)), 4 * scatter)
    return {line.line: round(float(np.exp(v)), 2) for line, v in zip(lines, off, strict=True) if abs(v) > limit}


_DRIFT_READINGS: Final = 60
_DRIFT_WEIGHT: Final = 0.1
_DRIFT_SIGMAS: Final = 4.0  # readings of a day go together, so that a wider limit than usual is needed
_DRIFT_RATIO: Final = 1.12


def _drift(ratio: Floats, noise: float) -> str | None:
    """Whether a line that is called nothing yet is on its way: its moving average has left its limits ("rising", "falling").

    An average run length of 500 takes 2.814 standard deviations at this weight (Lucas and Saccucci 1990); the limit is wider.
    """
    z = np.clip(np.log(np.maximum(ratio[-200:], 1e-3)) / noise, -3, 3)
    latest = float(ewma(z, _DRIFT_WEIGHT)[-1])
    if abs(latest) < ewma_limit(_DRIFT_WEIGHT, _DRIFT_SIGMAS) or abs(latest) * noise < np.log(_DRIFT_RATIO):
        return None
    return "rising" if latest > 0 else "falling"


def line_conditions(result: Result) -> list[dict[str, Any]]:
    """One object for each line of the call-out sheet: its condition, the latest ratio of its channel to expected, and ignition
    hours since grease last surely arrived."""
    open_ = {f.channel: f.kind for f in sorted(result.findings, key=urgency, reverse=True) if f.open and f.channel}
    index = {name: j for j, name in enumerate(result.pressures.channels)}
    out = []
    for line in result.history.setup.lines:
        ratio = None
        condition = "unwatched"
        if line.channel is not None:
            column = result.pressures.ratio[:, index[line.channel]]
            known = column[~np.isnan(column)]
            ratio = round(float(np.median(known[-5:])), 2) if len(known) else None
            watched = "sound" if ratio is not None else "learning"
            if len(known) >= _DRIFT_READINGS:
                watched = (
                    _drift(known.astype(np.float64), float(result.pressures.noise[index[line.channel]])) or watched
                )
            condition = open_.get(line.channel) or watched
        told = {
            "line": line.line,
            "condition": condition,
            "ratio": ratio,
            "hours_since_grease": result.hours_since_grease[line.line],
        }
        out.append(told)
    return out


def notes(result: Result) -> list[str]:
    """Problems of the data itself, in words."""
    history, found = result.history, []
    if history.undated:
        found.append(f"{history.undated} messages carry a time that cannot be right; no finding rests on them.")
    if history.corrected:
        found.append(f"The controller's clock was wrong; the times of {history.corrected} messages were put right.")
    unknown = [name for name in history.cycles.channels if name not in history.setup.channels]
    found += _fill_differences(result)
    for number, ratio in odd_from_the_start(result).items():
        line = next(x for x in history.setup.lines if x.line == number)
        found.append(
            f"Line {number} ({line.point}) has had {ratio:.1f} times the pressure of lines like it since it was first heard:"
            f" it may have been {'blocked' if ratio > 1 else 'open'} from the start, which its own past cannot tell."
        )
    if unknown:
        found.append(f"Pressure channels that no call-out sheet names: {', '.join(unknown)}.")
    return found


_FILL_NEAR_US: Final = 36 * HOUR_US
_FILL_DIFFERENCE: Final = 0.15  # of the reservoir


def _fill_differences(result: Result) -> list[str]:
    """Where recorded fills and those seen in the level readings do not agree."""
    setup, levels, said = result.history.setup, result.history.levels, list[str]()
    for work in result.history.work:
        if work.kind != "filled" or setup.level != "percent":
            continue
        at = instant(work.at_us).astimezone(ZoneInfo(setup.timezone))
        near = [fill for fill in result.fills if abs(fill.at_us - work.at_us) <= _FILL_NEAR_US]
        amount = f"{work.litres:.1f} l" if work.litres is not None else f"up to {work.to_pct:.0f} %"
        told = f"A fill of {amount}" if work.litres is not None else f"A fill {amount}"
        if not near:
            if (levels.at_us > work.at_us).sum() >= 3 and not result.reservoir.by_counting:
                said.append(f"{told} was recorded for {at.day} {at:%b %Y}, but the level readings show none.")
            continue
        seen = sum(fill.litres for fill in near)
        off = abs(seen - work.litres) if work.litres is not None else 0.0
        if off > _FILL_DIFFERENCE * setup.reservoir_l:
            said.append(
                f"{told} was recorded for {at.day} {at:%b %Y}; the level readings show {seen:.1f} l: spilt, written down"
                " wrongly, or filled elsewhere."
            )
    return said


def fills_json(result: Result, fleet: str, vehicle: str) -> list[dict[str, Any]]:
    """The fills as `tallow fills --json` prints them."""
    return [
        {
            "fleet": fleet,
            "vehicle": vehicle,
            "at": rfc3339(fill.at_us),
            "detected_at": rfc3339(fill.detected_us),
            "from_pct": fill.from_pct,
            "to_pct": fill.to_pct,
            "litres": fill.litres,
        }
        for fill in result.fills
    ]
