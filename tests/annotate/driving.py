"""Driving the pages in a real Chromium: how it is started, the sizes of screens, and waiting for what a page comes to.

The browser itself, one for all tests, and windows of it are fixtures of `conftest`.
"""

import shutil
import time
from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from playwright.sync_api import Page, expect

CHROMIUM = shutil.which("chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

PATIENCE_S = 30.0
"""Passed only where something is wrong: a busy machine may take long over what is right."""

expect.set_options(timeout=1000 * PATIENCE_S)

DESK = {"width": 1440, "height": 900}
PHONE = {"width": 390, "height": 844}
LEAST_TARGET_PX = 44
"""WCAG 2.1, success criterion 2.5.5: targets of at least 44 by 44 CSS px."""

REFLOW_PX = 320
"""WCAG 2.1, success criterion 1.4.10: no sideways scrolling at a width of 320 CSS px, which is 1280 px at 400 %."""

NOW = datetime(2026, 5, 17, 20, 0, tzinfo=UTC)

in_browser = pytest.mark.browser
"""What marks the tests that drive the pages; where there is no Chromium the fixture skips them."""

OpenPage = Callable[..., Page]


def shown_candidate(page: Page) -> int:
    """The id of the candidate at hand."""
    return int(page.locator("#main").get_attribute("data-candidate") or 0)


def wait_for_candidate(page: Page, candidate: int) -> None:
    """Wait until a candidate is at hand."""
    expect(page.locator("#main")).to_have_attribute("data-candidate", str(candidate))


def wait_until(page: Page, expression: str, argument: object = None) -> None:
    """Wait until an expression holds on a page; the browser's own waiting would need eval, which the pages forbid."""
    end = time.monotonic() + PATIENCE_S
    while not page.evaluate(expression, argument):
        assert time.monotonic() < end, f"never came true: {expression}"
        page.wait_for_timeout(20)


def wait_until_sent(page: Page) -> None:
    """Wait until nothing is kept in the browser any more."""
    wait_until(
        page, "Object.keys(localStorage).filter((key) => key.startsWith('leafshade-out:')).length === 0"
    )
