"""Outlines corrected and larvae drawn in, in a real Chromium: by mouse, by finger, by keys alone.

What was kept is read back from the logbook, not from the page.
"""

import re
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from annotate.logbook.labels import gather_labels, list_labels
from annotate.logbook.observations import list_observations
from annotate.logbook.records import QueuedView
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
    wait_for_candidate,
    wait_until,
    wait_until_sent,
)

pytestmark = in_browser

Place = Callable[[float, float], tuple[float, float]]


def find_place(page: Page, view: QueuedView) -> Place:
    """Return where a (row, column) of the frame stands on the screen now."""
    box = page.locator("#view").bounding_box()
    assert box
    scale = box["width"] / view.picture_size_px[1]
    origin = view.picture_origin_px
    return lambda row, column: (
        box["x"] + (column - origin[1] + 0.5) * scale,
        box["y"] + (row - origin[0] + 0.5) * scale,
    )


def list_points(page: Page) -> list[tuple[float, float]]:
    """Where the points of the pen stand on the screen."""
    boxes: list[Any] = page.evaluate(
        """[...document.querySelectorAll('.pen-point')].map((one) => {
             const box = one.getBoundingClientRect();
             return [box.x + box.width / 2, box.y + box.height / 2];
           })"""
    )
    return [(x, y) for x, y in boxes]


def show(served: Served, candidate: int = 1) -> QueuedView:
    """The best view of a candidate as the logbook has it."""
    return find_candidate(served.logbook, candidate).views[0]


def press(page: Page, keys: str) -> None:
    """Press keys one after another, parted by blanks."""
    for key in keys.split():
        page.keyboard.press(key)


def measure_area(view: QueuedView) -> float:
    rows, columns = np.asarray(view.outline).T
    return abs(float(rows @ np.roll(columns, -1) - columns @ np.roll(rows, -1))) / 2


def test_a_point_is_dragged_and_one_added_by_mouse(served: Served, open_page: OpenPage) -> None:
    """The outline goes where the mouse takes it, is shown and measured at once, and is the label's after a confirm."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    before = show(served)
    page.locator("#correct-button").click()
    points = list_points(page)
    left = min(points)
    page.mouse.move(*left)
    page.mouse.down()
    page.mouse.move(left[0] - 80, left[1] - 20, steps=4)
    page.mouse.up()
    one, other = max(pairwise(points), key=lambda pair: np.hypot(*np.subtract(*pair)))
    middle = ((one[0] + other[0]) / 2, (one[1] + other[1]) / 2)
    page.mouse.click(*middle)
    expect(page.locator(".pen-point")).to_have_count(len(points) + 1)
    place = find_place(page, before)
    wanted = (left[0] - 80, left[1] - 20)
    page.keyboard.press("Enter")
    expect(page.locator("#outlining")).to_be_hidden()
    wait_until_sent(page)
    after = show(served)
    assert after.own_outline == before.outline and len(after.outline) == len(points) + 1
    nearest = min(np.hypot(*np.subtract(place(*point), wanted)) for point in after.outline)
    assert nearest < 1.0  # of a CSS px
    assert after.length_px > before.length_px
    expect(page.locator("#facts")).to_contain_text("silhouette, ")
    page.keyboard.press("c")
    page.keyboard.press("Enter")
    wait_until_sent(page)
    gather_labels(served.logbook)
    (label,) = list_labels(served.logbook)
    expected = np.asarray(after.outline, np.float32) - np.asarray(after.picture_origin_px)
    assert np.allclose(label.marks[0].outline, expected, atol=0.01)


def test_an_outline_is_corrected_by_keys_alone(served: Served, open_page: OpenPage) -> None:
    """Choose a point, move it, take one away, add one, step back, keep: no mouse, and each step is told."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    press(page, "l")
    count = page.locator(".pen-point").count()
    words = page.locator("#outlining-words")
    press(page, ".")
    expect(words).to_have_text(re.compile(rf"Point 1 of {count}: row \d+\.\d, column \d+\.\d\."))
    row, column = (float(number) for number in re.findall(r"\d+\.\d", words.inner_text()))
    press(page, "ArrowUp ArrowUp Shift+ArrowLeft")
    expect(words).to_have_text(f"Point 1 of {count}: row {row - 1:.1f}, column {column - 4:.1f}.")
    press(page, ". . x")
    expect(page.locator(".pen-point")).to_have_count(count - 1)
    press(page, "i")
    expect(page.locator(".pen-point")).to_have_count(count)
    press(page, "z z")
    expect(page.locator(".pen-point")).to_have_count(count)
    press(page, "Enter")
    expect(page.locator("#slip-words")).to_have_text("Your outline stands in place of the search's.")
    wait_until_sent(page)
    corrected = show(served).outline
    assert len(corrected) == count
    assert min(np.hypot(*np.subtract(point, (row - 1, column - 4))) for point in corrected) < 0.06
    assert list_verdicts(served.logbook, 1) == ()
    press(page, "d")
    wait_for_candidate(page, 2)


