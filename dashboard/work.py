"""Recording work: the form on a vehicle's page, the list of what was recorded, and the address that takes records in.

The page sends records by itself (`assets/work.js`), not by a callback: one that is made where there is no signal is kept on
the phone and sent later, under the key it got there, so that it counts once.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from uuid import uuid4
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, dcc, html
from flask import Flask, request
from sqlalchemy import Engine, select

from analytics.findings import Finding, urgency
from analytics.kinds import ALARM_KINDS
from analytics.vehicle.analysis import Result
from dashboard import parts, people, queries, words
from ingest import registry, schema, work_records
from ingest import work as works
from ingest.database import reachable, writing
from ingest.errors import Problem, Unusable
from ingest.times import microseconds

LARGEST_BYTES: Final = 16_384
# What a form asks for, by kind of work.
_ASKS: Final[dict[str, tuple[str, ...]]] = {
    "filled": ("litres", "to_pct"),
    "line_mended": ("lines",),
    "greased_by_hand": ("lines",),
    "timer_set": ("interval_min", "run_s"),
    "sensor_replaced": ("channel",),
    "moved": ("depot",),
}


def likely(findings: tuple[Finding, ...]) -> tuple[str, list[str], str]:
    """(kind, lines, channel) of the work that answers what is worst, so that a record needs few taps."""
    for found in sorted((f for f in findings if f.open), key=urgency):
        answers = ALARM_KINDS[found.kind].answered_by
        if answers:
            return answers[0], [str(line) for line in found.lines], found.channel or ""
    return "filled", [], ""


def form(result: Result, depots: list[str]) -> html.Div:
    """The form for a vehicle."""
    setup = result.history.setup
    kind, lines, channel = likely(result.findings)
    ask = {
        "lines": dmc.MultiSelect(
            id="work-lines", label="Lines", value=lines, searchable=True,
            data=[{"value": str(x.line), "label": f"{x.line} {x.point}"} for x in setup.lines],
        ),
        "litres": dmc.NumberInput(id="work-litres", label="Litres filled in", min=0, decimalScale=2),
        "to_pct": dmc.NumberInput(id="work-to", label="Level after, %", min=0, max=120, placeholder="100 is the full mark"),
        "interval_min": dmc.NumberInput(id="work-interval", label="Interval, minutes", min=0, value=setup.interval_min),
        "run_s": dmc.NumberInput(id="work-run", label="Run time, seconds", min=0, value=setup.run_s),
        "channel": dmc.Select(
            id="work-channel", label="Sensor", value=channel, allowDeselect=False,
            data=[{"value": "", "label": "level sensor"}] + [{"value": c, "label": f"pressure {c}"} for c in setup.channels],
        ),
        "depot": dmc.Autocomplete(id="work-depot", label="Depot", data=depots, value=""),
    }  # fmt: skip
    return html.Div(
        [
            html.Div(
                [
                    dmc.Select(
                        id="work-kind", label="What was done", value=kind, allowDeselect=False,
                        data=[{"value": name, "label": told[0]} for name, told in works.KINDS.items()],
                    ),
                    *(html.Div(field, id={"type": "work-ask", "name": name}, style=_shown(name, kind)) for name, field in ask.items()),
                    parts.who("work-by", "Who did it"),
                    dmc.DateTimePicker(id="work-at", label=f"When ({setup.timezone})", placeholder="now", clearable=True),
                    dmc.TextInput(id="work-note", label="Note"),
                ],
                className="work-form",
            ),
            dmc.Button("Record it", id="work-save", mt="sm"),
            html.Div(id="work-told", role="status", className="work-told"),
            dcc.Store(id="work-asks", data={name: list(asked) for name, asked in _ASKS.items()}),
        ]
    )  # fmt: skip


def _shown(name: str, kind: str) -> dict[str, str]:
    return {} if name in _ASKS.get(kind, ()) else {"display": "none"}


def records(found: tuple[tuple[works.Work, int, bool], ...], timezone: str) -> Any:
    """What was recorded, newest first."""
    if not found:
        return html.P("Nothing is recorded yet.", className="dim")
    items = []
    for one, _, stands in sorted(found, key=lambda record: -record[0].at_us):
        if one.withdrawn:
            continue
        text = "; ".join([one.title, *words.work_details(one)])
        line: list[Any] = [
            html.Span(f"{words.moment(one.at_us, timezone)} "),
            html.Span(text) if stands else html.Del(text),
            html.Span(f" ({one.by})", className="dim"),
        ]
        if stands:
            line.append(
                html.Button(
                    "withdraw", id={"type": "work-withdraw", "key": one.key, "kind": one.kind}, className="quiet"
                )
            )
        items.append(html.Li(line))
    return html.Ul(items, className="records")


# What may be recorded for several alarms at once: kinds that need nothing said but what each alarm says itself.
FOR_SEVERAL: Final = (
    "filled", "line_mended", "bled", "sensor_replaced", "greased_by_hand", "controller_swapped", "in_workshop", "laid_up", "back",
)  # fmt: skip


def record_for(database: Engine, numbers: Sequence[int], kind: str, by: str, note: str) -> int:
    """Record work that answers alarms, all or nothing, and the same for a vehicle once, however many of its alarms it answers; how
    many records.

    Lines and sensors are those of the alarm; a reservoir was filled up to the full mark. Raises Problem.
    """
    people.need("technician")
    if kind not in FOR_SEVERAL:
        raise Problem("choose what was done")
    now_us, table, said = queries.now_us(), schema.alarm, dict[tuple[Any, ...], dict[str, Any]]()
    with reachable(database), writing(database) as connection:
        queries.need_seen(connection, numbers)
        for alarm in connection.execute(select(table).where(table.c.id.in_(numbers)).order_by(table.c.id)).all():
            what: dict[str, Any] = {"lines": alarm.lines} if "lines" in _ASKS.get(kind, ()) else {}
            if kind in ("line_mended", "greased_by_hand") and not alarm.lines:
                raise Problem(f"{ALARM_KINDS[alarm.kind].title.lower()} is about no line: choose alarms of lines only")
            if kind == "sensor_replaced":
                if alarm.kind not in ("level_sensor", "pressure_sensor"):
                    raise Problem(
                        f"{ALARM_KINDS[alarm.kind].title.lower()} is about no sensor: choose alarms of sensors only"
                    )
                what = {"channel": alarm.channel}
            if kind == "filled":
                what = {"to_pct": 100}
            said.setdefault((alarm.vehicle_id, str(what)), what)
        for (id_, _), what in sorted(said.items()):  # in the order in which recorders take vehicles
            (found,) = registry.read_vehicles(connection, id_)
            one = {"key": uuid4().hex, "kind": kind, "at_us": now_us, "by": people.doer(by), "note": note, **what}
            work_records.record(connection, id_, found.setups, works.work_of(one), now_us)
    return len(said)


def take_records(app: Dash, database: Engine) -> None:
    """Give an application the address that takes records in, and the page's own part."""
    app.clientside_callback(
        ClientsideFunction("tallow", "asks"),
        Output({"type": "work-ask", "name": ALL}, "style"),
        Input("work-kind", "value"),
        State("work-asks", "data"),
        State({"type": "work-ask", "name": ALL}, "id"),
    )
    fields = ("kind", "lines", "litres", "to", "interval", "run", "channel", "depot", "by", "at", "note")
    app.clientside_callback(
        ClientsideFunction("tallow", "record"),
        Output("work-told", "children"),
        Input("work-save", "n_clicks"),
        State("vehicle-who", "data"),
        State("work-asks", "data"),
        *(State(f"work-{name}", "value") for name in fields),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("tallow", "withdraw"),
        Output("work-told", "children", allow_duplicate=True),
        Input({"type": "work-withdraw", "key": ALL, "kind": ALL}, "n_clicks"),
        State("vehicle-who", "data"),
        State("work-by", "value"),
        prevent_initial_call=True,
    )
    server: Flask = app.server

    @server.post("/work/<fleet>/<vehicle>")
    def take(fleet: str, vehicle: str) -> tuple[dict[str, str], int]:
        return _take(database, fleet, vehicle)


