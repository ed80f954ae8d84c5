"""What was found where findings sent somebody: how often they were true, what else it was, and who was sent in vain."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from analytics.kinds import FINDING_KINDS
from analytics.statistics.rates import Share, share
from ingest.languages import cldr, later, trn
from ingest.times import DAY_US
from ingest.work import Found

LATEST: Final = 40  # verdicts of a kind: older ones were about findings of another time
IN_VAIN: Final = 2  # visits that found nothing wrong, within IN_VAIN_DAYS: somebody should look at what is set
IN_VAIN_DAYS: Final = 365

# Causes that are offered where something is recorded (common practice, no source); anything else may be written.
CAUSES: Final = (
    later("dirt or hardened grease"), later("tube crushed or chafed"), later("fitting loose or broken"),
    later("joint seized"), later("wrong grease filled"), later("reservoir ran empty"),
    later("wiring or connector"), later("fuse or supply"), later("sensor"),
    later("timer set otherwise"), later("damage from outside"),
)  # fmt: skip
# What somebody may set right where findings of a kind sent people in vain. Nothing is set by itself: nobody would know of it.
SET_RIGHT: Final = {
    "blocked_line": later(
        "see that relief pressure and line list are registered as they are; record 'Line cleared or replaced' where it was"
        " changed, so that its pressure is learned anew"
    ),
    "open_line": later(
        "see that the channel on the line list is the one that watches this line; record 'Line cleared or replaced' where it was"
        " changed, so that its pressure is learned anew"
    ),
    "starved_pump": later(
        "see that low mark and reservoir are registered as they are; record 'System bled' when it was"
    ),
    "missed_cycles": later(
        "see that the interval is registered as the timer has it, and record 'Timer set' where it was changed"
    ),
    "incomplete_cycles": later("see that run time and confirmation are registered as they are"),
    "timer_mismatch": later(
        "register the interval and run time that the timer is meant to have, or record 'Timer set'"
    ),
    "reservoir_loss": later("see that reservoir and doses are registered as they are"),
    "under_delivery": later("see that reservoir and doses are registered as they are"),
    "overfill": later("see where the full mark lies by the level sensor, and record 'Sensor replaced' where it was"),
    "low_level": later("see where the low mark lies by the level sensor, and register it so"),
    "level_sensor": later(
        "register the level sensor as it is: percent, switch or none; record 'Sensor replaced' where it was"
    ),
    "pressure_sensor": later("see that the channel on the line list is there; record 'Sensor replaced' where it was"),
    "silent": later("record 'Laid up' or 'In the workshop' while a vehicle stands; enter the depot's closed days"),
    "controller_fault": later("see what the controller's own limits are set to"),
}


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What somebody found, and whose it is."""

    vehicle_id: int
    fleet: str
    vehicle: str
    unit: str
    vehicle_class: str
    kind: str
    at_us: int
    found: Found
    cause: str | None


@dataclass(frozen=True, kw_only=True)
class Tally:
    """Of the latest findings of a kind that somebody looked at: how many were as told (`true`, with exact limits), had another cause,
    were nothing."""

    kind: str
    group: str
    true: Share
    other_cause: int
    nothing: int


def tallies(verdicts: Iterable[Verdict], group: Callable[[Verdict], str] = lambda one: "") -> list[Tally]:
    """By kind and group, in the order of the kinds."""
    by = defaultdict[tuple[str, str], list[Verdict]](list)
    for one in sorted(verdicts, key=lambda v: -v.at_us):
        by[one.kind, group(one)].append(one)
    order = {kind: n for n, kind in enumerate(FINDING_KINDS)}
    keys = sorted((key for key in by if key[0] in order), key=lambda key: (order[key[0]], key[1]))
    return [tally(kind, by[kind, name], name) for kind, name in keys]


def tally(kind: str, latest_first: Sequence[Verdict], group: str = "") -> Tally:
    """Of at least one verdict of a kind."""
    counted = Counter(one.found for one in latest_first[:LATEST])
    of = sum(counted.values())
    return Tally(
        kind=kind,
        group=group,
        true=share(counted["as_told"], of),
        other_cause=counted["other_cause"],
        nothing=counted["nothing"],
    )


def sentence(told: Tally) -> str:
    """Of the last 40 of this kind that somebody looked at, 37 were as told ..."""
    of, true = told.true.of, told.true.hits
    said = [trn("{n} was as told", "{n} were as told", true)]
    if told.other_cause:
        said.append(trn("{n} had another cause", "{n} had another cause", told.other_cause))
    if told.nothing:
        said.append(trn("{n} was nothing", "{n} were nothing", told.nothing))
    return trn(
        "Of the one of this kind that somebody looked at, {found} (95 % limits of being as told: {low} to {high} %).",
        "Of the last {n} of this kind that somebody looked at, {found} (95 % limits of being as told: {low} to {high} %).",
        of,
        found=", ".join(said), low=cldr.decimal(100 * told.true.ci_low, 0), high=cldr.decimal(100 * told.true.ci_high, 0),
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class InVain:
    """Where somebody was sent in vain at least IN_VAIN times within a year: a vehicle (None: any) and a kind, and what to set right."""

    vehicle: Verdict | None
    kind: str
    times: int
    set_right: str


def in_vain(verdicts: Iterable[Verdict], now_us: int) -> list[InVain]:
    """First vehicles, the most often first; then kinds that were nothing on several vehicles."""
    late = [
        v for v in verdicts if v.found == "nothing" and v.at_us > now_us - IN_VAIN_DAYS * DAY_US and v.kind in SET_RIGHT
    ]
    of_vehicle, of_kind = defaultdict[tuple[int, str], list[Verdict]](list), defaultdict[str, set[int]](set)
    times = Counter(one.kind for one in late)
    for one in late:
        of_vehicle[one.vehicle_id, one.kind].append(one)
        of_kind[one.kind].add(one.vehicle_id)
    told = [
        InVain(vehicle=found[0], kind=kind, times=len(found), set_right=SET_RIGHT[kind])
        for (_, kind), found in of_vehicle.items()
        if len(found) >= IN_VAIN
    ]
    told.sort(key=lambda one: (-one.times, one.kind, one.vehicle.vehicle if one.vehicle else ""))
    return told + [
        InVain(vehicle=None, kind=kind, times=times[kind], set_right=SET_RIGHT[kind])
        for kind, vehicles in sorted(of_kind.items(), key=lambda item: (-times[item[0]], item[0]))
        if len(vehicles) >= IN_VAIN
    ]


def causes(verdicts: Iterable[Verdict]) -> list[tuple[str, str, int]]:
    """(kind, cause, how often), the most frequent first, of findings that had another cause."""
    written: dict[str, str] = {}
    counted = Counter[tuple[str, str]]()
    for one in verdicts:
        if one.found == "other_cause" and one.cause and one.kind in FINDING_KINDS:
            key = " ".join(one.cause.split()).casefold()
            counted[one.kind, written.setdefault(key, " ".join(one.cause.split()))] += 1
    return [
        (kind, cause, number) for (kind, cause), number in sorted(counted.items(), key=lambda item: (-item[1], item[0]))
    ]
