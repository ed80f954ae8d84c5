"""What leads decide: vehicles and line lists, depots, where alerts go, and who may do what."""

from typing import Any, Final

import dash
from dash import html

from dashboard import accounts, components
from dashboard.pages.set_up import depots, people, routes, vehicles
from dashboard.pages.set_up.changes import change_rows
from ingest.errors import Problem

dash.register_page(
    __name__,
    path="/set-up",
    name="Set-up",
    title="Set-up",
    in_menu=True,
    order=7,
    icon="set-up",
    role="lead",
    begins=True,
)
for part in (vehicles, depots, routes, people):
    part.register()

_ABOUT_PEOPLE: Final = (
    "Viewers see; technicians also record work and deal with alarms. Leads can also change the set-up. Once a person is added,"
    " everyone must sign in."
)


def layout(**_: Any) -> html.Div:
    """The page, for leads."""
    try:
        accounts.need_lead()
    except Problem as problem:
        return html.Div([html.H1("Set-up"), html.P(f"{str(problem).capitalize()}.")])
    return html.Div(
        [
            html.H1("Set-up"),
            components.section(
                "Vehicles and line lists", vehicles.upload(), "Two CSV files, as tallow register reads them; all or nothing."
            ),
            components.section(
                "Depots",
                [html.Div(depots.depot_rows(), id="setup-depots"), depots.depot_form()],
                "How many days ahead a refill becomes an alarm, when the daily digest is sent, and when no alerts are sent.",
            ),
            components.section(
                "Where alerts go",
                [html.Div(routes.route_rows(), id="setup-routes"), routes.route_form()],
                "At once what cannot wait, the rest in one digest a day.",
            ),
            components.section("People", [html.Div(people.person_rows(), id="setup-people"), people.person_form()], _ABOUT_PEOPLE),
            components.section("What was changed here", html.Div(change_rows(), id="setup-changes"), "The latest fifty changes."),
        ]
    )  # fmt: skip


# Vehicles -----------------------------------------------------------------------------------------------------------


# Depots -------------------------------------------------------------------------------------------------------------


# Routes -------------------------------------------------------------------------------------------------------------


# People -------------------------------------------------------------------------------------------------------------
