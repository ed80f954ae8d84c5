"""The demo in a real browser: it starts, fills its pages, follows the live messages, and stops and starts again."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from analytics.findings import CAUTIONS
from tests.conftest import free_port


class RunningDemo:
    """`tallow demo` in a folder of its own."""

    def __init__(self, data: Path) -> None:
        self.data, self.port = data, free_port()

    def start(self, speed: int = 120) -> float:
        """Start it, and wait until all of the fleet is there; seconds until it said where the dashboard is."""
        began = time.monotonic()
        options = {"--data": str(self.data), "--port": str(self.port), "--speed": str(speed)}
        command = [sys.executable, "-m", "dashboard", "demo", *(part for option in options.items() for part in option)]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONUNBUFFERED": "1"}
        )
        assert self.process.stdout is not None
        took_s = 0.0
        for line in self.process.stdout:
            if line.startswith("Dashboard: "):
                assert line.strip() == f"Dashboard: {self.address}"
                took_s = time.monotonic() - began
            if line.startswith("All of the fleet is there"):
                return took_s
        raise AssertionError(f"the demo ended with {self.process.wait()}")

    @property
    def address(self) -> str:
        """Where its dashboard is."""
        return f"http://127.0.0.1:{self.port}"

    def stop(self) -> int:
        """Press Ctrl-C."""
        self.process.send_signal(signal.SIGINT)
        self.process.communicate(timeout=30)
        return self.process.returncode


@pytest.fixture(scope="module")
def demo(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningDemo]:
    """The demo, started once."""
    assert browser.is_connected()
    running = RunningDemo(tmp_path_factory.mktemp("demo"))
    running.start()
    yield running
    if running.process.poll() is None:
        running.stop()


@pytest.fixture(params=[(1400, 1000), (390, 844)], ids=["wide", "phone"])
def page(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    """A page that tolerates no error on its console and no overflow."""
    width, height = request.param
    context = browser.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    errors: list[str] = []
    page.on("console", lambda m: errors.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: errors.append(str(e)))
    try:
        yield page
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert errors == []
    finally:
        context.close()


def unfolded(page: Page) -> None:
    """With filters in sight, which a phone has behind a button."""
    button = page.get_by_role("button", name="Filters")
    if button.is_visible():
        button.click()


def test_the_fleet_leads_to_a_vehicle(demo: RunningDemo, page: Page) -> None:
    """Open the fleet, see who needs somebody, follow the vehicle with the blocked line, see its charts."""
    page.goto(demo.address)
    expect(page.get_by_role("heading", level=1)).to_contain_text("need somebody today")
    expect(page.locator(".today-to-do li", has_text="tipper 102")).to_contain_text("Line blocked")
    page.goto(f"{demo.address}/fleet?sort=unit")
    expect(page.get_by_role("heading", name="Fleet")).to_be_visible()
    expect(page.locator("table.fleet tbody tr")).to_have_count(27)
    row = page.locator("tr", has_text="tipper 102")
    row.locator("summary").click()
    expect(row).to_contain_text("looks blocked")
    row.get_by_role("link", name="tipper 102").click()
    expect(page.get_by_role("heading", name="tipper 102")).to_be_visible()
    expect(page.locator("#vehicle-stack .scatterlayer .trace").first).to_be_attached(timeout=30_000)
    expect(page.locator("#vehicle-stack .heatmaplayer image").first).to_be_attached(timeout=30_000)
    expect(page.get_by_text("Open the line at the point")).to_be_visible()  # the steps of what is worst are open
    page.wait_for_timeout(6_000)  # a refresh passes


def test_filters_change_the_address(demo: RunningDemo, page: Page) -> None:
    """A view can be kept: the totals and the search are in the address."""
    page.goto(f"{demo.address}/fleet")
    page.locator(".fleet-total", has_text="Act now").click()
    page.wait_for_url("**/fleet?need=act_now")
    number = int(page.locator(".fleet-total", has_text="Act now").locator("strong").inner_text())
    expect(page.locator("table.fleet tbody .fleet-cell-unit")).to_have_count(number)
    unfolded(page)
    page.get_by_label("Search").fill("loader")
    page.wait_for_url("**search=loader**")
    page.goto(f"{demo.address}/vehicle/harrowmere-stone/nobody")
    expect(page.get_by_text("Unknown vehicle")).to_be_visible()


def test_typing_slowly_loses_no_letter(demo: RunningDemo, page: Page) -> None:
    """Each pause shows what was typed so far and puts it into the address; the field keeps its letters and the focus."""
    page.goto(f"{demo.address}/fleet?sort=unit")
    expect(page.locator("table.fleet tbody tr")).to_have_count(27)
    unfolded(page)
    field = page.get_by_label("Search")
    field.click()
    for letter in "loader":
        page.keyboard.type(letter)
        page.wait_for_timeout(600)
    expect(field).to_have_value("loader")
    page.wait_for_url("**search=loader**")
    expect(page.locator("table.fleet tbody .fleet-cell-unit")).to_have_count(7)


def test_every_page_can_be_reached(demo: RunningDemo, page: Page) -> None:
    """Four on a phone's bar and the others behind one button; targets that a thumb can hit. The page that one is on says so, and the
    depot that was chosen holds."""
    page.goto(f"{demo.address}/?depot=Dry+Fork+Pit")
    phone = page.viewport_size is not None and page.viewport_size["width"] < 600
    expect(page.locator("#scope")).to_have_value("Dry Fork Pit")

    def reached(place: str, names: tuple[str, ...]) -> None:
        for name in names:
            link = page.locator(f"[data-nav={place}] a", has_text=name)
            expect(link).to_be_visible()
            box = link.bounding_box()
            assert box is not None
            assert box["height"] >= (44 if phone else 24)

    first, others = ("Today", "Fleet", "Alarms", "Refill round"), ("Grease", "Patterns", "Data", "Set-up", "Help")
    reached("bar" if phone else "rail", first)
    page.locator(f"[data-nav={'bar' if phone else 'rail'}] a", has_text="Fleet").click()
    page.wait_for_url("**/fleet?depot=Dry+Fork+Pit")
    expect(page.locator(f"[data-nav={'bar' if phone else 'rail'}] [aria-current=page]")).to_have_text("Fleet")
    if phone:
        page.get_by_role("button", name="More", exact=True).click()
    reached("more" if phone else "rail", others)
    page.locator(f"[data-nav={'more' if phone else 'rail'}] a", has_text="Data").click()
    page.wait_for_url("**/data?depot=Dry+Fork+Pit")
    page.locator(f"[data-nav={'bar' if phone else 'rail'}] a", has_text="Fleet").click()
    page.locator("table.fleet a.unit").first.click()
    page.wait_for_url("**/vehicle/**")
    expect(page.locator("#scope")).to_be_hidden()  # it narrows nothing there
    page.go_back()
    expect(page.locator("#scope")).to_have_value("Dry Fork Pit")


def test_the_search_finds_by_the_keyboard_alone(demo: RunningDemo, tab: Callable[..., Page]) -> None:
    """A stroke puts the cursor there; vehicles, kinds of finding and points are found; the enter key opens the first."""
    page = tab(viewport={"width": 1400, "height": 900})
    page.goto(demo.address)
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    page.keyboard.press("/")
    page.keyboard.type("blocked", delay=250)
    expect(page.locator("#find-found")).to_contain_text("Line blocked")
    page.get_by_label("Find").fill("tipper 102")
    expect(page.locator("#find-found a").first).to_contain_text("tipper 102")
    page.keyboard.press("Enter")
    page.wait_for_url("**/vehicle/harrowmere-stone/HS-102")


def test_what_is_opened_stays_open_over_a_refresh(demo: RunningDemo, tab: Callable[..., Page]) -> None:
    """New contents take the place of old ones; steps that somebody reads do not close."""
    page = tab(viewport={"width": 1400, "height": 1000})
    page.goto(f"{demo.address}/vehicle/harrowmere-stone/HS-306")
    steps = page.locator("#vehicle-head details", has_text="What to check").last  # the first stands open already
    steps.locator("summary").click()
    expect(steps).to_have_attribute("open", "")
    page.evaluate("window.before = [...document.querySelectorAll('#vehicle-head details[data-keep^=steps]')].at(-1)")
    page.get_by_label("Who did it").fill("R. Tarvolen")
    page.get_by_label("Note").fill("looked at it")
    page.get_by_role("button", name="Record it").click()
    page.wait_for_function("() => !window.before.isConnected", timeout=30_000)
    expect(page.locator("#vehicle-head details[data-keep^=steps]").last).to_have_attribute("open", "")


def test_work_is_recorded_on_the_vehicles_page(demo: RunningDemo, page: Page) -> None:
    """What is worst is proposed; it appears among the records without a reload, and can be withdrawn."""
    page.goto(f"{demo.address}/vehicle/harrowmere-stone/HS-102")
    expect(page.locator("#work-kind")).to_have_value("Line cleared or replaced")
    page.get_by_role("button", name="Record it").click()
    expect(page.locator("#work-told")).to_have_text("Say who did it.")
    page.get_by_label("Who did it").fill("R. Tarvolen")
    page.get_by_role("button", name="Record it").click()
    expect(page.locator("#work-told")).to_have_text("Recorded.")
    kept = page.locator("#vehicle-work li", has=page.locator("button"))
    expect(kept).to_contain_text("Line cleared or replaced; line 5", timeout=15_000)
    kept.get_by_role("button", name="withdraw").click()
    expect(page.locator("#vehicle-work li button")).to_have_count(0, timeout=15_000)


def test_a_round_is_ticked_off(demo: RunningDemo, page: Page) -> None:
    """Who fills, one tap, and it is on the vehicle's page."""
    page.goto(f"{demo.address}/rounds?depot=Dry+Fork+Pit&days=56")
    tick = page.locator("[id*=round-filled]").first
    tick.click()
    expect(page.get_by_text("Say above who fills it.")).to_be_visible()
    page.get_by_label("Filled or greased by").fill("M. Osvael")
    page.get_by_label("Filled or greased by").blur()
    page.get_by_label("where it was not filled up").first.fill("0.2")
    tick.click()
    expect(page.get_by_text("Recorded.")).to_be_visible()
    page.get_by_role("button", name="was not filled").first.click()
    expect(page.get_by_text("Taken back.")).to_be_visible()


