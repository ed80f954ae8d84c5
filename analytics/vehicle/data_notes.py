"""Problems of the data itself, in words."""

from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from analytics.kinds import LINE_FAULTS
from analytics.vehicle.analysis import Result
from analytics.vehicle.history import History
from analytics.vehicle.idle import idle_since_us
from analytics.vehicle.lubrication import odd_from_the_start, several_controllers
from analytics.vehicle.missed import runs_unheard
from analytics.vehicle.pressure.exchanged import FEWEST_CHANNELS
from analytics.vehicle.pressure.readings import LEAST_RELIEF_KPA
from analytics.vehicle.wording import where
from ingest.languages import later
from ingest.languages.saying import number, on_day, say
from ingest.times import DAY_US, FOREVER_US, HOUR_US, instant

_BLOCKED: Final = later(
    "{where} has had {ratio} times the pressure of {alike} since it was first heard: it may have been blocked from the start, which its own"
    " past cannot tell."
)
_OPEN: Final = later(
    "{where} has had {ratio} times the pressure of {alike} since it was first heard: it may have been open from the start, which its own"
    " past cannot tell."
)
_FRESH_H: Final = 100.0  # a new controller counts from about nothing, or goes on
_SWAPPED_US: Final = 7 * DAY_US  # from the swap to its record, or to the first message
_BY_A_BRIDGE: Final = 0.1  # of all messages, that came twice; a controller may repeat itself now and then
_LIFE_CYCLES: Final = 100  # of a controller before a restart that is none of every day
_WORKING_DAYS: Final = 3  # somebody may move it, or try whether it starts


def notes(result: Result) -> list[str]:
    """Problems of the data itself, in words."""
    history, found = result.history, list[str]()
    if history.undated:
        found.append(
            say("{count} messages carry a time that cannot be right; no finding rests on them.", count=history.undated)
        )
    if history.corrected:
        found.append(
            say(
                "The controller's clock was wrong; the times of {count} messages were put right.",
                count=history.corrected,
            )
        )
    if history.repeated > _BY_A_BRIDGE * len(history.heard_us):
        found.append(
            say(
                "{count} messages came once more under other numbers, as from a bridge that sends them twice; each counts once.",
                count=history.repeated,
            )
        )
    if several_controllers(history) is not None:
        found.append(
            say(
                "Two controllers send under this name by turns: their counters and readings are mixed; give each its own name."
            )
        )
    found += [*_another_vehicles(history), *_unknown_hours(result), *_works_though_away(history)]
    unknown = [name for name in history.cycles.channels if name not in history.setup.channels]
    found += _fill_differences(result)
    for channel, (ratio, sisters) in odd_from_the_start(result.pressures, history.setup).items():
        alike = (
            say("lines like it on {vehicles} sister vehicles", vehicles=sisters) if sisters else say("lines like it")
        )
        text = _BLOCKED if ratio > 1 else _OPEN
        found.append(say(text, where=where(channel, history.setup), ratio=number(ratio, 1), alike=alike))
    found += [*_not_as_it_seems(result), *_with_a_restart(result)]
    found += [*_units(result), *_level_unit(result)]
    failed_us = result.pressures.thermometer_failed_us
    if failed_us is not None:
        at = instant(failed_us).astimezone(ZoneInfo(history.setup.timezone))
        found.append(
            say(
                "Since {day} the thermometer shows what cannot be true; no finding rests on it, and those about lines are less sure without"
                " it.",
                day=on_day(at),
            )
        )
    if unknown:
        left_out = history.cycles.left_out
        names = ", ".join(unknown)
        if left_out:
            text = later(
                "Pressure channels that no line list names: {channels}, and {left} more, which nothing looks at."
            )
            found.append(say(text, channels=names, left=left_out))
        else:
            found.append(say("Pressure channels that no line list names: {channels}.", channels=names))
    return found


def _not_as_it_seems(result: Result) -> list[str]:
    """What the readings show that may be the set-up sheet or the device as well as the lines."""
    history, found = result.history, list[str]()
    for episode in result.reservoir.unfitted[-1:]:
        at = instant(episode.began_us).astimezone(ZoneInfo(history.setup.timezone))
        text = later(
            "About {day} a set-up added points, but no more grease left the reservoir than before: they were not fitted yet, or got none."
        )
        found.append(say(text, day=on_day(at)))
    for channel in result.pressures.perhaps_blocked:
        text = later(
            "{where} has stood at relief pressure since it was first heard: it is blocked, or the set-up sheet gives too low a relief"
            " pressure."
        )
        found.append(say(text, where=where(channel, history.setup)))
    for exchanged_us in result.pressures.exchanged_us[-1:]:
        at = instant(exchanged_us).astimezone(ZoneInfo(history.setup.timezone))
        text = later(
            "With the controller's restart on {day} most pressures jumped, each by another share: its sensors or the controller were"
            " exchanged. They are held against what they read since; whether a line changed that day is not known."
        )
        found.append(say(text, day=on_day(at)))
    return found


