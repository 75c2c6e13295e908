"""Larvae planted on request: searched for, judged like any other, and kept out of every record for ever."""

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

import detect.planted_frames as planted_frames
from annotate.errors import AnnotateError
from annotate.judging.agreement import rate_reviewer
from annotate.judging.alike import find_similar
from annotate.judging.planting import (
    MOST_TRIES,
    MOST_WITHOUT_ROOM,
    PlantedClip,
    find_change,
    leave_out_planted,
    measure_missed,
    measure_recall,
    plant_into_logbook,
    say_recall,
)
from annotate.learning.weights_kept import use_weights
from annotate.logbook.audits import list_footage
from annotate.logbook.drawn_in import draw_in
from annotate.logbook.labels import gather_labels, list_labels
from annotate.logbook.looks import list_unseen
from annotate.logbook.observations import list_observations
from annotate.logbook.opening import EVIDENCE_NAME, Logbook, create_logbook, open_logbook
from annotate.logbook.pictures import keep_picture, read_picture
from annotate.logbook.planted import Planted, count_planted, list_planted, list_seen, read_body
from annotate.logbook.records import QueuedCandidate, QueuedView
from annotate.logbook.review import (
    add_counts,
    count_candidates,
    find_candidate,
    list_candidates,
    next_candidate,
)
from annotate.logbook.verdicts import give_verdict, take_back
from annotate.searching import SearchOrder, search_into_logbook
from annotate.web.loops import LoopMaker
from detect.clips import open_clip, read_frames, read_rgb
from detect.scoring import HandMadeScorer
from detect.snapshots import encode_jpeg
from models.looks import SeenPlace
from tests.annotate import asking
from tests.annotate.made_pages import serve_pages
from tests.annotate.made_records import add_trees, keep_copy
from tests.annotate.thresholds import lower_threshold
from tests.annotate.typed import run_typed
from tests.conftest import write_clip
from tests.detect.made_leaf import film_leaf

NOW = datetime(2026, 5, 18, 20, 0, tzinfo=UTC)
SEED = 3
RUN = {**os.environ, "COLUMNS": "200", "PYTHONDONTWRITEBYTECODE": "1"}


def search(logbook: Logbook, clip: Path, *, again: bool = False) -> None:
    search_into_logbook(
        logbook, open_clip(clip), order=SearchOrder(None, again, None), scorer=HandMadeScorer()
    )


def plant(logbook: Logbook, clip: Path, *, seed: int = SEED, larvae: int = 2) -> PlantedClip:
    return plant_into_logbook(
        logbook, open_clip(clip), larvae=larvae, seed=seed, scorer=HandMadeScorer(), at=NOW
    )


class DescribingScorer(HandMadeScorer):
    """As made by hand, and able to say what a place looks like: by its mean colour."""

    look_name = "mean colour 1"

    def describe(self, places: Sequence[SeenPlace]) -> NDArray[np.float16]:
        """Three numbers for each."""
        return np.array([place.rgb.mean(axis=(0, 1)) for place in places], np.float16).reshape(-1, 3)


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A leaf, filmed once; its logbook stands beside it, searched, with two larvae planted."""
    folder = tmp_path_factory.mktemp("planted")
    clip = film_leaf(folder / "leaf.mp4", seconds=3.0)
    made = create_logbook(folder / "Wäldchen", zone="Europe/London", recorder="Maren")
    # The scorer made by hand is less sure than the network: it is asked for less.
    lower_threshold(made)
    with open_logbook(made) as logbook:
        add_trees(logbook, "OT03")
        search(logbook, clip)
        plant(logbook, clip)
    return clip


@pytest.fixture
def clip(filmed: Path, tmp_path: Path) -> Path:
    """The clip in a folder of its own."""
    return Path(shutil.copy(filmed, tmp_path / "leaf.mp4"))


@pytest.fixture
def planted(filmed: Path, clip: Path) -> Iterator[Logbook]:
    """An open copy of the logbook with the planted larvae."""
    folder = clip.parent / "Wäldchen"
    shutil.copytree(filmed.parent / "Wäldchen", folder)
    with open_logbook(folder) as logbook:
        yield logbook


def find_planted(logbook: Logbook) -> QueuedCandidate:
    """The first candidate that shows a planted larva."""
    ids = [one.candidate_id for one in list_planted(logbook) if one.candidate_id is not None]
    assert ids, "the search found none of the planted larvae: nothing is tested"
    return find_candidate(logbook, ids[0])


def change(logbook: Logbook, statement: str) -> None:
    with sqlite3.connect(logbook.folder / "logbook.db") as connection:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute(statement)


# --- what is planted


def test_what_was_planted_is_told(planted: Logbook, clip: Path) -> None:
    """Each larva has its span, length, sharpness and best score; found are those that reach the logbook's threshold."""
    larvae = list_planted(planted)
    assert 1 <= len(larvae) <= 2
    for one in larvae:
        assert one.last_s - one.first_s >= 1.0 and one.first_s >= 0 and one.last_s <= 3.0
        assert 6 <= one.length_px < 75 and 0.2 <= one.sharpness <= 0.67
        assert one.is_found == (one.best_score >= 0.3) == (one.candidate_id is not None)
        assert (one.scorer, one.seed, one.planted_at) == (HandMadeScorer().name, SEED, NOW)


