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


@pytest.fixture
def otterholt(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    """An open logbook with five candidates on OT03; the clip is filmed once for all tests."""
    film = tmp_path_factory.getbasetemp() / "film"
    film.mkdir(exist_ok=True)
    with open_logbook(fill_logbook(tmp_path / "Otterholt", film)) as logbook:
        yield logbook


@pytest.fixture(scope="session")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A logbook like it, with candidate 2 confirmed, served once for all tests that only look."""
    film = tmp_path_factory.getbasetemp() / "film"
    film.mkdir(exist_ok=True)
    with open_logbook(fill_logbook(tmp_path_factory.mktemp("shown") / "Otterholt", film)) as logbook:
        give_verdict(logbook, 2, answer="confirm", reviewer="Maren", at=RECORDED_AT)
        with serve_pages(logbook) as address:
            yield Served(logbook, address)


@pytest.fixture
def served(otterholt: Logbook) -> Iterator[Served]:
    """That logbook, its pages served."""
    with serve_pages(otterholt) as address:
        yield Served(otterholt, address)
