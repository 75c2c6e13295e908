"""The review as a person uses it, in a real Chromium: by keyboard, by touch, in two windows, without a server for a while.

What was judged is read back from the logbook, not from the page.
"""

import re
from datetime import UTC, datetime
from itertools import pairwise

import pytest
from playwright.sync_api import expect

from annotate.logbook.observations import list_observations
from annotate.logbook.review import find_candidate
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
    wait_until_sent,
)

pytestmark = in_browser


def list_answers(served: Served) -> dict[int, list[str]]:
    """What was said of each candidate, oldest first, as the logbook has it."""
    said = {number: [one.answer for one in list_verdicts(served.logbook, number)] for number in range(1, 6)}
    return {number: answers for number, answers in said.items() if answers}


def test_three_judged_by_keyboard_and_one_undone(served: Served, open_page: OpenPage) -> None:
    """Confirm with stage and note, dismiss, unsure, undo the last; after a reload page and logbook say the same."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    page.keyboard.press("c")
    expect(page.locator("select[name=stage]")).to_be_focused()
    page.keyboard.type("L4")
    page.keyboard.press("Tab")
    page.keyboard.type("alive")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.type("on the tip, c d u z")
    page.keyboard.press("Enter")
    wait_for_candidate(page, 2)
    page.keyboard.press("d")
    wait_for_candidate(page, 3)
    page.keyboard.press("u")
    wait_for_candidate(page, 4)
    page.keyboard.press("z")
    wait_for_candidate(page, 3)
    expect(page.locator("#slip-words")).to_have_text(
        "Taken back; silhouette on OT03, 13:42:01 is here again."
    )
    wait_until_sent(page)
    page.reload()
    wait_for_candidate(page, 3)
    expect(page.locator("#sense")).to_have_text("Otterholt Wood: 2 of 5 judged, 1 confirmed.")
    assert list_answers(served) == {1: ["confirm"], 2: ["dismiss"], 3: ["unsure", "open"]}
    (observation,) = list_observations(served.logbook)
    assert (observation.candidate_id, observation.stage, observation.condition) == (1, "L4", "alive")
    assert observation.note == "on the tip, c d u z"
    page.goto(f"{served.address}/observations")
    expect(page.locator("tbody")).to_have_count(1)


def test_undo_goes_further_back_and_survives_a_reload(served: Served, open_page: OpenPage) -> None:
    """After a reload the answers given in this window can still be taken back, one after another."""
    page = open_page(served.address)
    page.keyboard.press("d")
    wait_for_candidate(page, 2)
    page.keyboard.press("u")
    wait_for_candidate(page, 3)
    wait_until_sent(page)
    page.reload()
    wait_for_candidate(page, 3)
    page.keyboard.press("z")
    wait_for_candidate(page, 2)
    page.keyboard.press("z")
    wait_for_candidate(page, 1)
    wait_until_sent(page)
    assert list_answers(served) == {1: ["dismiss", "open"], 2: ["unsure", "open"]}


def test_all_five_lead_to_the_end(served: Served, open_page: OpenPage) -> None:
    """Judged as fast as keys can be pressed, each candidate gets one verdict, and the end says what comes next."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    for number in range(1, 6):
        wait_for_candidate(page, number)
        page.keyboard.press("d")
    expect(page.locator(".nothing")).to_contain_text("All 5 are judged, 0 confirmed.")
    assert list_answers(served) == {number: ["dismiss"] for number in range(1, 6)}


def test_a_phone_judges_by_touch(served: Served, open_page: OpenPage) -> None:
    """On a small screen the picture and the three answers are there without scrolling, large enough for a thumb."""
    page = open_page(served.address, viewport=PHONE, has_touch=True, is_mobile=True)
    wait_for_candidate(page, 1)
    picture = page.locator("#view").bounding_box()
    assert picture and picture["y"] + picture["height"] <= PHONE["height"]
    for answer in ("confirm", "dismiss", "unsure"):
        box = page.locator(f"#answers button[data-answer={answer}]").bounding_box()
        assert box and box["height"] >= LEAST_TARGET_PX and box["width"] >= LEAST_TARGET_PX
        assert box["y"] + box["height"] <= PHONE["height"]
        assert box["x"] >= 0 and box["x"] + box["width"] <= PHONE["width"]
    page.tap("#answers button[data-answer=confirm]")
    page.select_option("select[name=stage]", "L3")
    page.select_option("select[name=behaviour]", "resting")
    page.tap("#details button[type=submit]")
    wait_for_candidate(page, 2)
    page.tap("#answers button[data-answer=dismiss]")
    wait_for_candidate(page, 3)
    page.tap("#undo-button")
    wait_for_candidate(page, 2)
    wait_until_sent(page)
    assert list_answers(served) == {1: ["confirm"], 2: ["dismiss", "open"]}
    (observation,) = list_observations(served.logbook)
    assert (observation.stage, observation.behaviour) == ("L3", "resting")