def test_a_planted_candidate_looks_like_any_other(planted: Logbook) -> None:
    """It comes up in the review with views, score and promise, under no name of its own, and its picture shows a dark body."""
    candidate = find_planted(planted)
    assert candidate.answer == "open" and candidate.standing == "listed" and len(candidate.views) >= 2
    listed = list_candidates(planted)
    assert candidate.id in {one.id for one in listed}
    assert [one.score for one in listed] == sorted((one.score for one in listed), reverse=True)
    view = candidate.views[0]
    with Image.open(BytesIO(read_picture(planted, view.picture))) as picture:
        grey = np.asarray(picture.convert("L"), np.float64)
    row, column = np.mean(view.outline, axis=0) - view.picture_origin_px
    assert grey[int(row), int(column)] < 0.6 * grey.mean()


def test_a_planted_candidate_can_be_compared_like_any_other(planted: Logbook, clip: Path) -> None:
    """It has a look as soon as it is planted, and a promise that goes by it: more like it can be asked for."""
    scorer = DescribingScorer()
    plant_into_logbook(planted, open_clip(clip), larvae=2, seed=11, scorer=scorer, at=NOW)
    ids = [
        one.candidate_id for one in list_planted(planted) if one.seed == 11 and one.candidate_id is not None
    ]
    assert ids, "the search found none of the planted larvae: nothing is tested"
    assert list_unseen(planted, scorer.look_name) == ()
    for candidate_id in ids:
        assert {one.candidate.id for one in find_similar(planted, candidate_id)} >= set(ids) - {candidate_id}


def test_the_same_seed_plants_the_same(planted: Logbook, clip: Path, tmp_path: Path) -> None:
    """In another logbook the larvae, what was found of them and their pictures come out the same; here they are refused."""
    with pytest.raises(AnnotateError, match=f"found {SEED}; give another --seed"):
        plant(planted, clip)
    shutil.copytree(planted.folder, tmp_path / "copy")
    with open_logbook(tmp_path / "copy") as other:
        plant(other, clip, seed=SEED + 1, larvae=1)
        before = len(list_planted(planted))
        plant(planted, clip, seed=SEED + 1, larvae=1)
        for one, same in zip(list_planted(planted)[before:], list_planted(other)[before:], strict=True):
            assert one == same
            if one.candidate_id is not None:
                assert find_candidate(planted, one.candidate_id) == find_candidate(other, one.candidate_id)


def test_the_clip_and_its_search_stay_as_they_were(planted: Logbook, filmed: Path, clip: Path) -> None:
    """No byte of the clip is written, and the footage an audit draws from knows nothing of the larvae."""
    assert clip.read_bytes() == filmed.read_bytes()
    real = [one for one in list_candidates(planted) if one.found_by == "search"]
    (footage,) = list_footage_of(planted)
    assert len(footage.flagged) == len(real)


def list_footage_of(logbook: Logbook) -> tuple[object, ...]:
    """The footage of a clip put under a tree, so that it has a visit."""
    from annotate.logbook.clips import add_stretch
    from annotate.logbook.places import find_tree

    add_stretch(logbook, 1, tree_id=find_tree(logbook, "OT03").id, start_s=0.0, end_s=3.0)
    return list_footage(logbook)


def test_nothing_is_planted_on_what_was_found(planted: Logbook) -> None:
    """At no moment near a view of a candidate does a planted larva lie within that view's box."""
    for time_s, box in list_seen(planted, 1):
        assert 0 <= time_s <= 3 and box[0] < box[2] and box[1] < box[3]
    assert len(list_seen(planted, 1)) >= len(find_planted(planted).views)