def test_an_alarm_is_answered_and_the_repair_recorded(demo: RunningDemo, page: Page) -> None:
    """From the list of alarms to the vehicle: acknowledged in one's own name, then the line recorded as replaced, and the proof of it
    begins."""
    wide = page.viewport_size is not None and page.viewport_size["width"] > 600
    vehicle = "HS-102" if wide else "HS-201"
    page.goto(f"{demo.address}/alarms?vehicle=harrowmere-stone/{vehicle}")
    expect(page.locator(".alarm").first).to_be_visible(timeout=30_000)
    page.locator(".alarm input[type=checkbox]").first.check()
    page.get_by_role("button", name="Acknowledge").click()
    expect(page.locator("#alarms-told")).to_have_text("Not done: say who does it.")
    page.get_by_label("Who does it").fill("R. Tarvolen")
    page.get_by_label("Who does it").blur()
    page.locator("#alarms-actions summary", has_text="Assign").click()
    page.get_by_label("To whom").fill("M. Osvael")
    page.get_by_role("button", name="Assign", exact=True).click()
    expect(page.locator("#alarms-told")).to_have_text("1 alarm: assigned to M. Osvael.")
    expect(page.locator(".alarm", has_text="M. Osvael")).to_have_count(1)
    expect(page.locator("#alarms-told[data-dash-is-loading]")).to_have_count(0)
    page.wait_for_load_state("networkidle")  # the list is drawn anew with what was assigned
    page.locator(".alarm input[type=checkbox]").first.check()
    page.get_by_role("button", name="Acknowledge", exact=True).click()
    expect(page.locator("#alarms-told")).to_have_text("1 alarm: acknowledged.")
    expect(page.locator("#alarms-told[data-dash-is-loading]")).to_have_count(0)
    page.wait_for_load_state("networkidle")  # the list is drawn anew, and its tabs
    page.get_by_role("link", name=re.compile("^Acknowledged")).click()
    expect(page.locator(".alarm").first).to_contain_text("R. Tarvolen")
    page.get_by_role("button", name="Open").first.click()
    expect(page.locator(".alarms-drawer")).to_contain_text("What to check")
    expect(page.locator(".alarms-drawer")).to_contain_text("to M. Osvael")
    page.keyboard.press("Escape")
    expect(page.locator(".alarms-drawer")).to_be_hidden()
    page.goto(f"{demo.address}/vehicle/harrowmere-stone/{vehicle}")
    expect(page.locator("#vehicle-alarms")).to_contain_text("acknowledged")
    if not wide:
        return
    page.get_by_label("Who did it").fill("R. Tarvolen")
    page.get_by_label("Note").fill("tube renewed")
    page.get_by_role("button", name="Record it").click()
    expect(page.locator("#work-told")).to_have_text("Recorded.")
    expect(page.locator("#vehicle-head")).to_contain_text("of the 10 cycles that prove it have run", timeout=20_000)


