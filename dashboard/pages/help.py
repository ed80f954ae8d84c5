"""What the pages say, and what their words mean."""

from collections.abc import Iterable
from typing import Any, Final

import dash
from dash import dcc, html

from analytics.kinds import FINDING_KINDS
from analytics.vehicle.line_conditions import LineCondition, LineState
from dashboard import components, formatting, rows

dash.register_page(__name__, path="/help", name="Help", title="Help", in_menu=True, order=8, icon="help")

_PAGES: Final = (
    ("Today", "/", "What to do today and what to take along, which refills come, what changed since yesterday."),
    ("Fleet", "/fleet", "Every vehicle in one line, most urgent first. Filter it, and keep a view by a name."),
    ("Alarms", "/alarms", "What a person must deal with: acknowledge, assign, shelve, record the work."),
    ("Refill round", "/rounds", "Which vehicles of a depot to fill on which day, with how much of which grease. Print it, tick it off."),
    ("Work", "/work", "What was done to which vehicle, by whom, with remarks and photos."),
    ("Grease", "/grease", "Litres used, filled and needed next, by month and depot."),
    ("Account", "/account", "How much of the planned grease surely arrived, and which points got least."),
    ("Patterns", "/patterns", "Which kinds of point, bundles, classes and depots fail how often."),
    ("Data", "/data", "Whether what comes in can be trusted, and how past refill dates held."),
    ("Set-up", "/set-up", "Vehicles and line lists, depots, alert routes, people and calendars."),
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
# Words of the trade and of this program.
GLOSSARY: Final = {
    "bundle": "Lines that run together from the pump to one part of the vehicle.",
    "channel": "One pressure reading. It watches one line, several lines, or the main line.",
    "confirmation": "A switch on a divider that tells that a cycle has gone round.",
    "cycle": "One run of the pump that gives every point its dose.",
    "direct feed": "A pump with an element for each line; lines do not depend on one another.",
    "divider": "A block of metering pistons that shares one line out among several points.",
    "dose": "The grease that a point gets from one cycle.",
    "expected pressure": "What a line's own past and the weather explain.",
    "injector": "A valve that gives its point a dose when the main line is put under pressure, and reloads when it is vented.",
    "interval": "Minutes of ignition-on time from the start of one cycle to the start of the next.",
    "line list": "The sheet that says which line number ends at which point. Repairs go by it.",
    "low mark": "The level below which the pump begins to draw air.",
    "not proven": "Nothing measured shows that grease arrived. It may be well; nobody knows.",
    "point": "Where grease is needed: a pin, a bush, a joint.",
    "progressive": "A system of dividers in which one blocked outlet stops all the others behind it.",
    "refill window": "From the earliest to the latest day on which the level reaches the low mark; it holds in about eight of ten cases.",
    "relief": "The valve that opens when pressure gets too high; grease there means that a line is blocked.",
    "run time": "Seconds for which the pump runs in a cycle.",
    "shelved": "Out of sight until a time that somebody said, for a reason that somebody gave.",
    "suppressed": "Out of sight because another alarm explains it, or because the vehicle is away.",
    "without grease": "Ignition hours since grease last surely arrived at a point.",
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
                _list((html.Strong(word), text) for word, text in GLOSSARY.items()),
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
