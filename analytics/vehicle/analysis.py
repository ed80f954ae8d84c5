"""The analysis of one vehicle: (set-ups, messages, as-of) -> findings, fills and refill forecast. No clock, no database."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.fills import Fill
from analytics.findings import Episode, Finding
from analytics.hand import HandState
from analytics.refills import Refill
from analytics.settings import DEFAULTS, Settings
from analytics.vehicle import confirmation, controller, cycles, hand_points, level, outside_meters, pressure, silence
from analytics.vehicle.archive import Past, fills_with, findings_with
from analytics.vehicle.causes import by_cause
from analytics.vehicle.checkpoints import Checkpoint, Checkpoints
from analytics.vehicle.commissioning import Handover, handover
from analytics.vehicle.cycles import Audit
from analytics.vehicle.hand_points import Meter
from analytics.vehicle.history import History, build
from analytics.vehicle.level import Reservoir, draws_air
from analytics.vehicle.lubrication import escalate, hours_since, unproven_from_the_start
from analytics.vehicle.peers import Sister
from analytics.vehicle.pressure import Pressures
from analytics.vehicle.pressure.sister_lines import SisterChannel
from analytics.vehicle.refill import filled_to, forecast
from analytics.vehicle.standing import NO_YARD, Yard
from analytics.vehicle.wording import beside_handover, to_finding
from ingest.arrays import Messages
from ingest.setups import Setup
from ingest.work import Work

_ABOVE_PCT: Final = 2.0  # as sure as a level is


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
    flaws: NDArray[np.bool_]  # (cycles,) which of them did not do their work, or pumped air
    hour_meters: tuple[Meter, ...] = ()  # that hours of points greased by hand are counted by, the best first
    hand: tuple[HandState, ...] = ()  # how points greased by hand stand
    checkpoints: tuple[Checkpoint, ...] | None = None  # to be kept in place of those that were; None: they stand

    @property
    def max_hours_since_grease(self) -> float | None:
        """Ignition hours that the point that waits longest has waited for grease; None where that may be one of which nobody knows."""
        known = [hours for hours in self.hours_since_grease.values() if hours is not None]
        longest = max(known, default=None)
        every = len(known) == len(self.hours_since_grease) or (longest or 0.0) >= DEFAULTS.dry_act_now_h
        return longest if every else None

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
    yard: Yard = NO_YARD,
    recorded_since_us: int | None = None,
    sister_channels: Sequence[SisterChannel] = (),
    checkpoints: Checkpoints | None = None,
) -> Result:
    """The analysis at `as_of_us`: nothing later is used. `past` is what is kept of the time before messages were thinned,
    `work` what people recorded, `sisters` what lends a calendar to a vehicle that was heard for a few days only, `yard` what is
    known of its depot, `recorded_since_us` when anything of its fleet was heard first, `sister_channels` what lines like its own
    read on other vehicles, `checkpoints` what earlier analyses of the vehicle put down: the answer is the same without."""
    checkpoints = checkpoints or Checkpoints()
    history = build(messages, setups, as_of_us, work)
    audit = cycles.analyse(history, settings, checkpoints)
    tank = level.analyse(history, audit, settings, checkpoints)
    fills_us = tuple(fill.at_us for fill in tank.fills)
    pressures = pressure.analyse(history, fills_us, settings, sister_channels, checkpoints)
    flaws = confirmation.flawed(history, pressures.explained, settings)
    episodes = [
        *audit.episodes,
        *silence.analyse(history, settings, recorded_since_us, yard.closed),
        *controller.analyse(history, settings),
        *(_filled(episode, history, tank) for episode in tank.episodes),
        *_lone_channel(pressures, tank, history),
        *confirmation.analyse(history, flaws, pressures.explained, settings),
    ]
    told = by_cause(episodes, history, tank.used_pct)
    otherwise = [*(s for s in told if s.kind in ("reservoir_loss", "under_delivery")), *tank.unfitted]
    if not any(s.ended_us is None for s in otherwise):
        tank = replace(tank, dose_ratio=tank.baseline_dose_ratio)
    findings = findings_with(past, [to_finding(episode, history) for episode in told], as_of_us)
    flaws = flaws | _without_grease(history, tank, pressures)
    since = hours_since(history, findings, flaws, settings, unproven_from_the_start(pressures, history.setup))
    refill = forecast(history, audit, tank, settings, sisters, yard)
    hours = hand_points.hour_meters(history, outside_meters.split(messages.states)[1])
    handed = handover(history, audit, tank, findings, settings)
    findings = [beside_handover(found, handed) for found in escalate(findings, history.setup.lines, since, settings)]
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
        flaws,
        tuple(hours),
        tuple(hand_points.states(history, hours)),
        checkpoints.to_keep(as_of_us),
    )


def _filled(episode: Episode, history: History, tank: Reservoir) -> Episode:
    """A low level ends with a fill that somebody recorded, until a reading says otherwise."""
    if episode.kind != "low_level" or episode.ended_us is not None or "by_switch" in episode.evidence:
        return episode
    after = max(episode.detected_us, tank.read_us or 0)
    mark = history.setup.low_mark_pct
    fills = [
        work.at_us
        for work in history.work
        if work.kind == "filled" and work.at_us > after and filled_to(work, history, tank) > mark
    ]
    return replace(episode, ended_us=fills[0]) if fills else episode


def _without_grease(history: History, tank: Reservoir, pressures: Pressures) -> NDArray[np.bool_]:
    """(cycles,) to which the level left no grease, as far as no pressure tells it: there is none, or the pump has drawn air since it was
    first heard, so that its pressures never were others."""
    air = draws_air(history, tank)
    if not pressures.channels or not air.any():
        return air
    unread = np.isnan(tank.level_at_cycle_pct)  # what ran before the first reading goes with it
    never = np.logical_and.accumulate(air | unread)
    return np.asarray(never & (never & air).any())


def _lone_channel(pressures: Pressures, tank: Reservoir, history: History) -> list[Episode]:
    """With one channel, nothing but the level tells a line that is off from a pump that draws air."""
    if len(pressures.channels) != 1:
        return list(pressures.episodes)
    return [
        replace(episode, kind="starved_pump", channel=None)
        if episode.kind == "open_line" and not _has_grease(tank, history, episode.detected_us)
        else episode
        for episode in pressures.episodes
    ]


def _has_grease(tank: Reservoir, history: History, at_us: int) -> bool:
    """Whether the level stands above the low mark, where pumps draw no air: by its reading, or by the switch at the mark."""
    setup, cycle = history.setup_of(at_us), int(np.searchsorted(history.cycles.at_us, at_us))
    if np.isfinite(tank.level_at_cycle_pct[cycle]):
        return bool(tank.level_at_cycle_pct[cycle] > setup.low_mark_pct + _ABOVE_PCT)
    faults = history.faults
    told = [i for i in np.flatnonzero(faults.at_us <= at_us) if faults.code[i] == "level_low"]
    return setup.level == "switch" and not (told and faults.active[told[-1]] == 1)