def test_charts_show_the_same_span(demo: RunningDemo, tab: Callable[..., Page]) -> None:
    """Seven days for one are seven days for all; their numbers are a file."""
    page = tab(viewport={"width": 1400, "height": 1000})
    page.goto(f"{demo.address}/vehicle/harrowmere-stone/HS-103")
    expect(page.locator("#vehicle-stack .main-svg").first).to_be_visible(timeout=30_000)
    page.get_by_text("7 days", exact=True).click()
    days = """() => {
        const range = document.querySelector("#vehicle-stack .js-plotly-plot")._fullLayout.xaxis.range;
        return (new Date(range[1]) - new Date(range[0])) / 86400000;
    }"""
    page.wait_for_function(f"() => {{ const days = ({days})(); return days > 8.5 && days < 9.5; }}", timeout=15_000)
    page.locator("#over-time .vehicle-corner summary").click()
    with page.expect_download() as download:
        page.get_by_role("button", name="Level as CSV").click()
    assert download.value.path().read_text().startswith("at,what,level_pct")


PAGES = ["/", "/fleet", "/alarms", "/rounds", "/points", "/work", "/patterns", "/grease", "/account", "/account/report", "/parts", "/data",
         "/set-up",
         "/me",          "/vehicle/harrowmere-stone/HS-102",
         "/handover/harrowmere-stone/HS-101", "/label/harrowmere-stone/HS-101",
         "/evidence/harrowmere-stone/HS-101"]  # fmt: skip


