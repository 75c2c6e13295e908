"""What the pages draw, as it comes over HTTP: outlines kept, larvae drawn in, surroundings cut, and whatever else is refused."""

import threading
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import cv2
import httpx
import numpy as np
import pytest
from PIL import Image

from annotate.errors import AnnotateError
from annotate.judging.surroundings import SIDE_PX, cut_surroundings
from annotate.logbook.observations import list_observations
from annotate.logbook.review import find_candidate
from annotate.logbook.verdicts import list_verdicts
from detect.clips import open_clip
from tests.annotate import asking
from tests.annotate.conftest import Served
from tests.annotate.made_pages import SIZE_PX, read_pictures


@pytest.fixture
def page(served: Served) -> Iterator[httpx.Client]:
    """A client that sends as the page does."""
    with asking.open_client(base_url=served.address, headers={"Origin": served.address}) as client:
        yield client


def outline_near(served: Served, *, shift: float = 0.0) -> list[list[float]]:
    """A square of 12 px in the top left corner of the best view of candidate 1."""
    row, column = find_candidate(served.logbook, 1).views[0].picture_origin_px
    top, left = row + 10 + shift, column + 10 + shift
    return [[top, left], [top, left + 12], [top + 12, left + 12], [top + 12, left]]


def test_an_outline_is_kept_and_the_view_comes_back(served: Served, page: httpx.Client) -> None:
    """The answer is the view as the page is to show it, with both outlines and the facts that follow from it."""
    drawn = outline_near(served)
    sent = {"candidate": 1, "rank": 0, "outline": drawn, "key": "a"}
    view = page.post("/api/outlines", json=sent).json()["outlined"]["view"]
    assert view["outline"] == drawn and len(view["own_outline"]) > 3
    assert find_candidate(served.logbook, 1).views[0].outline == tuple(map(tuple, drawn))
    again = page.post("/api/outlines", json={**sent, "outline": None, "key": "b"}).json()["outlined"]
    assert again["view"]["own_outline"] is None and ["What", "silhouette, 24 px"] in again["facts"]


