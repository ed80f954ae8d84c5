"""What may be done to the alarms that are chosen: the bar that stands while some are."""

from typing import Any, Final

import dash_mantine_components as dmc
from dash import html

from analytics.alarms.states import Transition
from dashboard import accounts, components, formatting
from dashboard.web import alarm_actions
from dashboard.web.database import engine
from ingest import times
from ingest import work as works
from ingest.errors import Problem
from ingest.times import DAY_US

BUTTONS: Final = {
    "acknowledge": "Acknowledge",
    "shelve": "Shelve",
    "unshelve": "Take from the shelf",
    "take_out": "Take out of service",
    "put_back": "Put back into service",
}


def _button(event: str) -> dmc.Button:
    return dmc.Button(BUTTONS[event], id=f"alarms-{event}", variant="filled" if event == "acknowledge" else "default")


def bar() -> list[Any]:
    """The bar's contents."""
    return [
        html.Div(
            [html.Strong(id="alarms-count"), components.who("alarms-by", "Who does it"), _button("acknowledge")],
            className="alarms-actions-first",
        ),
        html.Div([_assign(), _record(), _hide()], className="alarms-actions-more"),
    ]


def _assign() -> html.Details:
    known = alarm_actions.assignees(engine())
    whom: Any = dmc.TextInput(id="alarms-whom", label="To whom")
    if known:
        choices = [{"value": "", "label": "Nobody"}, *({"value": name, "label": name} for name in known)]
        me = accounts.current_person.get().name
        whom = dmc.Select(
            id="alarms-whom", label="To whom", data=choices, value=me if me in known else "", allowDeselect=False
        )
    button = dmc.Button("Assign", id="alarms-assign", variant="default", mt=24)
    return html.Details([html.Summary("Assign"), html.Div([whom, button], className="work-form")])


def _record() -> html.Details:
    kinds = [{"value": kind, "label": works.KINDS[kind][0]} for kind in alarm_actions.FOR_SEVERAL]
    return html.Details(
        [
            html.Summary("Record work"),
            html.Div(
                [
                    dmc.Select(
                        id="alarms-work", label="What was done to each of them", placeholder="choose", data=kinds
                    ),
                    dmc.TextInput(id="alarms-note", label="Note"),
                    dmc.Button("Record it", id="alarms-record", variant="default", mt=24),
                ],
                className="work-form",
            ),
            html.P(
                "Lines and sensors are those of each alarm; a reservoir was filled up to the full mark.",
                className="dim",
            ),
        ]
    )


def _hide() -> html.Details:
    return html.Details(
        [
            html.Summary("Shelve, or take out of service"),
            html.Div(
                [
                    dmc.TextInput(id="alarms-why", label="Why", placeholder="needed for both"),
                    dmc.NumberInput(id="alarms-days", label="Shelve for days", value=1, min=0.1, max=90),
                ],
                className="work-form",
            ),
            html.Div([_button(event) for event in BUTTONS if event != "acknowledge"], className="filters"),
        ]
    )


def assign(numbers: list[int], whom: str, by: str) -> str:
    """Give alarms to a person; what was done, in words. Raises Problem."""
    _need(numbers)
    alarm_actions.assign(engine(), numbers, whom, by)
    return f"{_alarms(numbers)}: assigned to {whom or 'nobody'}."


def record(numbers: list[int], kind: str, by: str, note: str) -> str:
    """Record work for alarms; what was done, in words. Raises Problem."""
    _need(numbers)
    made = alarm_actions.record_for(engine(), numbers, kind, by, note)
    return f"Recorded {made} time{'s' * (made != 1)}; what the next cycles show decides whether it held."


def change(event: Any, numbers: list[int], by: str, why: str, days: Any) -> str:
    """Change the state of alarms; what was done, in words. Raises Problem."""
    _need(numbers)
    now_us = times.now_us()
    until_us = None
    if event == "shelve":
        if not isinstance(days, int | float):
            raise Problem("say for how many days")
        until_us = now_us + int(days * DAY_US)
    alarm_actions.act(engine(), numbers, Transition(event, now_us, accounts.name_of_actor(by), why, until_us))
    return f"{_alarms(numbers)}: {formatting.EVENTS[event]}."


def _need(numbers: list[int]) -> None:
    if not numbers:
        raise Problem("choose alarms first")


def _alarms(numbers: list[int]) -> str:
    return f"{len(numbers)} alarm{'s' * (len(numbers) != 1)}"
