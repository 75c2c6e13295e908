"""What looks alike, dismissed together on the review page, and the page of more like one: in a real Chromium, by keys and thumb.

What became of it is read back from the logbook, not from the page.
"""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from annotate.judging.alike import MOST_PROMISE_GROUPED
from annotate.logbook.looks import keep_looks
from annotate.logbook.opening import create_logbook, open_logbook
from annotate.logbook.review import find_candidate
from annotate.logbook.verdicts import give_verdict, list_verdicts
from detect.evidence import HeldJpeg
from tests.annotate.conftest import Served
from tests.annotate.driving import (
    LEAST_TARGET_PX,
    PHONE,
    REFLOW_PX,
    OpenPage,
    in_browser,
    shown_candidate,
    wait_for_candidate,
    wait_until,
    wait_until_sent,
)
from tests.annotate.made_pages import serve_pages
from tests.annotate.made_records import LATER, add_trees, film, make_candidate, make_jpeg, make_view, search

pytestmark = in_browser

ALIKE, OTHERS = 9, 3
"""Candidates of one look (ids 1 to 9, the last of them by far the most promising) and of quite another."""

ZOOMED = {"width": 720, "height": 450}
"""A desk of 1440 by 900 at 200 %."""


@pytest.fixture
def alike(tmp_path: Path) -> Iterator[Served]:
    """Nine candidates that look alike, the best of them promising much, and three others; served."""
    with open_logbook(create_logbook(tmp_path / "book", recorder="Maren")) as logbook:
        add_trees(logbook, "OT03")
        found = []
        for number in range(ALIKE + OTHERS):
            low = MOST_PROMISE_GROUPED * (0.8 - 0.02 * number if number < ALIKE else 0.2)
            score = 0.9 if number == ALIKE - 1 else low
            middle = (100, 60 + 60 * number)
            view = make_view(1.0 + 0.1 * number, middle, shade=number)
            picture = HeldJpeg(make_jpeg(20 * number, rows=120, columns=120))
            view = replace(view, picture_jpeg=picture, picture_origin_px=(middle[0] - 60, middle[1] - 60))
            found.append(make_candidate(1.0 + 0.1 * number, middle, score=score, views=[view], shade=number))
        search(logbook, film(logbook, tree="OT03"), found)
        rng = np.random.default_rng(5)
        seen = np.array([0] * ALIKE + [1, 2, 3])
        looks = 3 * rng.normal(size=(4, 16))[seen] + 0.1 * rng.normal(size=(ALIKE + OTHERS, 16))
        ids = sorted(range(1, ALIKE + OTHERS + 1))
        keep_looks(logbook, "made 1", ids=ids, vectors=looks.astype(np.float16))
        with serve_pages(logbook) as address:
            yield Served(logbook, address)


def read_answers(served: Served) -> str:
    """First letters of the answers that count, in the order of ids."""
    return "".join(find_candidate(served.logbook, n).answer[0] for n in range(1, ALIKE + OTHERS + 1))


def dismiss_first(page: Page) -> None:
    """Dismiss the most promising one, and the one after it, which is the first that the group may be made of."""
    wait_for_candidate(page, ALIKE)
    page.keyboard.press("n")
    wait_for_candidate(page, 1)
    page.keyboard.press("d")
    expect(page.locator("#alike-words")).to_have_text("7 more look like this silhouette, just dismissed.")


def test_a_group_is_dismissed_and_taken_back_by_keys(alike: Served, open_page: OpenPage) -> None:
    """G opens the sheet, Space unmarks, D dismisses what is left as one; Z takes all of it back at once, and nothing else."""
    page = open_page(alike.address)
    dismiss_first(page)
    page.keyboard.press("g")
    boxes = page.locator("#alike-grid input")
    expect(boxes).to_have_count(7)
    expect(boxes.first).to_be_focused()
    expect(page.locator("#alike-dismiss")).to_contain_text("Dismiss these 7")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Space")
    kept = int(boxes.nth(1).get_attribute("value") or 0)
    expect(page.locator("#alike-count")).to_have_text("6 of 7 marked to be dismissed.")
    page.keyboard.press("d")
    wait_until_sent(page)
    gone = [n for n in range(1, ALIKE) if n != kept]
    assert read_answers(alike) == "".join("d" if n in gone else "o" for n in range(1, ALIKE + OTHERS + 1))
    names = {list_verdicts(alike.logbook, n)[-1].batch for n in gone if n != 1}
    assert len(names) == 1 and "" not in names
    expect(page.locator("#slip-words")).to_have_text("Dismissed 6 together.")
    wait_for_candidate(page, kept)
    page.keyboard.press("z")
    expect(page.locator("#slip-words")).to_have_text("Taken back; all 6 are open again.")
    wait_until_sent(page)
    assert read_answers(alike) == "d" + "o" * (ALIKE + OTHERS - 1)
    page.keyboard.press("z")
    wait_for_candidate(page, 1)
    wait_until_sent(page)
    assert read_answers(alike) == "o" * (ALIKE + OTHERS)


