"""A browser for the tests that need one."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.conftest import program

QUIET = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync",
         "--no-first-run"]  # fmt: skip


expect.set_options(timeout=30_000)  # the first page of a machine that has just started everything takes its time


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Headless Chromium."""
    path = program("chromium")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=path, args=QUIET)
        yield chromium
        chromium.close()


@pytest.fixture
def tab(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Pages in contexts of their own, closed whatever happens."""
    contexts = []

    def open_tab(**options: Any) -> Page:
        contexts.append(browser.new_context(**options))
        return contexts[-1].new_page()

    yield open_tab
    for context in contexts:
        context.close()
