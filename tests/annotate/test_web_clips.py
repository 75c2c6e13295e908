"""The page of a clip: its strip, and stretches drawn, moved, named, removed and undone, in a real browser and over HTTP."""

import time
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from annotate.errors import AnnotateError
from annotate.logbook.changes import list_record_changes
from annotate.logbook.clips import list_stretches
from annotate.logbook.drawn_stretches import DrawnStretch, draw_stretches, read_drawn
from annotate.logbook.places import find_tree
from annotate.logbook.review import find_candidate
from tests.annotate import asking
from tests.annotate.conftest import Served
from tests.annotate.driving import PATIENCE_S, in_browser


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
    page.get_by_label("Tree").select_option("OTTERHOLT/OT02")
    expect(page.locator("#parts .part")).to_have_text("OT02")
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