@pytest.mark.parametrize(
    ("path", "scheme"),
    [(path, "light") for path in PAGES[:5]]
    + [(PAGES[-4], "light")]
    + [pytest.param(path, "light", marks=pytest.mark.long) for path in (*PAGES[5:-4], *PAGES[-3:])]
    + [pytest.param(path, "dark", marks=pytest.mark.long) for path in ("/", "/fleet", "/alarms", PAGES[10])],
)
def test_pages_can_be_used_by_everybody(demo: RunningDemo, tab: Callable[..., Page], path: str, scheme: Any) -> None:
    """No serious finding of the axe engine (WCAG 2.2 A and AA), light or dark."""
    page = tab(viewport={"width": 1280, "height": 900}, color_scheme=scheme)
    page.goto(demo.address + path)
    expect(page.locator("h1").first).to_be_visible()
    page.wait_for_timeout(500)
    found = (
        Axe()
        .run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
        .response["violations"]
    )
    serious = {
        f["id"]: [node["html"][:200] for node in f["nodes"]][:4]
        for f in found
        if f["impact"] in ("serious", "critical")
    }
    assert not serious, json.dumps(serious, indent=1)


def test_work_recorded_without_a_connection_is_sent_later(demo: RunningDemo, tab: Callable[..., Page]) -> None:
    """It is kept on the device, says so, and counts once."""
    page = tab(viewport={"width": 390, "height": 844})
    context = page.context
    page.goto(f"{demo.address}/vehicle/harrowmere-stone/HS-103")
    page.get_by_label("Who did it").fill("A. Lindehav")
    page.get_by_label("Note").fill("at the gate")
    page.get_by_label("Filled in, l").fill("1.2")
    context.set_offline(True)
    page.get_by_role("button", name="Record it").click()
    expect(page.locator("#work-told")).to_contain_text("1 kept on this device")
    context.set_offline(False)
    expect(page.locator("#vehicle-work li")).to_contain_text("at the gate", timeout=30_000)
    expect(page.locator("#work-told")).to_have_text("Recorded.")
    assert page.evaluate("localStorage.getItem('tallow-work')") == "[]"
    page.locator("#vehicle-work").get_by_role("button", name="remark or photo").first.click()
    page.locator("#remark-text").fill("seen from below")
    context.set_offline(True)
    page.get_by_role("button", name="Add it").click()
    expect(page.locator("#remark-told")).to_contain_text("1 kept on this device")
    context.set_offline(False)
    expect(page.locator("#vehicle-work .vehicle-remark")).to_contain_text("seen from below", timeout=30_000)
    assert page.evaluate("localStorage.getItem('tallow-work')") == "[]"