def test_what_cuts_from_the_clip_can_lay_the_larva_in_again(planted: Logbook, clip: Path) -> None:
    """The frames changed anew show what the kept picture shows, to the JPEG; for any other candidate nothing is changed."""
    candidate = find_planted(planted)
    laid = find_change(planted, candidate.id)
    assert laid is not None
    view = candidate.views[0]
    frames = {frame.index: read_rgb(frame) for frame in laid(read_frames(open_clip(clip)))}
    plain = {frame.index: read_rgb(frame) for frame in read_frames(open_clip(clip))}
    with Image.open(BytesIO(read_picture(planted, view.picture))) as picture:
        kept = np.asarray(picture.convert("RGB"), np.float64)
    row, column = view.picture_origin_px
    part = np.s_[row : row + kept.shape[0], column : column + kept.shape[1]]
    inside = np.s_[view.box[0] - row : view.box[2] - row, view.box[1] - column : view.box[3] - column]
    again = np.abs(kept - frames[view.frame_index][part])[inside].mean()
    assert again < 0.3 * np.abs(kept - plain[view.frame_index][part])[inside].mean()
    others = [one.id for one in list_candidates(planted) if one.found_by != "planted"]
    assert all(find_change(planted, one) is None for one in [*others, 999])


def test_the_loop_of_a_planted_candidate_shows_it(planted: Logbook) -> None:
    """Each frame of the loop that the page makes is as dark where the outline is as the kept picture."""
    candidate = find_planted(planted)
    view = candidate.views[0]
    with LoopMaker(planted) as loops:
        until = time.monotonic() + 120
        state = loops.ask(candidate, view, is_urgent=True)
        while state.state == "making" and time.monotonic() < until:
            time.sleep(0.05)
            state = loops.ask(candidate, view, is_urgent=True)
        assert state.state == "ready", state.sentence
        loop = Image.open(loops.find_path(state.name))
    row, column = (int(value) for value in np.mean(view.outline, axis=0) - view.picture_origin_px)
    for frame in range(loop.n_frames):  # type: ignore[attr-defined]
        loop.seek(frame)
        grey = np.asarray(loop.convert("L"), np.float64)
        assert grey[row - 1 : row + 2, column - 1 : column + 2].min() < 0.6 * grey.mean()


# --- never a record


def test_a_planted_larva_is_judged_and_is_no_observation(planted: Logbook) -> None:
    """Confirm, dismiss, unsure and undo work as for any other, and no observation comes of it."""
    candidate = find_planted(planted)
    for answer in ("confirm", "dismiss", "unsure", "confirm"):
        give_verdict(planted, candidate.id, answer=answer, reviewer="Maren", at=NOW)  # type: ignore[arg-type]
        assert find_candidate(planted, candidate.id).answer == answer
    assert take_back(planted, reviewer="Maren", at=NOW).answer == "unsure"
    give_verdict(planted, candidate.id, answer="confirm", reviewer="Maren", at=NOW)
    assert list_observations(planted, with_withdrawn=True) == ()
    assert find_candidate(planted, candidate.id).observation_id is None


def test_details_of_a_planted_larva_are_taken_like_any_others(planted: Logbook) -> None:
    """The page hears the same as of a real one, mistakes too, and nothing is kept: a refusal would tell what it is."""
    candidate = find_planted(planted)
    give_verdict(planted, candidate.id, answer="confirm", reviewer="Maren", at=NOW)
    said = {
        "candidate": candidate.id,
        "stage": "l4",
        "condition": "",
        "behaviour": "resting",
        "note": " tip ",
    }
    with (
        serve_pages(planted) as address,
        asking.open_client(base_url=address, headers={"Origin": address}) as page,
    ):
        reply = page.post("/api/details", json=said)
        assert reply.status_code == 200
        assert reply.json()["details"] == {
            "stage": "L4",
            "condition": "",
            "behaviour": "resting",
            "note": "tip",
        }
        assert page.post("/api/details", json={**said, "stage": "L9"}).status_code == 422
    assert list_observations(planted, with_withdrawn=True) == ()


