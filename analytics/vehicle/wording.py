"""Findings in sentences for a technician."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np

from analytics.findings import Episode, Finding
from analytics.kinds import FINDING_KINDS, LINE_FAULTS, Facts
from analytics.vehicle.commissioning import Handover
from analytics.vehicle.history import History
from analytics.vehicle.pressure import PROOF_CYCLES, traces
from ingest.languages import later
from ingest.languages.saying import Said, also, number, on_day, say
from ingest.setups import Setup
from ingest.times import instant
from ingest.work import Work


def to_finding(episode: Episode, history: History) -> Finding:
    """A finding in words: what, where, since when, with what figures."""
    setup = history.setup_of(episode.detected_us)
    lines = [line for line in setup.lines if episode.channel is not None and line.channel == episode.channel]
    kind = FINDING_KINDS[episode.kind]
    severity = kind.severity
    critical = any(line.critical for line in lines)
    if episode.kind == "blocked_line" and (critical or len(lines) > 6):
        severity = "act_now"
    evidence = {k: v for k, v in episode.evidence.items() if v is not None}
    if episode.kind in LINE_FAULTS:
        evidence |= traces.evidence(history, episode)
    remarks = _remarks(episode, history)
    if remarks:
        evidence["controller_remarks"] = remarks
    repair = _repair(episode, history)
    if repair is not None:
        evidence["cycles_since_repair"] = _proof_cycles(episode, history, repair)
    if kind.sentence is None:
        raise ValueError(f"{episode.kind} has no sentence")
    begins, inside = where(episode.channel, setup), where(episode.channel, setup, inside=True)
    summary = kind.sentence(Facts(evidence, begins, inside, setup))
    if len(lines) > 1:
        summary = summary.then(_which(episode.kind, setup.feed))
    began = instant(episode.began_us).astimezone(ZoneInfo(setup.timezone))
    summary = summary.then(say("Since {day}.", day=on_day(began)))
    if repair is not None:
        summary = summary.then(_proof(episode, int(evidence["cycles_since_repair"]), repair, setup))
    return Finding(
        episode.kind, episode.channel, tuple(line.line for line in lines), episode.began_us, episode.detected_us,
        episode.ended_us, severity, summary, evidence,
    )  # fmt: skip


def beside_handover(found: Finding, handed: Handover | None) -> Finding:
    """A finding about a line, and what that line read when it was handed over."""
    if handed is None or found.kind not in LINE_FAULTS or found.began_us < handed.since_us:
        return found
    first = next((x.peak_kpa for x in handed.lines if x.channel == found.channel and x.peak_kpa is not None), None)
    if first is None:
        return found
    read = number(first, 0)
    if handed.temp_c is None:
        more = say("At handover it read {pressure} kPa.", pressure=read)
    else:
        more = say(
            "At handover it read {pressure} kPa at {temperature} °C.",
            pressure=read,
            temperature=number(handed.temp_c, 0),
        )
    return replace(
        found, summary=also(found.summary, more),
        evidence={**found.evidence, "handover_kpa": first},
    )  # fmt: skip


def _repair(episode: Episode, history: History) -> Work | None:
    """The latest recorded work that should have ended an episode while it lasted."""
    end_us = episode.ended_us if episode.ended_us is not None else history.as_of_us
    kind = FINDING_KINDS[episode.kind]
    fitting = [
        work
        for work in history.work
        if kind.proven_by_cycles
        and work.kind in kind.answered_by
        and episode.began_us <= work.at_us <= end_us
        and _concerns(work, episode, history)
    ]
    return fitting[-1] if fitting else None


def _concerns(work: Work, episode: Episode, history: History) -> bool:
    if work.kind == "sensor_replaced":
        return work.channel == episode.channel
    return episode.channel is None or episode.channel in history.channels_of(work)


def _proof_cycles(episode: Episode, history: History, repair: Work) -> int:
    """Cycles since a repair that say something of it."""
    end_us = episode.ended_us if episode.ended_us is not None else history.as_of_us
    c = history.cycles
    later = (c.at_us > repair.at_us) & (c.at_us <= end_us)
    if episode.channel in c.channels and episode.kind in LINE_FAULTS:
        later &= np.isfinite(c.peak_kpa[:, c.channels.index(episode.channel)])
    return int(later.sum())


def _proof(episode: Episode, cycles_since: int, repair: Work, setup: Setup) -> Said:
    """Whether a repair held, in a sentence."""
    day = instant(repair.at_us).astimezone(ZoneInfo(setup.timezone))
    when = on_day(day)
    if episode.ended_us is not None:
        return say("The work of {day} held.", day=when)
    if cycles_since >= PROOF_CYCLES:
        return say(
            "The repair of {day} did not hold: {cycles} cycles since then still show it.", day=when, cycles=cycles_since
        )
    return say(
        "Repaired {day}: {cycles} of the {all} cycles that prove it have run.",
        day=when,
        cycles=cycles_since,
        all=PROOF_CYCLES,
    )


def _remarks(episode: Episode, history: History) -> int:
    """How often the controller itself remarked on it: evidence, never a verdict, since cold makes controllers chatter."""
    faults, codes = history.faults, FINDING_KINDS[episode.kind].controller_codes
    end_us = episode.ended_us if episode.ended_us is not None else history.as_of_us
    inside = np.flatnonzero((faults.at_us >= episode.began_us) & (faults.at_us <= end_us) & (faults.active == 1))
    return sum(
        faults.code[i] in codes and (faults.channel[i] is None or faults.channel[i] == episode.channel) for i in inside
    )


def where(channel: str | None, setup: Setup, *, inside: bool = False) -> Said:
    """The lines of a channel in words, as they begin a sentence or stand `inside` one."""
    lines = [line for line in setup.lines if channel is not None and line.channel == channel]
    if len(lines) == 1:
        line = lines[0]
        point = f"{line.point}, {line.bundle}" if line.bundle else line.point
        text = later("line {line} ({point})") if inside else later("Line {line} ({point})")
        return say(text, line=line.line, point=point)
    if lines:
        numbers = sorted(line.line for line in lines)
        if numbers[-1] - numbers[0] + 1 == len(numbers):
            run = later("channel {channel} (one of lines {first} to {last})")
            text = run if inside else later("Channel {channel} (one of lines {first} to {last})")
            return say(text, channel=channel, first=numbers[0], last=numbers[-1])
        text = (
            later("channel {channel} (one of lines {lines})")
            if inside
            else later("Channel {channel} (one of lines {lines})")
        )
        return say(text, channel=channel, lines=", ".join(map(str, numbers)))
    return say(later("channel {channel}") if inside else later("Channel {channel}"), channel=channel)


def _which(kind: str, feed: str) -> Said | None:
    """What tells the lines of one channel apart."""
    if kind == "open_line":
        return say(
            "Which one: watch a cycle from a distance. Where the line is broken the point stays dry, and grease lies along the line."
        )
    if kind != "blocked_line":
        return None
    if feed == "progressive":
        return say(
            "Which one: loosen the divider's outlets one at a time, slowly and shielded, and never plug one; pressure falls at the"
            " blocked one."
        )
    if feed == "injector":
        return say(
            "Which one: watch the injectors from a distance while a cycle runs; the one that does not move is at the blocked line."
        )
    return say(
        "Which one: loosen the lines one at a time at the pump, slowly and shielded, since each may hold relief pressure; run a"
        " cycle with everybody clear. Pressure falls at the blocked one."
    )