def _take(database: Engine, fleet: str, vehicle: str) -> tuple[dict[str, str], int]:
    if not request.is_json:
        return {"problem": "a record is JSON"}, 403
    if (request.content_length or 0) > LARGEST_BYTES:
        return {"problem": "a record is at most 16 KiB"}, 413
    said = request.get_json(silent=True)
    if not isinstance(said, dict):
        return {"problem": "a record is one JSON object"}, 400
    try:
        people.need("technician")
        by, name = str(said.get("by") or ""), people.ASKING.get().name
        with reachable(database), writing(database) as connection:
            if by and name and by != name:  # kept on a device that several share
                if by in {one.name for one in people.people(connection)}:
                    return {"problem": f"{by} recorded this, and {name} is signed in"}, 409
                said["note"] = f"{said.get('note') or ''} (by {by})".strip()
            said["by"] = people.doer(by)
            found = registry.find(connection, f"{fleet}/{vehicle}")
            setup = found.in_force(queries.now_us())
            if not people.sees(setup):
                raise Problem(registry.unknown(f"{fleet}/{vehicle}"))
            local = said.pop("at_local", None)
            if local:
                said["at_us"] = _moment(str(local), setup.timezone)
            work_records.record(connection, found.id, found.setups, works.work_of(said), queries.now_us())
    except Problem as problem:
        return {"problem": str(problem)}, 503 if isinstance(problem, Unusable) else 400
    return {}, 200


def _moment(text: str, timezone: str) -> int:
    try:
        return microseconds(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(timezone)))
    except ValueError:
        raise Problem(f"{text!r} is no date and time") from None
