"""What an address that leads nowhere shows, in the frame."""

from typing import Any

import dash
from dash import dcc, html

from ingest.languages import later, tr

dash.register_page(__name__, path="/404", name=later("Not found"), title=lambda **_: tr("Not found"))


def layout(**_: Any) -> html.Div:
    """The page."""
    return html.Div(
        [
            html.H1(tr("There is no such page")),
            html.P(tr("The address may be mistyped, or what it named is gone.")),
            html.P(
                [
                    dcc.Link(tr("Today"), href="/"),
                    " · ",
                    dcc.Link(tr("Fleet"), href="/fleet"),
                    " · ",
                    dcc.Link(tr("Help"), href="/help"),
                ]
            ),
        ],
        className="card",
    )
