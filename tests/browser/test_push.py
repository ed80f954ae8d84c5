"""What a browser does with alerts that are pushed to it."""

import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from ingest import database
from tests.conftest import free_port, wait_for_port


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A dashboard of nobody's yet."""
    url = f"sqlite:///{tmp_path_factory.mktemp('push') / 'tallow.db'}"
    database.open_database(url).dispose()
    port = free_port()
    command = [sys.executable, "-m", "dashboard", "dashboard", "--port", str(port), "--database", url]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, cwd=Path(__file__).parents[2])
    try:
        wait_for_port(port, 60)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(20)


def test_a_pushed_alert_is_shown_and_the_browser_asked_first(address: str, tab: Callable[..., Page]) -> None:
    """The button asks the browser's own push service, which cannot be had here, and says so; what is handed to the worker is shown."""
    page = tab(permissions=["notifications"])
    page.goto(f"{address}/me")
    expect(page.get_by_text("Alerts go to none of your browsers yet.")).to_be_visible()
    page.get_by_role("button", name="Send alerts to this browser").click()
    told = page.locator("#push-told")
    expect(told).to_have_text(
        re.compile("Not done: the browser or its push service says|Alerts go to this browser now")
    )

    client = page.context.new_cdp_session(page)
    found: list[str] = []
    client.on(
        "ServiceWorker.workerRegistrationUpdated",
        lambda said: found.extend(r["registrationId"] for r in said["registrations"]),
    )
    client.send("ServiceWorker.enable")
    page.evaluate("navigator.serviceWorker.ready.then(() => null)")
    page.wait_for_timeout(500)
    said = '{"title": "Act now: tipper 102", "body": "By when: today.", "url": "/alarms", "tag": "alarm-7"}'
    for data in (said, said, "no JSON"):  # the same alarm once more replaces what was shown of it
        client.send("ServiceWorker.deliverPushMessage", {"origin": address, "registrationId": found[-1], "data": data})
    shown = "navigator.serviceWorker.ready.then((w) => w.getNotifications()).then((all) => all.map((n) => [n.title, n.body, n.tag]).sort())"
    page.wait_for_function(f"() => {shown}.then((all) => all.length === 2)", timeout=15_000)
    assert page.evaluate(shown) == [
        ["Act now: tipper 102", "By when: today.", "alarm-7"],
        ["tallow: an alert", "Open tallow to see what it is.", "tallow"],
    ]
