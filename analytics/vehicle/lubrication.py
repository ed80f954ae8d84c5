"""The number behind it all: for each point, ignition hours since grease last surely arrived."""

from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Finding
from analytics.kinds import FINDING_KINDS, LINE_FAULTS
from analytics.settings import Settings
from analytics.vehicle.history import History
from analytics.vehicle.pressure import Pressures
from analytics.vehicle.pressure.readings import relief_at, shows_pressure
from ingest.arrays import Floats
from ingest.languages.saying import Said, also, say
from ingest.setups import Line, Setup
from ingest.times import DAY_US, FOREVER_US

_NAMED: Final = 4  # points of a sentence
_TURNS: Final = 4  # a controller that was swapped and swapped back came back once
_ONE_AGAIN_US: Final = 7 * DAY_US  # without a turn: one of them has a name of its own now


def odd_from_the_start(pressures: Pressures, setup: Setup) -> dict[str, tuple[float, int]]:
    """Channels whose pressure has differed from that of channels like them since they were first heard: channel -> (ratio, sister
    vehicles that tell it, 0 where the vehicle's own lines do).

    Nothing in a line's own past tells a fault that was there from the beginning; lines like it do.
    """
    beside = pressures.beside
    return {
        name: (round(float(np.exp(off)), 2), int(number))
        for name, off, number in zip(pressures.channels, beside.odd, beside.sisters, strict=True)
        if np.isfinite(off) and off != 0.0 and name in setup.channels
    }


def unproven_from_the_start(pressures: Pressures, setup: Setup) -> frozenset[str]:
    """Channels whose pressure proves nothing, since it may never have been a sound one."""
    return frozenset(odd_from_the_start(pressures, setup)) | frozenset(pressures.perhaps_blocked)


def several_controllers(history: History) -> tuple[int, int] | None:
    """From when to when several controllers send under one name by turns, microseconds: boots come back after others, again and again, as
    those of one controller never do; None where they do not."""
    boot = history.heard_boot
    changes = np.flatnonzero(boot[1:] != boot[:-1]) + 1
    if len(changes) < _TURNS:
        return None
    back = ~np.isin(changes, np.unique(boot, return_index=True)[1])
    if back.sum() < _TURNS:
        return None
    first = changes[max(0, int(np.argmax(back)) - 1)]
    return int(history.heard_us[first]), int(history.heard_us[changes[back][-1]]) + _ONE_AGAIN_US


def hours_since(
    history: History, findings: Iterable[Finding], flaws: NDArray[np.bool_], settings: Settings,
    odd: Container[str | None] = (),
) -> dict[int, float | None]:  # fmt: skip
    """Line -> ignition hours since grease surely arrived: with a cycle that has no flaw (`confirmation.flawed`; air in place of
    grease), that its pressure or the confirmation of its divider proves, and while nothing was found wrong with line, sensor or pump;
    or by hand. The pressure of a channel that is `odd` (`unproven_from_the_start`) proves nothing. None where nothing ever proved it, or
    where no hour meter counts.

    Where messages were lost since the hour meter was last read for sure, nobody knows how long it has been, unless it is too long already.

    That the level falls proves that grease leaves the reservoir, not that it arrives at a point. Cycles whose messages were lost
    count for nothing: nobody knows what their pressures were.
    """
    mixed = several_controllers(history)
    if not history.metered or not len(history.heard_h) or (mixed is not None and history.as_of_us < mixed[1]):
        return {line.line: None for line in history.setup.lines}
    now_h = float(history.heard_h[-1])
    proven = arrivals(history, history.setup.lines, findings, flaws, settings, odd)
    out: dict[int, float | None] = {}
    for line in history.setup.lines:
        arrived = np.flatnonzero(proven[line.line])
        hours = [float(history.cycle_h[arrived[-1]])] if len(arrived) else []
        hours += [
            float(np.interp(work.at_us, history.heard_us, history.heard_h))
            for work in history.work
            if work.kind == "greased_by_hand" and (not work.lines or line.line in work.lines)
        ]
        waited_h = round(max(0.0, now_h - max(hours)), 1) if hours else None
        known = history.heard_sure[-1] or (waited_h or 0.0) >= settings.dry_act_now_h
        out[line.line] = waited_h if known else None
    return out


