"""Colour, type, space: the one definition. The style sheet, the components' theme, the charts' templates, marks and badges are all made
from it; `python -m dashboard.tokens > dashboard/assets/tokens.css` writes the style sheet's share, and a test holds the two together.

Meanings by ISO 22324: red danger, yellow caution, green safe; blue and grey are supplementary. The exception has the colour: whatever
can be pressed or read is without one, sound is grey, and green stands only where something was proven.
"""

from typing import Any, Final, NamedTuple

from analytics.kinds import Severity
from analytics.vehicle.line_conditions import LineState

RED: Final = "#d92020"  # white text on it reaches 4.5:1, and it 3:1 on dark ground; so does blue
YELLOW: Final = "#e0a800"
GREEN: Final = "#1a7f37"
BLUE: Final = "#3576ba"
GREY: Final = "#8a8f98"

SEVERITY_COLOURS: Final[dict[Severity, str]] = {"act_now": RED, "plan": YELLOW, "note": BLUE}
ON_SEVERITY: Final[dict[Severity, str]] = {"act_now": "#ffffff", "plan": "#1a1a1a", "note": "#ffffff"}  # text on it


class Scheme(NamedTuple):
    """What light and dark differ in. `quiet` is the second grey of text; `edge` outlines what can be filled in or pressed; the last four
    are the severities and proof as text."""

    ground: str
    surface: str
    sunken: str
    ink: str
    quiet: str
    rule: str
    edge: str
    chosen: str
    act_ink: str
    plan_ink: str
    note_ink: str
    proven: str


LIGHT: Final = Scheme(
    ground="#f4f5f7", surface="#ffffff", sunken="#eaecef", ink="#1c2127", quiet="#59616b", rule="#dde0e4", edge="#868d97",
    chosen="#e3e6ea", act_ink="#b51818", plan_ink="#755800", note_ink="#2a62a0", proven=GREEN,
)  # fmt: skip
DARK: Final = Scheme(
    ground="#14171b", surface="#1d2126", sunken="#2a2f36", ink="#e3e6ea", quiet="#a3abb6", rule="#343a42", edge="#7b838e",
    chosen="#2f353d", act_ink="#ff8f86", plan_ink="#f0c14b", note_ink="#8fbdee", proven="#55c476",
)  # fmt: skip

TYPEFACE: Final = (
    "Hyperlegible"  # assets/fonts: letters and figures that nobody mistakes for one another, as unit numbers ask for
)
FONT: Final = f"{TYPEFACE}, system-ui, sans-serif"
SIZES_PX: Final = {"small": 12, "text": 14, "large": 16, "heading": 20, "figure": 28}
WEIGHTS: Final = {"regular": 400, "strong": 600}
STEP_PX: Final = 4
STEPS: Final = (1, 2, 3, 4, 5, 6, 8, 10, 12)
RADIUS_PX: Final = 6


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
# Each need has a word and a shape of its own as well: the shape as a CSS clip path, the word in `formatting.NEED_WORDS`.
SHAPES: Final = {
    "act_now": "circle(50%)",
    "plan": "polygon(50% 4%, 100% 96%, 0 96%)",
    "note": "inset(8%)",
    "unheard": "polygon(0 40%, 100% 40%, 100% 60%, 0 60%)",
    "not_proven": "polygon(50% 0, 100% 50%, 50% 100%, 0 50%, 50% 0, 50% 22%, 22% 50%, 50% 78%, 78% 50%, 50% 22%)",
    "none": "polygon(8% 52%, 22% 38%, 42% 58%, 80% 14%, 94% 28%, 42% 86%)",
}


def _rem(px: float) -> str:
    """A length that grows with the reader's own letters."""
    return f"{px / 16:g}rem"


def _block(selector: str, values: dict[str, str]) -> str:
    return f"{selector} {{ {' '.join(f'--{name}: {value};' for name, value in values.items())} }}"