def _with_a_restart(result: Result) -> list[str]:
    """Findings about pressures that began with another life of the controller, where no other channels tell whether it was the device: a
    person has to look at both."""
    history, boot = result.history, result.history.cycles.boot
    begins = np.flatnonzero(np.r_[True, boot[1:] != boot[:-1]][: len(boot)])
    restarts = begins[1:][np.diff(begins) >= _LIFE_CYCLES]  # what restarts every day tells nothing by it
    few, found = len(result.pressures.channels) < FEWEST_CHANNELS, list[str]()
    for one in result.findings:
        if not one.open or not (one.kind == "starved_pump" or (few and one.kind in LINE_FAULTS)):
            continue
        since = int(np.searchsorted(history.cycles.at_us, one.began_us, "right")) - 1 - restarts
        if ((since == 0) | (since == 1)).any():
            at = instant(one.began_us).astimezone(ZoneInfo(history.setup.timezone))
            text = later(
                "{where}: the pressure has been another one since the controller's restart on {day}. If it or a sensor was exchanged then,"
                " that may be all; the readings cannot tell. Look at the line as well, and record what was exchanged."
            )
            place = say("All lines") if one.channel is None else where(one.channel, history.setup)
            found.append(say(text, where=place, day=on_day(at)))
    return found


def _unknown_hours(result: Result) -> list[str]:
    """What nobody knows for want of cycles that are told, or of a meter that counts."""
    history, found = result.history, list[str]()
    if history.counter_stands and history.metered and history.unmetered_us is None:
        found.append(
            say(
                "The controller's cycle counter does not move: cycles are counted by their messages and held against the hour meter; where"
                " a message was lost nobody knows whether a cycle ran."
            )
        )
    elif history.counter_stands:
        found.append(
            say(
                "The controller's cycle counter does not move and no hour meter counts: cycles that never run would not be noticed, and"
                " doses between those that were heard of are not proven."
            )
        )
    if not result.audit.by_clock:
        found.append(
            say(
                "Its cycles come after irregular ignition hours: they are started by no clock but by something like strokes or turns that"
                " are counted. Whether cycles were missed cannot be told."
            )
        )
    if runs_unheard(history):
        found.append(
            say(
                "No cycle was ever heard of, although the level falls as if the pump ran: nothing tells whether grease arrives."
            )
        )
    idle_us = idle_since_us(history)
    if idle_us is not None:
        at = instant(idle_us).astimezone(ZoneInfo(history.setup.timezone))
        text = later(
            "It has been heard since {day}, but no cycle of its pump: it stands, or its pump is dead. Without an hour meter or messages of"
            " the ignition nothing tells which: ask, and press the test button."
        )
        found.append(say(text, day=on_day(at)))
    for stood in history.stood_still[-1:]:
        from_, to = (on_day(instant(us).astimezone(ZoneInfo(history.setup.timezone))) for us in stood)
        text = later(
            "From {day} to {end} the hour meter counted nothing while the pump went on: cycles that never ran then would not have been"
            " noticed, and doses of that time are not proven."
        )
        found.append(say(text, day=from_, end=to))
    if history.unmetered_us is not None:
        at = instant(history.unmetered_us).astimezone(ZoneInfo(history.setup.timezone))
        found.append(
            say(
                "The hour meter has counted nothing since {day}, while the pump went on: hours since grease are not known, and cycles that"
                " never run would not be noticed.",
                day=on_day(at),
            )
        )
    return found


def _another_vehicles(history: History) -> list[str]:
    """The latest controller that came without a record of its swap, with the hours of a machine that is older or younger: it may be that of
    another vehicle, whose readings are taken for this one's."""
    kinds = history.cycles, history.ignitions
    at_us, read, boot = (
        np.concatenate([getattr(rows, name) for rows in kinds]) for name in ("at_us", "engine_h", "boot")
    )
    order = np.argsort(at_us, kind="stable")
    order = order[np.isfinite(read[order])]
    at_us, read, boot = at_us[order], read[order], boot[order]
    changes = np.flatnonzero(boot[1:] != boot[:-1]) + 1
    if not len(changes) or several_controllers(history) is not None:
        return []
    new = int(changes[-1])
    before, now, passed_h = float(read[new - 1]), float(read[new]), (at_us[new] - at_us[new - 1]) / HOUR_US
    fresh = now < _FRESH_H or -_FRESH_H < now - before < passed_h + _FRESH_H
    swapped = any(
        one.kind == "controller_swapped" and abs(one.at_us - at_us[new]) < _SWAPPED_US for one in history.work
    )
    if fresh or swapped:
        return []
    at = instant(int(at_us[new])).astimezone(ZoneInfo(history.setup.timezone))
    text = later(
        "Since {day} another controller sends under this name, and its hour meter read {hours} h, {before} h before: is it that of another"
        " vehicle? Record the swap of the controller if it was fitted here."
    )
    return [say(text, day=on_day(at), hours=number(now, 0), before=number(before, 0))]


