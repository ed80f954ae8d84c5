"""Beside what is wrong: who the vehicle is, its reservoir and refill, its alarms, its set-up."""

from typing import Any, Final

from dash import dcc, html

from analytics.alarms.states import words as state_words
from analytics.findings import Finding
from analytics.kinds import ALARM_KINDS
from analytics.pipeline.vehicle_summary import hand_standing, priority_of
from analytics.vehicle.analysis import Result
from analytics.vehicle.line_conditions import line_conditions
from dashboard import components, formatting, refill_window
from dashboard.pages.vehicle.cause import refill_steps
from dashboard.pages.vehicle.lines import is_silent
from dashboard.queries import alarms
from dashboard.web.database import engine
from ingest.languages import Words, cldr, later, tr, trn
from ingest.languages.saying import told

Facts = list[tuple[str, Any]]
FEEDS: Final = Words({
    "direct": later("direct feed"), "progressive": later("progressive feed"), "injector": later("injector feed"),
})  # fmt: skip
LEVELS: Final = Words({
    "percent": later("level by sensor"), "switch": later("level by switch"), "none": later("no level sensor"),
})  # fmt: skip


def _facts(facts: Facts, class_name: str = "facts") -> html.Dl:
    return html.Dl([part for name, value in facts for part in (html.Dt(name), html.Dd(value))], className=class_name)


def bar(result: Result, open_: list[Finding]) -> list[Any]:
    """Who it is and how it is, in one line that stays in sight."""
    setup, now = result.history.setup, result.history.as_of_us
    heard = int(result.history.heard_us[-1]) if len(result.history.heard_us) else None
    hand = hand_standing(result.hand, now)
    priority = priority_of(
        open_, result.refill.state, line_conditions(result), hand, heard=heard is not None or not setup.controller
    )
    if not setup.controller:
        told: Facts = [(tr("Depot"), setup.depot), (tr("Controller"), tr("none: greased by hand"))]
        return [html.H1([setup.unit, " ", components.need(priority)]), _facts(told, "vehicle-bar-facts")]
    facts = [
        (tr("Depot"), setup.depot),
        (tr("Last heard"), formatting.ago(heard, now)),
        (tr("Refill"), _when(result)),
        (tr("Longest without grease"), _driest(result)),
    ]
    return [html.H1([setup.unit, " ", components.need(priority)]), _facts(facts, "vehicle-bar-facts")]


def _when(result: Result) -> str:
    """When the next refill is due, in short."""
    refill = result.refill
    if refill.state == "due":
        return tr("due now")
    if refill.due_early_us is None:
        return tr("not known") if refill.state == "unknown" else tr("far off")
    return refill_window.window(refill, result.history.setup.timezone)


def _driest(result: Result) -> str:
    """The point that has waited longest for grease, and how long."""
    points = {line.line: line.point for line in result.history.setup.lines}
    known = {line: hours for line, hours in result.hours_since_grease.items() if hours is not None}
    if not known:
        return tr("not proven for any point")
    line, hours = max(known.items(), key=lambda item: item[1])
    told = f"{cldr.decimal(hours, 0)} h, {line} {points[line]}" if hours >= 10 else f"{cldr.decimal(hours, 1)} h"
    told = tr("{hours} when last heard", hours=told) if is_silent(result) else told
    unproven = len(points) - len(known)
    return (
        tr("{told}; not proven for {unproven} of {count} points", told=told, unproven=unproven, count=len(points))
        if unproven
        else told
    )