def test_the_brush_adds_and_takes_away(served: Served, open_page: OpenPage) -> None:
    """Painted over by mouse the outline grows there, rubbed out by keys it shrinks, and it stays one simple line."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    before = show(served)
    press(page, "l a")
    place = find_place(page, before)
    row, column = ((before.box[axis] + before.box[axis + 2]) / 2 for axis in (0, 1))
    page.mouse.move(*place(row, column))
    page.mouse.down()
    page.mouse.move(*place(row - 8, column), steps=5)
    page.mouse.up()
    expect(page.locator("#outlining-words")).to_have_text(re.compile(r"The outline has \d+ points\."))
    press(page, "Enter")
    wait_until_sent(page)
    grown = show(served)
    assert measure_area(grown) > measure_area(before) + 5
    assert grown.box[0] <= row - 8 and grown.box[2] == pytest.approx(before.box[2], abs=1)
    press(page, "l t ]")
    page.keyboard.down(" ")
    press(page, "Shift+ArrowRight Shift+ArrowRight Shift+ArrowRight")
    page.keyboard.up(" ")
    press(page, "Enter")
    wait_until_sent(page)
    assert measure_area(show(served)) < measure_area(grown) - 5


def test_the_way_back_to_the_searchs_own(served: Served, open_page: OpenPage) -> None:
    """R brings the search's outline back exactly, and leaving without keeping changes nothing and loses nothing."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    own = show(served)
    press(page, "l . ArrowUp Enter")
    wait_until_sent(page)
    assert show(served).outline != own.outline
    press(page, "l r Enter")
    expect(page.locator("#slip-words")).to_have_text("The search's own outline stands again.")
    wait_until_sent(page)
    assert show(served) == own
    press(page, "l . ArrowUp ArrowUp")
    moved = page.locator("#pen .outline-line").get_attribute("points")
    press(page, "Escape")
    expect(page.locator("#slip-words")).to_contain_text("Left without being kept")
    press(page, "l")
    expect(page.locator("#outlining-words")).to_have_text("Here is the outline as you left it.")
    assert len(page.locator("#pen .outline-line").get_attribute("points") or "") == len(moved or "")
    press(page, "Escape")
    wait_until_sent(page)
    assert show(served) == own
    press(page, "l Enter")
    expect(page.locator("#slip-words")).to_have_text("Your outline stands in place of the search's.")
    wait_until_sent(page)
    assert show(served).own_outline is not None


def test_a_crossed_outline_is_not_kept(served: Served, open_page: OpenPage) -> None:
    """The page says what is wrong and shows where; nothing is sent, and the drawing stays."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    before = show(served)
    press(page, "l")
    points = list_points(page)
    left, right = min(points), max(points)
    page.mouse.move(*left)
    page.mouse.down()
    page.mouse.move(right[0] + 60, right[1], steps=3)
    page.mouse.up()
    press(page, "Enter")
    expect(page.locator("#outlining-words")).to_contain_text("The outline crosses itself where it is dashed")
    expect(page.locator("#outlining")).to_be_visible()
    assert page.locator(".pen-wrong").get_attribute("d")
    assert show(served) == before


def test_a_missed_larva_is_drawn_in_by_mouse(served: Served, open_page: OpenPage) -> None:
    """Points pressed round it make a confirmed candidate with its stage; it is shown beside, and undone by one key."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    view = show(served)
    press(page, "m")
    page.select_option("#outlining select[name=drawn_stage]", "L3")
    top, left = view.picture_origin_px
    place = find_place(page, view)
    corners = [(top + 20, left + 20), (top + 20, left + 44), (top + 30, left + 44), (top + 30, left + 20)]
    for corner in corners[:3]:
        page.mouse.click(*place(*corner))
    expect(page.locator(".pen-point")).to_have_count(3)
    page.keyboard.down("Shift")
    page.mouse.click(*place(*corners[3]))
    page.keyboard.up("Shift")
    expect(page.locator(".pen-point")).to_have_count(4)
    press(page, "Enter")
    expect(page.locator("#slip-words")).to_contain_text("Drawn in and confirmed: silhouette on OT03")
    expect(page.locator("#beside .beside-line")).to_have_count(1)
    drawn = find_candidate(served.logbook, 6)
    assert (drawn.found_by, drawn.answer, drawn.views[0].picture) == ("hand", "confirm", view.picture)
    assert np.allclose(drawn.views[0].outline, corners, atol=0.5)
    (observation,) = list_observations(served.logbook)
    assert (observation.candidate_id, observation.stage, observation.tree) == (6, "L3", "OT03")
    wait_for_candidate(page, 1)
    press(page, "z")
    wait_until_sent(page)
    expect(page.locator("#beside .beside-line")).to_have_count(0)
    assert list_observations(served.logbook) == ()
    wait_for_candidate(page, 1)


