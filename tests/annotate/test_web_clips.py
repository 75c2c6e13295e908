"""The page of a clip: its strip, and stretches drawn, moved, named, removed and undone, in a real browser and over HTTP."""

import time
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import Browser, Page, Route, expect

from annotate.errors import AnnotateError
from annotate.logbook.changes import list_record_changes
from annotate.logbook.clips import add_clip, find_clip, list_stretches
from annotate.logbook.drawn_stretches import DrawnStretch, draw_stretches, read_drawn
from annotate.logbook.opening import create_logbook, open_logbook
from annotate.logbook.places import find_tree
from annotate.logbook.review import find_candidate
from annotate.web.strips import PICTURES, ask_for_strip, find_picture
from detect.clips import open_clip
from tests.annotate import asking
from tests.annotate.conftest import Served
from tests.annotate.driving import LEAST_TARGET_PX, PATIENCE_S, PHONE, OpenPage, in_browser, wait_until
from tests.annotate.made_records import NOON


def test_a_strip_is_read_from_the_clip(served_with_clip: Served) -> None:
    """The pictures come one after another, and each is a JPEG; a place that is none is answered so."""
    address = served_with_clip.address
    deadline = time.monotonic() + PATIENCE_S
    told = asking.get(f"{address}/api/clips/1/strip").json()
    while not told["done"] and time.monotonic() < deadline:
        time.sleep(0.1)
        told = asking.get(f"{address}/api/clips/1/strip").json()
    assert told == {"ready": 16, "done": True, "sentence": ""}
    assert asking.get(f"{address}/clips/1/strip/15.jpg").content[:2] == b"\xff\xd8"
    assert asking.get(f"{address}/clips/1/strip/16.jpg").status_code == 404
    assert asking.get(f"{address}/clips/99").status_code == 404


def test_a_clip_that_is_gone_shows_why(served: Served) -> None:
    """The page stands, and says where the clip was and what to do."""
    told = asking.get(f"{served.address}/api/clips/1/strip").json()
    assert told["done"]
    assert "no longer at" in told["sentence"]
    assert "OT03" in asking.get(f"{served.address}/clips").text


def test_drawing_moves_what_was_filmed_and_undo_brings_it_back(served: Served) -> None:
    """Candidates follow the stretch they lie in; undo is drawing what stood before; the history has both."""
    logbook = served.logbook
    (before,) = read_drawn(logbook, 1)
    after = DrawnStretch("OTTERHOLT/OT01", before.start_s, before.end_s, "given", "")
    ids = {code: find_tree(logbook, code).id for code in ("OT01", "OT03")}
    draw_stretches(logbook, 1, drawn=[after], seen=[before], tree_ids=[ids["OT01"]], who="Maren")
    assert find_candidate(logbook, 1).tree == "OT01"
    draw_stretches(logbook, 1, drawn=[before], seen=[after], tree_ids=[ids["OT03"]], who="Maren")
    assert find_candidate(logbook, 1).tree == "OT03"
    draw_stretches(logbook, 1, drawn=[], seen=[before], tree_ids=[], who="Maren")
    assert find_candidate(logbook, 1).tree == ""
    assert len(list_record_changes(logbook, "clip", 1)) == 3


@pytest.mark.parametrize(
    ("spans", "words"),
    [
        ([(0.0, 1.0), (0.5, 1.5)], "overlap"),
        ([(1.0, 1.0)], "an end after it"),
        ([(-1.0, 1.0)], "a start of 0 s or later"),
        ([(0.0, 999.0)], "within the clip"),
    ],
)
def test_stretches_that_cannot_be_are_refused(
    served: Served, spans: list[tuple[float, float]], words: str
) -> None:
    """Overlapping, empty or outside the clip: nothing changes."""
    seen = read_drawn(served.logbook, 1)
    drawn = [DrawnStretch("OTTERHOLT/OT01", start_s, end_s, "given", "") for start_s, end_s in spans]
    with pytest.raises(AnnotateError, match=words):
        draw_stretches(served.logbook, 1, drawn=drawn, seen=seen, tree_ids=[1] * len(drawn), who="Maren")
    assert read_drawn(served.logbook, 1) == seen


