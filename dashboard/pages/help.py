"""What the pages say, and what their words mean."""

from collections.abc import Iterable
from typing import Any, Final

import dash
from dash import dcc, html

from analytics.kinds import FINDING_KINDS
from analytics.vehicle.line_conditions import LineCondition, LineState
from dashboard import components, formatting, rows
from dashboard.glossary import GLOSSARY

dash.register_page(__name__, path="/help", name="Help", title="Help", in_menu=True, order=8, icon="help")

_PAGES: Final = (
    ("Today", "/", "What to do today and what to take along, which refills come, what changed since yesterday."),
    ("Fleet", "/fleet", "Every vehicle in one line, most urgent first. Filter it, and keep a view by a name."),
    ("Alarms", "/alarms", "What a person must deal with: acknowledge, assign, shelve, record the work."),
    ("Refill round", "/rounds", "Which vehicles of a depot to fill on which day, with how much of which grease. Print it, tick it off."),
    ("Work", "/work", "What was done to which vehicle, by whom, with remarks and photos."),
    ("Grease", "/grease", "Litres used, filled and needed next, by month and depot; what to change before it gets cold."),
    ("Account", "/account", "How much of the planned grease surely arrived, and which points got least."),
    ("Parts", "/parts", "What to have at each depot for the next 90 days, what fails more often, how long things last."),
    ("Patterns", "/patterns", "Which kinds of point, bundles, classes and depots fail how often."),
    ("Data", "/data", "Whether what comes in can be trusted, and how past refill dates held."),
    ("Set-up", "/set-up", "Vehicles and line lists, depots, alert routes, people, calendars, greases and prices."),
)  # fmt: skip
_NEEDS: Final = {
    "act_now": "Somebody has to look at it today.",
    "plan": "It can wait for the next visit, not for long.",
    "note": "Worth knowing; nothing has to be done yet.",
    "unheard": "Nothing was ever heard from it: nobody knows how it is.",
    "not_proven": "Nothing is known to be wrong, and nothing proves that grease arrives.",
    "none": "At least one line is known to be sound, and nothing is wrong.",
}
_LINES: Final[dict[LineState, str]] = {
    "act_now": "needs somebody today", "plan": "to be planned", "note": "worth knowing", "not_proven": "hatched: nothing proves it",
    "sound": "grey: sound",
}  # fmt: skip


def layout(**_: Any) -> html.Div:
    """The page."""
    return html.Div(
        [
            html.H1("Help"),
            components.section(
                "Pages",
                _list((dcc.Link(name, href=href), text) for name, href, text in _PAGES),
            ),
            components.section(
                "What a vehicle needs",
                _list((components.need(name), text) for name, text in _NEEDS.items()),
                "The exception has the colour. Grey is sound; green stands only where something was proven.",
            ),
            components.section("Lines", _list((_line(name), text) for name, text in _LINES.items())),
            components.section(
                "Findings",
                _list((html.Strong(kind.title), kind.meaning) for kind in FINDING_KINDS.values()),
                f"Each comes with what most likely causes it, what to check, and how urgent it is: {', '.join(_words())}.",
            ),
            components.section(
                "Words",
                _list((html.Strong(one.term), one.meaning) for one in GLOSSARY),
            ),
            components.section(
                "By the keyboard",
                html.P(
                    ["Press ", html.Kbd("/", className="key"), " to find a vehicle, point or finding from any page."]
                ),
            ),
            components.section("Working safely", components.cautions_in_full()),
        ]
    )


def _list(pairs: Iterable[tuple[Any, str]]) -> html.Dl:
    return html.Dl([part for term, text in pairs for part in (html.Dt(term), html.Dd(text))], className="facts")


def _words() -> list[str]:
    return [formatting.NEED_WORDS[name].lower() for name in ("act_now", "plan", "note")]


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
