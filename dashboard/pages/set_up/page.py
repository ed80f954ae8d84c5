"""What leads decide: vehicles and line lists, depots, where alerts go, and who may do what."""

from typing import Any, Final

import dash
import dash_mantine_components as dmc
from dash import html

from dashboard import accounts, components
from dashboard.exports import greases as grease_words
from dashboard.exports import prices as words
from dashboard.pages.set_up import calendars, depots, greases, one_vehicle, people, prices, routes, vehicles
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
for part in (vehicles, one_vehicle, depots, routes, people, calendars, prices, greases):
    part.register()

_ABOUT_PEOPLE: Final = (
    "Viewers see; technicians also record work and deal with alarms. Leads can also change the set-up. Once a person is added,"
    " everyone must sign in."
)


def layout(tab: str = "", **_: Any) -> html.Div:
    """The page, for leads."""
    try:
        accounts.need_lead()
    except Problem as problem:
        return html.Div([html.H1("Set-up"), html.P(f"{str(problem).capitalize()}.")])
    return html.Div(
        [
            html.H1("Set-up"),
            dmc.Tabs(
                [
                    dmc.TabsList([dmc.TabsTab(title, value=name) for name, title in _TABS.items()], mb="md"),
                    *(dmc.TabsPanel(contents, value=name) for name, contents in _parts().items()),
                ],
                value=tab if tab in _TABS else "vehicles",
            ),
            components.section("What was changed here", html.Div(change_rows(), id="setup-changes"), "The latest fifty changes."),
        ]
    )  # fmt: skip


_TABS: Final = {
    "vehicles": "Vehicles",
    "depots": "Depots",
    "routes": "Alert routes",
    "people": "People",
    "calendars": "Calendars",
    "greases": "Greases",
    "prices": "Prices",
}


def _parts() -> dict[str, Any]:
    return {
        "vehicles": [
            components.section(
                "Vehicles and line lists", vehicles.upload(),
                "Two tables of any name, with commas, semicolons or tabs, as a spreadsheet saves them; all or nothing.",
            ),
            components.section("One vehicle", one_vehicle.one_form(), "To change one, to add one like another, or to add the first."),
        ],
        "depots": components.section(
            "Depots",
            [html.Div(depots.depot_rows(), id="setup-depots"), depots.depot_form()],
            "How many days ahead a refill becomes an alarm, when the daily digest is sent, and when no alerts are sent.",
        ),
        "routes": components.section(
            "Where alerts go",
            [html.Div(routes.route_rows(), id="setup-routes"), routes.route_form()],
            "At once what cannot wait, the rest in one digest a day. Passwords are never shown.",
        ),
        "people": components.section("People", [html.Div(people.person_rows(), id="setup-people"), people.person_form()], _ABOUT_PEOPLE),
        "calendars": components.section(
            "Calendar addresses",
            [html.Div(calendars.calendar_rows(), id="setup-calendars"), calendars.calendar_form()],
            "A calendar program that knows a depot's secret address shows its refills.",
        ),
        "greases": components.section(
            "Greases", [html.Div(greases.grease_rows(), id="setup-greases"), greases.grease_form()], grease_words.MIXING
        ),
        "prices": components.section(
            "What a dry point costs", [html.Div(prices.price_rows(), id="setup-prices"), prices.price_form()], words.MODEL
        ),
    }  # fmt: skip
