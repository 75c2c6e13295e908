"""Two people in a real Chromium: the second reads blind, what they differ in comes back to both, and settles."""

import re

import pytest
from playwright.sync_api import expect

from annotate.logbook.observations import list_observations
from annotate.logbook.review import find_candidate
from annotate.logbook.second_reading import ReadingPlan
from annotate.logbook.verdicts import give_verdict, list_verdicts
from tests.annotate.conftest import Served
from tests.annotate.driving import (
    LEAST_TARGET_PX,
    NOW,
    PHONE,
    REFLOW_PX,
    OpenPage,
    in_browser,
    shown_candidate,
    wait_for_candidate,
    wait_until,
)
from tests.annotate.made_pages import serve_pages

pytestmark = in_browser

UNSENT = "Object.keys(localStorage).filter((key) => /^leafshade-(out|second):/.test(key)).length === 0"
MAREN_SAYS = {1: "confirm", 2: "dismiss", 3: "unsure"}
KEYS = {"confirm": "c", "dismiss": "d", "unsure": "u"}


def test_two_people_read_differ_and_settle(served: Served, open_page: OpenPage) -> None:
    """Tove sees nothing of what Maren said; the one in which they differ comes back to both, and is gone once they agree."""
    for number, answer in MAREN_SAYS.items():
        give_verdict(served.logbook, number, answer=answer, reviewer="Maren", at=NOW)  # type: ignore[arg-type]
    tove_says = {**MAREN_SAYS, 2: "confirm"}
    with serve_pages(served.logbook, reviewer="Tove", second=ReadingPlan()) as address:
        page = open_page(address)
        order = []
        for count in range(3):
            expect(page.locator("#sense")).to_have_text(f"Second reading: {count} of 3 read")
            for word in ("Maren", "confirmed", "dismissed", "judged"):
                expect(page.locator("body")).not_to_contain_text(
                    word if count == 0 else "Maren", ignore_case=True
                )
            expect(page.locator("#stands")).to_have_text("")
            assert page.locator("nav a").all_inner_texts() == ["Review"]
            order.append(shown_candidate(page))
            page.keyboard.press(KEYS[tove_says[order[-1]]])
            if count < 2:
                expect(page.locator("#main")).not_to_have_attribute("data-candidate", str(order[-1]))
        expect(page.locator(".nothing")).to_contain_text("Nothing is left to read again.")
        assert sorted(order) == [1, 2, 3]
        wait_until(page, UNSENT)
        page.close()  # or it would ask a server that is gone
    assert [(one.reviewer, one.answer, one.blind) for one in list_verdicts(served.logbook, 2)] == [
        ("Maren", "dismiss", False),
        ("Tove", "confirm", True),
    ]
    assert find_candidate(served.logbook, 2).answer == "unsure"

    maren = open_page(f"{served.address}/observations")
    maren.get_by_role("link", name="Disagreements (1)").click()
    expect(maren.locator(".disagreements")).to_contain_text("waits for Maren and Tove")
    maren.get_by_role("link", name="Look again", exact=True).click()
    wait_for_candidate(maren, 2)
    expect(maren.locator("#stands")).to_contain_text("Maren: dismissed. Tove: confirmed.")
    expect(maren.locator("#answers [aria-pressed=true]")).to_have_count(0)
    maren.keyboard.press("d")
    expect(maren.locator(".disagreements")).to_contain_text("waits for Tove")
    expect(maren.locator(".disagreements li")).to_contain_text(
        re.compile(r"Maren:\s*dismissed.*Tove:\s*confirmed", re.S)
    )
    with serve_pages(served.logbook, reviewer="Tove") as address:
        tove = open_page(f"{address}/disagreements")
        expect(tove.locator(".disagreements")).to_contain_text("waits for Tove")
        tove.get_by_role("link", name="Look again", exact=True).click()
        expect(tove.locator("#stands")).to_contain_text("Maren: dismissed. Tove: confirmed.")
        tove.keyboard.press("d")
        expect(tove.locator(".why-empty")).to_contain_text("Nobody disagrees")
        assert tove.get_by_role("link", name="Disagreements").count() == 0
        tove.close()
    assert find_candidate(served.logbook, 2).answer == "dismiss"
    assert [one.candidate_id for one in list_observations(served.logbook)] == [1]


