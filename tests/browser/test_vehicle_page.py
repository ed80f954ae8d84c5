"""The page of a vehicle in a browser: one axis for all charts, lines that open, nothing that moves under the hand, photos, paper."""

import io
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, expect
from waitress import create_server

from analytics.findings import CAUTIONS
from analytics.pipeline import results
from analytics.pipeline.workers import workers
from dashboard.web.app import create_app
from ingest import registry, times, work_records
from ingest.database import writing
from ingest.work import work_of
from simulators.scenario import Trouble
from tests.conftest import free_port
from tests.helpers.vehicles import END_US, arrivals, recorded

BLOCKED = "/vehicle/harrowmere-stone/HS-101"


@pytest.fixture(scope="module")
def site(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A dashboard over a vehicle with a blocked line and one record of work; the present is the end of its messages."""
    assert browser.is_connected()
    trouble = Trouble("blocked_line", 12, None, line=5, ratio=4.0)
    engine, _ = recorded(tmp_path_factory.mktemp("vehicle"), [arrivals("HS-101", (trouble,), days=40)])
    with workers(1) as pool:
        list(results.renew(engine, lambda: END_US, pool, lambda done, of: None))
    with writing(engine) as connection:
        found = registry.find(connection, "HS-101")
        said = {"key": "w1", "kind": "bled", "by": "R. Tarvolen", "at_us": END_US - 30 * 86_400_000_000}
        work_records.record(connection, found.id, found.setups, work_of(said), END_US)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(times, "now_us", lambda: END_US)
        port = free_port()
        server = create_server(create_app(engine).server, host="127.0.0.1", port=port)
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{port}"
        server.close()
        thread.join(10)
    engine.dispose()


SHIFTS = """new PerformanceObserver((list) => {
    for (const one of list.getEntries()) if (!one.hadRecentInput) window.shifted = (window.shifted || 0) + one.value;
}).observe({type: "layout-shift", buffered: true});"""


@pytest.fixture(params=[(1400, 900), (390, 844)], ids=["wide", "phone"])
def page(site: str, tab: Callable[..., Page], request: pytest.FixtureRequest) -> Page:
    """The page of the vehicle with its charts drawn: without an error, an overflow, or a shift of its layout."""
    width, height = request.param
    opened = tab(viewport={"width": width, "height": height}, has_touch=width < 600)
    errors: list[str] = []
    opened.on("console", lambda m: errors.append(m.text) if m.type in ("error", "warning") else None)
    opened.on("pageerror", lambda e: errors.append(str(e)))
    opened.add_init_script(SHIFTS)
    opened.goto(site + BLOCKED)
    expect(opened.locator("#vehicle-stack .heatmaplayer image").first).to_be_attached()
    opened.wait_for_timeout(1000)
    assert opened.evaluate("window.shifted || 0") < 0.05
    assert opened.evaluate("document.documentElement.scrollWidth") <= width
    assert errors == []
    return opened


EDGES = """() => [...document.querySelectorAll("#vehicle-stack .draglayer .nsewdrag")].map((one) => {
    const {left, right} = one.getBoundingClientRect();
    return [left, right];
})"""
SPAN = """() => document.querySelector("#vehicle-stack .js-plotly-plot")._fullLayout.xaxis.range
    .map((at) => Date.parse(at.replace(" ", "T") + "Z") / 86400000)"""


def span_of(page: Page) -> tuple[float, float]:
    """What the charts show, in days."""
    first, last = page.evaluate(SPAN)
    return first, last


def test_all_charts_have_one_axis(page: Page) -> None:
    """The same edges to the pixel; dragging, keys and two fingers change the span of all, and everything is one button away."""
    edges = page.evaluate(EDGES)
    assert len(edges) >= 6
    assert len({tuple(one) for one in edges}) == 1
    whole = span_of(page)
    charts = page.locator("#vehicle-charts")
    charts.focus()
    page.keyboard.press("+")
    page.wait_for_function(f"() => {{ const [a, b] = ({SPAN})(); return b - a < {0.6 * (whole[1] - whole[0])}; }}")
    closer = span_of(page)
    page.keyboard.press("ArrowLeft")
    page.wait_for_function(f"() => ({SPAN})()[0] < {closer[0] - 1}")
    page.get_by_text("30 days", exact=True).click()
    page.wait_for_function(f"() => {{ const [a, b] = ({SPAN})(); return Math.abs(b - a - 32) < 0.5; }}")
    page.get_by_text("Everything", exact=True).click()
    page.wait_for_function(
        f"() => {{ const [a, b] = ({SPAN})(); return Math.abs(b - a - {whole[1] - whole[0]}) < 0.01; }}"
    )
    if page.viewport_size == {"width": 1400, "height": 900}:
        box = page.locator("#vehicle-stack .nsewdrag").first.bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + 100, box["y"] + 5)
        page.wait_for_timeout(300)
        page.mouse.down()
        page.mouse.move(box["x"] + 400, box["y"] + 5, steps=5)
        page.mouse.up()
        page.wait_for_function(f"() => {{ const [a, b] = ({SPAN})(); return b - a < {0.6 * (whole[1] - whole[0])}; }}")
        assert len({tuple(one) for one in page.evaluate(EDGES)}) == 1
        return
    page.locator("#vehicle-stack .nsewdrag").nth(1).scroll_into_view_if_needed()
    box = page.locator("#vehicle-stack .nsewdrag").nth(1).bounding_box()
    assert box is not None
    fingers = page.context.new_cdp_session(page)
    for kind, apart in (("touchStart", 40), ("touchMove", 80), ("touchMove", 160)):
        middle, y = box["x"] + box["width"] / 2, box["y"] + 20
        points = [{"x": middle + side * apart / 2, "y": y, "id": k} for k, side in enumerate((-1, 1))]
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
        page.wait_for_timeout(100)
    fingers.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_function(f"() => {{ const [a, b] = ({SPAN})(); return b - a < {0.5 * (whole[1] - whole[0])}; }}")


def test_a_line_is_opened_by_its_row_and_by_its_button(page: Page) -> None:
    """The worst is open; a row of the map opens another, and so does a key on its button."""
    detail = page.locator("#vehicle-line h3").first
    expect(detail).to_contain_text("Line 5, kingpin upper right")
    expect(page.locator("#vehicle-line")).to_contain_text("times what is expected")
    row = page.evaluate(
        """() => {
            const chart = document.querySelector("#vehicle-stack .js-plotly-plot"),
            axis = chart._fullLayout[`yaxis${chart.layout.meta.map.slice(1)}`];
            chart.scrollIntoView({block: "center"});
            const box = chart.getBoundingClientRect();
            return [box.left + chart._fullLayout.xaxis._offset + 60, box.top + axis._offset + axis._length / 14 * 1.5];
        }"""
    )
    page.mouse.click(*row)
    expect(detail).to_contain_text("Line 2,")
    expect(page.locator("button[data-line='2']")).to_have_attribute("aria-pressed", "true")
    page.wait_for_function(
        "() => document.querySelector('#vehicle-stack').textContent.includes('2 kingpin lower left, peaks')"
    )
    page.locator("button[data-line='7']").focus()
    page.keyboard.press("Enter")
    expect(detail).to_contain_text("Line 7,")
    expect(page.locator("button[data-line='7']")).to_be_focused()


def test_nothing_moves_under_the_hand(site: str, page: Page) -> None:
    """News come while somebody types: what is open stays open, the focus where it was, what was typed as it was."""
    page.get_by_text("Add a remark or a photo").click()
    page.get_by_label("Remark", exact=True).fill("half a sen")
    page.get_by_label("Note", exact=True).fill("a note")
    page.locator("#vehicle-head summary").first.click()  # the cautions
    page.locator("button[data-line='7']").click()
    page.get_by_label("Remark", exact=True).focus()
    key = "k" if page.viewport_size == {"width": 1400, "height": 900} else "p"
    answer = page.request.post(
        f"{site}/work/harrowmere-stone/HS-101",
        data={"key": key, "kind": "line_mended", "lines": [5], "by": "x", "note": key, "at_us": END_US - 60_000_000},
    )
    assert answer.ok
    expect(page.locator("#vehicle-work")).to_contain_text(f"Line cleared or replaced; line 5; {key}")
    expect(page.get_by_label("Remark", exact=True)).to_be_focused()
    expect(page.get_by_label("Remark", exact=True)).to_have_value("half a sen")
    expect(page.get_by_label("Note", exact=True)).to_have_value("a note")
    expect(page.locator("#vehicle-head details").first).to_have_attribute("open", "")
    expect(page.locator("button[data-line='7']")).to_have_attribute("aria-pressed", "true")
    expect(page.locator("#vehicle-line h3").first).to_contain_text("Line 7,")


def photo() -> bytes:
    """A picture as somebody takes it."""
    out = io.BytesIO()
    Image.effect_noise((900, 600), 40).convert("RGB").save(out, "JPEG")
    return out.getvalue()


def test_a_photo_is_added_and_shown(page: Page) -> None:
    """With a remark, on the record that was chosen; what is no photo is refused in a line."""
    before = page.locator("#vehicle-work .vehicle-photo").count()
    page.get_by_label("Who did it").fill("R. Tarvolen")
    page.locator("[data-remark=w1]").click()
    expect(page.get_by_label("Remark", exact=True)).to_be_focused()
    page.set_input_files("#remark-photo", {"name": "x.jpg", "mimeType": "image/jpeg", "buffer": b"no picture at all"})
    page.get_by_role("button", name="Add it").click()
    expect(page.locator("#remark-told")).to_have_text("Not added: this is no photo: send JPEG, PNG or WebP.")
    page.set_input_files("#remark-photo", {"name": "x.jpg", "mimeType": "image/jpeg", "buffer": photo()})
    page.get_by_label("Remark", exact=True).fill("the old tube")
    page.get_by_role("button", name="Add it").click()
    expect(page.locator("#remark-told")).to_have_text("Added.")
    expect(page.locator("#vehicle-work .vehicle-photo")).to_have_count(before + 1)
    expect(page.locator("#vehicle-work")).to_contain_text("R. Tarvolen: the old tube")
    page.wait_for_function(
        "() => [...document.querySelectorAll('.vehicle-photo img')].every((one) => one.naturalWidth === 900)"
    )


def test_a_vehicle_prints_on_a4(site: str, tab: Callable[..., Page], tmp_path: Path) -> None:
    """Cautions in full, every step unfolded, charts no wider than the sheet, nothing that can only be pressed."""
    page: Any = tab(viewport={"width": 1400, "height": 900}, color_scheme="dark")
    page.goto(site + BLOCKED)
    expect(page.locator("#vehicle-stack .heatmaplayer image").first).to_be_attached()
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    for text in CAUTIONS:
        expect(page.locator(".on-paper", has_text=text)).to_be_visible()
    expect(page.get_by_text("Open the line at the point")).to_be_visible()
    expect(page.locator("#work-save")).to_be_hidden()
    expect(page.locator(".vehicle-sections")).to_be_hidden()
    assert page.evaluate("document.getElementById('vehicle-charts').getBoundingClientRect().width") <= 701
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    page.pdf(path=tmp_path / "vehicle.pdf", format="A4")
    assert (tmp_path / "vehicle.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("path", ["/", "/fleet", "/work", BLOCKED])
def test_a_name_of_any_length_leaves_the_page_as_wide_as_it_was(site: str, tab: Callable[..., Page], path: str) -> None:
    """As long as a name may be, without a place to break it, on a phone."""
    page = tab(viewport={"width": 390, "height": 844})
    page.goto(site + path)
    name = page.get_by_text("tipper 101").first
    expect(name).to_be_visible()
    page.evaluate("""() => {
        const texts = document.createTreeWalker(document.querySelector("#page"), NodeFilter.SHOW_TEXT);
        while (texts.nextNode()) texts.currentNode.data = texts.currentNode.data.replace("tipper 101", "W".repeat(250));
    }""")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("path", [BLOCKED, BLOCKED.replace("/vehicle/", "/evidence/")])
def test_the_narrowest_phone_needs_no_scrolling_sideways(site: str, tab: Callable[..., Page], path: str) -> None:
    """320 px (WCAG 2.2, 1.4.10), which is a wide screen at four times the size, too; what is chosen can be let go of with gloves on."""
    page = tab(viewport={"width": 320, "height": 640}, has_touch=True, is_mobile=True)
    page.goto(site + path)
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    page.wait_for_load_state("networkidle")
    beyond = "[...document.querySelectorAll('main *')].filter((e) => e.getBoundingClientRect().right > 320.5 && !e.closest('svg'))"
    wide = page.evaluate(f"{beyond}.map((e) => e.outerHTML.slice(0, 200))")
    assert page.evaluate("document.documentElement.scrollWidth") <= 320, wide
    for button in page.locator(".mantine-Pill-remove").all():
        box = button.bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= 44
