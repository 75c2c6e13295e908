"""The page on filming: what it shows, and what it does with what cannot be."""

import re
from collections.abc import Iterator
from typing import Literal

import httpx
import pytest

from annotate.logbook.opening import create_logbook, open_logbook
from annotate.logbook.sizes import keep_focal_length
from tests.annotate import asking
from tests.annotate.driving import DESK, OpenPage, in_browser
from tests.annotate.made_pages import serve_pages
from tests.annotate.made_records import add_trees, film, make_candidate, search

PAPER = {"width": 688, "height": 1000}
"""A4 within margins of 14 mm, in CSS px."""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """The pages of a logbook with one searched clip whose file states 77 mm."""
    folder = create_logbook(tmp_path_factory.mktemp("reach") / "Otterholt", zone="Europe/London")
    with open_logbook(folder) as logbook:
        add_trees(logbook, "OT03")
        clip = film(logbook, tree="OT03")
        search(logbook, clip, [make_candidate()])
        keep_focal_length(logbook, clip.id, 77.0)
        with serve_pages(logbook) as address, asking.open_client(base_url=address) as client:
            yield client


def test_page_shows_the_published_lengths(pages: httpx.Client) -> None:
    """With 26 mm at 3840 px the frame covers 3840 times the published 0.72 mm per px at 2 m: 2.8 m (check-values, imaging)."""
    page = pages.get("/reach?focal=26&width=3840&height=2160&from=2&to=4")
    assert page.status_code == 200
    assert "2.8 × 1.6 m" in page.text
    assert 'aria-current="page">Filming' in page.text


def test_zoom_lengthens_by_the_ratio_of_focal_lengths(pages: httpx.Client) -> None:
    """The first length in px grows with the focal length."""
    lengths = []
    for focal in (26, 52):
        text = pages.get(f"/reach?focal={focal}&from=1&to=1").text
        lengths.append([int(px) for px in re.findall(r"<strong>(\d+) px</strong>", text)])
    assert len(lengths[0]) == 5
    assert all(abs(long - 2 * short) <= 1 for short, long in zip(*lengths, strict=True))


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("focal=0", "focal length: expected 4 to 2000 mm"),
        ("focal=<b>", "focal: expected a number; found &#39;&lt;b&gt;&#39;"),
        ("focal=nan", "focal: expected a number"),
        ("width=3", "resolution: expected 100 to 20000 px"),
        ("from=6&to=1", "height: expected 0.3 to 60 m"),
        ("crop=9", "crop: expected a factor from 1 to 2"),
        ("sharpness=fine", "sharpness: expected one of soft, fair, sharp"),
        ("looks=0", "looks: expected one or more"),
        ("focal=" + "9" * 5000, "focal"),
    ],
)
def test_what_cannot_be_is_said_and_the_rest_kept(pages: httpx.Client, query: str, says: str) -> None:
    """A value that cannot be is a sentence on the page, and what else was typed stays in its field."""
    page = pages.get(f"/reach?looks=11&{query}" if "looks" not in query else f"/reach?{query}")
    assert page.status_code == 422
    assert says in page.text
    if "looks" not in query:
        assert 'value="11"' in page.text


def test_searched_clip_says_what_it_covered_and_what_is_not_known(pages: httpx.Client) -> None:
    """The page names the clip's lens as its file states it, and says that nobody knows where the camera was pointed."""
    text = pages.get("/reach?clip=walk+1.mp4").text
    assert "77 mm (stated by its file)" in text
    assert "its height is not known" in text
    assert "Not known: where in the crown the camera was pointed" in text
    assert "No tree card was seen in it" in text


def test_unknown_clip_is_said_in_its_place(pages: httpx.Client) -> None:
    """A clip that is not there is said beside the rest of the page, which is shown all the same."""
    page = pages.get("/reach?clip=nothing.mp4")
    assert page.status_code == 200
    assert "expected the name of a searched clip" in page.text
    assert "<svg viewBox=" in page.text


@in_browser
@pytest.mark.parametrize("medium", ["screen", "print"])
def test_all_instars_stand_on_a_desk_and_on_paper(
    pages: httpx.Client, open_page: OpenPage, medium: Literal["screen", "print"]
) -> None:
    """From L1 to L5 no column of the table is cut off at its edge."""
    page = open_page(f"{pages.base_url}/reach", viewport=DESK if medium == "screen" else PAPER)
    page.emulate_media(media=medium)
    assert (
        page.evaluate(
            """() => {
            const table = document.querySelector(".numbers");
            return table.getBoundingClientRect().right - document.querySelector("main").getBoundingClientRect().right;
        }"""
        )
        <= 1
    )
