"""What a timer's setting means, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ingest.languages import cldr, later, tr

if TYPE_CHECKING:
    from analytics.planning.timer import Setting
    from ingest.setups import Setup


def as_found(setup: Setup, now: Setting) -> list[str]:
    """Where the timer keeps another setting than the sheet's: what is told of it then is by its cycles."""
    told = list[str]()
    if now.interval_min != setup.interval_min:
        seen, registered = cldr.decimal(now.interval_min, 1), cldr.plain(setup.interval_min)
        text = later("Cycles come every {seen} min of ignition time; the set-up sheet says {registered} min.")
        told.append(tr(text, seen=seen, registered=registered))
    if now.run_s != setup.run_s:
        seen, registered = cldr.decimal(now.run_s, 0), cldr.plain(setup.run_s)
        told.append(
            tr("Cycles run for {seen} s; the set-up sheet says {registered} s.", seen=seen, registered=registered)
        )
    return told


def facts(now: Setting, then: Setting) -> list[str]:
    """Cycles a day, days of a reservoir and days to the low mark, under the present setting and another."""

    def told(what: str, before: float | None, after: float | None, unit: str) -> str:
        if before is None or after is None:
            return tr("{what}: not known yet", what=what)
        amounts = cldr.decimal(before, 1) if now == then else f"{cldr.decimal(before, 1)} -> {cldr.decimal(after, 1)}"
        return f"{what}: {amounts} {unit}"

    early, middle = zip(now.due_days[:2], then.due_days[:2], strict=True)
    if middle == (0, 0):  # a window that has begun counts no days
        low = [tr("Low mark most likely reached already")]
    else:
        begun = early == (0, 0)
        low = [
            tr("Low mark perhaps reached already")
            if begun
            else told(tr("Low mark reached at the earliest in"), *early, tr("days")),
            told(tr("Low mark most likely reached in"), *middle, tr("days")),
        ]

    return [
        told(tr("Cycles"), now.cycles_per_day, then.cycles_per_day, tr("a day")),
        told(tr("A full reservoir lasts"), now.reservoir_days, then.reservoir_days, tr("days")),
        *low,
    ]