def draw_in_view(
    logbook: Logbook,
    candidate: QueuedCandidate,
    outline_px: Sequence[Sequence[float]] | NDArray[np.float32],
    *,
    picture: str = "",
    origin_px: tuple[int, int] | None = None,
) -> int:
    """Draw into the frame of the best view, and into its own picture where no other is named; return the new candidate."""
    view = candidate.views[0]
    return draw_in(
        logbook,
        clip_id=candidate.clip_id,
        time_s=view.time_s,
        frame_index=view.frame_index,
        outline_px=outline_px,
        picture=picture or view.picture,
        picture_origin_px=view.picture_origin_px if origin_px is None else origin_px,
        frame_size_px=candidate.frame_size_px,
        reviewer="Maren",
        at=NOW,
    )


def test_a_planted_larva_drawn_in_anew_is_no_record(planted: Logbook) -> None:
    """An outline that shares but a corner with it is taken for it, as for a candidate that is there already."""
    candidate = find_planted(planted)
    view = candidate.views[0]
    row0, column0, row_end, column_end = view.box
    beyond = ((row0, column0), (row0, column_end + 9), (row_end, column_end + 9), (row_end + 9, column0))
    with pytest.raises(AnnotateError, match=f"found what candidate {candidate.id} shows"):
        draw_in_view(planted, candidate, beyond)
    assert list_observations(planted, with_withdrawn=True) == ()


def outline_corner(candidate: QueuedCandidate) -> list[list[float]]:
    """A square in the corner of the best view's picture that lies farthest from what it shows."""
    view = candidate.views[0]
    (row, column), (rows, columns) = view.picture_origin_px, view.picture_size_px
    top = row + 2 if (view.box[0] + view.box[2]) / 2 > row + rows / 2 else row + rows - 12
    left = column + 2 if (view.box[1] + view.box[3]) / 2 > column + columns / 2 else column + columns - 12
    return [[top, left], [top, left + 9], [top + 9, left + 9], [top + 9, left]]


def measure_apart(picture: bytes, frame: NDArray[np.uint8], view: QueuedView) -> float:
    """How far a picture of a view is from the same part of a frame where the larva lies, in codes of 0 to 255."""
    with Image.open(BytesIO(picture)) as opened:
        kept = np.asarray(opened.convert("RGB"), np.float64)
    (row, column), (top, left, bottom, right) = view.picture_origin_px, view.box
    inside = np.s_[top - row : bottom - row, left - column : right - column]
    return float(np.abs(kept[inside] - frame[top:bottom, left:right]).mean())


def test_what_is_drawn_beside_a_planted_larva_has_the_clips_own_picture(planted: Logbook, clip: Path) -> None:
    """A real larva drawn into its view is a record, and neither its picture nor its frame shows what was planted."""
    candidate = find_planted(planted)
    view = candidate.views[0]
    with (
        serve_pages(planted) as address,
        asking.open_client(base_url=address, headers={"Origin": address}) as page,
    ):
        sent = {"candidate": candidate.id, "rank": 0, "outline": outline_corner(candidate), "key": "a"}
        number = page.post("/api/drawn-in", json=sent).json()["drawn"]["candidate"]
    (observation,) = list_observations(planted)
    drawn = find_candidate(planted, number)
    (own,) = drawn.views
    assert observation.candidate_id == number and observation.evidence == own.picture
    assert (own.picture_origin_px, own.picture_size_px) == (view.picture_origin_px, view.picture_size_px)
    assert own.picture != view.picture and drawn.frame_picture != candidate.frame_picture
    plain = {frame.index: read_rgb(frame) for frame in read_frames(open_clip(clip))}[view.frame_index]
    shown, kept = (
        measure_apart(read_picture(planted, one), plain, view) for one in (view.picture, own.picture)
    )
    assert kept < 0.3 * shown
    gather_labels(planted)
    (label,) = list_labels(planted)
    assert label.picture == own.picture and len(label.marks) == 1


def test_without_its_clip_nothing_is_drawn_beside_a_planted_larva(planted: Logbook, clip: Path) -> None:
    """The picture with the planted larva is not taken instead: what to do is said, and no record is made."""
    candidate = find_planted(planted)
    change(planted, f"UPDATE clip SET path = '{clip.with_name('away.mp4')}'")
    with (
        serve_pages(planted) as address,
        asking.open_client(base_url=address, headers={"Origin": address}) as page,
    ):
        sent = {"candidate": candidate.id, "rank": 0, "outline": outline_corner(candidate), "key": "a"}
        reply = page.post("/api/drawn-in", json=sent)
    assert reply.status_code == 422 and "put it back there" in reply.json()["sentence"]
    with pytest.raises(AnnotateError, match="changed to measure with"):
        draw_in_view(planted, candidate, outline_corner(candidate))
    assert list_observations(planted, with_withdrawn=True) == ()


