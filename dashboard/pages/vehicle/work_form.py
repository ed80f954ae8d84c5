"""Recording work: the form on a vehicle's page."""

import json
from collections.abc import Mapping
from typing import Any, Final

import dash_mantine_components as dmc
from dash import ALL, ClientsideFunction, Input, Output, State, clientside_callback, dcc, html

from analytics.account.found import CAUSES
from analytics.findings import Finding, urgency
from analytics.kinds import ALARM_KINDS
from analytics.vehicle.analysis import Result
from dashboard import accounts, components
from dashboard.units import VOLUMES
from dashboard.web.work_records import ASKS
from ingest import work as works
from ingest.languages import tr
from ingest.setups import Setup
from ingest.times import DAY_US


def likely(findings: tuple[Finding, ...]) -> tuple[str, list[str], str]:
    """(kind, lines, channel) of the work that answers what is worst, so that a record needs few taps."""
    for found in sorted((f for f in findings if f.open), key=urgency):
        answers = ALARM_KINDS[found.kind].answered_by
        if answers:
            return answers[0], [str(line) for line in found.lines], found.channel or ""
    return "filled", [], ""


def possible(setup: Setup) -> list[str]:
    """The kinds of work that there can be on a vehicle: hand points where it has such, and of a system only what it has one for."""
    without = () if setup.controller else works.SYSTEM_WORK
    return [name for name in works.KINDS if name not in without and (setup.hand_points or name != "points_greased")]


def form(result: Result, depots: list[str], greases: Mapping[str, str]) -> html.Div:
    """The form for a vehicle; `greases` are those of the list, with what to say before they are filled there."""
    setup = result.history.setup
    kind, lines, channel = likely(result.findings)
    kinds = possible(setup)
    kind = kind if kind in kinds else "meter_read"
    asks = {name: [one for one in asked if greases or one != "grease"] for name, asked in ASKS.items()}
    ask = {
        "lines": dmc.MultiSelect(
            id="work-lines", label=tr("Lines"), value=lines, searchable=True,
            data=[{"value": str(x.line), "label": f"{x.line} {x.point}"} for x in setup.lines],
        ),
        "litres": dmc.NumberInput(id="work-litres", label=tr("Filled in, {volume}", volume=accounts.my_units().volume), min=0,
                                  decimalScale=2),
        "to_pct": dmc.NumberInput(id="work-to", label=tr("Level after, %"), min=0, max=120, placeholder=tr("100 is the full mark")),
        "grease": dmc.Select(
            id="work-grease", label=tr("Grease"), value="", allowDeselect=False,
            data=[{"value": "", "label": tr("not said")}, *({"value": name, "label": name} for name in greases)],
        ),
        "interval_min": dmc.NumberInput(id="work-interval", label=tr("Interval, minutes"), min=0, value=setup.interval_min),
        "run_s": dmc.NumberInput(id="work-run", label=tr("Run time, seconds"), min=0, value=setup.run_s),
        "channel": dmc.Select(
            id="work-channel", label=tr("Sensor"), value=channel, allowDeselect=False,
            data=[{"value": "", "label": tr("level sensor")}]
            + [{"value": c, "label": tr("pressure {channel}", channel=c)} for c in setup.channels],
        ),
        "depot": dmc.Autocomplete(id="work-depot", label=tr("Depot"), data=depots, value=""),
        "points": dmc.MultiSelect(
            id="work-points", label=tr("Points greased by hand"), value=[], searchable=True,
            data=[{"value": str(x.number), "label": f"{x.number} {x.point}"} for x in setup.hand_points],
        ),
        "engine_h": dmc.NumberInput(id="work-hours", label=tr("Hour meter, h"), min=0, decimalScale=2),
        "odometer_km": dmc.NumberInput(id="work-km", label=tr("Odometer, km"), min=0, decimalScale=1),
        "new_meter": dmc.Checkbox(id="work-new-meter", label=tr("The meter was replaced or put to zero")),
    }  # fmt: skip
    return html.Div(
        [
            html.Div(
                [
                    dmc.Select(
                        id="work-kind", label=tr("What was done"), value=kind, allowDeselect=False,
                        data=[{"value": name, "label": tr(told[0])} for name, told in works.KINDS.items() if name in kinds],
                    ),
                    *(html.Div(field, id={"type": "work-ask", "name": name}, style=_shown(name, kind, asks))
                      for name, field in ask.items()),
                    components.who("work-by", tr("Who did it")),
                    dmc.DateTimePicker(id="work-at", label=tr("When ({timezone})", timezone=setup.timezone), placeholder=tr("now"),
                                        clearable=True),
                    dmc.TextInput(id="work-note", label=tr("Note")),
                    *_verdict(result.findings),
                ],
                className="work-form",
                **{"data-litres-in-one": str(VOLUMES[accounts.my_units().volume]), "data-timezone": setup.timezone},
            ),
            dmc.Button(tr("Record it"), id="work-save", mt="sm"),
            html.Div(id="work-told", role="status", className="work-told"),
            dcc.Store(id="work-asks", data=asks),
            dcc.Store(id="work-greases", data=dict(greases)),
        ]
    )  # fmt: skip


