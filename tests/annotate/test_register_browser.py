"""The register as a person uses it, in a real Chromium: by keys alone, by thumb on a phone, and without a server for a while.

What was saved is read back from the logbook, not from the page.
"""

import pytest
from playwright.sync_api import Page, expect

from annotate.logbook.places import TreeEntry, find_tree, list_trees, write_trees
from tests.annotate.conftest import Served
from tests.annotate.driving import (
    LEAST_TARGET_PX,
    PHONE,
    REFLOW_PX,
    OpenPage,
    in_browser,
)

pytestmark = in_browser

FORM = "/register/OTTERHOLT/trees/OT03"


def go_to(page: Page, name: str) -> None:
    """Reach a field by the Tab key alone."""
    for _ in range(60):
        if page.evaluate("document.activeElement.name || ''") == name:
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{name} was never reached")


def test_a_tree_is_changed_by_keys_alone(served: Served, open_page: OpenPage) -> None:
    """Tab reaches every field, Enter saves; what is wrong stands beneath its field, which then has the focus."""
    page = open_page(served.address + FORM)
    go_to(page, "height_m")
    page.keyboard.type("tall")
    page.keyboard.press("Enter")
    expect(page.locator("[data-wrong='height_m']")).to_contain_text("write digits only")
    assert page.evaluate("document.activeElement.name") == "height_m"
    assert find_tree(served.logbook, "OT03").height_m is None
    page.keyboard.press("Control+A")
    page.keyboard.type("12.5")
    go_to(page, "cautions")
    page.keyboard.type("dead wood")
    go_to(page, "latitude_deg")
    page.keyboard.press("Enter")
    expect(page.locator("[data-said]")).to_have_text("Saved.")
    tree = find_tree(served.logbook, "OT03")
    assert (tree.height_m, tree.cautions) == (12.5, "dead wood")
    expect(page.locator(".history li")).to_have_count(2)


def test_a_tree_is_added_on_a_phone(served: Served, open_page: OpenPage) -> None:
    """By thumb, with a grid reference: nothing to scroll sideways for, nothing too small to touch."""
    page = open_page(served.address + "/register/OTTERHOLT", viewport=PHONE, has_touch=True)
    page.get_by_text("Add a tree").tap()
    page.fill("#f-code", "OT77")
    page.get_by_text("Give it in another way").tap()
    page.fill("#f-grid_ref", "TQ336805")
    page.set_viewport_size({"width": REFLOW_PX, "height": 640})
    assert page.evaluate("document.documentElement.scrollWidth") <= REFLOW_PX
    for field in page.locator(
        "main input:visible, main textarea:visible, main button:visible, summary"
    ).all():
        box = field.bounding_box()
        assert box and box["height"] >= LEAST_TARGET_PX - 0.5
    page.get_by_role("button", name="Add the tree").tap()
    expect(page.locator("h1")).to_have_text("Tree OT77")
    tree = find_tree(served.logbook, "OT77")
    assert tree.accuracy_m == 70.7 and tree.latitude_deg == pytest.approx(51.508084, abs=1e-6)


def test_what_was_typed_outlives_a_reload_and_a_lost_server(served: Served, open_page: OpenPage) -> None:
    """The server gone, the page says so and keeps all; reloaded, it is there again; then it is saved once."""
    page = open_page(served.address + FORM)
    page.fill("#f-notes", "seen from the ride")
    page.context.set_offline(True)
    page.get_by_role("button", name="Save the tree").click()
    expect(page.locator("[data-wrong='']")).to_contain_text("nothing is saved yet")
    page.context.set_offline(False)
    page.reload()
    expect(page.locator("#f-notes")).to_have_value("seen from the ride")
    expect(page.locator("[data-said]")).to_contain_text("brought back")
    page.get_by_role("button", name="Save the tree").click()
    expect(page.locator(".history li")).to_have_count(1)
    assert find_tree(served.logbook, "OT03").notes == "seen from the ride"
    page.reload()
    expect(page.locator("[data-said]")).to_have_text("")


def test_two_windows_with_different_changes_keep_both(served: Served, open_page: OpenPage) -> None:
    """A form sends only what was changed in it."""
    first, second = open_page(served.address + FORM), open_page(served.address + FORM)
    first.fill("#f-notes", "by the gate")
    first.get_by_role("button", name="Save the tree").click()
    expect(first.locator(".history li")).to_have_count(1)
    second.fill("#f-cautions", "dead wood")
    second.get_by_role("button", name="Save the tree").click()
    expect(second.locator(".history li")).to_have_count(2)
    tree = find_tree(served.logbook, "OT03")
    assert (tree.notes, tree.cautions) == ("by the gate", "dead wood")


def test_the_plan_is_true_to_scale(served: Served, open_page: OpenPage) -> None:
    """Two trees 100 m apart to the north are as far apart on the plan as its scale says, within 1 per cent."""
    north_deg = 100 / 111_195.08  # of a degree of latitude on a sphere of 6,371,008.8 m
    for tree in list_trees(served.logbook):
        write_trees(
            served.logbook, [TreeEntry(tree.site, tree.code, {"latitude_deg": None, "longitude_deg": None})]
        )
    for place, code in enumerate(("OT01", "OT03")):
        values = {"latitude_deg": 51.0 + place * north_deg, "longitude_deg": -1.0, "walk_order": place + 1}
        write_trees(served.logbook, [TreeEntry("OTTERHOLT", code, values)])
    page = open_page(served.address + "/register/OTTERHOLT")
    spots = [spot.bounding_box() for spot in page.locator(".plan circle").all()]
    length_m = float((page.locator(".plan .scale text").text_content() or "").split()[0])
    assert len(spots) == 2 and spots[0] and spots[1]
    apart = abs(spots[0]["y"] - spots[1]["y"])
    line = page.evaluate("document.querySelector('.plan .scale path').getBBox().width")
    unit = page.evaluate("document.querySelector('.plan svg').getBoundingClientRect().width / 640")
    assert apart / (line * unit) * length_m == pytest.approx(100, rel=0.01)
    expect(page.locator(".plan .step")).to_have_text(["1", "2"])
    assert spots[1]["y"] < spots[0]["y"]
