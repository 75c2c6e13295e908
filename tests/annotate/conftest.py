"""A filmed and searched logbook of Otterholt Wood for the tests of the pages, and its pages served over HTTP."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from annotate.logbook.opening import Logbook, open_logbook
from annotate.logbook.verdicts import give_verdict
from tests.annotate.made_pages import RECORDED_AT, fill_logbook, serve_pages


@dataclass(frozen=True)
class Served:
    """An open logbook and the address its pages are served at."""

    logbook: Logbook
    address: str


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
