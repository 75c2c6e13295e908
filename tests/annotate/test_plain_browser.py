"""Plain frames of an audit among the candidates, in a real Chromium: drawn from a clip, looked at, answered, reckoned with.

What was said is read back from the logbook and from the command, not from the page.
"""

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from typer.testing import CliRunner

from annotate.commands.audit import audit
from annotate.commands.base import app
from annotate.judging.auditing import audit_visits
from annotate.logbook.audits import answer_window, find_window
from annotate.logbook.observations import list_observations
from annotate.logbook.opening import Logbook, open_logbook
from annotate.logbook.pictures import picture_path
from annotate.logbook.review import find_candidate
from annotate.logbook.verdicts import give_verdict, list_verdicts
from tests.annotate.conftest import Served
from tests.annotate.driving import (
    LEAST_TARGET_PX,
    PHONE,
    REFLOW_PX,
    OpenPage,
    in_browser,
    wait_for_candidate,
    wait_until,
)
from tests.annotate.made_pages import fill_logbook, serve_pages

assert audit  # its command is of the app once its module is read

pytestmark = in_browser

NOW = datetime(2026, 5, 17, 22, 0, tzinfo=UTC)
FRAMES = 3
"""Windows of 0.2 s that the made clip of 2 s has clear of its candidates."""


def run(*words: str) -> str:
    """What a command prints."""
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    return result.stdout


@pytest.fixture
def served_plain(tmp_path: Path, film: Path) -> Iterator[Served]:
    """The pages of a logbook of which three plain frames were drawn by the command from its clip."""
    folder = fill_logbook(tmp_path / "Otterholt", film)
    settings = folder / "settings.toml"
    settings.write_text(set_window(settings.read_text()))
    run("audit", "--visit", "2026-05-17", "--windows", "9", "--seed", "4", "--logbook", str(folder))
    with open_logbook(folder) as logbook, serve_pages(logbook) as address:
        yield Served(logbook, address)


def set_window(settings: str) -> str:
    """Ask for windows of 0.2 s."""
    changed, count = re.subn(r"(?m)^#?\s*window_s = .*$", "window_s = 0.2", settings)
    return changed if count else f"{settings}\n[search]\nwindow_s = 0.2\n"


def judge_all(logbook: Logbook) -> None:
    """Dismiss every candidate."""
    for number in range(1, 6):
        give_verdict(logbook, number, answer="dismiss", reviewer="Maren", at=NOW)


def wait_for_frame(page: Page, window: int) -> None:
    """Wait until a plain frame is at hand, its picture shown."""
    expect(page.locator("#main")).to_have_attribute("data-frame", str(window))
    expect(page).to_have_url(re.compile(rf"/plain/{window}(\?.*)?$"))
    wait_until(page, "document.getElementById('view')?.naturalWidth > 0")


def press_round(page: Page, *, row: float, column: float) -> None:
    """Press three points round a place of the glass, given as shares of it."""
    box = page.locator("#glass").bounding_box()
    assert box
    x, y = box["x"] + column * box["width"], box["y"] + row * box["height"]
    for across, down in ((0, -30), (40, 30), (-40, 30)):
        page.mouse.click(x + across, y + down)


def test_frames_come_among_candidates_and_end_in_an_estimate(
    served_plain: Served, open_page: OpenPage
) -> None:
    """Drawn by the command, met while judging, one with a larva drawn in, none left: the command prints the estimate."""
    page = open_page(served_plain.address)
    wait_for_candidate(page, 1)
    expect(page.locator("#sense")).to_contain_text("and 3 plain frames to look at")
    met = []
    for _ in range(5 + FRAMES):
        before = page.url
        if "/plain/" not in before:
            page.keyboard.press("d")
        elif not met:
            met.append(before)
            page.keyboard.press("c")
            press_round(page, row=0.5, column=0.5)
            page.keyboard.press("Enter")
        else:
            met.append(before)
            page.keyboard.press("d")
        expect(page).not_to_have_url(before)
        page.wait_for_load_state()
        wait_until(page, "document.querySelector('[data-candidate], [data-frame], .nothing') !== null")
    expect(page.locator(".nothing")).to_contain_text("are judged")
    assert len(set(met)) == FRAMES
    first = int(met[0].partition("/plain/")[2].partition("?")[0])
    window = find_window(served_plain.logbook, first)
    drawn = find_candidate(served_plain.logbook, 6)
    assert (drawn.found_by, drawn.best_s, drawn.views[0].frame_index) == (
        "hand",
        window.time_s,
        window.frame_index,
    )
    assert window.answer == "larva" and len(list_observations(served_plain.logbook)) == 1
    (reckoned,) = audit_visits(served_plain.logbook)
    assert (reckoned.missed.sampled, reckoned.open) == (FRAMES, 0)
    told = json.loads(run("audit", "--json", "--logbook", str(served_plain.logbook.folder)))
    assert (told[0]["larva"], told[0]["none"], told[0]["estimate"]) == (1, 2, 1.0)


def test_undo_takes_back_the_answer_and_what_was_drawn(served_plain: Served, open_page: OpenPage) -> None:
    """By keys alone: larva, three points, kept; Z on the next page brings the frame back, and nothing of it counts."""
    judge_all(served_plain.logbook)
    page = open_page(served_plain.address)
    wait_for_frame(page, 1)
    page.keyboard.press("c")
    for key in ("i", "i", "i", "Enter"):
        page.keyboard.press(key)
    wait_for_frame(page, 2)
    assert find_window(served_plain.logbook, 1).answer == "larva"
    page.keyboard.press("z")
    wait_for_frame(page, 1)
    assert find_window(served_plain.logbook, 1).answer == "open"
    assert list_verdicts(served_plain.logbook, 6)[-1].answer == "open"
    page.keyboard.press("n")
    wait_for_frame(page, 2)
    page.keyboard.press("u")
    wait_for_frame(page, 1)
    assert find_window(served_plain.logbook, 2).answer == "unsure"


