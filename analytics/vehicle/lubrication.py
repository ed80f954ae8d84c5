"""The number behind it all: for each point, ignition hours since grease last surely arrived."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Finding
from analytics.kinds import FINDING_KINDS, LINE_FAULTS
from analytics.settings import Settings
from analytics.vehicle.history import History
from ingest.times import FOREVER_US


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


def escalate(findings: Iterable[Finding], since: Mapping[int, float | None], settings: Settings) -> Iterator[Finding]:
    """Findings with how long their points have waited for grease, while they last; what has waited too long is for now."""
    for found in findings:
        hours = [h for line, h in since.items() if h is not None and (line in found.lines or not found.lines)]
        if not found.open or not FINDING_KINDS[found.kind].dries or not hours:
            yield found
            continue
        longest = max(hours)
        severity = "act_now" if longest >= settings.dry_act_now_h else found.severity
        yield replace(found, severity=severity, evidence={**found.evidence, "hours_since_grease": longest})


def _inside(history: History, found: Finding) -> NDArray[np.bool_]:
    at_us = history.cycles.at_us
    return np.asarray(
        (at_us >= found.began_us) & (at_us < (found.ended_us if found.ended_us is not None else FOREVER_US))
    )