def _works_though_away(history: History) -> list[str]:
    """A vehicle whose alarms are hidden since it is laid up or sold, and whose pump runs day by day."""
    away = history.away()
    if not away or away[-1][1] != FOREVER_US:
        return []
    at_us = history.cycles.at_us
    days = len(np.unique(at_us[at_us > away[-1][0] + DAY_US] // DAY_US))
    if days < _WORKING_DAYS:
        return []
    at = instant(away[-1][0]).astimezone(ZoneInfo(history.setup.timezone))
    text = later(
        "It is recorded as laid up or sold since {day}, but its pump has run on {days} days since: its alarms stay hidden until it is"
        " recorded as back."
    )
    return [say(text, day=on_day(at), days=days)]


def _units(result: Result) -> list[str]:
    """Pressures that look as if they were given in another unit."""
    setup, peak = result.history.setup, result.history.cycles.peak_kpa
    if setup.relief_kpa < LEAST_RELIEF_KPA:
        return [
            say(
                "The set-up sheet gives a relief pressure of {pressure} kPa; it is taken for bar. Register it in kPa.",
                pressure=number(setup.relief_kpa),
            )
        ]
    ever = peak[np.isfinite(peak) & (peak > 0)]
    if not setup.channels or len(ever) < _UNIT_READINGS:
        return []
    highest = float(np.percentile(ever[-_UNIT_READINGS:], 95))
    if highest < 0.0125 * setup.relief_kpa:
        return [
            say(
                "The pressures of all channels lie below {highest} kPa, with a relief pressure of {relief} kPa: are they readings in bar?"
                " No finding about a line rests on them.",
                highest=number(highest, 0),
                relief=number(setup.relief_kpa),
            )
        ]
    # A pump that draws air for a while has low pressures, too: this one has never had others.
    highest = float(np.percentile(ever, 95))
    if highest < _AS_PSI * setup.relief_kpa:
        return [
            say(
                "The pressures of all channels have always been below {highest} kPa, with a relief pressure of {relief} kPa: are they"
                " readings in psi, or does the set-up sheet give too high a relief pressure? A line at relief would not be seen.",
                highest=number(highest, 0),
                relief=number(setup.relief_kpa),
            )
        ]
    return []


def _level_unit(result: Result) -> list[str]:
    """Level readings that look as if they were shares of 1."""
    pct = result.history.levels.level_pct
    latest = pct[np.isfinite(pct)][-_UNIT_READINGS:]
    if len(latest) < _UNIT_READINGS or latest.max() > 1.0 or latest.min() < 0 or np.ptp(latest) < _SHARES_APART:
        return []
    return [
        say(
            "The latest {readings} level readings lie between {lowest} and {highest} %: are they shares of 1? They are taken for percent,"
            " so that the reservoir seems to be empty.",
            readings=len(latest),
            lowest=number(float(latest.min()), 2),
            highest=number(float(latest.max()), 2),
        )
    ]


_UNIT_READINGS: Final = 50
# Of relief: sound systems press some line to a sixth of it at least (common practice, no source), in psi that is a fortieth, and relief
# itself a seventh.
_AS_PSI: Final = 0.12


_SHARES_APART: Final = 0.2  # an empty reservoir reads about the same all the while


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
        if work.litres is not None:
            fill = say("A fill of {litres} l", litres=number(work.litres, 1))
        else:
            fill = say("A fill up to {level} %", level=number(work.to_pct or 0, 0))
        if not near:
            if (levels.at_us > work.at_us).sum() >= 3 and not result.reservoir.by_counting:
                said.append(
                    say("{fill} was recorded for {day}, but the level readings show none.", fill=fill, day=on_day(at))
                )
            continue
        seen = sum(fill.litres for fill in near)
        off = abs(seen - work.litres) if work.litres is not None else 0.0
        if off > _FILL_DIFFERENCE * setup.reservoir_l:
            said.append(
                say(
                    "{fill} was recorded for {day}; the level readings show {seen} l: spilt, written down wrongly, or filled elsewhere.",
                    fill=fill,
                    day=on_day(at),
                    seen=number(seen, 1),
                )
            )
    return said