def _of(scheme: Scheme) -> dict[str, str]:
    return {name.replace("_", "-"): value for name, value in scheme._asdict().items()}


def stylesheet() -> str:
    """The tokens as properties of CSS: light, dark, and light again on paper."""
    names = {"act_now": "act", "plan": "plan", "note": "note"}
    fixed = {
        **{names[name]: colour for name, colour in SEVERITY_COLOURS.items()},
        **{f"{names[name]}-text": colour for name, colour in ON_SEVERITY.items()},
        "grey": GREY,
        "band": YELLOW,
        "font": FONT,
        **{f"size-{name}": _rem(px) for name, px in SIZES_PX.items()},
        **{name: str(weight) for name, weight in WEIGHTS.items()},
        **{f"s{n}": _rem(STEP_PX * n) for n in STEPS},
        "radius": f"{RADIUS_PX}px",
    }
    dark, light = _of(DARK), _of(LIGHT)
    faces = "\n".join(
        f'@font-face {{ font-family: {TYPEFACE}; font-weight: 400 600; font-display: swap; src: url("fonts/hyperlegible-{part}.woff2")'
        f' format("woff2"); unicode-range: {letters}; }}'
        for part, letters in _LETTERS.items()
    )
    shapes = "\n".join(f".shape-{name} {{ clip-path: {path}; }}" for name, path in SHAPES.items())
    return "\n".join(
        [
            "/* Made by `python -m dashboard.tokens`: change dashboard/tokens.py instead. */",
            faces,
            _block(":root", fixed | light),
            _block('[data-mantine-color-scheme="dark"]', dark),
            f"@media (prefers-color-scheme: dark) {{ {_block(':root:not([data-mantine-color-scheme])', dark)} }}",
            f"@media print {{ {_block(':root, [data-mantine-color-scheme]', light)} }}",
            shapes,
            "",
        ]
    )


# What each file of the typeface covers, so that a browser fetches the second only for names that need it.
_LETTERS: Final = {
    "latin": "U+0000-00FF, U+0131, U+0152-0153, U+02BB-02BC, U+02C6, U+02DA, U+02DC, U+2000-206F, U+20AC, U+2122, U+2191, U+2193,"
    " U+2212, U+2215",
    "latin-ext": "U+0100-0130, U+0132-0151, U+0154-02BA, U+1E00-1E9F, U+1EF2-1EFF, U+20A0-20AB, U+20AD-20C0",
}


def components_theme() -> dict[str, Any]:
    """The same for the components that draw themselves."""
    light = [
        LIGHT.surface,
        LIGHT.ground,
        LIGHT.sunken,
        LIGHT.chosen,
        LIGHT.rule,
        LIGHT.edge,
        LIGHT.quiet,
        "#3a414a",
        LIGHT.ink,
        "#0c0f12",
    ]
    dark = [
        DARK.ink,
        "#c9ced5",
        DARK.quiet,
        "#8d95a0",
        DARK.rule,
        DARK.chosen,
        DARK.sunken,
        DARK.surface,
        DARK.ground,
        "#0e1013",
    ]
    sizes = {"xs": "small", "sm": "text", "md": "text", "lg": "large", "xl": "heading"}
    return {
        "colors": {"ink": light, "dark": dark},
        "primaryColor": "ink",
        "primaryShade": {"light": 8, "dark": 1},
        "autoContrast": True,
        "black": LIGHT.ink,
        "fontFamily": FONT,
        "fontSizes": {name: _rem(SIZES_PX[size]) for name, size in sizes.items()},
        "headings": {"fontFamily": FONT, "fontWeight": "600"},
        "defaultRadius": RADIUS_PX,
        "spacing": {"xs": _rem(8), "sm": _rem(12), "md": _rem(16), "lg": _rem(24), "xl": _rem(32)},
    }


if __name__ == "__main__":
    print(stylesheet(), end="")
