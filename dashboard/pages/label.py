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
from ingest.languages import later, tr

dash.register_page(
    __name__,
    path_template="/label/<fleet>/<name>",
    name=later("Label"),
    title=lambda fleet=None, name=None: tr("Label {name}", name=name),
)


def layout(fleet: str | None = None, name: str | None = None, **_: Any) -> html.Div:
    """The label, as large as a hand, to print and to stick beside the reservoir."""
    setup = vehicle.setup(engine(), fleet or "", name or "")
    if setup is None:
        return html.Div([html.H1(tr("Label")), html.P(tr("No vehicle of this name is registered: {name}.", name=name))])
    address = wording.address_of(setup, wording.site())
    code = segno.make(address, error="m", micro=False).svg_data_uri(scale=6, border=2)
    return html.Div(
        [
            html.Img(src=code, alt=tr("Code that opens {address}", address=address), className="label-code"),
            html.Div(
                [
                    html.H1(setup.unit),
                    html.P(f"{setup.vehicle} · {setup.depot}"),
                    html.P(tr("Fill with {grease} only.", grease=setup.grease_and_grade)),
                    html.P(tr(FILL_STEP), className="dim"),
                    html.P(tr(CAUTION), className="dim"),
                    html.P(
                        tr(
                            "Reservoir {litres}, {count} lines",
                            litres=formatting.litres(setup.reservoir_l),
                            count=len(setup.lines),
                        )
                    ),
                    html.P(address, className="dim"),
                ]
            ),
        ],
        className="label",
    )
