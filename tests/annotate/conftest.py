"""A filmed and searched logbook of Otterholt Wood for the tests of the pages, its pages served over HTTP, and a browser."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from annotate.logbook.opening import Logbook, open_logbook
from annotate.logbook.verdicts import give_verdict
from tests.annotate.made_pages import RECORDED_AT, fill_logbook, serve_pages
from tests.annotate.sharing import share_among_logbooks

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

    from tests.annotate.driving import OpenPage


@dataclass(frozen=True)
class Served:
    """An open logbook and the address its pages are served at."""

    logbook: Logbook
    address: str


@pytest.fixture(scope="session", autouse=True)
def shared_among_logbooks(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Logbooks are opened and made quickly in all tests."""
    with share_among_logbooks(tmp_path_factory.mktemp("new") / "logbook"):
        yield


@pytest.fixture(scope="session")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder in which the clip is filmed, once for all tests."""
    return tmp_path_factory.mktemp("film")


@pytest.fixture
def otterholt(tmp_path: Path, film: Path) -> Iterator[Logbook]:
    """An open logbook with five candidates on OT03, its clip beside it."""
    with open_logbook(fill_logbook(tmp_path / "Otterholt", film)) as logbook:
        yield logbook


@pytest.fixture(scope="session")
def shown(tmp_path_factory: pytest.TempPathFactory, film: Path) -> Iterator[Served]:
    """A logbook like it without its clip, candidate 2 confirmed, served once for all tests that only look."""
    folder = tmp_path_factory.mktemp("shown") / "Otterholt"
    with open_logbook(fill_logbook(folder, film, has_clip=False)) as logbook:
        give_verdict(logbook, 2, answer="confirm", reviewer="Maren", at=RECORDED_AT)
        with serve_pages(logbook) as address:
            yield Served(logbook, address)


@pytest.fixture
def served(tmp_path: Path, film: Path) -> Iterator[Served]:
    """A logbook like it without its clip, served."""
    folder = fill_logbook(tmp_path / "Otterholt", film, has_clip=False)
    with open_logbook(folder) as logbook, serve_pages(logbook) as address:
        yield Served(logbook, address)


@pytest.fixture
def served_with_clip(otterholt: Logbook) -> Iterator[Served]:
    """The logbook with its clip, served; loops are made while the page is open."""
    with serve_pages(otterholt) as address:
        yield Served(otterholt, address)


@pytest.fixture(scope="session")
def chromium() -> "Iterator[Browser]":
    """One Chromium for all tests; each opens windows of its own."""
    from playwright.sync_api import sync_playwright

    from tests.annotate.driving import ARGUMENTS, CHROMIUM

    if CHROMIUM is None:
        pytest.skip("there is no Chromium here (Debian: apt install chromium)")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def open_page(chromium: "Browser") -> "Iterator[OpenPage]":
    """Return what opens a page in a window of its own; at the end no page may have complained or fetched from elsewhere."""
    from tests.annotate.driving import DESK, PATIENCE_S

    contexts: list[BrowserContext] = []
    complaints: list[str] = []
    fetched: set[str] = set()
    homes: set[str] = set()

    def listen(message: Any) -> None:
        # A request that the test itself makes fail is logged by the browser, and is no complaint of the page.
        if message.type in ("error", "warning") and "net::ERR_INTERNET_DISCONNECTED" not in message.text:
            complaints.append(message.text)

    def open_one(address: str, *, context: "BrowserContext | None" = None, **settings: Any) -> "Page":
        if context is None:
            context = chromium.new_context(**{"viewport": DESK, **settings})
            context.set_default_timeout(1000 * PATIENCE_S)
            contexts.append(context)
        page = context.new_page()
        page.on("console", listen)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on(
            "request",
            lambda request: fetched.add(re.sub(r"^(\w+://[^/]*).*$", r"\1", request.url, flags=re.DOTALL)),
        )
        homes.add(re.match(r"\w+://[^/]*", address)[0])  # type: ignore[index]
        page.goto(address)
        return page

    yield open_one
    for context in contexts:
        context.close()
    assert complaints == []
    assert fetched <= homes