def arrivals(
    history: History, lines: Iterable[Line], findings: Iterable[Finding], flaws: NDArray[np.bool_], settings: Settings,
    odd: Container[str | None] = (),
) -> dict[int, NDArray[np.bool_]]:  # fmt: skip
    """Line -> (cycles,) with which of them grease surely arrived at its point, as `hours_since` says it."""
    pumped, found_wrong, mixed = ~flaws, tuple(findings), several_controllers(history)
    if mixed is not None:  # whose point a cycle greased nobody knows
        pumped &= (history.cycles.at_us < mixed[0]) | (history.cycles.at_us >= mixed[1])
    for found in found_wrong:
        if found.kind == "starved_pump" or _delivers_nothing(found, settings):
            pumped &= ~inside(history, found)
    proof, relief_kpa = dict[str | None, NDArray[np.bool_]](), relief_at(history)
    out: dict[int, NDArray[np.bool_]] = {}
    for line in lines:
        if line.channel not in proof:
            watched = None if line.channel in odd else line.channel
            proof[line.channel] = pumped & _proof(history, watched, relief_kpa, found_wrong, settings)
        arrived = proof[line.channel].copy()
        for found in found_wrong:
            if found.kind in LINE_FAULTS and line.line in found.lines:
                arrived &= ~inside(history, found)
        out[line.line] = arrived
    return out


def _proof(
    history: History, channel: str | None, relief_kpa: Floats, findings: Iterable[Finding], settings: Settings
) -> NDArray[np.bool_]:
    """(cycles,) whether a cycle proves that grease arrived at the lines of a channel, or (None) at those that none watches or whose own
    says nothing."""
    c = history.cycles
    # One outlet that is shut stops a divider, so that its confirmation speaks for all; elsewhere lines are independent.
    confirmed = (c.complete == 1) & (history.setup.feed == "progressive")
    if channel is None or channel not in c.channels:
        return np.asarray(confirmed)
    read = shows_pressure(c.peak_kpa[:, c.channels.index(channel)], relief_kpa, settings)
    for found in findings:
        if found.kind == "pressure_sensor" and found.channel == channel:
            read &= ~inside(history, found)
    return np.asarray(read | confirmed)


def escalate(
    findings: Iterable[Finding], lines: Sequence[Line], since: Mapping[int, float | None], settings: Settings
) -> Iterator[Finding]:
    """Findings with how long their points have waited for grease, while they last (None: nothing proves that it ever arrived), and
    which of those steering or braking depends on; what has waited too long is for now, and so is a reservoir that nothing leaves."""
    for found in findings:
        nothing = _delivers_nothing(found, settings)
        told = replace(found, severity="act_now") if nothing else found
        if not found.open or not (FINDING_KINDS[found.kind].dries or nothing):
            yield told
            continue
        concerned = [line for line in lines if line.line in found.lines or not found.lines]
        critical = [line for line in concerned if line.critical]
        known = [h for line in concerned if (h := since[line.line]) is not None]
        longest = max(known, default=None)
        evidence, severity, summary = {**told.evidence, "hours_since_grease": longest}, told.severity, told.summary
        if known and len(known) < len(concerned):  # the longest may be one of those that nobody knows
            evidence["points_not_proven"] = len(concerned) - len(known)
        if longest is not None and longest >= settings.dry_act_now_h:
            severity = "act_now"
        if critical:
            evidence["critical_points"] = len(critical)
            summary = also(summary, _judged_by_somebody(critical))
        yield replace(told, severity=severity, evidence=evidence, summary=summary)


def _judged_by_somebody(critical: Sequence[Line]) -> Said:
    """What is said of points that steering or braking depends on and that may be dry."""
    named = ", ".join(f"{line.line} ({line.point})" for line in critical[:_NAMED])
    judge = say("It is for a qualified person to judge before the vehicle goes back on the road.")
    if len(critical) == 1:
        return say("Steering or braking depends on this point, which may be dry: line {line}.", line=named).then(judge)
    if len(critical) <= _NAMED:
        return say("Steering or braking depends on these points, which may be dry: lines {lines}.", lines=named).then(
            judge
        )
    left = len(critical) - _NAMED
    return say(
        "Steering or braking depends on these points, which may be dry: lines {lines} and {left} more.",
        lines=named,
        left=left,
    ).then(judge)


def _delivers_nothing(found: Finding, settings: Settings) -> bool:
    """Whether so little grease leaves the reservoir that the points run dry."""
    if found.kind != "under_delivery":
        return False
    return bool(found.evidence["cm3_per_cycle"] < settings.dry_ratio * found.evidence["expected_cm3_per_cycle"])


def inside(history: History, found: Finding) -> NDArray[np.bool_]:
    """(cycles,) which of them ran while a finding lasted."""
    at_us = history.cycles.at_us
    return np.asarray(
        (at_us >= found.began_us) & (at_us < (found.ended_us if found.ended_us is not None else FOREVER_US))
    )
