"""What the pages say, and what their words mean."""

from collections.abc import Iterable
from typing import Any, Final

import dash
from dash import dcc, html

from analytics.kinds import FINDING_KINDS
from analytics.vehicle.line_conditions import LineCondition, LineState
from dashboard import components, formatting, rows
from dashboard.glossary import GLOSSARY
from ingest.languages import inside, later, tr

dash.register_page(
    __name__, path="/help", name=later("Help"), title=lambda **_: tr("Help"), in_menu=True, order=8, icon="help"
)

_PAGES: Final = (
    (later("Today"), "/", later("What to do today and what to take along, which refills come, what changed since yesterday.")),
    (later("Fleet"), "/fleet", later("Every vehicle in one line, most urgent first. Filter it, and keep a view by a name.")),
    (later("Alarms"), "/alarms", later("What a person must deal with: acknowledge, assign, shelve, record the work.")),
    (later("Refill round"), "/rounds",
    later("Which vehicles of a depot to fill on which day, with how much of which grease. Print it, tick it off.")),
    (later("Hand points"), "/points",
    later("Points greased by hand: which are due, with how much of which grease. Tick them off, read a meter.")),
    (later("Work"), "/work", later("What was done to which vehicle, by whom, with remarks and photos.")),
    (later("Grease"), "/grease", later("Litres used, filled and needed next, by month and depot; what to change before it gets cold.")),
    (later("Account"), "/account", later("How much of the planned grease surely arrived, and which points got least.")),
    (later("Parts"), "/parts", later("What to have at each depot for the next 90 days, what fails more often, how long things last.")),
    (later("Patterns"), "/patterns", later("Which kinds of point, bundles, classes and depots fail how often.")),
    (later("Data"), "/data", later("Whether what comes in can be trusted, and how past refill dates held.")),
    (later("Set-up"), "/set-up", later("Vehicles and line lists, depots, alert routes, people, calendars, greases and prices.")),
)  # fmt: skip
_NEEDS: Final = {
    "act_now": later("Somebody has to look at it today."),
    "plan": later("It can wait for the next visit, not for long."),
    "note": later("Worth knowing; nothing has to be done yet."),
    "unheard": later("Nothing was ever heard from it: nobody knows how it is."),
    "not_proven": later("Nothing is known to be wrong, but not of every point is it known that grease arrives."),
    "none": later("Every line is known to be sound, no point greased by hand is due, and nothing is wrong."),
}
_LINES: Final[dict[LineState, str]] = {
    "act_now": later("needs somebody today"), "plan": later("to be planned"), "note": later("worth knowing"),
    "not_proven": later("hatched: nothing proves it"), "sound": later("grey: sound"),
}  # fmt: skip


def layout(**_: Any) -> html.Div:
    """The page."""
    return html.Div(
        [
            html.H1(tr("Help")),
            components.section(
                tr("Pages"),
                _list((dcc.Link(tr(name), href=href), tr(text)) for name, href, text in _PAGES),
            ),
            components.section(
                tr("What a vehicle needs"),
                _list((components.need(name), tr(text)) for name, text in _NEEDS.items()),
                tr("The exception has the colour. Grey is sound; green stands only where something was proven."),
            ),
            components.section(tr("Lines"), _list((_line(name), tr(text)) for name, text in _LINES.items())),
            components.section(
                tr("Findings"),
                _list((html.Strong(kind.title), kind.meaning) for kind in FINDING_KINDS.values()),
                tr(
                    "Each comes with what most likely causes it, what to check, and how urgent it is: {names}.",
                    names=", ".join(_words()),
                ),
            ),
            components.section(
                tr("Words"),
                _list((html.Strong(tr(one.term)), tr(one.meaning)) for one in GLOSSARY),
            ),
            components.section(
                tr("By the keyboard"),
                html.P(
                    [
                        html.Kbd("/", className="key"),
                        " ",
                        tr("finds a vehicle, point or finding from any page."),
                    ]
                ),
            ),
            components.section(tr("Working safely"), components.cautions_in_full()),
        ]
    )


def _list(pairs: Iterable[tuple[Any, str]]) -> html.Dl:
    return html.Dl([part for term, text in pairs for part in (html.Dt(term), html.Dd(text))], className="facts")


def _words() -> list[str]:
    return [inside(formatting.NEED_WORDS[name]) for name in ("act_now", "plan", "note")]


def _line(name: LineState) -> html.Img:
    """A line as the strip draws it."""
    told = {
        "line": 1,
        "bundle": "",
        "condition": "sound",
        "critical_dry": False,
        "ratio": None,
        "hours_since_grease": None,
    }
    return rows.strip([LineCondition(state=name, **told)])  # type: ignore[arg-type]
