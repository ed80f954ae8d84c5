"""Pages in other languages in a real browser: nothing is cut or too wide on a phone, and the language is chosen on *Units and language*."""

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.test_browser import RunningDemo

PHONE_PX = 390
PAGES = (
    "/", "/fleet", "/alarms", "/rounds?depot=Skarvholm+Quarry", "/vehicle/harrowmere-stone/HS-102", "/points", "/work", "/grease",
    "/account", "/account/report", "/parts", "/patterns", "/data", "/set-up", "/help", "/me",
    "/label/harrowmere-stone/HS-102", "/handover/harrowmere-stone/HS-102", "/evidence/harrowmere-stone/HS-102",
)  # fmt: skip
# Elements with text of their own that is cut, or that stand out of the page; what scrolls by itself is not cut.
TOO_LONG = """() => [...document.querySelectorAll("body *")].filter((e) => {
    const own = [...e.childNodes].some((n) => n.nodeType === Node.TEXT_NODE && n.textContent.trim());
    const place = e.getBoundingClientRect();
    if (!own || !e.checkVisibility() || place.width < 4 || place.height < 4) return false;
    const cut = getComputedStyle(e).overflowX !== "visible" && e.scrollWidth > e.clientWidth + 1;
    let scrolls = false;
    for (let p = e; p && p !== document.body; p = p.parentElement) scrolls ||= /auto|scroll/.test(getComputedStyle(p).overflowX);
    return cut || (!scrolls && place.right > innerWidth + 1);
}).map((e) => e.textContent.trim())"""


# Names of pages that take two lines.
BROKEN = """() => [...document.querySelectorAll("[data-nav] a > span:not(.icon, .count)")].filter(
    (name) => name.getBoundingClientRect().height > 1.9 * parseFloat(getComputedStyle(name).fontSize)).map((name) => name.textContent)"""
# What fields ask for and have no room to say.
CUT = """() => [...document.querySelectorAll("input[placeholder]")].filter((field) => {
    const seen = getComputedStyle(field), pen = document.createElement("canvas").getContext("2d");
    pen.font = `${seen.fontSize} ${seen.fontFamily}`;
    const room = field.clientWidth - parseFloat(seen.paddingLeft) - parseFloat(seen.paddingRight);
    return field.offsetParent && pen.measureText(field.placeholder).width > room + 1;
}).map((field) => field.placeholder)"""


@pytest.fixture(scope="module")
def demo(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningDemo]:
    """The demo, started once."""
    assert browser.is_connected()
    running = RunningDemo(tmp_path_factory.mktemp("languages"))
    running.start()
    yield running
    running.stop()


@pytest.mark.parametrize(
    ("spoken", "pages"),
    [("de", PAGES[:5]), *(pytest.param(spoken, PAGES, marks=pytest.mark.long) for spoken in ("de", "fr", "es", "nb"))],
)
def test_no_text_is_too_long_for_a_phone(
    demo: RunningDemo, tab: Callable[..., Page], spoken: str, pages: tuple[str, ...]
) -> None:
    """At 390 px; German, which has the longest words, stands for all in the short run, and the pages that are opened most for all
    pages."""
    page = tab(viewport={"width": PHONE_PX, "height": 844}, locale=spoken)
    for path in pages:
        page.goto(f"{demo.address}{path}")
        expect(page.locator("h1").first).to_be_visible()
        page.wait_for_timeout(1_500)  # until the rest of it has come
        assert page.evaluate("document.documentElement.lang") == spoken
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE_PX, path
        assert page.evaluate(TOO_LONG) == [], path


@pytest.mark.parametrize("spoken", ["en", "de", "fr", "es", "nb"])
def test_no_word_of_the_menu_or_of_a_field_is_cut(demo: RunningDemo, tab: Callable[..., Page], spoken: str) -> None:
    """On a small laptop and a small phone: each page's name stands in one line, and what a field asks for fits into it."""
    page = tab(viewport={"width": 1366, "height": 768}, locale=spoken)
    page.goto(f"{demo.address}/fleet")
    expect(page.locator("#rail-refills")).not_to_be_empty()
    assert page.evaluate(BROKEN) == []
    page.set_viewport_size({"width": 360, "height": 740})
    expect(page.locator("[data-nav=bar]")).to_be_visible()
    assert page.evaluate(BROKEN) == []
    page.set_viewport_size({"width": 1366, "height": 768})
    assert page.evaluate(CUT) == []


def test_the_language_is_chosen_and_kept(demo: RunningDemo, tab: Callable[..., Page]) -> None:
    """The page comes back in it, and so do the others and what scripts say."""
    page = tab(locale="en-GB")
    page.goto(f"{demo.address}/me")
    expect(page.get_by_role("heading", name="Units and language")).to_be_visible()
    page.locator("#me-language").click()
    page.get_by_role("option", name="Deutsch").click()
    expect(page.get_by_role("heading", name="Einheiten und Sprache")).to_be_visible()
    page.goto(f"{demo.address}/vehicle/harrowmere-stone/HS-103")
    page.get_by_role("button", name="Eintragen").click()
    expect(page.locator("#work-told")).not_to_have_text("")
    assert "Say who did it" not in page.locator("#work-told").inner_text()
