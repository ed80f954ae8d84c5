"""Colours and their meanings: the one definition. Charts and pictures take them from here; a test holds the style sheet to it.

Meanings by ISO 22324: red danger, yellow caution, green safe; blue and grey are supplementary. Sound is grey; green stands only where
something was proven.
"""

from typing import Final, NamedTuple

from analytics.kinds import Severity
from analytics.vehicle.line_conditions import LineState

RED: Final = "#d92020"  # white text on it reaches 4.5:1, and it 3:1 on dark ground; so does blue
YELLOW: Final = "#e0a800"
GREEN: Final = "#1a7f37"
BLUE: Final = "#3576ba"
GREY: Final = "#8a8f98"
BLACK: Final = "#30343b"

SEVERITY_COLOURS: Final[dict[Severity, str]] = {"act_now": RED, "plan": YELLOW, "note": BLUE}


class Mark(NamedTuple):
    """How a line is drawn: colour, height, width; hatched where nothing is proven."""

    colour: str
    height: int
    width: int
    hatched: bool = False


# Never colour alone: what is worse is taller, what is not proven is hatched.
LINE_MARKS: Final[dict[LineState, Mark]] = {
    "act_now": Mark(RED, 20, 6),
    "plan": Mark(YELLOW, 17, 5),
    "note": Mark(BLUE, 13, 5),
    "not_proven": Mark(GREY, 9, 5, hatched=True),
    "sound": Mark(GREY, 9, 5),
}