def test_the_surroundings_of_a_planted_larva_are_cut_like_any_others(planted: Logbook) -> None:
    """A refusal would tell what it is, and so would its absence; what is drawn in there is cut from the clip anew."""
    candidate = find_planted(planted)
    view = candidate.views[0]
    middle = [(view.box[0] + view.box[2]) / 2, (view.box[1] + view.box[3]) / 2]
    with (
        serve_pages(planted) as address,
        asking.open_client(base_url=address, headers={"Origin": address}) as page,
    ):
        asked = {"candidate": candidate.id, "rank": 0, "place": middle}
        cut = page.post("/api/surroundings", json=asked).json()["picture"]
        assert cut is not None
        with Image.open(BytesIO(read_picture(planted, cut["name"]))) as picture:
            grey = np.asarray(picture.convert("L"), np.float64)
        row, column = np.mean(view.outline, axis=0) - cut["origin_px"]
        assert grey[int(row), int(column)] < 0.6 * grey.mean()
        sent = {
            "candidate": candidate.id,
            "rank": 0,
            "outline": outline_corner(candidate),
            "picture": cut["name"],
            "origin": cut["origin_px"],
            "frame": cut["frame"],
            "key": "a",
        }
        number = page.post("/api/drawn-in", json=sent).json()["drawn"]["candidate"]
    drawn = find_candidate(planted, number)
    (own,) = drawn.views
    assert (list(own.picture_origin_px), list(own.picture_size_px)) == (cut["origin_px"], cut["size_px"])
    assert own.picture != cut["name"] and drawn.frame_picture != cut["frame"]


def test_a_real_larva_where_one_was_planted_is_drawn_in_from_the_clips_own_frame(
    planted: Logbook, clip: Path
) -> None:
    """A plain frame shows no planted larva: what a person outlines there is real, and is not taken for the planted one."""
    candidate = find_planted(planted)
    view = candidate.views[0]
    plain = {frame.index: read_rgb(frame) for frame in read_frames(open_clip(clip))}[view.frame_index]
    picture = keep_picture(planted, encode_jpeg(plain, quality=92))
    number = draw_in_view(planted, candidate, view.outline, picture=picture, origin_px=(0, 0))
    (observation,) = list_observations(planted)
    assert observation.candidate_id == number and find_candidate(planted, number).found_by == "hand"


def test_the_database_refuses_to_make_it_a_record(planted: Logbook) -> None:
    """An observation of it, and taking the mark away, are refused by the file itself, whatever program asks."""
    candidate = find_planted(planted)
    verdict = give_verdict(planted, candidate.id, answer="confirm", reviewer="Maren", at=NOW)
    with pytest.raises(sqlite3.IntegrityError, match="a planted larva is never an observation"):
        change(
            planted,
            "INSERT INTO observation (source, candidate_id, verdict_id, at, zone, taxon, count, observer) VALUES "
            f"('footage', {candidate.id}, {verdict.id}, '2026-05-17T11:42:00.000000Z', 'UTC', 'Apatura', 1, 'Maren')",
        )
    for mark in ("search", "hand"):
        with pytest.raises(sqlite3.IntegrityError, match="marked for ever"):
            change(planted, f"UPDATE candidate SET found_by = '{mark}' WHERE id = {candidate.id}")
    change(planted, f"UPDATE candidate SET promise = 0.1 WHERE id = {candidate.id}")


def test_a_planted_larva_is_never_a_label(planted: Logbook) -> None:
    """Confirmed or dismissed, its picture is not in the labelled image set, nor its outline in another's picture."""
    for one in list_planted(planted):
        if one.candidate_id is not None:
            give_verdict(planted, one.candidate_id, answer="confirm", reviewer="Maren", at=NOW)
    real = [one.id for one in list_candidates(planted) if one.found_by == "search"]
    for candidate_id in real:
        give_verdict(planted, candidate_id, answer="dismiss", reviewer="Maren", at=NOW)
    gather_labels(planted)
    labels = list_labels(planted, with_repeated=True)
    assert len(labels) <= len(real)
    assert all(label.answer == "nothing" and label.marks == () for label in labels)