def test_a_slip_is_taken_back_blind_even_after_a_reload(served: Served, open_page: OpenPage) -> None:
    """Undo brings the candidate back, after a reload too, and what was taken back is kept as a slip."""
    for number, answer in MAREN_SAYS.items():
        give_verdict(served.logbook, number, answer=answer, reviewer="Maren", at=NOW)  # type: ignore[arg-type]
    with serve_pages(served.logbook, reviewer="Tove", second=ReadingPlan()) as address:
        page = open_page(address, viewport=PHONE, has_touch=True, is_mobile=True)
        first = shown_candidate(page)
        for answer in ("confirm", "dismiss", "unsure"):
            box = page.locator(f"#answers button[data-answer={answer}]").bounding_box()
            assert box and min(box["height"], box["width"]) >= LEAST_TARGET_PX
            assert box["y"] + box["height"] <= PHONE["height"]
        page.tap("#answers button[data-answer=confirm]")
        expect(page.locator("#sense")).to_have_text(re.compile("1 of 3 read"))
        page.reload()
        page.keyboard.press("z")
        wait_for_candidate(page, first)
        expect(page.locator("#sense")).to_have_text(re.compile("0 of 3 read"))
        page.set_viewport_size({"width": REFLOW_PX, "height": 600})
        assert page.evaluate("document.documentElement.scrollWidth") <= REFLOW_PX
        page.close()
    slips = [(one.answer, one.blind) for one in list_verdicts(served.logbook, first)][1:]
    assert len(slips) == 2 and all(is_blind for _, is_blind in slips)


@pytest.mark.parametrize("viewport", [PHONE, {"width": REFLOW_PX, "height": 600}])
def test_disagreements_fit_a_phone(served: Served, open_page: OpenPage, viewport: dict[str, int]) -> None:
    """On a narrow screen nothing runs over the edge, and the way on is large enough for a thumb."""
    give_verdict(served.logbook, 1, answer="confirm", reviewer="Maren", at=NOW)
    give_verdict(served.logbook, 1, answer="dismiss", reviewer="Tove", at=NOW, blind=True)
    page = open_page(f"{served.address}/disagreements", viewport=viewport, has_touch=True, is_mobile=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= viewport["width"]
    box = page.get_by_role("link", name="Look again", exact=True).bounding_box()
    assert box and box["height"] >= LEAST_TARGET_PX


def test_answering_a_disagreement_leads_back_to_the_list(served: Served, open_page: OpenPage) -> None:
    """With two open and others unjudged, an answer leads back to the list and not on; one reached otherwise leads on as ever."""
    for number in (1, 2):
        give_verdict(served.logbook, number, answer="confirm", reviewer="Maren", at=NOW)
        give_verdict(served.logbook, number, answer="dismiss", reviewer="Tove", at=NOW, blind=True)
    page = open_page(f"{served.address}/disagreements")
    page.locator('a.again[href^="/candidates/1?"]').click()
    wait_for_candidate(page, 1)
    page.keyboard.press("c")
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_have_text("Disagreements")
    expect(page.locator(".disagreements li")).to_have_count(2)
    assert [one.answer for one in list_verdicts(served.logbook, 1)] == ["confirm", "dismiss", "confirm"]
    page.locator('a.again[href^="/candidates/2?"]').click()
    wait_for_candidate(page, 2)
    page.keyboard.press("n")
    expect(page.locator(".disagreements li")).to_have_count(2)
    page.goto(f"{served.address}/candidates/2")
    wait_for_candidate(page, 2)
    page.keyboard.press("d")
    expect(page.locator("#main")).to_have_attribute("data-candidate", "3")


def test_an_answer_that_cannot_be_sent_is_not_left_behind(served: Served, open_page: OpenPage) -> None:
    """With a silent server the review goes on or says so; the answer is kept and sent when the server answers again."""
    give_verdict(served.logbook, 1, answer="confirm", reviewer="Maren", at=NOW)
    give_verdict(served.logbook, 1, answer="dismiss", reviewer="Tove", at=NOW, blind=True)
    page = open_page(f"{served.address}/disagreements")
    page.get_by_role("link", name="Look again", exact=True).click()
    wait_for_candidate(page, 1)
    page.context.set_offline(True)
    page.keyboard.press("d")
    expect(page.locator("body")).to_contain_text("1 answer is kept in this browser")
    expect(page.locator("#main")).not_to_have_attribute("data-candidate", "1")
    assert len(list_verdicts(served.logbook, 1)) == 2
    page.context.set_offline(False)
    wait_until(page, UNSENT)
    assert len(list_verdicts(served.logbook, 1)) == 3
