"""One definition of colours: the style sheet has those of the program, and text on them can be read."""

import re
from pathlib import Path

import pytest

from dashboard import colours
from dashboard.colours import BLUE, GREEN, GREY, LINE_MARKS, RED, SEVERITY_COLOURS, YELLOW

STYLE = (Path(colours.__file__).parent / "assets" / "tallow.css").read_text("utf-8")


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours by WCAG 2.2, "contrast ratio" and "relative luminance"."""

    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        r, g, b = (x / 12.92 if x <= 0.04045 else ((x + 0.055) / 1.055) ** 2.4 for x in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_extremes() -> None:
    """21 to 1 for black on white, as WCAG 2.2 says in its definition of the contrast ratio."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#777777") == pytest.approx(1)


@pytest.mark.parametrize(
    ("name", "colour"), [("act", RED), ("plan", YELLOW), ("note", BLUE), ("safe", GREEN), ("band", YELLOW)]
)
def test_the_style_sheet_has_the_same_colours(name: str, colour: str) -> None:
    """A line, its badge and its bar in a chart cannot differ."""
    assert re.search(rf"--{name}: ({colour});", STYLE)


@pytest.mark.parametrize("name", ["act", "plan", "note"])
def test_text_on_colours_can_be_read(name: str) -> None:
    """At least 4.5 to 1 (WCAG 2.2, success criterion 1.4.3)."""
    ground, ink = re.search(rf"--{name}: (#\w+); --{name}-text: (#\w+);", STYLE).groups()  # type: ignore[union-attr]
    ink = "#" + "".join(2 * c for c in ink[1:]) if len(ink) == 4 else ink
    assert contrast(ground, ink) >= 4.5


@pytest.mark.parametrize("ground", ["#ffffff", "#242424"])
def test_marks_of_trouble_show_on_light_and_dark(ground: str) -> None:
    """At least 3 to 1 (WCAG 2.2, success criterion 1.4.11); yellow on white has its height and a word beside it instead."""
    assert min(contrast(ground, colour) for colour in (RED, BLUE, GREY)) >= 3


def test_green_is_no_state_of_a_line() -> None:
    """Sound is grey, and what is not proven is hatched and as low: neither looks like trouble, nor like proof."""
    assert {mark.colour for mark in LINE_MARKS.values()} == {RED, YELLOW, BLUE, GREY}
    assert {name: LINE_MARKS[name].colour for name in SEVERITY_COLOURS} == SEVERITY_COLOURS
    assert [name for name, mark in LINE_MARKS.items() if mark.hatched] == ["not_proven"]
    heights = [LINE_MARKS[name].height for name in ("act_now", "plan", "note", "sound")]
    assert heights == sorted(heights, reverse=True)
