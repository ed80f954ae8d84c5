"""Beside what is wrong: who the vehicle is, its reservoir and refill, its alarms, its set-up."""

from typing import Any

from dash import dcc, html

from analytics.alarms.states import words as state_words
from analytics.findings import Finding
from analytics.kinds import ALARM_KINDS
from analytics.pipeline.vehicle_summary import priority_of
from analytics.vehicle.analysis import Result
from analytics.vehicle.line_conditions import line_conditions
from dashboard import components, formatting
from dashboard.pages.vehicle.cause import refill_steps
from dashboard.queries import alarms
from dashboard.web.database import engine

Facts = list[tuple[str, Any]]


def _facts(facts: Facts, class_name: str = "facts") -> html.Dl:
    return html.Dl([part for name, value in facts for part in (html.Dt(name), html.Dd(value))], className=class_name)


def bar(result: Result, open_: list[Finding]) -> list[Any]:
    """Who it is and how it is, in one line that stays in sight."""
    setup, now = result.history.setup, result.history.as_of_us
    heard = int(result.history.heard_us[-1]) if len(result.history.heard_us) else None
    priority = priority_of(
        open_, result.refill.state, line_conditions(result), heard=heard is not None or not setup.controller
    )
    if not setup.controller:
        told: Facts = [("Depot", setup.depot), ("Controller", "none: greased by hand")]
        return [html.H1([setup.unit, " ", components.need(priority)]), _facts(told, "vehicle-bar-facts")]
    facts = [
        ("Depot", setup.depot),
        ("Last heard", formatting.ago(heard, now)),
        ("Refill", _when(result)),
        ("Longest without grease", _driest(result)),
    ]
    return [html.H1([setup.unit, " ", components.need(priority)]), _facts(facts, "vehicle-bar-facts")]


def _when(result: Result) -> str:
    """When the next refill is due, in short."""
    refill = result.refill
    if refill.state == "due":
        return "due now"
    if refill.due_early_us is None:
        return "not known" if refill.state == "unknown" else "far off"
    return formatting.window(refill.due_early_us, refill.due_late_us, result.history.setup.timezone)


def _driest(result: Result) -> str:
    """The point that has waited longest for grease, and how long."""
    points = {line.line: line.point for line in result.history.setup.lines}
    known = {line: hours for line, hours in result.hours_since_grease.items() if hours is not None}
    if not known:
        return "not proven for any point"
    line, hours = max(known.items(), key=lambda item: item[1])
    told = f"{hours:.0f} h, {line} {points[line]}" if hours >= 10 else f"{hours:.1f} h"
    unproven = len(points) - len(known)
    return f"{told}; not proven for {unproven} of {len(points)} points" if unproven else told


def reservoir(result: Result, open_: list[Finding]) -> Any:
    """The level, the refill window, and how to fill."""
    setup, refill = result.history.setup, result.refill
    about = "about " if result.reservoir.by_counting else ""
    level = "Level not known" if refill.level_pct is None else f"{about}{refill.level_pct:.0f} %"
    marks = (
        f"; low mark {setup.low_mark_pct:g} %"
        if refill.level_pct is None
        else f" of the full mark; low mark {setup.low_mark_pct:g} %"
    )
    said = [
        html.Span(level, className="figure"),
        html.Span(marks, className="dim"),
    ]
    facts: Facts = []
    if refill.level_pct is not None and result.reservoir.by_counting:
        facts.append(("Level", "counted from the cycles"))
    if refill.litres_to_full is not None:
        facts.append(("To the full mark", f"{formatting.litres(refill.litres_to_full)} of {setup.grease_and_grade}"))
    if refill.state == "due":
        facts.append(("Refill due", "now: at or below the low mark"))
    elif refill.due_expected_us is not None:
        window = formatting.window(refill.due_early_us, refill.due_late_us, setup.timezone)
        likely = formatting.day(formatting.local(refill.due_expected_us, setup.timezone))
        facts.append(("Refill due", f"{window}, most likely {likely}"))
    facts += [("Note", formatting.in_my_units(text)) for text in (refill.reason, refill.basis) if text]
    facts.append(("Grease per cycle", f"{refill.cm3_per_cycle:.1f} cm3 ({setup.dose_cm3:.1f} by the line list)"))
    if refill.cycles_per_day is not None:
        facts.append(("Cycles a day, last four weeks", f"{refill.cycles_per_day:.1f}"))
    shown = [html.P(said), components.level_bar(refill.level_pct, setup.low_mark_pct), _facts(facts)]
    return components.section("Reservoir", [*shown, *refill_steps(result, warned=bool(open_))])


def alarms_of(fleet: str, name: str) -> list[Any]:
    """The vehicle's alarms that are not normal, each with what may be done to it here."""
    rows = []
    for row in alarms.alarms(engine(), vehicle=(fleet, name)):
        alarm = row.alarm
        said = [ALARM_KINDS[alarm.kind].title, state_words(alarm.state)]
        if alarm.condition.suppressed_why:
            said.append(alarm.condition.suppressed_why)
        waits = alarm.state in ("unacknowledged", "returned")
        button = html.Button("acknowledge", id={"type": "vehicle-acknowledge", "number": alarm.id}, className="quiet")
        badge = components.severity(alarm.severity, lasts=alarm.condition.active)
        rows.append(html.Li([badge, " ", ": ".join(said), " ", button if waits else ""]))
    return [html.Ul(rows, className="plain-list")] if rows else [html.P("None.", className="dim")]


def set_up(result: Result) -> Any:
    """What is registered of it, and its sheets."""
    setup = result.history.setup
    if not setup.controller:
        facts: Facts = [
            ("Vehicle", f"{setup.fleet}/{setup.vehicle}, {setup.vehicle_class}"),
            ("System", f"none: {len(setup.hand_points)} points greased by hand"),
            ("Grease", setup.grease_and_grade),
            ("Time zone", setup.timezone),
        ]
        return components.section("Set-up", _facts(facts))
    confirmation = {True: "yes", False: "no", None: "not known"}[setup.confirmation]
    facts = [
        ("Vehicle", f"{setup.fleet}/{setup.vehicle}, {setup.vehicle_class}"),
        ("System", f"{setup.feed} feed, {len(setup.lines)} lines, relief at {formatting.pressure(setup.relief_kpa)}"),
        ("Reservoir", f"{formatting.litres(setup.reservoir_l)}, level by {setup.level}"),
        ("Grease", setup.grease_and_grade),
        ("Timer", f"every {setup.interval_min:g} min of ignition time, for {setup.run_s:g} s"),
        ("Cycle confirmation", confirmation),
        ("Fitted", "not known" if setup.commissioned is None else formatting.day(setup.commissioned)),
        ("Time zone", setup.timezone),
    ]
    sheets = [
        dcc.Link("Label", href=f"/label/{setup.fleet}/{setup.vehicle}"),
        dcc.Link("Handover sheet", href=f"/handover/{setup.fleet}/{setup.vehicle}"),
        dcc.Link("Evidence", href=f"/evidence/{setup.fleet}/{setup.vehicle}"),
    ]
    return components.section("Set-up", [_facts(facts), html.P(sheets, className="vehicle-sheets")])
