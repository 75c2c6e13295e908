"""Steadied loops on request: made in the background, kept by hash, and where there is none, why."""

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from PIL import Image

from annotate.logbook.opening import Logbook
from annotate.logbook.review import find_candidate
from annotate.web.loops import LoopMaker, LoopState
from tests.annotate import asking
from tests.annotate.conftest import Served

PATIENCE_S = 30.0


def wait_for_loop(served: Served, address: str) -> dict[str, Any]:
    """Ask until the loop is there or there is none, as the page does."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        answer: dict[str, Any] = asking.get(served.address + address).json()
        if answer["state"] != "making":
            return answer
        time.sleep(0.05)
    raise AssertionError("no loop within the time")


def wait_in(maker: LoopMaker, logbook: Logbook, **changes: Any) -> LoopState:
    """Ask a loop maker for the first candidate's best view until it is made or there is none."""
    candidate = replace(find_candidate(logbook, 1), **changes)
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        state = maker.ask(candidate, candidate.views[0], is_urgent=True)
        if state.state != "making":
            return state
        time.sleep(0.05)
    raise AssertionError("no loop within the time")


def test_a_loop_is_made_and_kept(served_with_clip: Served) -> None:
    """The first question starts it, a later one finds it; it is an animated picture the size of the view."""
    assert asking.get(f"{served_with_clip.address}/candidates/1/views/0/loop").json()["state"] == "making"
    answer = wait_for_loop(served_with_clip, "/candidates/1/views/0/loop")
    assert answer["state"] == "ready"
    film = asking.get(served_with_clip.address + answer["url"])
    assert film.headers["content-type"] == "image/webp"
    (kept,) = (served_with_clip.logbook.folder / "evidence" / "loops").iterdir()
    assert kept.read_bytes() == film.content
    with Image.open(kept) as picture:
        assert picture.n_frames >= 10
        assert picture.size == find_candidate(served_with_clip.logbook, 1).views[0].picture_size_px[::-1]
    again = asking.get(f"{served_with_clip.address}/candidates/1/views/0/loop").json()
    assert (again["state"], again["url"]) == ("ready", answer["url"])


def test_a_clip_that_moved_away_is_said_in_words(otterholt: Logbook, tmp_path: Path) -> None:
    """The sentence names the clip and where it was, and once it is back the loop is made."""
    clip = Path(find_candidate(otterholt, 1).clip_path)
    gone = tmp_path / "elsewhere" / clip.name
    with LoopMaker(otterholt) as maker:
        state = wait_in(maker, otterholt, clip_path=str(gone))
        assert state.state == "none"
        assert f"The clip walk 3.mp4 is no longer at {gone.parent}" in state.sentence
        gone.parent.mkdir()
        gone.write_bytes(clip.read_bytes())
        assert wait_in(maker, otterholt, clip_path=str(gone)).state == "ready"


def test_another_file_under_the_clips_name_is_not_taken_for_it(otterholt: Logbook, tmp_path: Path) -> None:
    """Other bytes than those searched make no loop, whatever their name."""
    clip = Path(find_candidate(otterholt, 1).clip_path)
    other = tmp_path / clip.name
    other.write_bytes(clip.read_bytes() + b"more")
    with LoopMaker(otterholt) as maker:
        state = wait_in(maker, otterholt, clip_path=str(other))
    assert state.state == "none"
    assert "found another file under its name" in state.sentence
    assert not list((otterholt.folder / "evidence").glob("loops/*"))


def test_a_broken_clip_ends_no_other_loop(otterholt: Logbook, tmp_path: Path) -> None:
    """After one that fails the next is made, and nothing half-written is left."""
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(b"not a film")
    with LoopMaker(otterholt) as maker:
        assert wait_in(maker, otterholt, clip_path=str(broken)).state == "none"
        assert wait_in(maker, otterholt).state == "ready"
    assert [path.suffix for path in (otterholt.folder / "evidence" / "loops").iterdir()] == [".webp"]


def test_closing_waits_for_the_thread(otterholt: Logbook) -> None:
    """After closing nothing is made any more, and wishes still waiting are dropped."""
    with LoopMaker(otterholt) as maker:
        for number in (1, 2, 3, 4, 5):
            candidate = find_candidate(otterholt, number)
            maker.ask(candidate, candidate.views[0], is_urgent=False)
    made = len(list((otterholt.folder / "evidence").glob("loops/*.webp")))
    assert made <= 1
    time.sleep(0.3)
    assert len(list((otterholt.folder / "evidence").glob("loops/*.webp"))) == made
    candidate = find_candidate(otterholt, 2)
    maker.ask(candidate, candidate.views[0], is_urgent=True)
    time.sleep(0.3)
    assert len(list((otterholt.folder / "evidence").glob("loops/*.webp"))) == made


def test_a_view_that_is_none_is_refused(served: Served) -> None:
    """Ranks beyond the candidate's views get a sentence."""
    answer = asking.get(f"{served.address}/candidates/1/views/9/loop")
    assert answer.status_code == 404
    assert "expected one of 4 views" in answer.json()["sentence"]