def test_an_outline_in_a_plain_frame_outlives_a_reload(served_plain: Served, open_page: OpenPage) -> None:
    """Reloaded before it is kept, the page says so and brings it back; kept, it counts as any other."""
    judge_all(served_plain.logbook)
    page = open_page(served_plain.address)
    wait_until(page, "location.pathname.startsWith('/plain/')")
    wait_until(page, "document.getElementById('view')?.naturalWidth > 0")
    frame = int(page.locator("#main").get_attribute("data-frame") or 0)
    page.keyboard.press("c")
    press_round(page, row=0.5, column=0.5)
    page.reload()
    wait_for_frame(page, frame)
    expect(page.locator("#slip-words")).to_contain_text("Larva brings it back as it was")
    page.keyboard.press("c")
    expect(page.locator(".pen-point")).to_have_count(3)
    page.keyboard.press("Enter")
    expect(page.locator("#main")).not_to_have_attribute("data-frame", str(frame))
    assert find_window(served_plain.logbook, frame).answer == "larva"


def test_the_page_moves_on_when_somebody_else_answers(served_plain: Served, open_page: OpenPage) -> None:
    """The frame that another person answered is left, and what they said is not told."""
    judge_all(served_plain.logbook)
    page = open_page(served_plain.address)
    wait_for_frame(page, 1)
    page.wait_for_timeout(300)
    answer_window(served_plain.logbook, 1, answer="none", reviewer="Jonas", at=NOW)
    wait_for_frame(page, 2)
    expect(page.locator("#slip-words")).to_have_text("Someone else answered the plain frame meanwhile.")


def test_an_answer_outlives_a_silent_server(served_plain: Served, open_page: OpenPage) -> None:
    """Said while the server is silent, it is kept in the browser, and in the logbook once when the server is back."""
    judge_all(served_plain.logbook)
    page = open_page(served_plain.address)
    wait_for_frame(page, 1)
    page.context.set_offline(True)
    page.keyboard.press("d")
    expect(page.locator("#trouble-words")).to_contain_text("kept in this browser")
    assert find_window(served_plain.logbook, 1).answer == "open"
    page.context.set_offline(False)
    wait_for_frame(page, 2)
    assert find_window(served_plain.logbook, 1).answer == "none"
    assert find_window(served_plain.logbook, 2).answer == "open"


def test_a_frame_without_its_picture_is_passed_over(served_plain: Served, open_page: OpenPage) -> None:
    """The next one comes; asked for by its address, the page says so and leads on."""
    judge_all(served_plain.logbook)
    gone = find_window(served_plain.logbook, 1).picture
    picture_path(served_plain.logbook, gone).unlink()
    page = open_page(served_plain.address)
    wait_for_frame(page, 2)
    page.goto(f"{served_plain.address}/plain/1")
    expect(page.locator(".nothing")).to_contain_text("The picture of this frame is gone.")
    page.locator(".nothing a").click()
    wait_for_frame(page, 2)


@pytest.mark.parametrize("size", [PHONE, {"width": REFLOW_PX, "height": 640}])
def test_it_is_answered_by_thumb(served_plain: Served, open_page: OpenPage, size: dict[str, int]) -> None:
    """On a phone nothing scrolls sideways, the answers are in sight and large, and a tap answers."""
    judge_all(served_plain.logbook)
    page = open_page(served_plain.address, viewport=size, has_touch=True, is_mobile=True)
    wait_for_frame(page, 1)
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    for button in page.locator("#answers button").all():
        box = button.bounding_box()
        assert box and min(box["width"], box["height"]) >= LEAST_TARGET_PX
        assert box["y"] + box["height"] <= size["height"]
    page.locator("[data-plain=none]").tap()
    wait_for_frame(page, 2)
    assert find_window(served_plain.logbook, 1).answer == "none"


def test_the_picture_is_brought_nearer_and_moved(served_plain: Served, open_page: OpenPage) -> None:
    """Keys, wheel and dragging enlarge and move it, never off the glass; the pen begins where one looks."""
    judge_all(served_plain.logbook)
    page = open_page(served_plain.address)
    wait_for_frame(page, 1)
    width = "document.getElementById('view').getBoundingClientRect().width"
    left = "document.getElementById('view').getBoundingClientRect().left"
    whole = page.evaluate(width)
    for _ in range(4):
        page.keyboard.press("+")
    assert page.evaluate(width) == pytest.approx(whole * 1.5**4, rel=0.01)
    start = page.evaluate(left)
    page.keyboard.press("ArrowRight")
    assert page.evaluate(left) < start
    page.mouse.move(500, 400)
    page.mouse.down()
    page.mouse.move(4000, 400)
    page.mouse.up()
    glass = page.locator("#glass").bounding_box()
    assert glass and page.evaluate(left) == pytest.approx(glass["x"], abs=1)
    page.mouse.move(500, 400)
    page.mouse.wheel(0, 240)
    assert page.evaluate(width) == pytest.approx(whole * 1.5**3, rel=0.01)
    near = "document.getElementById('held').style.cssText"
    before = page.evaluate(near)
    page.keyboard.press("c")
    expect(page.locator("#outlining")).to_be_visible()
    assert page.evaluate(near) == before
