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
from ingest.languages import Words, begun, later, tr

dash.register_page(
    __name__,
    path="/set-up",
    name=later("Set-up"),
    title=lambda **_: tr("Set-up"),
    in_menu=True,
    order=7,
    icon="set-up",
    role="lead",
    begins=True,
)
for part in (vehicles, one_vehicle, depots, routes, people, calendars, prices, greases):
    part.register()

_ABOUT_PEOPLE: Final = later(
    "Viewers see; technicians also record work and deal with alarms. Leads can also change the set-up. Once a person is added,"
    " everyone must sign in."
)


def layout(tab: str = "", **_: Any) -> html.Div:
    """The page, for leads."""
    try:
        accounts.need_lead()
    except Problem as problem:
        return html.Div([html.H1(tr("Set-up")), html.P(f"{begun(str(problem))}.")])
    return html.Div(
        [
            html.H1(tr("Set-up")),
            dmc.Tabs(
                [
                    dmc.TabsList([dmc.TabsTab(title, value=name) for name, title in _TABS.items()], mb="md"),
                    *(dmc.TabsPanel(contents, value=name) for name, contents in _parts().items()),
                ],
                value=tab if tab in _TABS else "vehicles",
            ),
            components.section(tr("What was changed here"), html.Div(change_rows(), id="setup-changes"), tr("The latest fifty changes.")),
        ]
    )  # fmt: skip


_TABS: Final = Words(
    {
        "vehicles": later("Vehicles"),
        "depots": later("Depots"),
        "routes": later("Alert routes"),
        "people": later("People"),
        "calendars": later("Calendars"),
        "greases": later("Greases"),
        "prices": later("Prices"),
    }
)


def _parts() -> dict[str, Any]:
    return {
        "vehicles": [
            components.section(
                tr("Vehicles and line lists"), vehicles.upload(),
                tr("Two tables of any name, with commas, semicolons or tabs, as a spreadsheet saves them; all or nothing."),
            ),
            components.section(tr("One vehicle"), one_vehicle.one_form(),
                tr("To change one, to add one like another, or to add the first.")),
        ],
        "depots": components.section(
            tr("Depots"),
            [html.Div(depots.depot_rows(), id="setup-depots"), depots.depot_form()],
            tr("How many days ahead a refill becomes an alarm, when the daily digest is sent, and when no alerts are sent."),
        ),
        "routes": components.section(
            tr("Where alerts go"),
            [html.Div(routes.route_rows(), id="setup-routes"), routes.route_form()],
            tr("At once what cannot wait, the rest in one digest a day. Passwords are never shown."),
        ),
        "people": components.section(tr("People"), [html.Div(people.person_rows(), id="setup-people"), people.person_form()],
            tr(_ABOUT_PEOPLE)),
        "calendars": components.section(
            tr("Calendar addresses"),
            [html.Div(calendars.calendar_rows(), id="setup-calendars"), calendars.calendar_form()],
            tr("A calendar program that knows a depot's secret address shows its refills."),
        ),
        "greases": components.section(
            tr("Greases"), [html.Div(greases.grease_rows(), id="setup-greases"), greases.grease_form()], grease_words.mixing()
        ),
        "prices": components.section(
            tr("What a dry point costs"), [html.Div(prices.price_rows(), id="setup-prices"), prices.price_form()], words.model()
        ),
    }  # fmt: skip
