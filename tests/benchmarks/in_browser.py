"""How soon pages can be used in Chromium, beside what the server takes of that and an empty page of the same browser.

    python -m tests.benchmarks.in_browser --vehicles 10000 [--postgresql postgresql://user@host/postgres]

One vehicle has a year of 40 cycles a day with 24 lines, message by message; the others have results only. Server and browser
share the machine.
"""

import argparse
import base64
import json
import os
import shutil
import statistics
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable

from playwright.sync_api import Browser, Page, sync_playwright

from ingest.database import address
from ingest.times import now_us
from tests.benchmarks import large_fleet
from tests.benchmarks.dashboard_latency import fill
from tests.benchmarks.databases import database, tidy
from tests.conftest import free_port, page_request

QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
# All parts of the charts over time: bars of cycles, the map of lines, level and readings.
DRAWN = (
    "() => ['.barlayer .point', '.heatmaplayer image', '.scatterlayer .trace']"
    ".every((one) => document.querySelector(`#vehicle-stack ${one}`))"
)


def timed(rounds: int, once: Callable[[], float]) -> str:
    """Median and worst of some rounds."""
    spent = [once() for _ in range(rounds)]
    return f"{statistics.median(spent):6.2f} s (worst of {rounds}: {max(spent):.2f})"


def opened(browser: Browser) -> Page:
    """A page of a browser that has been here before: scripts are kept, as is the server's analysis of a vehicle that was looked at."""
    # The page's own policy forbids what waits for the charts.
    return browser.contexts[0].new_page() if browser.contexts else browser.new_context(bypass_csp=True).new_page()


def until(page: Page, address: str, ready: str) -> float:
    """Seconds from asking for an address until a condition of the page holds."""
    began = time.perf_counter()
    page.goto(address, wait_until="commit")
    page.wait_for_function(ready, polling=20, timeout=60_000)
    return time.perf_counter() - began


def page_callback(address: str, path: str) -> tuple[float, int]:
    """(seconds, bytes) of a page's contents, without a browser."""
    asked = urllib.request.Request(
        f"{address}/_dash-update-component",
        json.dumps(page_request(path)).encode(),
        {"Content-Type": "application/json"},
    )
    began = time.perf_counter()
    with urllib.request.urlopen(asked) as answer:
        size = len(answer.read())
    return time.perf_counter() - began, size


def main() -> None:
    """Print a line for each page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=10_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--postgresql")
    asked = parser.parse_args()
    with database(asked.postgresql) as engine:
        large_fleet.write(engine, 2, 365, 40, now_us() // 3_600_000_000)
        fill(engine, asked.vehicles, 365, first_id=3)
        tidy(engine)
        port = free_port()
        command = [
            sys.executable,
            "-m",
            "dashboard",
            "dashboard",
            "--port",
            str(port),
            "--database",
            address(engine),
        ]
        server = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=os.environ | {"PYTHONUNBUFFERED": "1"})
        site = f"http://127.0.0.1:{port}"
        try:
            _measure(site, asked.rounds)
        finally:
            server.terminate()
            server.wait(20)


def _measure(site: str, rounds: int) -> None:
    while True:
        try:
            urllib.request.urlopen(f"{site}/alive").close()
            break
        except OSError:
            time.sleep(0.2)
    vehicle = "/vehicle/large/V000000"
    for name, path in (
        ("first", vehicle),
        ("again", vehicle),
        ("other", "/vehicle/large/V000001"),
        ("fleet", "/fleet"),
        ("today", "/"),
    ):
        seconds, size = page_callback(site, path)
        print(f"server, {path} ({name}): {seconds:.2f} s, {size / 1000:.0f} kB")
    chromium = shutil.which("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=QUIET)
        page = opened(browser)
        empty = "data:text/html;base64," + base64.b64encode(b"<h1>x</h1>").decode()
        print(
            "an empty page:           ", timed(rounds, lambda: until(page, empty, "() => document.querySelector('h1')"))
        )
        row = "() => document.querySelectorAll('table.fleet tbody tr').length >= 50"
        print("fleet, first row usable: ", timed(rounds, lambda: until(page, f"{site}/fleet", row)))
        work = "() => document.querySelectorAll('.today-to-do li').length >= 4"
        print("today, first work usable:", timed(rounds, lambda: until(page, f"{site}/", work)))
        print("vehicle by its site:  ", timed(rounds, lambda: until(page, site + vehicle, DRAWN)))

        def from_the_fleet() -> float:
            until(page, f"{site}/fleet?search=V000000", "() => window.Plotly && window.Plotly.newPlot")
            link = page.locator(f"a[href='{vehicle}']").first
            link.wait_for()
            began = time.perf_counter()
            link.click()
            page.wait_for_function(DRAWN, polling=20, timeout=60_000)
            return time.perf_counter() - began

        print("vehicle from the fleet:  ", timed(rounds, from_the_fleet))
        browser.close()


if __name__ == "__main__":
    main()
