"""What an address that leads nowhere shows, in the frame."""

from typing import Any

import dash
from dash import dcc, html

dash.register_page(__name__, path="/404", name="Not found", title="Not found")


def layout(**_: Any) -> html.Div:
    """The page."""
    return html.Div(
        [
            html.H1("There is no such page"),
            html.P("The address may be mistyped, or what it named is gone."),
            html.P(
                [
                    dcc.Link("Today", href="/"),
                    " · ",
                    dcc.Link("Fleet", href="/fleet"),
                    " · ",
                    dcc.Link("Help", href="/help"),
                ]
            ),
        ],
        className="card",
    )
