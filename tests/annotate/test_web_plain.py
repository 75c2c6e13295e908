"""Plain frames as they come over HTTP: what a page tells of one, what is kept of an answer, and whatever is refused."""

import re
from collections.abc import Iterator
from io import BytesIO
from typing import Any

import httpx
import numpy as np
import pytest
from PIL import Image

from annotate.errors import AnnotateError
from annotate.judging.mixing import mix_ahead
from annotate.logbook.audits import (
    DrawnWindow,
    NewWindow,
    answer_window,
    count_given,
    find_window,
    list_footage,
    save_sample,
)
from annotate.logbook.observations import list_observations
from annotate.logbook.pictures import keep_picture, picture_path, read_picture
from annotate.logbook.review import find_candidate
from annotate.logbook.verdicts import give_verdict, list_verdicts
from detect.snapshots import encode_jpeg
from tests.annotate import asking
from tests.annotate.conftest import Served
from tests.annotate.made_pages import RECORDED_AT, SIZE_PX

SQUARE = [[200.0, 300.0], [200.0, 312.0], [212.0, 312.0], [212.0, 300.0]]


@pytest.fixture
def page(served: Served) -> Iterator[httpx.Client]:
    """A client that sends as the page does, to a logbook with two plain frames: that of candidate 1, coded twice."""
    (footage,) = list_footage(served.logbook)
    kept = read_picture(served.logbook, find_candidate(served.logbook, 1).frame_picture)
    frame = np.asarray(Image.open(BytesIO(kept)))
    windows = [
        NewWindow(
            clip_id=footage.clip.id,
            search_id=footage.search_id,
            start_s=1.0 * number,
            end_s=1.0 * number + 1,
            time_s=1.0 * number + 0.5,
            frame_index=30 * number + 15,
            picture=keep_picture(served.logbook, encode_jpeg(frame, quality=80 + number)),
            frame_size_px=SIZE_PX,
        )
        for number in range(2)
    ]
    save_sample(
        served.logbook, footage.visit_id, window_s=1.0, seed=3, drawn_at=RECORDED_AT, pool=2, windows=windows
    )
    with asking.open_client(base_url=served.address, headers={"Origin": served.address}) as client:
        yield client


def judge_all(served: Served) -> None:
    """Dismiss every candidate."""
    for number in range(1, 6):
        give_verdict(served.logbook, number, answer="dismiss", reviewer="Maren", at=RECORDED_AT)


def say(page: httpx.Client, window: int, answer: str, **more: Any) -> httpx.Response:
    """Answer a plain frame."""
    return page.post("/api/plain/answers", json={"window": window, "answer": answer, **more})


def read(served: Served, window: int) -> DrawnWindow:
    return find_window(served.logbook, window)


def test_nothing_tells_where_a_frame_comes_from(served: Served, page: httpx.Client) -> None:
    """Page, question whether it is asked, and answer name no clip, tree, date, time, score or sample; two frames differ in
    nothing but number and picture."""
    texts = [page.get(f"/plain/{number}").text for number in (1, 2)]
    texts += [page.get("/api/plain/1").text, say(page, 2, "unsure").text]
    for text in texts:
        body = text.partition("<main")[2] or text
        for betrayal in (
            "walk",
            "OT0",
            "2026",
            "May",
            "13:4",
            "score",
            "_s&",
            "time_s",
            "frame_index",
            "sample",
            "audit",
            "seed",
        ):
            assert betrayal not in body.replace("drawn_stage", "")
    pictures = [read(served, number).picture for number in (1, 2)]
    bare = [
        re.sub(rf"{picture}|\"id\": {number}\b|put_off={number}", "", text)
        for number, picture, text in zip((1, 2), pictures, texts[:2], strict=True)
    ]
    assert bare[0] == bare[1]


def test_the_review_knows_the_places_and_counts_the_frames(served: Served, page: httpx.Client) -> None:
    """The places are those of the mixing from the answers given on; with suspected mistakes, or nothing asked, there are none."""
    text = page.get("/").text
    assert "and 2 plain frames to look at" in text
    places = str(list(mix_ahead(0, 1000)))
    assert f'"plain": {{"given": 0, "places": {places}}}' in text
    for window in (1, 2):
        say(page, window, "none")
    text = page.get("/").text
    assert '"plain": {"given": 2, "places": []}' in text and "plain frame" not in text
    assert page.get("/plain").headers["location"] == "/"


