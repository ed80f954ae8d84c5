"""What pages and commands show, as rows of text for files and other programs."""

from __future__ import annotations

import csv
import io
import math
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from analytics.kinds import FINDING_KINDS
from dashboard.exports import hand
from ingest import times
from ingest.languages import ENGLISH, speaking
from ingest.spreadsheets import guarded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.planning.usage import Amount
    from analytics.vehicle.analysis import Result
    from analytics.vehicle.line_conditions import LineCondition
    from dashboard.queries.alarms import AlarmRow
    from dashboard.queries.data import DataState
    from dashboard.queries.fleet import FleetRow
    from dashboard.queries.hand import HandDue
    from dashboard.queries.patterns import Patterns
    from dashboard.queries.rounds import Round
    from dashboard.queries.work import WorkRow
    from ingest.setups import Line, Setup


@speaking(ENGLISH)
def round_table(told: Round) -> list[dict[str, str]]:
    """A round as rows of text, for files; whose date nobody knows comes last, without one."""

    def also(who: tuple[str, str]) -> str:
        return "; ".join(FINDING_KINDS[f.kind].title for f in told.beside.get(who, ()))

    def undated(one: Setup | HandDue, grease: str, by_hand: str) -> dict[str, str]:
        unknown = {"litres": "", "grease": grease, "level_pct": "", "fill_by": ""}
        who = {"date": "", "depot": told.depot, "vehicle": one.vehicle, "unit": one.unit}
        heard = {"last_heard": ""}  # what is not known rests on nothing
        return who | unknown | {"also": also((one.fleet, one.vehicle)), "by_hand": by_hand} | heard

    planned = [
        {
            "date": (told.today + timedelta(days=visit.day)).isoformat(),
            "depot": told.depot,
            "vehicle": stop.need.vehicle,
            "unit": stop.need.unit,
            "litres": f"{stop.litres:.2f}",
            "grease": stop.need.grease,
            "level_pct": f"{stop.need.level_on(visit.day):.0f}" if stop.need.fills else "",
            "fill_by": (told.today + timedelta(days=int(stop.need.early_days))).isoformat(),
            "also": also((stop.need.fleet, stop.need.vehicle)),
            "by_hand": "; ".join(f"{one.number} {one.point}, {hand.amount(one)}" for one in stop.by_hand),
            "last_heard": _time(told.heard_us.get((stop.need.fleet, stop.need.vehicle))) or "",
        }
        for visit in told.visits
        for stop in visit.stops
    ]
    fills = [undated(one, one.grease_and_grade, "") for one in told.undated]
    points = [undated(one, "", f"{one.number} {one.point}, {hand.amount(one)}") for one in told.points_undated]
    return [*planned, *fills, *points]


@speaking(ENGLISH)
def fleet_table(rows: Sequence[FleetRow]) -> list[dict[str, str]]:
    """Vehicles as rows of text, for files."""

    def text(value: Any) -> str:
        return "" if value is None else str(value)

    def forecast(r: FleetRow) -> dict[str, str]:
        refill = r.detail.refill if r.detail else None
        due = (None,) * 3 if refill is None else (refill.due_early_us, refill.due_expected_us, refill.due_late_us)
        early, expected, late = (text(_time(at_us)) for at_us in due)
        return {
            "level_pct": text(refill and refill.level_pct), "due_early": early, "due_expected": expected, "due_late": late,
            "litres_to_full": text(refill and refill.litres_to_full),
        }  # fmt: skip

    def week(r: FleetRow) -> dict[str, str]:
        week: tuple[int | None, int | None] = (None, None)  # of who was not heard nobody knows
        if r.detail is not None and r.heard_this_week(times.now_us()):
            week = r.detail.week
        return dict(zip(("cycles_done_7_days", "cycles_expected_7_days"), map(text, week), strict=True))

    return [
        {
            "fleet": r.fleet, "vehicle": r.vehicle, "unit": r.unit, "depot": r.depot, "class": r.vehicle_class, "need": r.need,
            "findings": "; ".join(f"{FINDING_KINDS[f.kind].title}: {f.summary}" for f in (r.detail.findings if r.detail else ())),
            **forecast(r), **week(r),
            "last_heard": text(_time(r.heard_us)), "alarms_not_acknowledged": str(r.waiting),
        }
        for r in rows
    ]  # fmt: skip