def test_two_windows_see_each_others_verdicts(served: Served, open_page: OpenPage) -> None:
    """What one window says of the candidate that another shows is told there; both verdicts are kept, the newest counts."""
    mine = open_page(served.address)
    other = open_page(served.address)
    other.locator("#ways summary").click()
    other.locator("#reviewer").fill("Jonas")
    other.locator("#reviewer").press("Escape")
    expect(other.locator("#reviewer")).to_be_hidden()
    wait_for_candidate(mine, 1)
    other.locator("#answers button[data-answer=unsure]").click()
    wait_for_candidate(other, 2)
    expect(mine.locator("#meanwhile-words")).to_contain_text("Jonas was unsure of this just now")
    expect(mine.locator("#stands")).to_have_text("Jonas was unsure of this.")
    expect(mine.locator("#sense")).to_contain_text("1 of 5 judged")
    mine.keyboard.press("d")
    wait_for_candidate(mine, 2)
    wait_until_sent(mine)
    assert [(one.reviewer, one.answer) for one in list_verdicts(served.logbook, 1)] == [
        ("Jonas", "unsure"),
        ("Maren", "dismiss"),
    ]
    expect(other.locator("#meanwhile-words")).to_contain_text("Maren dismissed this: silhouette on OT03")


def test_what_another_judged_is_not_shown_again(served: Served, open_page: OpenPage) -> None:
    """A candidate fetched ahead and judged elsewhere meanwhile is passed over."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    wait_until(
        page, "performance.getEntriesByType('resource').some((one) => one.name.includes('/api/ahead'))"
    )
    give_verdict(served.logbook, 2, answer="dismiss", reviewer="Jonas", at=NOW)
    expect(page.locator("#meanwhile-words")).to_contain_text("Jonas dismissed this")
    page.keyboard.press("d")
    wait_for_candidate(page, 3)


def test_a_verdict_on_what_was_judged_unseen_says_so(served: Served, open_page: OpenPage) -> None:
    """Between two looks round someone else was faster: the page says what they said, and that both are kept."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    page.clock.install()  # from here on the page's look round waits for the clock, which stands still
    page.reload()
    wait_for_candidate(page, 1)
    page.clock.pause_at(datetime.now(UTC).replace(year=2030))
    page.wait_for_load_state("networkidle")
    give_verdict(served.logbook, 1, answer="confirm", reviewer="Jonas", at=NOW)
    page.keyboard.press("d")
    expect(page.locator("#meanwhile-words")).to_have_text(
        "Jonas confirmed this meanwhile. Both are kept; yours is newer and counts."
    )
    assert find_candidate(served.logbook, 1).answer == "dismiss"


def test_the_outline_hides_while_held(served: Served, open_page: OpenPage) -> None:
    """The key, the picture held down and the button hide the outline, and only as long as they should."""
    page = open_page(served.address)
    outline = page.locator("#outline")
    expect(outline).to_be_visible()
    page.keyboard.down("h")
    expect(outline).to_be_hidden()
    page.keyboard.up("h")
    expect(outline).to_be_visible()
    page.locator("#glass").hover()
    page.mouse.down()
    expect(outline).to_be_hidden()
    page.mouse.up()
    expect(outline).to_be_visible()
    page.locator("#outline-button").click()
    expect(outline).to_be_hidden()
    expect(page.locator("#outline-button")).to_have_attribute("aria-pressed", "false")
    page.keyboard.press("o")
    expect(outline).to_be_visible()


def test_the_outline_lies_on_the_animal(served: Served, open_page: OpenPage) -> None:
    """Drawn over the picture at any size, the outline's middle is where the view's box says the animal is."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    for _ in range(2):
        picture = page.locator("#view").bounding_box()
        drawn = page.locator(".outline-line").first.bounding_box()
        view = find_candidate(served.logbook, 1).views[0]
        assert picture and drawn
        scale = picture["width"] / view.picture_size_px[1]
        row = (view.box[0] + view.box[2]) / 2 - view.picture_origin_px[0]
        column = (view.box[1] + view.box[3]) / 2 - view.picture_origin_px[1]
        assert drawn["x"] + drawn["width"] / 2 - picture["x"] == pytest.approx(
            scale * column, abs=1.5 * scale
        )
        assert drawn["y"] + drawn["height"] / 2 - picture["y"] == pytest.approx(scale * row, abs=1.5 * scale)
        page.keyboard.press("+")


def test_moving_along_the_ribbon_moves_the_view(served: Served, open_page: OpenPage) -> None:
    """Arrow keys and the pointer turn to the views in the order of time, and the ribbon says which in words."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    views = sorted(find_candidate(served.logbook, 1).views, key=lambda view: view.time_s)
    place = views.index(find_candidate(served.logbook, 1).views[0])
    ribbon = page.locator("#ribbon")
    page.keyboard.press("ArrowRight")
    expect(page.locator("#view")).to_have_attribute("src", f"/pictures/{views[place + 1].picture}.jpg")
    expect(ribbon).to_have_attribute(
        "aria-valuetext", re.compile(r"13:42:01, view 4 of 4, sharpness \d+ of 100")
    )
    box = ribbon.bounding_box()
    assert box
    page.mouse.move(box["x"] + 5, box["y"] + box["height"] / 2)
    expect(page.locator("#view")).to_have_attribute("src", f"/pictures/{views[0].picture}.jpg")