def test_the_share_missed_is_told_by_visit(planted: Logbook) -> None:
    """Of all clips, of a visit that has this one, and of one that has none."""
    list_footage_of(planted)
    larvae = list_planted(planted)
    missed = sum(not one.is_found for one in larvae)
    for visit_id in (None, 1):
        assert measure_missed(planted, visit_id=visit_id) == rate_reviewer(missed, len(larvae))
    assert measure_missed(planted, visit_id=7).share is None


def test_counts_for_others_leave_it_out(planted: Logbook) -> None:
    """The reviewer's counts hold it; those said to others do not, whatever was said of it."""
    candidate = find_planted(planted)
    give_verdict(planted, candidate.id, answer="confirm", reviewer="Maren", at=NOW)
    counted = add_counts(count_candidates(planted))
    assert counted.confirmed == 1
    said = leave_out_planted(count_candidates(planted), count_planted(planted))
    rest = add_counts(said)
    number = sum(one.is_found for one in list_planted(planted))
    assert rest.confirmed == 0 and rest.all == counted.all - number


def test_a_clip_searched_again_takes_no_real_find_for_a_planted_one(planted: Logbook, clip: Path) -> None:
    """A judged planted larva stays judged; what the new search finds at its place is new, and asked."""
    candidate = find_planted(planted)
    give_verdict(planted, candidate.id, answer="confirm", reviewer="Maren", at=NOW)
    body = read_body(planted, candidate.id)
    assert body is not None
    search(planted, clip, again=True)
    with sqlite3.connect(planted.folder / "logbook.db") as connection:
        tied = connection.execute(
            "SELECT count(*) FROM candidate c JOIN candidate p ON p.id = c.same_as_id WHERE p.found_by = 'planted'"
        ).fetchone()
    assert tied == (0,)
    assert find_candidate(planted, candidate.id).answer == "confirm"


# --- what cannot be


def test_the_same_again_is_refused_before_anything_is_read(planted: Logbook, clip: Path) -> None:
    """The clip is neither looked over for room nor searched, which takes minutes."""
    told: list[float] = []
    with pytest.raises(AnnotateError, match="give another --seed"):
        plant_into_logbook(
            planted,
            open_clip(clip),
            larvae=2,
            seed=SEED,
            scorer=HandMadeScorer(),
            at=NOW,
            on_progress=told.append,
        )
    assert told == []


def test_a_clip_that_was_not_searched_is_refused(planted: Logbook, tmp_path: Path) -> None:
    """Nothing is planted where nobody searched; the message says to search first."""
    other = film_leaf(tmp_path / "other.mp4", seconds=1.0)
    with pytest.raises(AnnotateError, match="found one that was not; search it first"):
        plant(planted, other)