def test_a_kept_record_that_is_refused_stays_until_it_is_changed_or_discarded(
    demo: RunningDemo, tab: Callable[..., Page]
) -> None:
    """With its reason, over reloads and other records; changed it is recorded as of its own time, and gone from the device."""
    page = tab(viewport={"width": 390, "height": 844})
    page.goto(f"{demo.address}/points")
    expect(page.get_by_label("Greased or read by")).to_be_visible()
    done_at = datetime.now(ZoneInfo("Europe/Oslo")) - timedelta(days=30)
    common = {"kind": "filled", "by": "R. Tarvolen", "at_us": int(done_at.timestamp()) * 1_000_000}
    records = [
        {"key": "refused-a", "litres": 999, "note": "too much"},
        {"key": "refused-b", "litres": 998, "note": "never was"},
    ]
    kept = [{"fleet": "harrowmere-stone", "name": "HS-103", "record": common | one} for one in records]
    page.evaluate("(kept) => localStorage.setItem('tallow-work', kept)", json.dumps(kept))
    refused = page.locator("#refused")
    for _ in range(2):
        page.reload()
        expect(refused.get_by_role("listitem")).to_have_count(2, timeout=30_000)
        expect(refused).to_contain_text("999 l cannot go into a reservoir")
        expect(refused).to_contain_text("HS-103 · Reservoir filled · ")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.goto(f"{demo.address}/vehicle/harrowmere-stone/HS-104")
    page.get_by_label("Who did it").fill("A. Lindehav")
    page.get_by_label("Filled in, l").fill("0.5")
    page.get_by_role("button", name="Record it").click()
    expect(page.locator("#work-told")).to_have_text("Recorded.")
    expect(refused.get_by_role("listitem")).to_have_count(2)
    first, second = refused.get_by_role("listitem").first, refused.get_by_role("listitem").last
    second.get_by_role("button", name="Discard it").click()
    second.get_by_role("button", name="Discard it").click()
    expect(refused.get_by_role("listitem")).to_have_count(1)
    first.get_by_role("button", name="Change it").click()
    expect(page.get_by_label("Filled in, l")).to_have_value("999")
    expect(page.get_by_label("Note")).to_have_value("too much")
    expect(page.get_by_label("Who did it")).to_have_value("R. Tarvolen")
    page.get_by_label("Filled in, l").fill("0.9")
    page.get_by_role("button", name="Record it").click()
    expect(page.locator("#work-told")).to_have_text("Recorded.")
    expect(refused).to_be_empty()
    assert page.evaluate("localStorage.getItem('tallow-work')") == "[]"
    done = page.locator("#vehicle-work li", has_text="too much")
    expect(done).to_contain_text(f"{done_at.day} {done_at:%b %Y, %H:%M}", timeout=30_000)