def test_resting_on_the_ribbon_plays_the_steadied_loop(served_with_clip: Served, open_page: OpenPage) -> None:
    """The moving picture takes the still one's place; a key stops it and the still view is back."""
    page = open_page(served_with_clip.address)
    wait_for_candidate(page, 1)
    view = page.locator("#view")
    still = view.get_attribute("src") or ""
    box = page.locator("#ribbon").bounding_box()
    assert box
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    expect(view).to_have_attribute("src", re.compile(r"/loops/[0-9a-f]{64}\.webp"), timeout=30_000)
    expect(page.locator("#loop-words")).to_contain_text("The shake is taken out")
    assert page.evaluate("document.getElementById('view').naturalWidth") > 0
    page.keyboard.press(" ")
    expect(view).to_have_attribute("src", re.compile(r"/pictures/"))
    expect(page.locator("#loop-button")).to_have_attribute("aria-pressed", "false")
    assert still.startswith("/pictures/")


def test_a_clip_that_moved_away_is_said_on_the_page(served: Served, open_page: OpenPage) -> None:
    """Without its clip the loop's place says in words where the clip was looked for; the still views stay."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    page.keyboard.press(" ")
    expect(page.locator("#loop-words")).to_contain_text("The clip walk 3.mp4 is no longer at")
    expect(page.locator("#view")).to_have_attribute("src", re.compile(r"^/pictures/"))


def test_whoever_asked_for_less_motion_gets_no_loop_unasked(
    served_with_clip: Served, open_page: OpenPage
) -> None:
    """With reduced motion resting plays nothing; the button still does."""
    page = open_page(served_with_clip.address, reduced_motion="reduce")
    wait_for_candidate(page, 1)
    box = page.locator("#ribbon").bounding_box()
    assert box
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_timeout(700)
    expect(page.locator("#loop-words")).to_have_text("")
    page.locator("#loop-button").click()
    expect(page.locator("#view")).to_have_attribute("src", re.compile(r"/loops/"), timeout=30_000)


def test_nothing_said_is_lost_without_a_server(served: Served, open_page: OpenPage) -> None:
    """Off the network one judges on; the page says what it keeps, and sends it when it can."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    page.wait_for_load_state("networkidle")
    page.context.set_offline(True)
    page.keyboard.press("c")
    page.locator("input[name=note]").fill("typed without a server")
    page.keyboard.press("Enter")
    wait_for_candidate(page, 2)
    page.keyboard.press("d")
    wait_for_candidate(page, 3)
    expect(page.locator("#trouble-words")).to_contain_text("The server does not answer. ")
    expect(page.locator("#trouble-words")).to_contain_text("kept in this browser")
    assert list_answers(served) == {}
    page.context.set_offline(False)
    wait_until_sent(page)
    expect(page.locator("#trouble")).to_be_hidden()
    assert list_answers(served) == {1: ["confirm"], 2: ["dismiss"]}
    (observation,) = list_observations(served.logbook)
    assert observation.note == "typed without a server"


def test_what_was_kept_is_sent_when_the_page_is_opened_again(served: Served, open_page: OpenPage) -> None:
    """A window closed without a server leaves its answer in the browser; the next one sends it, once."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    page.wait_for_load_state("networkidle")
    page.context.set_offline(True)
    page.keyboard.press("d")
    wait_for_candidate(page, 2)
    context = page.context
    page.close()
    context.set_offline(False)
    again = open_page(served.address, context=context)
    wait_until_sent(again)
    assert list_answers(served) == {1: ["dismiss"]}


def test_the_next_one_is_already_there(served: Served, open_page: OpenPage) -> None:
    """The pictures of the next candidate are fetched before they are wanted, and not again when they are."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    best = f"/pictures/{find_candidate(served.logbook, 2).views[0].picture}.jpg"
    wait_until(
        page, "(end) => performance.getEntriesByType('resource').some((one) => one.name.endsWith(end))", best
    )
    page.wait_for_load_state("networkidle")
    page.keyboard.press("d")
    wait_for_candidate(page, 2)
    assert page.locator("#view").get_attribute("src") == best
    assert page.evaluate(
        "document.getElementById('view').complete && document.getElementById('view').naturalWidth > 0"
    )
    loads = page.evaluate(
        """(end) => performance.getEntriesByType('resource')
             .filter((one) => one.name.endsWith(end) && one.transferSize > 300).length""",
        best,
    )
    assert loads == 1