def test_frames_come_when_no_candidate_is_left(served: Served, page: httpx.Client) -> None:
    """The review leads to the first, then past those put off, and last to the page that says all is judged."""
    assert page.get("/").status_code == 200
    judge_all(served)
    assert page.get("/").headers["location"] == "/plain/1"
    assert page.get("/?put_off=1").headers["location"] == "/plain/2"
    assert "are judged" in page.get("/?put_off=2").text
    assert page.get("/?kind=silhouette&put_off=1").headers["location"] == "/plain/2?kind=silhouette"
    assert page.get("/?order=doubtful").status_code == 200


def test_a_larva_is_kept_with_its_outline_once(served: Served, page: httpx.Client) -> None:
    """Sent twice it is one candidate of the window's frame with its observation; taken back, neither stands."""
    replies = [say(page, 1, "larva", outline=SQUARE, stage="L4", key="a").json() for _ in range(2)]
    assert replies[0]["plain"] == replies[1]["plain"] == {"window": 1, "candidate": 6}
    drawn = find_candidate(served.logbook, 6)
    assert (drawn.found_by, drawn.best_s, drawn.views[0].frame_index) == ("hand", 0.5, 15)
    assert drawn.views[0].picture == drawn.frame_picture == read(served, 1).picture
    (observation,) = list_observations(served.logbook)
    assert observation.stage == "L4" and read(served, 1).answer == "larva"
    assert count_given(served.logbook, "Maren") == 2  # the answer, and the verdict on what was drawn
    say(page, 1, "open", candidate=6)
    assert read(served, 1).answer == "open" and list_verdicts(served.logbook, 6)[-1].answer == "open"


def test_two_people_at_once(served: Served, page: httpx.Client) -> None:
    """What one has answered the other is asked no more, unless the first was unsure; both draw one larva, and it is one."""
    asked = [page.get("/api/plain/1", params={"reviewer": "Jonas"}).json()["asked"]]
    for answer in ("unsure", "none"):
        say(page, 1, answer, reviewer="Maren")
        asked.append(page.get("/api/plain/1", params={"reviewer": "Jonas"}).json()["asked"])
    assert asked == [True, True, False]
    judge_all(served)
    assert page.get("/plain", params={"reviewer": "Jonas"}).headers["location"] == "/plain/2"
    for reviewer in ("Maren", "Jonas"):
        assert say(page, 2, "larva", outline=SQUARE, reviewer=reviewer).status_code == 200
    assert len(list_observations(served.logbook)) == 1 and read(served, 2).answer == "larva"


REFUSED: tuple[tuple[Any, str, dict[str, Any], str], ...] = (
    (9, "none", {}, "which this logbook lacks"),
    (1, "", {}, "found none"),
    (1, "yes", {}, "expected one of"),
    (1, "larva", {}, "3 to 1000 points"),
    (1, "larva", {"outline": "here"}, "something else"),
    (1, "larva", {"outline": [[0, 0], [0, 9], [9, 900]]}, "found one outside"),
    (1, "larva", {"outline": [[0, 0], [9, 9], [0, 9], [9, 0]]}, "crosses itself"),
    (1, "larva", {"outline": SQUARE, "stage": "L9"}, "expected one of egg"),
    ("1; drop", "none", {}, "whole number"),
)
"""Window, answer, what else is sent, and part of the sentence."""


def test_what_cannot_be_is_refused_and_nothing_kept(served: Served, page: httpx.Client) -> None:
    """No answer and no candidate comes of it."""
    for window, answer, more, said in REFUSED:
        reply = say(page, window, answer, **more)
        assert reply.status_code == 422 and said in reply.json()["sentence"]
    assert read(served, 1).answer == "open" and count_given(served.logbook, "Maren") == 0
    with pytest.raises(AnnotateError):
        find_candidate(served.logbook, 6)


@pytest.mark.parametrize("damage", ["missing", "changed"])
def test_a_frame_whose_picture_is_gone_is_passed_over(
    served: Served, page: httpx.Client, damage: str
) -> None:
    """It is not led to, its page says so, a larva in it is refused; it goes on waiting."""
    judge_all(served)
    path = picture_path(served.logbook, read(served, 1).picture)
    path.unlink() if damage == "missing" else path.write_bytes(b"no picture")
    assert page.get("/").headers["location"] == "/plain/2"
    told = page.get("/plain/1")
    assert (
        told.status_code == 200 and "picture of this frame is gone" in told.text and "<img" not in told.text
    )
    assert say(page, 1, "larva", outline=SQUARE).status_code == 422
    answer_window(served.logbook, 2, answer="none", reviewer="Maren", at=RECORDED_AT)
    assert "are judged" in page.get("/").text and read(served, 1).answer == "open"
    assert page.get("/plain/77").status_code == page.get("/plain/x").status_code == 404
