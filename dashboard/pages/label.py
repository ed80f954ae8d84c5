"""A label for a vehicle: who it is, and a code that opens its page on a phone."""

from typing import Any

import dash
import segno
from dash import html

from analytics.alarms import wording
from analytics.findings import CAUTION, FILL_STEP
from dashboard import formatting
from dashboard.queries import vehicle
from dashboard.web.database import engine

dash.register_page(
    __name__,
    path_template="/label/<fleet>/<name>",
    name="Label",
    title=lambda fleet=None, name=None: f"Label {name}",
)


def layout(fleet: str | None = None, name: str | None = None, **_: Any) -> html.Div:
    """The label, as large as a hand, to print and to stick beside the reservoir."""
    setup = vehicle.setup(engine(), fleet or "", name or "")
    if setup is None:
        return html.Div([html.H1("Label"), html.P(f"No vehicle of this name is registered: {name}.")])
    address = wording.address_of(setup, wording.site())
    code = segno.make(address, error="m", micro=False).svg_data_uri(scale=6, border=2)
    return html.Div(
        [
            html.Img(src=code, alt=f"Code that opens {address}", className="label-code"),
            html.Div(
                [
                    html.H1(setup.unit),
                    html.P(f"{setup.vehicle} · {setup.depot}"),
                    html.P(f"Fill with {setup.grease_and_grade} only."),
                    html.P(FILL_STEP, className="dim"),
                    html.P(CAUTION, className="dim"),
                    html.P(f"Reservoir {formatting.litres(setup.reservoir_l)}, {len(setup.lines)} lines"),
                    html.P(address, className="dim"),
                ]
            ),
        ],
        className="label",
    )