def test_a_clip_without_a_lit_leaf_has_no_room(
    planted: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clip of sky: said in one line, nothing is saved, and it is given up long before fifty larvae were tried in vain."""
    tried: list[int] = []
    choose = planted_frames.choose_body

    def count(*given: Any, **named: Any) -> Any:
        tried.append(1)
        return choose(*given, **named)

    monkeypatch.setattr(planted_frames, "choose_body", count)
    sky = write_clip(
        tmp_path / "sky.mp4",
        times_s=30,
        size_px=(120, 160),
        paint=lambda index: np.full((120, 160, 3), 230, np.uint8),
        metadata={"creation_time": "2026-05-17T11:42:00Z"},
    )
    search(planted, sky)
    before = list_planted(planted)
    with pytest.raises(AnnotateError, match="expected lit leaves"):
        plant(planted, sky, larvae=50)
    assert list_planted(planted) == before and len(tried) == MOST_WITHOUT_ROOM * MOST_TRIES


# --- what follows


def make_planted(length_px: float, *, is_found: bool, scorer: str = "new") -> Planted:
    return Planted(1, 1, None, scorer, 1, NOW, 0.0, 2.0, length_px, 0.6, 0.5, is_found)


def test_recall_is_told_by_length_with_exact_intervals() -> None:
    """1 of 29 and 0 of 20 have the intervals of Newcombe 1998 (values from memory); weights are told apart, newest first."""
    larvae = [make_planted(8.0, is_found=number == 0) for number in range(29)]
    larvae += [make_planted(40.0, is_found=False) for _ in range(20)]
    recalls = measure_recall([make_planted(12.0, is_found=True, scorer="old"), *larvae])
    assert [recall.scorer for recall in recalls] == ["new"] * 5 + ["old"] * 5
    short, middle, _, long, every = recalls[:5]
    assert (short.rate.low, short.rate.high) == pytest.approx((0.0009, 0.1776), abs=5e-5)
    assert (long.rate.low, long.rate.high) == pytest.approx((0.0, 0.1684), abs=5e-5)
    assert every.is_all and every.rate == rate_reviewer(1, 49)
    assert say_recall(short) == "6 to 10 px: 1 of 29 found, 3% (0% to 18%)"
    assert say_recall(middle) == "10 to 16 px: none planted"
    assert say_recall(long).startswith("32 px and longer: 0 of 20 found")
    assert say_recall(every).startswith("all lengths: 1 of 49 found")
    assert measure_recall([]) == ()


# --- as typed


def start(logbook: Path, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "annotate.commands", "plant", "--logbook", str(logbook), *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=RUN,
    )


def run(logbook: Path, *arguments: str) -> tuple[int, str, str]:
    return run_typed("plant", "--logbook", str(logbook), *arguments)


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc to see when the clip is read")
def test_killed_in_the_middle_nothing_is_planted_and_the_command_can_be_given_again(
    planted: Logbook, clip: Path
) -> None:
    """SIGKILL once it reads the clip: no row, no candidate; given again it plants with the real weights and says so."""
    before = list_planted(planted), list_candidates(planted)
    with start(planted.folder, str(clip), "--larvae", "1", "--seed", "9") as process:
        until = time.monotonic() + 120
        while time.monotonic() < until and str(clip) not in list_open(process.pid):
            time.sleep(0.01)
        process.send_signal(signal.SIGKILL)
        process.communicate()
    assert process.returncode == -signal.SIGKILL
    assert (list_planted(planted), list_candidates(planted)) == before
    code, out, err = run(planted.folder, str(clip), "--larvae", "1", "--seed", "9")
    assert code == 0 and out == "" and "(seed 9)" in err and "found 0" not in err
    new = list_planted(planted)[len(before[0]) :]
    assert len(new) == 1 and all(one.scorer.startswith("leafshade") for one in new)
    assert all(one.best_score >= 0.3 for one in new if one.is_found)


def list_open(pid: int) -> set[str]:
    """Files that a process has open."""
    names = set()
    for link in Path(f"/proc/{pid}/fd").glob("*"):
        try:
            names.add(str(link.readlink()))
        except OSError:
            continue
    return names


def test_the_report_tells_search_and_reviewers(planted: Logbook) -> None:
    """Both by name with intervals; as JSON with stable names; nothing planted is said plainly."""
    candidate = find_planted(planted)
    give_verdict(planted, candidate.id, answer="dismiss", reviewer="Maren", at=NOW)
    code, out, err = run(planted.folder, "--report")
    assert code == 0, err
    assert "Search by" in out and "all lengths:" in out and "Maren: 0 of 1 confirmed, 0% (0% to 98%)" in out
    rows = json.loads(run(planted.folder, "--report", "--json")[1])
    assert {row["of"] for row in rows} == {"search", "search, all lengths", "reviewer"}
    assert next(row for row in rows if row["of"] == "reviewer")["shown"] == 1
    fresh = create_logbook(planted.folder.parent / "fresh")
    assert "Nothing was planted yet" in run(fresh, "--report")[1]


def test_the_command_measures_the_weights_in_use(planted: Logbook, clip: Path, tmp_path: Path) -> None:
    """What searches of this logbook use is what is planted for, and named in the report."""
    name = keep_copy(planted, tmp_path / "draft.pt")
    use_weights(planted, name)
    code, _, err = run(planted.folder, str(clip), "--larvae", "1", "--seed", "12")
    assert code == 0 and "planted 1 of 1 larvae (seed 12)" in err
    assert list_planted(planted)[-1].scorer == f"{name} {name[-8:]}"


def test_both_wishes_at_once_are_refused(planted: Logbook) -> None:
    """Clips or the report, not both: one line, exit code 2."""
    code, _, err = run(planted.folder, "clip.mp4", "--report")
    (line,) = err.splitlines()
    assert code == 2 and line.startswith("leafshade: plant: expected clips") and "found both" in line


def test_evidence_holds_whole_pictures_only(planted: Logbook) -> None:
    """Every kept picture bears the hash of its bytes."""
    for picture in (planted.folder / EVIDENCE_NAME).rglob("*.jpg"):
        read_picture(planted, picture.stem)
    assert next_candidate(planted) is not None
