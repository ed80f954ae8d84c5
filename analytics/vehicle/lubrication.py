"""The number behind it all: for each point, ignition hours since grease last surely arrived."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Finding
from analytics.kinds import FINDING_KINDS, LINE_FAULTS
from analytics.settings import Settings
from analytics.vehicle.history import History
from ingest.setups import Line
from ingest.times import FOREVER_US

_NAMED: Final = 4  # points of a sentence


def hours_since(history: History, findings: Iterable[Finding], flaws: NDArray[np.bool_]) -> dict[int, float | None]:
    """Line -> ignition hours since a cycle that has no flaw (`confirmation.flawed`; air in place of grease) and whose pressures call
    neither the line nor the pump wrong; or since somebody greased the point by hand. None where that never was.

    Cycles whose messages were lost count for nothing: nobody knows what their pressures were.
    """
    if not len(history.heard_h):
        return {line.line: None for line in history.setup.lines}
    now_h = float(history.heard_h[-1])
    pumped = ~flaws
    for found in findings:
        if found.kind == "starved_pump":
            pumped &= ~_inside(history, found)
    out: dict[int, float | None] = {}
    for line in history.setup.lines:
        arrived = pumped.copy()
        for found in findings:
            if found.kind in LINE_FAULTS and line.line in found.lines:
                arrived &= ~_inside(history, found)
        hours = [float(history.cycle_h[np.flatnonzero(arrived)[-1]])] if arrived.any() else []
        hours += [
            float(np.interp(work.at_us, history.heard_us, history.heard_h))
            for work in history.work
            if work.kind == "greased_by_hand" and (not work.lines or line.line in work.lines)
        ]
        out[line.line] = round(max(0.0, now_h - max(hours)), 1) if hours else None
    return out


def escalate(
    findings: Iterable[Finding], lines: Sequence[Line], since: Mapping[int, float | None], settings: Settings
) -> Iterator[Finding]:
    """Findings with how long their points have waited for grease, while they last, and which of those steering or braking depends on;
    what has waited too long is for now."""
    for found in findings:
        if not found.open or not FINDING_KINDS[found.kind].dries:
            yield found
            continue
        concerned = [line for line in lines if line.line in found.lines or not found.lines]
        critical = [line for line in concerned if line.critical]
        hours = [h for line in concerned if (h := since[line.line]) is not None]
        evidence, severity, summary = dict(found.evidence), found.severity, found.summary
        if hours:
            evidence["hours_since_grease"] = max(hours)
            severity = "act_now" if max(hours) >= settings.dry_act_now_h else severity
        if critical:
            evidence["critical_points"] = len(critical)
            summary += f" {_judged_by_somebody(critical)}"
        yield replace(found, severity=severity, evidence=evidence, summary=summary)


def _judged_by_somebody(critical: Sequence[Line]) -> str:
    """What is said of points that steering or braking depends on and that may be dry."""
    named = ", ".join(f"line {line.line} ({line.point})" for line in critical[:_NAMED])
    more = f" and {len(critical) - _NAMED} more" if len(critical) > _NAMED else ""
    points = "this point" if len(critical) == 1 else "these points"
    return (
        f"Steering or braking depends on {points}, which may be dry: {named}{more}."
        " It is for a qualified person to judge before the vehicle goes back on the road."
    )


def _inside(history: History, found: Finding) -> NDArray[np.bool_]:
    at_us = history.cycles.at_us
    return np.asarray(
        (at_us >= found.began_us) & (at_us < (found.ended_us if found.ended_us is not None else FOREVER_US))
    )