@speaking(ENGLISH)
def alarm_table(rows: list[AlarmRow]) -> list[dict[str, Any]]:
    """Alarms for other programs and files."""
    return [
        {
            "alarm": row.alarm.id,
            "state": row.alarm.state,
            "severity": row.alarm.severity,
            "kind": row.alarm.kind,
            "fleet": row.fleet,
            "vehicle": row.vehicle,
            "unit": row.unit,
            "depot": row.depot,
            "channel": row.alarm.channel,
            "lines": ", ".join(map(str, row.alarm.lines)),
            "raised_at": times.rfc3339(row.alarm.raised_us),
            "shelved_until": _time(row.alarm.condition.shelved_until_us),
            "suppressed_why": row.alarm.condition.suppressed_why,
            "hours_since_grease": row.dry_h,
            "summary": row.alarm.summary,
        }
        for row in rows
    ]


def step_json(step: Any) -> dict[str, Any]:
    """A step of an alarm's history, for other programs."""
    return {
        "at": times.rfc3339(step.at_us), "event": step.event, "state": step.state, "who": step.who, "why": step.why,
        "until": _time(step.until_us),
    }  # fmt: skip


@speaking(ENGLISH)
def pattern_table(told: Patterns, exposure: str) -> list[dict[str, str]]:
    """Rates of line faults, and their course over what they are held against (`queries.EXPOSURES`), as rows of text."""
    from dashboard.queries.patterns import EXPOSURES  # here, as below: most files need neither statistics nor arrays

    held = EXPOSURES[exposure]
    rates = [
        {"what": "rate", "of": name, "faults": str(r.events), "exposure": f"{r.exposure:.1f} {held.of_line}", "value": f"{r.rate:.4g}",
         "low": f"{r.ci_low:.4g}", "high": f"{r.ci_high:.4g}"}
        for name, r in told.rates
    ]  # fmt: skip
    if told.course is None:
        return rates
    c = told.course
    return rates + [
        {"what": f"mean by {held.of_vehicle}", "of": f"{time:.2f}", "faults": "", "exposure": "", "value": f"{mean:.4f}",
         "low": f"{low:.4f}", "high": f"{high:.4f}"}
        for time, mean, low, high in zip(c.time, c.mean, c.ci_low, c.ci_high, strict=True)
    ]  # fmt: skip


@speaking(ENGLISH)
def data_table(told: DataState) -> list[dict[str, str]]:
    """Who is silent, whose sensors are wrong, and what is to be said of other data, as rows of text."""
    found = [(who, f.kind, times.rfc3339(f.began_us), f.summary) for who, f in told.findings]
    found += [(who, "note", "", note) for who, note in told.notes]
    return [who._asdict() | {"what": what, "since": since, "text": text} for who, what, since, text in found]


@speaking(ENGLISH)
def work_table(rows: Sequence[WorkRow]) -> list[dict[str, str]]:
    """Records of work as rows of text, in the units of storage; times are UTC."""

    def number(value: float | None) -> str:
        return "" if value is None else f"{value:g}"

    return [
        {
            "at": times.rfc3339(r.work.at_us), "fleet": r.fleet, "vehicle": r.vehicle, "unit": r.unit, "depot": r.depot,
            "kind": r.work.kind, "done": r.work.title, "lines": ", ".join(map(str, r.work.lines)), "channel": r.work.channel or "",
            "litres": number(r.work.litres), "to_pct": number(r.work.to_pct), "interval_min": number(r.work.interval_min),
            "run_s": number(r.work.run_s), "to_depot": r.work.depot or "", "note": r.work.note, "by": r.work.by,
            "stands": "yes" if r.stands else "no",
            "remarks": " / ".join(f"{said.who}: {said.text or 'photo'}" for said in r.remarks),
        }
        for r in rows
    ]  # fmt: skip


def csv_text(rows: list[dict[str, str]], first: str, line_end: str = "\n") -> str:
    """Rows of text as a CSV file; its head is `first` where there is no row."""
    text = io.StringIO()
    names = list(rows[0]) if rows else [first]
    out = csv.DictWriter(text, names, lineterminator=line_end)
    out.writerow({name: guarded(name) for name in names})
    out.writerows({name: guarded(value) for name, value in row.items()} for row in rows)
    return text.getvalue()


def as_file(rows: list[dict[str, str]], first: str, name: str, line_end: str = "\n") -> dict[str, Any]:
    """Rows of text as what a page gives away to be saved under a name."""
    return {"content": csv_text(rows, first, line_end), "filename": name, "type": "text/csv"}


@speaking(ENGLISH)
def amounts_table(found: list[Amount], density_kg_per_l: float) -> list[dict[str, str]]:
    """Amounts as rows of text, for files."""
    return [
        {
            "month": one.month,
            "depot": one.depot,
            "grease": one.grease,
            "vehicles": str(one.vehicles),
            "used_l": f"{one.used_l:.2f}",
            "filled_l": "" if one.known_filled_l is None else f"{one.filled_l:.2f}",
            "held_l": "" if one.held_l is None else f"{one.held_l:z.2f}",
            "unaccounted_l": "" if one.unaccounted_l is None else f"{one.unaccounted_l:z.2f}",
            "used_kg": f"{one.used_l * density_kg_per_l:.2f}",
            "filled_kg": "" if one.known_filled_l is None else f"{one.filled_l * density_kg_per_l:.2f}",
        }
        for one in found
    ]


