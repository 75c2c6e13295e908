"""The form for the field as a person uses it on a phone: by touch, without a connection, with photos, killed in the middle.

What was recorded is read back from the logbook, not from the page.
"""

import io
import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Route, expect

from annotate.field.seen_sheets import import_seen
from annotate.logbook.observations import list_changes, list_observations
from annotate.logbook.opening import create_logbook, open_logbook
from annotate.logbook.pictures import read_picture
from annotate.logbook.places import TreeEntry, find_tree, write_trees
from annotate.logbook.records import Observation
from annotate.logbook.visits import list_visits
from tests.annotate.conftest import Served
from tests.annotate.driving import LEAST_TARGET_PX, PATIENCE_S, PHONE, REFLOW_PX, in_browser
from tests.annotate.made_pages import serve_pages
from tests.annotate.test_field_photos import TURNED_CLOCKWISE, draw_corner, write_photo

OpenPage = Callable[..., Page]

pytestmark = in_browser


@pytest.fixture
def open_page(chromium: Browser) -> Iterator[OpenPage]:
    """Return what opens a page in a window of its own; at the end none may have complained."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def listen(message: ConsoleMessage) -> None:
        is_ours = "net::ERR_INTERNET_DISCONNECTED" in message.text or REFUSED.search(message.text)
        if message.type in ("error", "warning") and not is_ours:
            complaints.append(message.text)

    def open_one(address: str, *, context: BrowserContext | None = None) -> Page:
        if context is None:
            context = chromium.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
            context.set_default_timeout(1000 * PATIENCE_S)
            contexts.append(context)
        page = context.new_page()
        page.on("console", listen)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(address)
        return page

    yield open_one
    for context in contexts:
        context.close()
    assert complaints == []


REFUSED = re.compile(r"the server responded with a status of 4(09|22) ")
"""What the browser logs where the test makes the server refuse something, which is no complaint of the page."""


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Served]:
    """A logbook with three trees of Otterholt Wood, one with a caution, served."""
    create_logbook(tmp_path / "book", zone="Europe/London", recorder="Maren")
    with open_logbook(tmp_path / "book") as logbook:
        entries = [
            TreeEntry("OTTERHOLT", code, {"cautions": "dead wood" if code == "OT02" else ""})
            for code in TREES
        ]
        write_trees(logbook, entries)
        with serve_pages(logbook) as address:
            yield Served(logbook, address)


TREES = ("OT01", "OT02", "OT03")

SMALL_TARGETS = """(least) =>
    [...document.querySelectorAll("main form :is(button, .chip, select, textarea, input:not([type=radio]))")]
        .map((one) => [one.outerHTML.slice(0, 80), one.getBoundingClientRect()])
        .filter(([, box]) => box.width && Math.min(box.width, box.height) < least)
        .map(([text]) => text)"""
"""Targets in view that are smaller than a thumb."""


def tap(page: Page, name: str, word: str) -> None:
    """Tap a choice by its word."""
    exactly = re.compile(f"^{re.escape(word)}$")
    page.locator(f"label.chip:has(input[name={name}])").filter(has_text=exactly).tap()


def wait_for(found: Callable[[], Any], page: Page) -> Any:
    """Wait until something in the logbook comes true, and return it."""
    end = time.monotonic() + PATIENCE_S
    while not (value := found()):
        assert time.monotonic() < end, "never came true"
        page.wait_for_timeout(50)
    return value


def list_seen(served: Served, number: int) -> Callable[[], list[Observation] | None]:
    """What is recorded, once it is that many."""

    def look() -> list[Observation] | None:
        found = list(list_observations(served.logbook))
        assert len(found) <= number
        return found if len(found) == number else None

    return look


def test_one_larva_by_thumb(book: Served, open_page: OpenPage) -> None:
    """Tree, stage, height, side and photo without typing; the record says all, its picture upright; the next starts empty."""
    page = open_page(f"{book.address}/by-eye")
    tap(page, "tree", "OT02")
    expect(page.locator("#caution")).to_have_text("Caution at OT02: dead wood")
    tap(page, "stage", "L4")
    tap(page, "condition", "alive")
    for _ in range(5):
        page.get_by_role("button", name="Height on the tree, m: more").tap()
    tap(page, "aspect", "NE")
    page.get_by_role("button", name="10 min").tap()
    photo = write_photo(draw_corner(), orientation=TURNED_CLOCKWISE)
    page.locator("#field-photo").set_input_files(
        {"name": "IMG 7.jpg", "mimeType": "image/jpeg", "buffer": photo}
    )
    expect(page.locator("#photo-words")).to_contain_text("IMG 7.jpg")
    expect(page.locator("#save")).to_have_text("Save: L4 on OT02")
    page.get_by_role("link", name="A tree that is not here").tap()
    expect(page.locator("h1")).to_have_text("Sites and trees")
    page.go_back()
    expect(page.locator("#photo-words")).to_contain_text("IMG 7.jpg")
    expect(page.locator("#save")).to_have_text("Save: L4 on OT02")
    page.locator("#save").tap()
    (seen,) = wait_for(list_seen(book, 1), page)
    assert (seen.tree, seen.stage, seen.condition, seen.height_m, seen.aspect) == (
        "OT02",
        "L4",
        "alive",
        2.5,
        "NE",
    )
    assert (seen.searched_min, seen.count, seen.observer, seen.source) == (10.0, 1, "Maren", "eye")
    kept = wait_for(lambda: list_observations(book.logbook)[0].evidence, page)
    assert Image.open(io.BytesIO(read_picture(book.logbook, kept))).size == (40, 80)
    expect(page.locator("#recent")).to_contain_text("with its photo")
    expect(page.locator("#sense")).to_have_text("Today by eye: 1 record on 1 of 3 trees.")
    expect(page.locator("#save")).to_have_text("Save: stage not said on OT02")
    assert page.locator("input[name=height_m]").input_value() == ""
    expect(page.locator("#waiting")).to_be_hidden()


def test_everything_is_within_reach_of_a_thumb(book: Served, open_page: OpenPage) -> None:
    """Each choice is at least 44 px high and wide, the button to save is in view, and nothing scrolls sideways, at 320 px too."""
    page = open_page(f"{book.address}/by-eye")
    for path in ("/by-eye", "/visits/new"):
        page.goto(f"{book.address}{path}")
        for width in (PHONE["width"], REFLOW_PX):
            page.set_viewport_size({"width": width, "height": PHONE["height"]})
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            small = page.evaluate(SMALL_TARGETS, LEAST_TARGET_PX - 0.5)
            assert small == []
            save = page.locator("#save").bounding_box()
            assert save and save["y"] + save["height"] <= PHONE["height"]


def test_without_a_connection_nothing_is_lost(book: Served, open_page: OpenPage) -> None:
    """Two records and a photo saved offline wait, told in words; on again each arrives once, with the moment it was saved."""
    page = open_page(f"{book.address}/by-eye")
    page.context.set_offline(True)
    tap(page, "tree", "OT03")
    tap(page, "stage", "L5")
    photo = write_photo(draw_corner())
    page.locator("#field-photo").set_input_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": photo})
    expect(page.locator("#photo-words")).to_contain_text("a.jpg")
    page.locator("#save").tap()
    tap(page, "tree", "OT01")
    tap(page, "found", "Searched, none found")
    expect(page.locator("#animal")).to_be_hidden()
    page.get_by_role("button", name="15 min").tap()
    page.locator("#save").tap()
    expect(page.locator("#waiting-words")).to_contain_text("2 records and 1 photo kept in this phone")
    assert list_observations(book.logbook) == ()
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Save as a file").tap()
    table = Path(waiting.value.path())
    page.context.set_offline(False)
    seen = wait_for(list_seen(book, 2), page)
    assert {(one.tree, one.source, one.stage, one.searched_min) for one in seen} == {
        ("OT03", "eye", "L5", None),
        ("OT01", "none found", None, 15.0),
    }
    wait_for(lambda: [one.evidence for one in list_observations(book.logbook) if one.evidence], page)
    expect(page.locator("#waiting")).to_be_hidden()
    # What was saved as a file meanwhile is the same records.
    done = import_seen(book.logbook, table)
    assert [(one.is_new, set(one.differs) <= {"evidence"}) for _, one in done.rows] == [
        (False, True),
        (False, True),
    ]


def test_a_closed_tab_loses_nothing(book: Served, open_page: OpenPage) -> None:
    """What was entered and not saved stands there again, photo too; what was saved offline is sent by the next page."""
    page = open_page(f"{book.address}/by-eye")
    tap(page, "tree", "OT01")
    page.context.set_offline(True)
    page.locator("#save").tap()
    expect(page.locator("#waiting-words")).to_contain_text("1 record kept")
    tap(page, "tree", "OT03")
    tap(page, "stage", "pupa")
    page.locator("textarea[name=note]").fill("under the third leaf")
    photo = write_photo(draw_corner())
    page.locator("#field-photo").set_input_files({"name": "p.jpg", "mimeType": "image/jpeg", "buffer": photo})
    expect(page.locator("#photo-words")).to_contain_text("p.jpg")
    context = page.context
    page.close()
    context.set_offline(False)
    again = open_page(f"{book.address}/by-eye", context=context)
    wait_for(list_seen(book, 1), again)
    expect(again.locator("#save")).to_have_text("Save: pupa on OT03")
    expect(again.locator("textarea[name=note]")).to_have_value("under the third leaf")
    expect(again.locator("#photo-words")).to_contain_text("p.jpg")
    again.locator("#save").tap()
    seen = wait_for(list_seen(book, 2), again)
    assert {one.note for one in seen} == {None, "under the third leaf"}
    wait_for(
        lambda: [one for one in list_observations(book.logbook) if one.evidence and one.stage == "pupa"],
        again,
    )


def test_what_is_not_taken_comes_back(book: Served, open_page: OpenPage, tmp_path: Path) -> None:
    """A slip is told and put back into the form with all that was entered; a photo that is none is told, its record stands."""
    page = open_page(f"{book.address}/by-eye")
    page.locator("#save").tap()
    expect(page.locator("#said")).to_have_text("Choose the tree first.")
    huge = tmp_path / "huge.jpg"
    with huge.open("wb") as stream:
        stream.truncate(41_000_000)
    page.locator("#field-photo").set_input_files(huge)
    expect(page.locator("#said")).to_contain_text("huge.jpg is too large")
    tap(page, "tree", "OT03")
    tap(page, "stage", "L2")
    page.locator("input[name=height_m]").fill("tall")
    not_one = {"name": "not one.jpg", "mimeType": "image/jpeg", "buffer": b"<svg onload=alert(1)>"}
    page.locator("#field-photo").set_input_files(not_one)
    expect(page.locator("#photo-words")).to_contain_text("not one.jpg")
    page.locator("#save").tap()
    expect(page.locator("#refused")).to_contain_text("expected a number of metres")
    page.reload()
    page.get_by_role("button", name="Put back into the form").tap()
    expect(page.locator("#save")).to_have_text("Save: L2 on OT03")
    page.locator("input[name=height_m]").fill("3,5")
    page.locator("#save").tap()
    (seen,) = wait_for(list_seen(book, 1), page)
    assert (seen.stage, seen.height_m) == ("L2", 3.5)
    expect(page.locator("#said")).to_contain_text("not one.jpg was not taken")
    expect(page.locator("#waiting")).to_be_hidden()
    assert list_observations(book.logbook)[0].evidence is None


def test_corrected_later_with_its_history(book: Served, open_page: OpenPage) -> None:
    """From the list to the record, one value changed, withdrawn and brought back: each step stands in its history."""
    page = open_page(f"{book.address}/by-eye")
    tap(page, "tree", "OT03")
    tap(page, "stage", "L3")
    page.locator("#save").tap()
    page.locator("#recent a").first.tap()
    expect(page.locator("#save")).to_be_disabled()
    tap(page, "stage", "L4")
    page.locator("#save").tap()
    expect(page.locator("main")).to_contain_text("L3 → L4")
    page.get_by_role("button", name="Withdraw it").tap()
    expect(page.get_by_role("button", name="Bring it back")).to_be_visible()
    page.get_by_role("button", name="Bring it back").tap()
    expect(page.get_by_role("button", name="Withdraw it")).to_be_visible()
    (seen,) = list_observations(book.logbook)
    assert seen.stage == "L4"
    assert [one.field for one in list_changes(book.logbook, seen.id)] == [
        "stage",
        "withdrawn_at",
        "withdrawn_at",
    ]


def test_a_visit_is_written_with_its_weather(book: Served, open_page: OpenPage) -> None:
    """Chosen by words; a slip leaves all that was typed; once taken, the page of the visit tells it."""
    page = open_page(f"{book.address}/visits/new")
    page.locator("input[name=date]").fill("2026-05-17")
    page.locator("input[name=recorders]").fill("Maren, Ines")
    page.locator("input[name=temperature_c]").fill("warm")
    page.locator("select[name=wind_beaufort]").select_option(
        label="3 gentle breeze: leaves and small twigs always moving"
    )
    page.locator("#save").tap()
    expect(page.locator("#refused")).to_contain_text("number of degrees Celsius")
    page.reload()
    expect(page.locator("input[name=recorders]")).to_have_value("Maren, Ines")
    page.locator("input[name=temperature_c]").fill("14,5")
    page.locator("#save").tap()
    expect(page.locator("h1")).to_have_text("OTTERHOLT, 17 May 2026")
    page.locator("select[name='OT03 leaf_stage_bbch']").select_option("07")
    page.locator("input[name='OT03 eye_min']").fill("12")
    page.locator("#save").tap()
    expect(page.locator("main")).to_contain_text("OT03, leaf stage: nothing → 07")
    (visit,) = list_visits(book.logbook)
    assert (visit.visit.temperature_c, visit.visit.wind_beaufort, visit.visit.recorders) == (
        14.5,
        3,
        "Maren, Ines",
    )
    assert find_tree(book.logbook, "OT03").site == visit.visit.site
    page.emulate_media(media="print")
    expect(page.locator("#visit")).to_be_hidden()
    for said in ("Maren, Ines", "14.5 °C, wind 3 (gentle breeze)", "12", "07, buds burst"):
        expect(page.locator(".on-paper")).to_contain_text(said)
    expect(page.locator(".on-paper")).not_to_contain_text("OT01")


def test_what_was_chosen_before_the_page_was_ready_is_saved_too(book: Served, open_page: OpenPage) -> None:
    """On a slow computer a list can be used before the page's program runs: it was taken for what had been there, and lost."""
    page = open_page(f"{book.address}/visits/new")
    page.locator("input[name=date]").fill("2026-05-17")
    page.locator("#save").tap()
    expect(page.locator("h1")).to_have_text("OTTERHOLT, 17 May 2026")
    held: list[Route] = []
    page.route("**/static/visiting.js", lambda route: held.append(route))
    page.goto(page.url, wait_until="commit")
    page.locator("select[name='OT03 leaf_stage_bbch']").select_option("07")
    while not held:
        page.wait_for_timeout(20)
    held[0].continue_()
    page.locator("input[name='OT03 eye_min']").fill("12")
    expect(page.locator("#save")).to_be_enabled()
    page.unroute("**/static/visiting.js")
    page.locator("#save").tap()
    expect(page.locator("main")).to_contain_text("OT03, leaf stage: nothing → 07")
    expect(page.locator("main")).to_contain_text("OT03, minutes by eye: nothing → 12")