def test_a_missed_larva_is_drawn_in_by_keys(served: Served, open_page: OpenPage) -> None:
    """With the keys alone: the first point where one looks, more beside it, moved into place; its card says by hand."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    press(page, "m i Shift+ArrowUp Shift+ArrowUp Shift+ArrowUp i i Enter")
    expect(page.locator("#slip-words")).to_contain_text("Drawn in and confirmed")
    page.goto(f"{served.address}/candidates/6")
    expect(page.locator("#facts")).to_contain_text("drawn by hand")
    expect(page.locator("#facts")).not_to_contain_text("Score")
    assert "drawn by hand" in (page.locator("#view").get_attribute("alt") or "")
    page.goto(f"{served.address}/all?answer=confirm")
    expect(page.locator(".sheet")).to_contain_text("drawn by hand")


def test_a_larva_elsewhere_in_the_frame(served_with_clip: Served, open_page: OpenPage) -> None:
    """Pointed at in the whole frame, its surroundings come from the clip at full resolution, and the drawing lies in them."""
    page = open_page(served_with_clip.address)
    wait_for_candidate(page, 1)
    press(page, "m f ArrowDown Enter")
    expect(page.locator("#view")).to_have_attribute("alt", "part of the whole frame, as it was filmed")
    expect(page.locator("#outlining-words")).to_have_text(re.compile("Press round the body"))
    press(page, "a ] ] ]")
    page.keyboard.down(" ")
    press(page, "Shift+ArrowRight Shift+ArrowRight")
    page.keyboard.up(" ")
    press(page, "Enter")
    expect(page.locator("#slip-words")).to_contain_text("Drawn in and confirmed")
    drawn = find_candidate(served_with_clip.logbook, 6)
    best = find_candidate(served_with_clip.logbook, 1).views[0]
    (view,) = drawn.views
    assert (view.picture_size_px, view.frame_index) == ((320, 320), best.frame_index)
    assert drawn.frame_size_px == (360, 480)
    # The arrow moved the frame under the cross by an eighth of the glass: the place lies under the frame's middle.
    assert view.box[0] > 180 and view.box[1] < 250 < view.box[3]


def test_without_the_clip_the_views_are_left(served: Served, open_page: OpenPage) -> None:
    """The clip is gone: the page says so in its place, and one goes back to the view with Leave."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    press(page, "m f Enter")
    expect(page.locator("#outlining-words")).to_contain_text("found it gone")
    expect(page.locator("#outlining-words")).to_contain_text("You can still draw in the views.")
    press(page, "Escape")
    expect(page.locator("#view")).to_have_attribute("src", f"/pictures/{show(served).picture}.jpg")
    press(page, "Escape")
    expect(page.locator("#answers")).to_be_visible()


def test_a_finger_draws_on_a_phone(served: Served, open_page: OpenPage) -> None:
    """On a small screen every tool is large enough for a thumb, nothing is cut off, and a touch places points."""
    page = open_page(served.address, viewport=PHONE, has_touch=True, is_mobile=True)
    wait_for_candidate(page, 1)
    view = show(served)
    page.tap("#draw-button")
    for button in page.locator("#outlining button:visible").all():
        box = button.bounding_box()
        assert box and box["height"] >= LEAST_TARGET_PX and box["width"] >= LEAST_TARGET_PX
        assert box["x"] >= 0 and box["x"] + box["width"] <= PHONE["width"]
    top, left = view.picture_origin_px
    place = find_place(page, view)
    for corner in ((20, 20), (20, 60), (45, 40)):
        page.touchscreen.tap(*place(top + corner[0], left + corner[1]))
    page.tap("#outlining button[type=submit]")
    expect(page.locator("#slip-words")).to_contain_text("Drawn in and confirmed")
    assert np.allclose(
        find_candidate(served.logbook, 6).views[0].outline,
        [(top + 20, left + 20), (top + 20, left + 60), (top + 45, left + 40)],
        atol=1.0,
    )


