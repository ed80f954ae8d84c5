"""What may be done to the alarms that are chosen: the bar that stands while some are."""

from typing import Any, Final

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, ctx, html

from analytics.alarms.states import Transition
from dashboard import accounts, components, formatting
from dashboard.web import alarm_actions
from dashboard.web.database import engine
from ingest import times
from ingest import work as works
from ingest.errors import Problem
from ingest.languages import Words, later, tr, trn
from ingest.times import DAY_US

BUTTONS: Final = Words(
    {
        "acknowledge": later("Acknowledge"),
        "shelve": later("Shelve"),
        "unshelve": later("Take from the shelf"),
        "take_out": later("Take out of service"),
        "put_back": later("Put back into service"),
    }
)


def _button(event: str) -> dmc.Button:
    return dmc.Button(BUTTONS[event], id=f"alarms-{event}", variant="filled" if event == "acknowledge" else "default")


def bar() -> list[Any]:
    """The bar's contents."""
    return [
        html.Div(
            [html.Strong(id="alarms-count"), components.who("alarms-by", tr("Who does it")), _button("acknowledge")],
            className="alarms-actions-first",
        ),
        html.Div([_assign(), _record(), _hide()], className="alarms-actions-more"),
    ]


def _assign() -> html.Details:
    known = alarm_actions.assignees(engine())
    whom: Any = dmc.TextInput(id="alarms-whom", label=tr("To whom"))
    if known:
        choices = [{"value": "", "label": tr("Nobody")}, *({"value": name, "label": name} for name in known)]
        me = accounts.current_person.get().name
        whom = dmc.Select(
            id="alarms-whom", label=tr("To whom"), data=choices, value=me if me in known else "", allowDeselect=False
        )
    button = dmc.Button(tr("Assign"), id="alarms-assign", variant="default", mt=24)
    return html.Details([html.Summary(tr("Assign")), html.Div([whom, button], className="work-form")])


def _record() -> html.Details:
    kinds = [{"value": kind, "label": tr(works.KINDS[kind][0])} for kind in alarm_actions.FOR_SEVERAL]
    return html.Details(
        [
            html.Summary(tr("Record work")),
            html.Div(
                [
                    dmc.Select(
                        id="alarms-work",
                        label=tr("What was done to each of them"),
                        placeholder=tr("choose"),
                        data=kinds,
                    ),
                    dmc.TextInput(id="alarms-note", label=tr("Note")),
                    dmc.Button(tr("Record it"), id="alarms-record", variant="default", mt=24),
                ],
                className="work-form",
            ),
            html.P(
                tr("Lines and sensors are those of each alarm; a reservoir was filled up to the full mark."),
                className="dim",
            ),
        ]
    )


def _hide() -> html.Details:
    return html.Details(
        [
            html.Summary(tr("Shelve, or take out of service")),
            html.Div(
                [
                    dmc.TextInput(id="alarms-why", label=tr("Why"), placeholder=tr("needed for both")),
                    dmc.NumberInput(id="alarms-days", label=tr("Shelve for days"), value=1, min=0.1, max=90),
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
    return tr("{alarms}: assigned to {name}.", alarms=_alarms(numbers), name=whom or tr("nobody"))


def record(numbers: list[int], kind: str, by: str, note: str) -> str:
    """Record work for alarms; what was done, in words. Raises Problem."""
    _need(numbers)
    made = alarm_actions.record_for(engine(), numbers, kind, by, note)
    return trn(
        "Recorded {n} time; what the next cycles show decides whether it held.",
        "Recorded {n} times; what the next cycles show decides whether it held.",
        made,
    )


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
    return trn("{n} alarm", "{n} alarms", len(numbers))


def register() -> None:
    """Wire what stands here into the application that is being made."""

    # A click has a callback of its own: beside a timer, one that meets a tick would be taken for the tick and lost.
    @callback(
        Output("alarms-told", "children"),
        Output("alarms-chosen", "value"),
        Output("alarms-done", "data"),
        *(Input(f"alarms-{event}", "n_clicks") for event in BUTTONS),
        Input("alarms-record", "n_clicks"),
        Input("alarms-assign", "n_clicks"),
        State("alarms-chosen", "value"),
        State("alarms-by", "value"),
        State("alarms-why", "value"),
        State("alarms-days", "value"),
        State("alarms-work", "value"),
        State("alarms-note", "value"),
        State("alarms-whom", "value"),
        prevent_initial_call=True,
    )
    def act(*said: Any) -> Any:
        """Do to the chosen alarms what was asked, all or none."""
        chosen, by, why, days, kind, note, whom = said[len(BUTTONS) + 2 :]
        event = str(ctx.triggered_id).removeprefix("alarms-")
        if event not in (*BUTTONS, "record", "assign"):
            return dash.no_update, dash.no_update, dash.no_update
        try:
            numbers = [int(number) for number in chosen or ()]
            if event == "record":
                told = record(numbers, kind or "", by or "", note or "")
            elif event == "assign":
                told = assign(numbers, whom or "", by or "")
            else:
                told = change(event, numbers, by or "", why or "", days)
        except (Problem, ValueError) as problem:
            return tr("Not done: {problem}.", problem=problem), dash.no_update, dash.no_update
        return told, [], times.now_us()