def test_back_and_later(served: Served, open_page: OpenPage) -> None:
    """One can go back to what was judged, answer it anew, and put off what is hard until the others are done."""
    page = open_page(served.address)
    page.keyboard.press("n")
    wait_for_candidate(page, 2)
    page.keyboard.press("d")
    wait_for_candidate(page, 3)
    page.keyboard.press("b")
    wait_for_candidate(page, 2)
    expect(page.locator("#answers button[data-answer=dismiss]")).to_have_attribute("aria-pressed", "true")
    page.keyboard.press("u")
    for number in (3, 4, 5):
        wait_for_candidate(page, number)
        page.keyboard.press("d")
    wait_for_candidate(page, 1)
    wait_until_sent(page)
    assert list_answers(served) == {2: ["dismiss", "unsure"], 3: ["dismiss"], 4: ["dismiss"], 5: ["dismiss"]}


def test_single_keys_can_be_switched_off(served: Served, open_page: OpenPage) -> None:
    """WCAG 2.1, 2.1.4: with the switch off a letter does nothing, and the switch is remembered."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    page.locator("#ways summary").click()
    page.locator("#single-keys").uncheck()
    page.keyboard.press("d")
    page.reload()
    page.keyboard.press("d")
    page.wait_for_timeout(200)
    assert shown_candidate(page) == 1
    assert list_answers(served) == {}


def test_everything_is_reached_and_seen_by_tab(served: Served, open_page: OpenPage) -> None:
    """With the Tab key alone one comes to every control in the order of the page, and each shows that it has the focus."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    reached: list[str] = []
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement === document.body"):
            break  # past the last one
        name, ring = page.evaluate(
            """() => {
              const element = document.activeElement;
              const style = getComputedStyle(element);
              return [element.id || element.dataset.answer || element.name || element.textContent.trim(),
                      style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2];
            }"""
        )
        assert ring, f"{name} does not show the focus"
        reached.append(name)
    wanted = ["ribbon", "confirm", "dismiss", "unsure", "back-button", "later-button"]
    assert set(wanted) | {"outline-button", "loop-button", "order", "tree", "kind"} <= set(reached)
    places = [reached.index(name) for name in wanted]
    assert all(one < other for one, other in pairwise(places))


def test_nothing_is_cut_off_at_the_narrowest(shown: Served, open_page: OpenPage) -> None:
    """At 320 CSS px, and at 200 % on a desk, no page scrolls sideways."""
    page = open_page(shown.address)
    for size in ({"width": REFLOW_PX, "height": 640}, {"width": 720, "height": 450}):
        page.set_viewport_size(size)  # type: ignore[arg-type]
        for path in ("/", "/all", "/observations", "/trees", "/trees/OTTERHOLT/OT03", "/visits"):
            page.goto(shown.address + path)
            assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], path


def test_rows_open_their_pictures(shown: Served, open_page: OpenPage) -> None:
    """An observation opens all views of its candidate in place, and closes again."""
    page = open_page(f"{shown.address}/observations")
    button = page.locator("[data-opens]")
    button.press("Enter")
    expect(button).to_have_attribute("aria-expanded", "true")
    expect(page.locator(".opened img")).to_have_count(5)
    button.press("Enter")
    expect(page.locator(".opened")).to_be_hidden()


def test_the_light_page_keeps_the_picture_in_the_dark(shown: Served, open_page: OpenPage) -> None:
    """The switch turns the page to paper and is remembered; round the picture it stays dark."""
    page = open_page(shown.address)
    page.locator("[data-table-switch]").click()
    page.reload()
    grounds = page.evaluate(
        "[document.documentElement, document.querySelector('.lamp')].map((one) => getComputedStyle(one).backgroundColor)"
    )
    assert grounds == ["rgb(245, 243, 232)", "rgb(12, 14, 11)"]


def test_the_printed_list_is_ink_on_white(shown: Served, open_page: OpenPage) -> None:
    """Printed, a page is black on white without its controls, whatever the screen was."""
    page = open_page(f"{shown.address}/observations")
    page.emulate_media(media="print")
    colours = page.evaluate(
        "(({ color, backgroundColor }) => [color, backgroundColor])(getComputedStyle(document.documentElement))"
    )
    assert colours == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
    expect(page.locator("nav")).to_be_hidden()
    expect(page.locator(".choices")).to_be_hidden()
    expect(page.locator(".entries img")).to_be_visible()