def test_the_tools_fit_the_narrowest_page(served: Served, open_page: OpenPage) -> None:
    """At 320 CSS px, and at 200 % on a desk, the page with its tools does not scroll sideways."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    for size in ({"width": REFLOW_PX, "height": 640}, {"width": 720, "height": 450}):
        page.set_viewport_size(size)  # type: ignore[arg-type]
        for key in ("l", "m"):
            press(page, key)
            expect(page.locator("#outlining")).to_be_visible()
            assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
            press(page, "Escape")


def test_a_number_dismisses_with_its_reason(served: Served, open_page: OpenPage) -> None:
    """One key says what it is instead; D alone says nothing, and on a phone the words stand in a sheet."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    press(page, "3")
    wait_for_candidate(page, 2)
    expect(page.locator("#slip-words")).to_have_text("Dismissed silhouette on OT03, 13:42:01: twig.")
    press(page, "d")
    wait_for_candidate(page, 3)
    page.locator("#reasons button", has_text="gall").click()
    wait_for_candidate(page, 4)
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    expect(page.locator("#reasons")).to_be_hidden()
    page.locator("#why-button").click()
    page.locator("#reasons button", has_text="blur").click()
    wait_for_candidate(page, 5)
    expect(page.locator("#reasons")).to_be_hidden()
    wait_until_sent(page)
    said = [list_verdicts(served.logbook, number)[0] for number in (1, 2, 3, 4)]
    assert [(one.answer, one.reason) for one in said] == [
        ("dismiss", "twig"),
        ("dismiss", ""),
        ("dismiss", "gall"),
        ("dismiss", "blur"),
    ]
    press(page, "b")
    expect(page.locator("#stands")).to_have_text("Maren dismissed this: blur.")


def test_suspected_mistakes_are_shown_again(served: Served, open_page: OpenPage) -> None:
    """What the network is sure of and a person dismissed comes back; the same answer once more settles it."""
    with served.logbook.writing() as session:
        session.connection().exec_driver_sql("UPDATE candidate SET score = 0.97 WHERE id IN (2, 3)")
    for number in (2, 3):
        give_verdict(served.logbook, number, answer="dismiss", reviewer="Maren", at=NOW)
    page = open_page(f"{served.address}/?order=doubtful")
    wait_for_candidate(page, 2)
    expect(page.locator("#sense")).to_have_text(
        "Otterholt Wood: 2 labels that the network doubts. Look at each once more."
    )
    expect(page.locator("#stands")).to_have_text(
        "Maren dismissed this. The network doubts this: dismissed, yet score 0.97. "
        "Look again; the same answer once more settles it."
    )
    press(page, "d")
    wait_for_candidate(page, 3)
    press(page, "u")
    expect(page.locator(".nothing")).to_contain_text("Nothing is left that the network doubts.")
    assert [one.answer for one in list_verdicts(served.logbook, 3)] == ["dismiss", "unsure"]


def test_an_outline_drawn_without_a_server_is_sent_later(served: Served, open_page: OpenPage) -> None:
    """Off the network nothing drawn is lost: the page keeps it and sends it when it can."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    page.wait_for_load_state("networkidle")
    page.context.set_offline(True)
    press(page, "l . ArrowUp Enter")
    expect(page.locator("#trouble-words")).to_contain_text("kept in this browser")
    assert show(served).own_outline is None
    page.context.set_offline(False)
    wait_until_sent(page)
    assert show(served).own_outline is not None


def test_a_drawing_outlives_a_reload(served: Served, open_page: OpenPage) -> None:
    """Reloaded in the middle of it, the page says that the outline is kept, brings it back, and forgets it once it is kept."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    press(page, "l . ArrowUp ArrowUp x")
    drawn = page.locator(".pen-point").count()
    page.reload()
    wait_for_candidate(page, 1)
    expect(page.locator("#slip-words")).to_contain_text("Correct outline brings it back as it was")
    press(page, "l")
    expect(page.locator("#outlining-words")).to_have_text("Here is the outline as you left it.")
    expect(page.locator(".pen-point")).to_have_count(drawn)
    assert show(served).own_outline is None
    press(page, "Enter")
    wait_until_sent(page)
    assert show(served).own_outline is not None and len(show(served).outline) == drawn
    page.reload()
    wait_for_candidate(page, 1)
    wait_until(page, "Object.keys(sessionStorage).every((key) => !key.startsWith('leafshade-drafts'))")
    expect(page.locator("#slip")).to_be_hidden()


def test_judging_keys_rest_while_one_draws(served: Served, open_page: OpenPage) -> None:
    """C, D and U judge nothing while the pen is out, and what is beside cannot be reached until it is put away."""
    page = open_page(served.address)
    wait_for_candidate(page, 1)
    press(page, "l c d u 3 b n")
    expect(page.locator("#outlining")).to_be_visible()
    wait_until(page, "document.querySelector('.strip').inert && document.querySelector('.tools').inert")
    press(page, "Escape d")
    wait_for_candidate(page, 2)
    wait_until_sent(page)
    assert [one.answer for one in list_verdicts(served.logbook, 1)] == ["dismiss"]