def test_two_windows_do_not_undo_each_other(served: Served) -> None:
    """A page that shows other stretches than stand by now is refused, and told to reload; so is nonsense."""
    address = f"{served.address}/api/stretches"
    own = {"Origin": served.address}
    stale = asking.post(address, json={"clip": 1, "stretches": [], "seen": []}, headers=own)
    assert stale.status_code == 422
    assert "changed meanwhile" in stale.json()["sentence"]
    for nonsense in ("x", [1], [{"tree": "OT01", "start_s": "nan", "end_s": 1}], [{"start_s": 0}]):
        sent = {"clip": 1, "stretches": nonsense, "seen": []}
        assert asking.post(address, json=sent, headers=own).status_code == 422
    assert len(list_stretches(served.logbook, 1)) == 1


@pytest.mark.browser
@in_browser
def test_parts_are_moved_named_removed_and_drawn_by_hand(
    served_with_clip: Served, chromium: Browser, tmp_path: Path
) -> None:
    """With mouse and keys: an end is dragged, a tree is chosen, a part removed and drawn again, and all of it undone."""
    logbook = served_with_clip.logbook
    start = read_drawn(logbook, 1)
    page = chromium.new_page(viewport={"width": 1440, "height": 900})
    page.set_default_timeout(1000 * PATIENCE_S)
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(f"{served_with_clip.address}/clips/1")
    said = page.locator("#said")
    expect(page.locator("#pictures img")).to_have_count(16, timeout=1000 * PATIENCE_S)
    box = page.locator("#parts").bounding_box()
    assert box is not None
    row = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] - 6, row)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2, row, steps=4)
    page.mouse.up()
    expect(said).to_have_text("Saved.")
    (moved,) = read_drawn(logbook, 1)
    assert moved.end_s == pytest.approx(start[0].end_s / 2, abs=0.1)
    for typed, found in (("soon", "found “soon”"), ("", "found nothing")):
        page.get_by_label("to, s").fill(typed)
        page.get_by_label("to, s").press("Tab")
        expect(page.get_by_role("alert")).to_contain_text(found)
        expect(page.get_by_label("to, s")).to_have_value(typed)
    page.get_by_label("Tree").select_option("OTTERHOLT/OT02")
    expect(page.locator("#parts .part")).to_have_text("OT02")
    expect(page.get_by_role("alert")).to_be_hidden()
    page.get_by_role("button", name="Remove").press("Enter")
    expect(page.locator("#parts .part")).to_have_count(0)
    page.mouse.move(box["x"] + box["width"] * 0.25, row)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.75, row, steps=4)
    page.mouse.up()
    expect(page.locator("#parts .part")).to_have_count(1)
    for _ in range(4):
        page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("button", name="Undo")).to_be_disabled()
    expect(page.locator("#parts .part")).to_have_text("OT03")
    deadline = time.monotonic() + PATIENCE_S
    while read_drawn(logbook, 1) != start and time.monotonic() < deadline:
        time.sleep(0.1)
    assert [one.tree for one in read_drawn(logbook, 1)] == [one.tree for one in start]
    page.screenshot(path=str(tmp_path / "clip.png"))
    page.close()
    assert complaints == []


@pytest.mark.browser
@in_browser
def test_what_has_the_focus_keeps_it_when_an_answer_comes(
    served_with_clip: Served, chromium: Browser
) -> None:
    """A tree is chosen and Remove has the focus when that is answered, and the list drawn anew: Enter still removes."""
    page = chromium.new_page()
    page.set_default_timeout(1000 * PATIENCE_S)
    held: list[Route] = []
    page.route("**/api/stretches", lambda route: held.append(route))
    page.goto(f"{served_with_clip.address}/clips/1")
    page.get_by_label("Tree").select_option("OTTERHOLT/OT02")
    page.get_by_role("button", name="Remove").focus()
    deadline = time.monotonic() + PATIENCE_S
    while not held and time.monotonic() < deadline:
        page.wait_for_timeout(50)
    held[0].continue_()
    expect(page.locator("#said")).to_have_text("Saved.")
    page.keyboard.press("Enter")
    expect(page.locator("#parts .part")).to_have_count(0)
    page.close()