_ENDED_US: Final = 30 * DAY_US  # so long a finding that is over may still be what somebody went there for


def _verdict(findings: tuple[Finding, ...]) -> list[Any]:
    """What was found there, and about which finding; hidden where none sent anybody."""
    latest = max((f.began_us for f in findings), default=0)
    recent = [f for f in findings if f.ended_us is None or f.ended_us > latest - _ENDED_US]
    recent.sort(key=lambda f: (not f.open, *urgency(f)))
    told = [
        {"value": json.dumps({"kind": f.kind, "channel": f.channel, "began_us": f.began_us}),
         "label": f"{ALARM_KINDS[f.kind].title}{f' {f.channel}' if f.channel else ''}{'' if f.open else ', over'}"}
        for f in recent
    ]  # fmt: skip
    style = {} if told else {"display": "none"}
    return [
        html.Div(
            dmc.Select(id="work-about", label=tr("Which finding it was about"), data=told, allowDeselect=False,
                       value=told[0]["value"] if told else None), style=style,
        ),
        html.Div(
            dmc.Select(id="work-found", label=tr("What was found there"), value="", allowDeselect=False,
                       data=[{"value": "", "label": tr("not said")}] + [{"value": k, "label": tr(v)} for k, v in works.FOUND.items()]),
            style=style,
        ),
        html.Div(
            dmc.Autocomplete(id="work-cause", label=tr("What else was wrong"), data=[tr(cause) for cause in CAUSES], value=""), style=style,
        ),
    ]  # fmt: skip


def _shown(name: str, kind: str, asks: Mapping[str, list[str]]) -> dict[str, str]:
    return {} if name in asks.get(kind, ()) else {"display": "none"}


def register() -> None:
    """Wire the form to the part of it that runs in the browser (`assets/work.js`)."""
    clientside_callback(
        ClientsideFunction("tallow", "asks"),
        Output({"type": "work-ask", "name": ALL}, "style"),
        Input("work-kind", "value"),
        State("work-asks", "data"),
        State({"type": "work-ask", "name": ALL}, "id"),
    )
    fields = (
        "kind",
        "lines",
        "litres",
        "to",
        "interval",
        "run",
        "channel",
        "depot",
        "grease",
        "points",
        "hours",
        "km",
        "new-meter",
        "by",
        "at",
        "note",
        "found",
        "cause",
        "about",
    )
    clientside_callback(
        ClientsideFunction("tallow", "record"),
        Output("work-told", "children"),
        Input("work-save", "n_clicks"),
        State("vehicle-who", "data"),
        State("work-asks", "data"),
        State("work-greases", "data"),
        *(State(f"work-{name}", "checked" if name == "new-meter" else "value") for name in fields),
        prevent_initial_call=True,
    )
