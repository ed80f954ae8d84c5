"""Hour meters that somebody else reads, such as a telematics server: they stand in where the controller has no meter of its own.

They come as states whose boot begins with `METER_BOOT`, then says its rank and its source. They tell hours and nothing else: neither that
the controller was heard, nor that it was online.
"""

from dataclasses import replace

import numpy as np

from analytics.vehicle.hour_meter import RESET_H, alone
from analytics.vehicle.ignition import Heard
from ingest.arrays import States, chosen, numbered, of_each
from ingest.messages import METER_BOOT
from ingest.times import EARLIEST_US


def split(states: States) -> tuple[States, States]:
    """(states of the controller, readings of meters elsewhere)."""
    outside = np.char.startswith(states.boot, METER_BOOT) if len(states) else np.zeros(0, bool)
    return chosen(states, ~outside), chosen(states, outside & ~np.isnan(states.engine_h))


def usable(readings: States) -> States:
    """Readings in order of time, of one source at any time: the one of the lowest rank that is there. Each life of a meter has a boot of
    its own, since hours count within a boot only. One of a time before there were any would have its source cover all since."""
    readings = chosen(readings, readings.at_us >= EARLIEST_US)
    kept = []
    firsts, lasts = np.zeros((2, 0), np.int64)  # of stretches that are covered, ascending, none touching another
    for rows in of_each(numbered(readings.boot), np.arange(len(readings))):  # in order of rank, which stands in front
        source, mine = readings.boot[rows[0]], chosen(readings, rows)
        mine = chosen(mine, np.lexsort((mine.engine_h, mine.at_us)))
        mine = chosen(mine, ~alone(mine.engine_h))
        life = np.cumsum(np.diff(mine.engine_h, prepend=mine.engine_h[:1]) < -RESET_H)
        free = np.searchsorted(firsts, mine.at_us, "right") == np.searchsorted(lasts, mine.at_us)
        kept.append(chosen(mine, free, boot=np.char.add(f"{source}#", life[free].astype(str))))
        if len(mine):
            first, last = mine.at_us[[0, -1]]
            met = slice(*np.searchsorted(lasts, [first]), *np.searchsorted(firsts, [last], "right"))
            first, last = min([first, *firsts[met]]), max([last, *lasts[met]])
            firsts = np.r_[firsts[: met.start], first, firsts[met.stop :]]
            lasts = np.r_[lasts[: met.start], last, lasts[met.stop :]]
    if not kept:
        return readings
    joined = {
        name: np.concatenate([getattr(one, name) for one in kept])
        for name in ("boot", "seq", "at_us", "sent_us", "received_us", "engine_h", "online")
    }
    return States(**joined)


def going_on(readings: States, since_us: int) -> States:
    """Those that stand in since a time at which the controller's own meter counted last, the first of them as it would have been read then;
    none where they do not reach on from there."""
    readings = usable(readings)
    order = np.argsort(readings.at_us, kind="stable")
    readings = chosen(readings, order)
    after = int(np.searchsorted(readings.at_us, since_us, "right"))
    if not 0 < after < len(readings) - 1 or readings.boot[after] != readings.boot[after - 1]:
        return chosen(readings, np.zeros(0, np.int64))
    at_us, read = readings.at_us.copy(), readings.engine_h.copy()
    read[after - 1] = np.interp(since_us, at_us[after - 1 : after + 1], read[after - 1 : after + 1])
    at_us[after - 1] = since_us
    return chosen(replace(readings, at_us=at_us, engine_h=read), np.arange(after - 1, len(readings)))


def without(heard: Heard, number: int) -> Heard:
    """Hours at what was heard of the controller, the last `number` rows of what they were made of left out."""
    if not number:
        return heard
    own, meters = heard.row[:-number], heard.row[-number:]
    stays = np.ones(len(heard.at_us), bool)
    stays[meters] = False
    place = np.cumsum(stays) - 1
    return replace(
        heard,
        at_us=heard.at_us[stays], hours=heard.hours[stays], sure=heard.sure[stays], seq=heard.seq[stays], boot=heard.boot[stays],
        row=place[own], doubts=heard.doubts[stays],
    )  # fmt: skip