@speaking(ENGLISH)
def chart_table(result: Result, chart: str) -> list[dict[str, str]]:
    """The numbers of one of a vehicle's charts as rows of text, in the units of storage; times are UTC."""
    from analytics.vehicle.daily import days
    from analytics.vehicle.line_conditions import line_conditions
    from analytics.vehicle.pressure.traces import sampled

    history = result.history

    def number(value: float, digits: int = 1) -> str:
        return "" if not math.isfinite(value) else f"{value:.{digits}f}"

    if chart == "level":
        rows = [{"at": times.rfc3339(int(at)), "what": "reading", "level_pct": number(level)}
                for at, level in zip(history.levels.at_us, history.levels.level_pct, strict=True)]  # fmt: skip
        rows += [{"at": times.rfc3339(int(at)), "what": "level", "level_pct": number(level)}
                 for at, level in zip(history.cycles.at_us, result.reservoir.level_at_cycle_pct, strict=True)]  # fmt: skip
        rows += [
            {"at": times.rfc3339(fill.at_us), "what": f"fill of {fill.litres:.2f} l", "level_pct": number(fill.to_pct)}
            for fill in result.fills
        ]
        return sorted(rows, key=lambda row: row["at"])
    if chart == "cycles":
        return [
            {name: "" if value is None else str(value) for name, value in day.to_row().items()} for day in days(result)
        ]
    if chart == "happened":
        return [
            {"at": times.rfc3339(f.began_us), "until": _time(f.ended_us) or "", "what": FINDING_KINDS[f.kind].title,
             "channel": f.channel or "", "severity": f.severity, "summary": f.summary}
            for f in result.findings
        ] + [
            {"at": times.rfc3339(one.at_us), "until": "", "what": one.title, "channel": one.channel or "", "severity": "",
             "summary": one.note}
            for one in history.work
        ]  # fmt: skip
    if chart == "line-list":
        return [_line_row(line, now) for line, now in zip(history.setup.lines, line_conditions(result), strict=True)]
    if chart == "traces":
        return [
            {"at": times.rfc3339(at_us), "channel": channel, "seconds": f"{k * dt_s:g}", "pressure_kpa": number(float(kpa), 0)}
            for channel in result.pressures.channels
            for at_us, dt_s, course in sampled(history, channel, _TRACES)
            for k, kpa in enumerate(course)
        ]  # fmt: skip
    cycles, columns = history.cycles, dict[str, Any]()
    for j, name in enumerate(result.pressures.channels):
        if name in cycles.channels:
            columns[f"{name}_kpa"] = cycles.peak_kpa[:, cycles.channels.index(name)]
        columns[f"{name}_times_expected"] = result.pressures.ratio[:, j]
    return [
        {"at": times.rfc3339(int(at)), "temp_c": number(float(cycles.temp_c[i]))}
        | {name: number(float(column[i]), 3 if name.endswith("expected") else 0) for name, column in columns.items()}
        for i, at in enumerate(cycles.at_us)
    ]


_TRACES = 20  # the latest of each channel


def _line_row(line: Line, now: LineCondition) -> dict[str, str]:
    """A line of the line list with its condition."""
    ratio, hours = ("" if value is None else f"{value:.2f}" for value in (now.ratio, now.hours_since_grease))
    return {
        "line": str(line.line), "point": line.point, "bundle": line.bundle, "channel": line.channel or "", "dose_cm3": f"{line.dose_cm3:g}",
        "critical": "yes" if line.critical else "no", "condition": now.condition, "times_expected": ratio,
        "ignition_hours_since_grease": hours,
    }  # fmt: skip


@speaking(ENGLISH)
def dates_table(told: DataState) -> list[dict[str, str]]:
    """How past refill dates held: how often each date was too late by, and by how far ahead it was said."""
    found = told.backtest
    if found is None:
        return []
    rows = [
        {
            "what": f"came by the {name} date",
            "cases": str(found["cases"]),
            "value": f"{share:.3f}",
            "meant": f"{meant:.2f}",
        }
        for name, share, meant in zip(("early", "expected", "late"), found["below"], (0.1, 0.5, 0.9), strict=True)
    ]
    return rows + [
        {"what": f"{first:.0f} to {last:.0f} days ahead: median error, days", "cases": str(cases), "value": f"{error:.2f}", "meant": ""}
        for first, last, cases, error, _ in found["horizons"]
    ]  # fmt: skip


def _time(us: int | None) -> str | None:
    return None if us is None else times.rfc3339(us)