def reservoir(result: Result, open_: list[Finding]) -> Any:
    """The level, the refill window, and how to fill."""
    setup, refill = result.history.setup, result.refill
    level = tr("Level not known")
    if refill.level_pct is not None:
        level = f"{cldr.decimal(refill.level_pct, 0)} %"
        level = tr("about {level}", level=level) if result.reservoir.by_counting or refill.basis else level
    marks = (
        tr("; low mark {mark} %", mark=cldr.plain(setup.low_mark_pct))
        if refill.level_pct is None
        else " " + tr("of the full mark; low mark {mark} %", mark=cldr.plain(setup.low_mark_pct))
    )
    said = [
        html.Span(level, className="figure"),
        html.Span(marks, className="dim"),
    ]
    facts: Facts = []
    if refill.level_pct is not None and result.reservoir.by_counting:
        facts.append((tr("Level"), tr("counted from the cycles")))
    if refill.litres_to_full is not None:
        facts.append(
            (
                tr("To the full mark"),
                tr(
                    "{litres} of {grease}",
                    litres=formatting.litres(refill.litres_to_full),
                    grease=setup.grease_and_grade,
                ),
            )
        )
    if refill.state == "due":
        facts.append((tr("Refill due"), tr("now: at or below the low mark")))
    elif refill.due_expected_us is not None:
        facts.append((tr("Refill due"), refill_window.likely_window(refill, setup.timezone)))
    facts += [(tr("Note"), formatting.in_my_units(text)) for text in (refill.reason, refill.basis) if text]
    listed = cldr.decimal(setup.dose_cm3, 1)
    used = tr("{used} cm3 ({listed} by the line list)", used=cldr.decimal(refill.cm3_per_cycle, 1), listed=listed)
    if not len(result.history.cycles.at_us):
        used = tr("not known ({listed} cm3 by the line list)", listed=listed)
    facts.append((tr("Grease per cycle"), used))
    a_day = None if is_silent(result) else refill.cycles_per_day
    facts.append((tr("Cycles a day, last four weeks"), tr("not known") if a_day is None else cldr.decimal(a_day, 1)))
    shown = [html.P(said), components.level_bar(refill.level_pct, setup.low_mark_pct), _facts(facts)]
    return components.section(tr("Reservoir"), [*shown, *refill_steps(result, warned=bool(open_))])


def alarms_of(fleet: str, name: str) -> list[Any]:
    """The vehicle's alarms that are not normal, each with what may be done to it here."""
    rows = []
    for row in alarms.alarms(engine(), vehicle=(fleet, name)):
        alarm = row.alarm
        said = [ALARM_KINDS[alarm.kind].title, state_words(alarm.state)]
        if alarm.condition.suppressed_why:
            said.append(told(alarm.condition.suppressed_why))
        waits = alarm.state in ("unacknowledged", "returned")
        button = html.Button(
            tr("acknowledge"), id={"type": "vehicle-acknowledge", "number": alarm.id}, className="quiet"
        )
        badge = components.severity(alarm.severity, lasts=alarm.condition.active)
        rows.append(html.Li([badge, " ", ": ".join(said), " ", button if waits else ""]))
    return [html.Ul(rows, className="plain-list")] if rows else [html.P(tr("None."), className="dim")]


def _fitted(result: Result) -> str:
    setup = result.history.setup
    if setup.commissioned is None:
        return tr("not known")
    day, today = formatting.day(setup.commissioned), formatting.local(result.history.as_of_us, setup.timezone).date()
    return tr("{day}, still to come", day=day) if setup.commissioned > today else day


def set_up(result: Result) -> Any:
    """What is registered of it, and its sheets."""
    setup = result.history.setup
    if not setup.controller:
        by_hand = len(setup.hand_points)
        facts: Facts = [
            (tr("Vehicle"), f"{setup.fleet}/{setup.vehicle}, {setup.vehicle_class}"),
            (tr("System"), trn("none: {n} point greased by hand", "none: {n} points greased by hand", by_hand)),
            (tr("Grease"), setup.grease_and_grade),
            (tr("Time zone"), setup.timezone),
        ]
        return components.section(tr("Set-up"), _facts(facts))
    confirmation = {True: tr("yes"), False: tr("no"), None: tr("not known")}[setup.confirmation]
    facts = [
        (tr("Vehicle"), f"{setup.fleet}/{setup.vehicle}, {setup.vehicle_class}"),
        (
            tr("System"),
            tr(
                "{feed}, {lines}, relief at {pressure}",
                feed=FEEDS[setup.feed],
                lines=trn("{n} line", "{n} lines", len(setup.lines)),
                pressure=formatting.pressure(setup.relief_kpa),
            ),
        ),
        (
            tr("Reservoir"),
            f"{formatting.litres(setup.reservoir_l)}, {LEVELS[setup.level]}",
        ),
        (tr("Grease"), setup.grease_and_grade),
        (
            tr("Timer"),
            tr(
                "every {interval} min of ignition time, for {run} s",
                interval=cldr.plain(setup.interval_min),
                run=cldr.plain(setup.run_s),
            ),
        ),
        (tr("Cycle confirmation"), confirmation),
        (tr("Fitted"), _fitted(result)),
        (tr("Time zone"), setup.timezone),
    ]
    sheets = [
        dcc.Link(tr("Label"), href=f"/label/{setup.fleet}/{setup.vehicle}"),
        dcc.Link(tr("Handover sheet"), href=f"/handover/{setup.fleet}/{setup.vehicle}"),
        dcc.Link(tr("Evidence"), href=f"/evidence/{setup.fleet}/{setup.vehicle}"),
    ]
    return components.section(tr("Set-up"), [_facts(facts), html.P(sheets, className="vehicle-sheets")])
