"""One definition of colours, type and space: the style sheet, the charts and the components have those of the program, and text on them
can be read."""

import re
import subprocess
import sys
from pathlib import Path

import plotly.io as pio
import pytest

from analytics.kinds import Severity
from dashboard import tokens
from dashboard.figures.theme import add_templates, scheme_of, template_of
from dashboard.formatting import NEED_WORDS
from dashboard.tokens import (
    BLUE,
    DARK,
    GREY,
    LIGHT,
    LINE_MARKS,
    ON_SEVERITY,
    RED,
    SEVERITY_COLOURS,
    SHAPES,
    YELLOW,
    Scheme,
)

ASSETS = Path(tokens.__file__).parent / "assets"
BOTH = pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])


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


def test_the_style_sheet_is_made_of_the_tokens() -> None:
    """What the program writes is what browsers get."""
    written = subprocess.run([sys.executable, "-m", "dashboard.tokens"], capture_output=True, text=True, check=True)
    assert written.stdout == tokens.stylesheet() == (ASSETS / "tokens.css").read_text("utf-8")


def classes(path: Path) -> set[str]:
    """The classes that a style sheet has rules for."""
    text = re.sub(r'url\("[^"]*"\)|/\*.*?\*/', "", path.read_text("utf-8"), flags=re.DOTALL)
    return set(re.findall(r"\.(-?[a-z_][\w-]*)", " ".join(re.findall(r"([^{}]+)\{", text)), re.IGNORECASE))


def test_classes_of_a_page_bear_its_name() -> None:
    """All style sheets share one namespace: what a page's own has rules for begins with the page's name, or is everybody's."""
    everybody = set().union(*(classes(ASSETS / f"{name}.css") for name in ("tallow", "tokens", "icons")))
    libraries = ("mantine-", "js-plotly-plot", "main-svg", "drag")
    pages = {one: one for one in ("alarms", "fleet", "points", "today", "vehicle", "work")} | {
        "rounds": "round",
        "sign-in": "way-in",
    }
    assert {path.stem for path in ASSETS.glob("*.css")} == {*pages, "tallow", "tokens", "icons"}
    for stem, name in pages.items():
        for one in classes(ASSETS / f"{stem}.css") - everybody:
            assert one.startswith((name, *libraries)), (stem, one)


def test_no_other_style_sheet_has_a_colour_of_its_own() -> None:
    """Colours come from the tokens; white paper and shadows apart."""
    for path in ASSETS.glob("*.css"):
        if path.name != "tokens.css":
            assert set(re.findall(r"#[0-9a-fA-F]{3,8}\b(?! *\{)", path.read_text("utf-8"))) <= {"#fff"}, path.name


def test_every_property_that_style_sheets_use_is_a_token() -> None:
    """A name that nobody defines would silently be nothing."""
    own = set(re.findall(r"--([\w-]+):", "".join(path.read_text("utf-8") for path in ASSETS.glob("*.css"))))
    for path in ASSETS.glob("*.css"):
        used = set(re.findall(r"var\(--([\w-]+)", path.read_text("utf-8")))
        assert {name for name in used if not name.startswith(("mantine-", "app-shell-"))} <= own, path.name


def test_the_typeface_is_there_with_its_licence() -> None:
    """Both files that the style sheet names."""
    named = set(re.findall(r'url\("(fonts/[^"]+)"\)', tokens.stylesheet()))
    assert len(named) == 2
    for name in named:
        assert (ASSETS / name).read_bytes()[:4] == b"wOF2"  # signature by the W3C's WOFF 2.0, section 4.1
    assert "SIL OPEN FONT LICENSE Version 1.1" in (ASSETS / "fonts" / "OFL.txt").read_text("utf-8")


@BOTH
def test_charts_and_components_have_the_same_colours(scheme: Scheme) -> None:
    """Ground, text and typeface of a chart are those of the page around it."""
    add_templates()
    name = template_of("light" if scheme is LIGHT else "dark")
    layout = pio.templates[name].layout
    assert scheme_of(name) is scheme
    assert (layout.paper_bgcolor, layout.font.color, layout.font.family) == (scheme.surface, scheme.ink, tokens.FONT)
    shades = tokens.components_theme()["colors"]["ink" if scheme is LIGHT else "dark"]
    assert len(shades) == 10
    assert {scheme.surface, scheme.ink, scheme.quiet, scheme.rule} <= set(shades)


@BOTH
@pytest.mark.parametrize("ink", ["ink", "quiet", "act_ink", "plan_ink", "note_ink", "proven"])
def test_text_can_be_read(scheme: Scheme, ink: str) -> None:
    """At least 4.5 to 1 on every ground that text stands on (WCAG 2.2, success criterion 1.4.3)."""
    for ground in (scheme.ground, scheme.surface, scheme.chosen, scheme.sunken):
        if ink in ("ink", "quiet") or ground in (scheme.ground, scheme.surface):
            assert contrast(ground, getattr(scheme, ink)) >= 4.5, ground


@pytest.mark.parametrize("name", list(SEVERITY_COLOURS))
def test_text_on_severities_can_be_read(name: Severity) -> None:
    """At least 4.5 to 1 (WCAG 2.2, success criterion 1.4.3)."""
    assert contrast(SEVERITY_COLOURS[name], ON_SEVERITY[name]) >= 4.5


@BOTH
def test_marks_and_outlines_show(scheme: Scheme) -> None:
    """At least 3 to 1 (WCAG 2.2, success criterion 1.4.11); yellow on white has its height and a word beside it instead."""
    assert min(contrast(scheme.surface, colour) for colour in (RED, BLUE, GREY, scheme.edge)) >= 3


def test_every_need_has_a_word_and_a_shape() -> None:
    """Never colour alone."""
    assert set(SHAPES) == set(NEED_WORDS)
    assert len(set(SHAPES.values())) == len(SHAPES)


def test_green_is_no_state_of_a_line() -> None:
    """Sound is grey, and what is not proven is hatched and as low: neither looks like trouble, nor like proof."""
    assert {mark.colour for mark in LINE_MARKS.values()} == {RED, YELLOW, BLUE, GREY}
    assert {name: LINE_MARKS[name].colour for name in SEVERITY_COLOURS} == SEVERITY_COLOURS
    assert [name for name, mark in LINE_MARKS.items() if mark.hatched] == ["not_proven"]
    heights = [LINE_MARKS[name].height for name in ("act_now", "plan", "note", "sound")]
    assert heights == sorted(heights, reverse=True)
