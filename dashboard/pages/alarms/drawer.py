"""One alarm in full, beside the list: what is wrong, what to do, what happened to it, what was done to the vehicle."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ALL, Input, Output, callback, ctx, dcc, html

from analytics.alarms.states import words as state_words
from analytics.kinds import ALARM_KINDS
from dashboard import components, formatting
from dashboard.queries import alarms, vehicle
from dashboard.queries.alarms import AlarmRow
from dashboard.web.database import engine
from ingest.languages import begun, cldr, tr

_RECORDS = 5


def drawer() -> dmc.Drawer:
    """Shut at first."""
    return dmc.Drawer(
        html.Div(id="alarm-told"), id="alarm-drawer", position="right", size="lg", opened=False, title=tr("Alarm"),
        closeButtonProps={"aria-label": tr("Close")},
    )  # fmt: skip


def _history(row: AlarmRow, steps: list[Any]) -> dmc.Timeline:
    items = [
        dmc.TimelineItem(
            html.Div(
                [
                    formatting.moment(s.at_us, row.timezone, with_zone=True),
                    f" · {s.who}",
                    f" · {tr(s.why)}" if s.why else "",
                ],
                className="dim small",
            ),
            title=begun(formatting.EVENTS[s.event]),
        )
        for s in steps
    ]
    return dmc.Timeline(items, active=len(items) - 1, bulletSize=12, lineWidth=2)


def _records(row: AlarmRow) -> list[Any]:
    kept = vehicle.records(engine(), row.fleet, row.vehicle)
    shown = [one.work for one in reversed(kept) if one.stands][:_RECORDS]
    if not shown:
        return [html.P(tr("Nothing was recorded yet."), className="dim")]
    items = [
        html.Li([html.Strong(tr(one.title)), f", {formatting.moment(one.at_us, row.timezone, with_zone=True)}, {one.by}",
                 *(f"; {text}" for text in formatting.work_details(one))])
        for one in shown
    ]  # fmt: skip
    return [html.Ul(items, className="plain-list")]


def told(row: AlarmRow, steps: list[Any]) -> html.Div:
    """All that is known of an alarm."""
    alarm, kind = row.alarm, ALARM_KINDS[row.alarm.kind]
    facts = [
        (tr("State"), state_words(alarm.state)),
        (tr("Assigned to"), row.assigned_to or tr("nobody")),
        (tr("Raised"), formatting.moment(alarm.raised_us, row.timezone, with_zone=True)),
    ]
    given = next((s for s in reversed(steps) if s.event in ("assign", "withdraw")), None)
    if given is not None and given.event == "withdraw":
        facts.append(
            (
                tr("Request withdrawn"),
                f"{tr(given.why)}, {formatting.moment(given.at_us, row.timezone, with_zone=True)}",
            )
        )
    hours = alarm.evidence.get("hours_since_grease")
    if hours is not None:
        told = cldr.decimal(hours, 0)
        waited = (
            tr("at least {hours} ignition hours", hours=told)
            if alarm.evidence.get("points_not_proven")
            else tr("{hours} ignition hours", hours=told)
        )
        facts.append((tr("Without grease"), waited))
    link = f"/vehicle/{row.fleet}/{row.vehicle}"
    return html.Div(
        [
            html.Div(
                [components.severity(alarm.severity, lasts=alarm.condition.active), html.Strong(kind.title)],
                className="finding-head",
            ),
            html.P([dcc.Link(row.unit, href=link, className="unit"), f" · {row.vehicle} · {row.depot}"]),
            html.P(formatting.in_my_units(alarm.summary)),
            html.Dl([part for name, value in facts for part in (html.Dt(name), html.Dd(value))], className="facts"),
            html.H2(tr("What to do")),
            components.cautions(),
            components.guidance(kind, f"drawer {alarm.id}", opened=True),
            html.H2(tr("What happened to it")),
            _history(row, steps),
            html.H2(tr("Work on this vehicle")),
            *_records(row),
            html.P(dcc.Link(tr("Record work on the vehicle's page"), href=f"{link}#work")),
        ],
        className="alarms-drawer",
    )


def register() -> None:
    """Wire what stands here into the application that is being made."""

    @callback(
        Output("alarm-drawer", "opened"),
        Output("alarm-told", "children"),
        Input({"type": "alarm-open", "number": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def show(clicks: list[int | None]) -> Any:
        """Open the drawer for an alarm."""
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return dash.no_update, dash.no_update
        found = alarms.one_alarm(engine(), int(ctx.triggered_id["number"]))
        return True, told(*found) if found else html.P(tr("There is no such alarm any more."))