def test_a_group_sent_without_a_server_arrives_once(alike: Served, open_page: OpenPage) -> None:
    """Dismissed with the line cut, the group stays in the browser over a reload, and counts once when the line is back."""
    page = open_page(alike.address)
    dismiss_first(page)
    wait_until_sent(page)
    page.context.set_offline(True)
    page.keyboard.press("g")
    page.keyboard.press("d")
    expect(page.locator("#trouble-words")).to_contain_text("kept in this browser")
    assert read_answers(alike).count("d") == 1
    page.context.set_offline(False)
    page.reload()
    wait_until_sent(page)
    assert read_answers(alike) == "d" * (ALIKE - 1) + "o" * (1 + OTHERS)
    assert [len(list_verdicts(alike.logbook, n)) for n in range(1, ALIKE)] == [1] * (ALIKE - 1)
    page.keyboard.press("z")
    wait_until(page, "document.getElementById('slip-words').textContent.startsWith('Taken back')")
    wait_until_sent(page)
    assert read_answers(alike).count("d") == 1


def test_what_somebody_judged_meanwhile_is_left_alone(alike: Served, open_page: OpenPage) -> None:
    """Whoever confirmed one of the group before it was dismissed is told of, and goes on counting."""
    page = open_page(alike.address)
    dismiss_first(page)
    page.keyboard.press("g")
    give_verdict(alike.logbook, 4, answer="confirm", reviewer="Jonas", at=LATER)
    page.keyboard.press("d")
    wait_until_sent(page)
    expect(page.locator("#meanwhile-words")).to_contain_text("meanwhile")
    assert read_answers(alike) == "dddcdddd" + "o" * (1 + OTHERS)


def test_leaving_the_sheet_says_nothing(alike: Served, open_page: OpenPage) -> None:
    """Escape closes it, answers nothing, and the keys judge again; an answer of another kind takes the offer away."""
    page = open_page(alike.address)
    dismiss_first(page)
    page.keyboard.press("g")
    page.keyboard.press("c")
    page.keyboard.press("Escape")
    expect(page.locator("#alike-sheet")).to_be_hidden()
    expect(page.locator("#main")).to_be_focused()
    here = shown_candidate(page)
    page.keyboard.press("u")
    wait_until_sent(page)
    expect(page.locator("#alike")).to_be_hidden()
    assert find_candidate(alike.logbook, here).answer == "unsure"
    assert read_answers(alike).count("o") == ALIKE + OTHERS - 2


@pytest.mark.parametrize("viewport", [PHONE, ZOOMED, {"width": REFLOW_PX, "height": 640}])
def test_a_group_by_thumb_and_at_any_size(
    alike: Served, open_page: OpenPage, viewport: dict[str, int]
) -> None:
    """A tap on a picture unmarks it; nothing runs off to the side, every target is large enough, the button stays in sight."""
    page = open_page(alike.address, viewport=viewport, has_touch=True, is_mobile=viewport is not ZOOMED)
    wait_for_candidate(page, ALIKE)
    page.locator("#later-button").tap()
    wait_for_candidate(page, 1)
    page.locator("#answers button[data-answer=dismiss]").tap()
    page.locator("#alike-button").tap()
    page.locator(".pick").nth(2).tap()
    expect(page.locator("#alike-dismiss")).to_contain_text("Dismiss these 6")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate(
        "document.getElementById('alike-sheet').scrollWidth <= document.getElementById('alike-sheet').clientWidth"
    )
    for target in [
        *page.locator(".pick").all(),
        page.locator("#alike-dismiss"),
        page.locator("#alike-leave"),
    ]:
        box = target.bounding_box()
        assert box and min(box["width"], box["height"]) >= LEAST_TARGET_PX
    assert page.locator("#alike-dismiss").evaluate("(it) => it.getBoundingClientRect().bottom <= innerHeight")
    page.locator("#alike-dismiss").tap()
    wait_until_sent(page)
    assert read_answers(alike).count("d") == 7


def test_pictures_have_names_and_states_for_a_screen_reader(alike: Served, open_page: OpenPage) -> None:
    """The sheet is a named dialog; each picture is a checkbox that says what it shows, checked until it is unmarked."""
    page = open_page(alike.address)
    dismiss_first(page)
    page.keyboard.press("g")
    sheet = page.get_by_role("dialog", name="What looks like the one just dismissed")
    boxes = sheet.get_by_role("checkbox", name="Dismiss silhouette, 30 px, score")
    expect(boxes).to_have_count(7)
    expect(boxes.first).to_be_checked()
    page.keyboard.press("Space")
    expect(boxes.first).not_to_be_checked()
    expect(page.locator(".pick").first).to_contain_text("keep")


def test_more_like_this_leads_to_cards_of_all_footage(alike: Served, open_page: OpenPage) -> None:
    """S opens the page of the nearest looks with tree, date, similarity and standing in words; each opens its card."""
    give_verdict(alike.logbook, 3, answer="dismiss", reviewer="Maren", at=LATER)
    page = open_page(alike.address)
    wait_for_candidate(page, ALIKE)
    page.keyboard.press("s")
    expect(page).to_have_title("More like silhouette on OT03, 12:00:01 – Leafshade")
    items = page.locator(".sheet li")
    expect(items).to_have_count(ALIKE + OTHERS - 1)
    third = items.filter(has=page.locator("a[href='/candidates/3']"))
    expect(third).to_contain_text("dismissed")
    expect(third).to_contain_text("OT03")
    expect(third).to_contain_text("17 May 2026")
    expect(items.first).to_contain_text("alike")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    third.locator("a").click()
    wait_for_candidate(page, 3)
