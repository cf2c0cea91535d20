"""A real browser for tests of the page: Debian's Chromium, driven by Playwright."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")
INSTALL = "the page is tested in a browser: install it with `apt-get install -y chromium`"


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """One browser for all tests; they skip where none is installed, and say how to install it."""
    path = next(filter(None, map(shutil.which, NAMES)), None)
    if path is None:
        pytest.skip(INSTALL)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield started
        started.close()


@contextmanager
def opened(browser: Any, path: Path, **how: Any) -> Iterator[Any]:
    """A page of its own on a file. What it says on the console and what it asks for are kept as `said` and `asked`."""
    context = browser.new_context(**({"viewport": {"width": 1200, "height": 900}} | how))
    page = context.new_page()
    page.said, page.asked = [], []
    page.on("console", lambda message: page.said.append(message.text))
    page.on("pageerror", lambda error: page.said.append(str(error)))
    page.on("request", lambda request: page.asked.append(request.url))
    page.goto(path.as_uri())
    yield page
    context.close()