@pytest.mark.parametrize(
    ("path", "changes", "said"),
    [
        ("outlines", {"outline": "all of it"}, "found something else"),
        ("outlines", {"outline": [[0, 0], [0, 1], [1, 1]]}, "found one outside"),
        ("outlines", {"outline": [[0, 0]] * 2000}, "3 to 1000 points"),
        ("outlines", {"rank": 9}, "found number 9"),
        ("outlines", {"candidate": 99}, "reload the page"),
        ("drawn-in", {"outline": None}, "found something else"),
        ("drawn-in", {"outline": {"row": 1}}, "found something else"),
        ("drawn-in", {"kind": "larva"}, "Kind: expected one of silhouette, feeding"),
        ("drawn-in", {"stage": "L9"}, "Stage: expected one of egg"),
        ("drawn-in", {"picture": "../../logbook.db"}, "64 hexadecimal letters"),
        ("drawn-in", {"origin": [-5, 0]}, "cut it from the frame again"),
        ("drawn-in", {"origin": ["a", 0]}, "expected a row and a column"),
        ("drawn-in", {"origin": [1e308, 1e308]}, "cut it from the frame again"),
        ("surroundings", {}, "point into the frame"),
        ("surroundings", {"place": [1]}, "expected a row and a column"),
        ("surroundings", {"place": [1, 1], "rank": 77}, "found number 77"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(
    served: Served, page: httpx.Client, path: str, changes: dict[str, Any], said: str
) -> None:
    """Nothing is kept of it: no outline, no candidate, no verdict."""
    sent = {"candidate": 1, "rank": 0, "outline": outline_near(served), **changes}
    reply = page.post(f"/api/{path}", json=sent)
    assert reply.status_code in (404, 422) and said in reply.json()["sentence"]
    with pytest.raises(AnnotateError):
        find_candidate(served.logbook, 6)
    assert find_candidate(served.logbook, 1).views[0].own_outline is None


def test_a_drawn_larva_comes_once_for_one_key(served: Served, page: httpx.Client) -> None:
    """Sent twice under one key, it is one candidate; under another key the same thing is refused by its number."""
    sent = {"candidate": 1, "rank": 0, "outline": outline_near(served), "stage": "L2", "key": "a"}
    first = page.post("/api/drawn-in", json=sent).json()["drawn"]
    assert page.post("/api/drawn-in", json=sent).json()["drawn"] == first
    assert (first["candidate"], first["title"]) == (6, "silhouette on OT03, 13:42:01")
    assert [len(outlines) for outlines in first["beside"]] == [1, 0, 0, 0]
    again = page.post("/api/drawn-in", json={**sent, "key": "b"})
    assert again.status_code == 422 and "candidate 6 shows" in again.json()["sentence"]
    card = page.get("/api/ahead?limit=1").json()["cards"][0]
    assert card["id"] == 1 and card["views"][0]["beside"] == [outline_near(served)]
    (observation,) = list_observations(served.logbook)
    assert (observation.candidate_id, observation.stage) == (6, "L2")
    undone = page.post("/api/take-back", json={"candidate": 6, "from": 1, "key": "c"}).json()
    assert undone["beside"] == [[], [], [], []] and list_observations(served.logbook) == ()


def test_two_people_draw_the_same_at_once(served: Served) -> None:
    """One of them makes the candidate, the other is told its number; nothing stands twice."""
    outline = outline_near(served)
    replies: list[int] = []

    def draw(name: str) -> None:
        with asking.open_client(base_url=served.address, headers={"Origin": served.address}) as client:
            sent = {"candidate": 1, "rank": 0, "outline": outline, "reviewer": name, "key": name}
            replies.append(client.post("/api/drawn-in", json=sent).status_code)

    people = [threading.Thread(target=draw, args=(name,)) for name in ("Maren", "Jonas", "Ines")]
    for person in people:
        person.start()
    for person in people:
        person.join()
    assert sorted(replies) == [200, 422, 422]
    assert len(list_observations(served.logbook)) == 1


def test_a_reason_comes_with_the_verdict(served: Served, page: httpx.Client) -> None:
    """It is kept and told, and a word that is none is refused."""
    sent = {"candidate": 1, "answer": "dismiss", "reason": "gall", "known": 0, "key": "a"}
    assert page.post("/api/verdicts", json=sent).json()["verdict"]["words"] == "Maren dismissed this: gall"
    assert list_verdicts(served.logbook, 1)[0].reason == "gall"
    refused = page.post("/api/verdicts", json={**sent, "reason": "a leaf", "key": "b"})
    assert refused.status_code == 422 and "Reason: expected one of leaf shadow" in refused.json()["sentence"]


def test_surroundings_are_the_clips_own_pixels(served_with_clip: Served) -> None:
    """The picture holds the frame's pixels from its origin on, at full resolution, and the frame comes with it."""
    candidate = find_candidate(served_with_clip.logbook, 1)
    info = open_clip(Path(candidate.clip_path))
    view = candidate.views[0]
    cut = cut_surroundings(info, time_s=view.time_s, middle_px=(340.0, 20.0))
    assert (cut.origin_px, cut.size_px, cut.frame_size_px) == ((40, 0), (SIDE_PX, SIDE_PX), SIZE_PX)
    frame = read_pictures(info.path)[view.frame_index][1]
    picture = np.asarray(Image.open(BytesIO(cut.jpeg)))
    apart = cv2.absdiff(picture, frame[40 : 40 + SIDE_PX, :SIDE_PX])
    assert apart.mean() < 3  # of 255, by the JPEG
    assert Image.open(BytesIO(cut.frame_jpeg)).size == (SIZE_PX[1], SIZE_PX[0])
    with pytest.raises(AnnotateError, match="point into the frame"):
        cut_surroundings(info, time_s=view.time_s, middle_px=(360.0, 20.0))
    for time_s in (view.time_s + 0.01, 1e4):
        with pytest.raises(AnnotateError, match="search the clip again"):
            cut_surroundings(info, time_s=time_s, middle_px=(10.0, 20.0))


def test_a_clip_that_is_gone_is_said_so(page: httpx.Client) -> None:
    """It is no fault of whoever asks: the answer is a sentence in place of a picture."""
    reply = page.post("/api/surroundings", json={"candidate": 1, "rank": 0, "place": [10, 10]})
    assert reply.status_code == 200
    assert reply.json()["picture"] is None and "found it gone" in reply.json()["sentence"]