class Finger:
    """A finger on the screen, through the browser's own input, so that it scrolls where the page lets it."""

    def __init__(self, page: Page) -> None:
        self._session = page.context.new_cdp_session(page)

    def drag(self, start: tuple[float, float], end: tuple[float, float], *, steps: int = 8) -> None:
        """Put down, move in steps, lift."""
        for step in range(steps + 1):
            share = step / steps
            place = {"x": start[0] + share * (end[0] - start[0]), "y": start[1] + share * (end[1] - start[1])}
            self._touch("touchMove" if step else "touchStart", [place])
        self._touch("touchEnd", [])

    def _touch(self, kind: str, places: list[dict[str, float]]) -> None:
        self._session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": places})


@pytest.mark.browser
@in_browser
def test_parts_are_drawn_and_moved_by_touch_on_a_phone(served_with_clip: Served, open_page: OpenPage) -> None:
    """390 px wide: a finger draws a part, drags its end and scrolls the pictures; nothing but the strip scrolls sideways."""
    logbook = served_with_clip.logbook
    page = open_page(f"{served_with_clip.address}/clips/1", viewport=PHONE, has_touch=True, is_mobile=True)
    finger, said = Finger(page), page.locator("#said")
    page.get_by_role("button", name="Remove").tap()
    expect(said).to_have_text("Saved.")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    page.locator("#parts").scroll_into_view_if_needed()
    box = page.locator("#parts").bounding_box()
    assert box is not None
    row = box["y"] + box["height"] / 2
    finger.drag((box["x"] + 60, row), (box["x"] + 260, row))
    expect(page.locator("#parts .part")).to_have_count(1)
    expect(said).to_have_text("Saved.")
    (drawn,) = read_drawn(logbook, 1)
    length_s = box["width"] / find_clip(logbook, 1).duration_s
    assert drawn.start_s == pytest.approx(60 / length_s, abs=0.15)
    assert drawn.end_s == pytest.approx(260 / length_s, abs=0.15)
    end = page.locator("#parts .end.last").bounding_box()
    assert end is not None and end["width"] >= LEAST_TARGET_PX - 0.5
    finger.drag((end["x"] + end["width"] / 2, row), (box["x"] + 320, row))
    deadline = time.monotonic() + PATIENCE_S
    while read_drawn(logbook, 1) == (drawn,) and time.monotonic() < deadline:
        time.sleep(0.05)
    (moved,) = read_drawn(logbook, 1)
    assert (moved.start_s, moved.end_s) == (drawn.start_s, pytest.approx(320 / length_s, abs=0.15))
    pictures = page.locator("#pictures").bounding_box()
    assert pictures is not None
    finger.drag((300, pictures["y"] + 20), (60, pictures["y"] + 20))
    wait_until(page, "document.querySelector('.strip-frame').scrollLeft > 50")
    for control in page.locator("#list select, #list input, #list button").all():
        place = control.bounding_box()
        assert place is not None and place["height"] >= LEAST_TARGET_PX - 0.5


def write_photos(folder: Path, shades: Sequence[int]) -> Path:
    """A folder of photos, each of one shade."""
    folder.mkdir()
    for number, shade in enumerate(shades):
        cv2.imwrite(str(folder / f"photo-{number}.jpg"), np.full((60, 80, 3), shade, np.uint8))
    return folder


@pytest.mark.parametrize("shades", [(40,), (40, 120, 200)], ids=["one", "three"])
def test_photos_stand_along_the_strip_in_their_order(tmp_path: Path, shades: Sequence[int]) -> None:
    """One photo fills the strip; of three each has its third of it, the first and the last among them."""
    folder = write_photos(tmp_path / "photos", shades)
    with open_logbook(create_logbook(tmp_path / "Otterholt", zone="UTC", recorder="")) as logbook:
        clip = add_clip(
            logbook,
            open_clip(folder),
            recorded_at=NOON,
            zone="UTC",
            recorded_from="given",
            duration_s=float(len(shades)),
        )
        deadline = time.monotonic() + PATIENCE_S
        while not (state := ask_for_strip(logbook, clip)).is_done and time.monotonic() < deadline:
            time.sleep(0.02)
        assert (state.ready, state.sentence) == (PICTURES, "")
        seen = [
            int(cv2.imread(str(find_picture(logbook, clip.sha256, place))).mean().round())
            for place in range(PICTURES)
        ]
    wanted = [shades[int((place + 0.5) / PICTURES * len(shades))] for place in range(PICTURES)]
    assert seen == pytest.approx(wanted, abs=2)
