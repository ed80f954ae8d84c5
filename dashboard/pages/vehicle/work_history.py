"""What was recorded of a vehicle, with remarks and photos; and the form that adds one."""

from typing import Any

import dash_mantine_components as dmc
from dash import ALL, ClientsideFunction, Input, Output, State, clientside_callback, html

from analytics.vehicle.analysis import Result
from dashboard import accounts, formatting
from dashboard.queries.vehicle import Record
from ingest.languages import tr
from ingest.remarks import Remark
from ingest.setups import Setup


def history(found: tuple[Record, ...], result: Result) -> Any:
    """What was recorded, newest first; what was corrected is struck out."""
    setup = result.history.setup
    shown = [one for one in reversed(found) if not one.work.withdrawn]
    if not shown:
        return html.P(tr("Nothing is recorded yet."), className="dim")
    return html.Ul([_record(one, setup) for one in shown], className="records")


def _record(one: Record, setup: Setup) -> html.Li:
    work = one.work
    text = "; ".join([tr(work.title), *formatting.work_details(work)])
    line: list[Any] = [
        html.Span(f"{formatting.moment(work.at_us, setup.timezone)} ", className="dim"),
        html.Span(text) if one.stands else html.Del(text),
        html.Span(f" ({work.by})", className="dim"),
    ]
    if one.stands:
        line += [
            " ",
            html.Button(tr("remark or photo"), className="quiet", **{"data-remark": work.key}),
            " ",
            html.Button(
                tr("withdraw"), id={"type": "work-withdraw", "key": work.key, "kind": work.kind}, className="quiet"
            ),
        ]
    return html.Li([*line, *(remark(said, setup) for said in one.remarks)])


def remark(said: Remark, setup: Setup) -> html.Div:
    """A remark, with its picture in a room that is kept for it."""
    head = html.Span(f"{formatting.moment(said.at_us, setup.timezone)}, {said.who}: ", className="dim")
    shown: list[Any] = [head, said.text]
    if said.size is not None:
        address = f"/photo/{setup.fleet}/{setup.vehicle}/{said.key}.jpg"
        picture = html.Img(
            src=address,
            alt=said.text or tr("Photo by {who}", who=said.who),
            width=said.size[0],
            height=said.size[1],
        )
        shown.append(html.A(picture, href=address, target="_blank", className="vehicle-photo"))
    return html.Div(shown, className="vehicle-remark")


def choices(found: tuple[Record, ...], timezone: str) -> list[dict[str, str]]:
    """The records that something may be added to, newest first."""
    return [
        {"value": one.work.key, "label": f"{tr(one.work.title)}, {formatting.moment(one.work.at_us, timezone)}"}
        for one in reversed(found)
        if one.stands
    ]


def form(found: tuple[Record, ...], timezone: str) -> html.Details:
    """Adds a remark or a photo to a record; it stands apart from the records, so that news of these take nothing from it."""
    data = choices(found, timezone)
    return html.Details(
        [
            html.Summary(tr("Add a remark or a photo")),
            html.Div(
                [
                    dmc.Select(id="remark-on", label=tr("On which record"), data=data, value=data[0]["value"] if data else None,
                    allowDeselect=False),
                    dmc.Textarea(id="remark-text", label=tr("Remark"), autosize=True, minRows=2),
                    html.Label([tr("Photo (JPEG, PNG or WebP, at most 10 MB)"), html.Div(id="remark-place")],
                               className="vehicle-photo-label"),
                ],
                className="work-form",
            ),
            dmc.Button(tr("Add it"), id="remark-save", mt="sm", variant="default"),
            html.Div(id="remark-told", role="status", className="work-told"),
        ],
        id="remark-form",
        **{"data-keep": "remark"},
    )  # fmt: skip


def register() -> None:
    """Wire the form to the part of it that runs in the browser (`assets/remarks.js`)."""
    clientside_callback(
        ClientsideFunction("tallow", "remark"),
        Output("remark-told", "children"),
        Input("remark-save", "n_clicks"),
        State("vehicle-who", "data"),
        State("remark-on", "value"),
        State("remark-text", "value"),
        State("work-by", "value"),
        prevent_initial_call=True,
    )
    clientside_callback(
        ClientsideFunction("tallow", "withdraw"),
        Output("work-told", "children", allow_duplicate=True),
        Input({"type": "work-withdraw", "key": ALL, "kind": ALL}, "n_clicks"),
        State("vehicle-who", "data"),
        State("work-by", "value"),
        prevent_initial_call=True,
    )


def may_add() -> bool:
    """Whether whoever asks may add to the records."""
    return accounts.current_person.get().may("technician")