def test_hand_points_are_ticked_off_without_a_connection(demo: RunningDemo, tab: Callable[..., Page]) -> None:
    """Kept on the device, sent once there is a connection, and taken back the same way; a stop of a round ticks off several at once."""
    page = tab(viewport={"width": 390, "height": 844})
    context = page.context
    page.goto(f"{demo.address}/points")
    page.get_by_label("Greased or read by").fill("A. Lindehav")
    row = page.locator("table.points tr", has_text="gooseneck lock")
    expect(row).to_contain_text("never greased by record")
    context.set_offline(True)
    row.get_by_role("button", name="3 gooseneck lock greased").click()
    expect(row.get_by_role("status")).to_contain_text("1 kept on this device")
    context.set_offline(False)
    page.wait_for_function("() => localStorage.getItem('tallow-work') === '[]'", timeout=30_000)
    page.reload()
    expect(page.locator("table.points tr", has_text="gooseneck lock")).not_to_contain_text(
        "never greased", timeout=30_000
    )
    page.goto(f"{demo.address}/rounds?depot=Skarvholm+Quarry")
    page.get_by_label("Filled or greased by").fill("A. Lindehav")
    stop = page.locator("table.round tr", has_text="old loader 4").first
    stop.get_by_label("3 bucket pin left, 6 strokes").uncheck()
    stop.get_by_role("button", name="the points of HS-L4 greased").click()
    expect(stop.get_by_role("status")).to_have_text("Recorded.")
    stop.get_by_role("button", name="the points of HS-L4 not greased").click()
    expect(stop.get_by_role("status")).to_have_text("Taken back.")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_dark_pages_are_dark(demo: RunningDemo, tab: Callable[..., Page]) -> None:
    """Charts follow the scheme of the page."""
    page = tab(color_scheme="dark")
    page.goto(f"{demo.address}/vehicle/harrowmere-stone/HS-102")
    expect(page.locator("#vehicle-stack .main-svg").first).to_be_visible(timeout=30_000)
    page.wait_for_function(
        "() => getComputedStyle(document.querySelector('#vehicle-stack .main-svg')).backgroundColor === 'rgb(29, 33, 38)'"
        " || document.querySelector('#vehicle-stack .js-plotly-plot')._fullLayout.paper_bgcolor.toLowerCase() === '#1d2126'"
    )


@pytest.mark.parametrize("path", ["/", "/fleet", "/alarms", "/points", "/rounds?depot=Dry+Fork+Pit"])
def test_lists_of_work_print_the_cautions_in_full(demo: RunningDemo, tab: Callable[..., Page], path: str) -> None:
    """Once, on a sheet of A4; what is walked by is a table with its headings, and nothing that can only be pressed is on it."""
    page = tab(viewport={"width": 703, "height": 1000})
    page.goto(demo.address + path)
    expect(page.locator("h1").first).to_be_visible()
    expect(page.locator("main .cautions").first).to_be_attached(timeout=30_000)
    page.emulate_media(media="print")
    for text in CAUTIONS:
        expect(page.locator(".cautions li:visible", has_text=text)).to_have_count(1)
    if path.startswith(("/points", "/rounds")):
        expect(page.locator("main table thead").first).to_be_visible()
        expect(page.get_by_role("button", name=re.compile("reased|illed|Record"))).to_have_count(0)


def test_the_handover_sheet_prints_on_one_page(demo: RunningDemo, tab: Callable[..., Page], tmp_path: Path) -> None:
    """A4, with fourteen lines."""
    page = tab()
    page.goto(f"{demo.address}/handover/harrowmere-stone/HS-101")
    expect(page.get_by_text("Accepted by")).to_be_visible(timeout=30_000)
    page.pdf(path=tmp_path / "sheet.pdf", format="A4")
    assert len(re.findall(rb"/Type\s*/Page[^s]", (tmp_path / "sheet.pdf").read_bytes())) == 1


def test_live_messages_arrive(demo: RunningDemo) -> None:
    """What the simulator publishes is recorded. At night and on Sundays most vehicles stand: a faster demo gets over that."""
    from ingest import database, totals

    assert demo.stop() == 0
    demo.start(speed=1000)
    engine = database.open_database(f"sqlite:///{demo.data / 'tallow.db'}")

    def recorded() -> int:
        with engine.connect() as connection:
            return sum(totals.status(connection)["recorded"].values())

    before, until = recorded(), time.monotonic() + 240
    while recorded() <= before:
        assert time.monotonic() < until
        time.sleep(0.5)
    engine.dispose()


def test_it_can_be_broken_while_it_runs(demo: RunningDemo) -> None:
    """The command answers at once, and the fleet that is published takes it up."""
    command = [
        sys.executable,
        "-m",
        "dashboard",
        "simulate",
        "--break",
        "HS-103",
        "missed_cycles",
        "--data",
        str(demo.data),
    ]
    assert "HS-103" in subprocess.run(command, capture_output=True, text=True, check=True).stdout
    until = time.monotonic() + 30
    while "missed_cycles on HS-103" not in (demo.data / "simulate.log").read_text():
        assert time.monotonic() < until
        time.sleep(0.2)


def test_it_stops_and_starts_again_on_the_same_data(demo: RunningDemo) -> None:
    """Ctrl-C ends it in order; the second start is quicker, since the history is recorded."""
    assert demo.stop() == 0
    assert demo.start() < 60
    assert demo.stop() == 0
