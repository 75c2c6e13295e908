"""A search is saved whole; searching again keeps what was judged, sets the rest aside and asks nothing twice."""

import hashlib
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from annotate.errors import AnnotateError
from annotate.logbook.clips import (
    add_stretch,
    find_clip,
    find_clip_by_sha256,
    list_clips,
    list_stretches,
)
from annotate.logbook.observations import list_changes, list_observations
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.pictures import keep_picture, picture_path, read_picture
from annotate.logbook.places import find_tree
from annotate.logbook.repeats import Sighted, find_repeats
from annotate.logbook.review import count_candidates, find_candidate, list_candidates, next_candidate
from annotate.logbook.searches import find_current_search, read_sharpness
from annotate.logbook.verdicts import give_verdict
from annotate.logbook.visits import list_visits
from tests.annotate.made_records import (
    LATER,
    NOON,
    add_trees,
    film,
    make_candidate,
    make_jpeg,
    make_view,
    search,
)


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(create_logbook(tmp_path / "book", zone="Europe/London")) as opened:
        add_trees(opened, "OT01", "OT02")
        add_trees(opened, "NX01", site="NEXT")
        yield opened


def test_all_of_a_candidate_comes_back(logbook: Logbook) -> None:
    """Every number, outline and picture that was saved is read again as it was."""
    made = make_candidate(
        kind="feeding",
        score=0.7,
        views=[make_view(2.0, shade=5), make_view(1.0, (400, 300), shade=6, length_px=22.0)],
        shade=7,
    )
    clip = film(logbook, tree="OT01")
    past = search(logbook, clip, [made])
    assert (past.offered, past.same_as_before, past.set_aside) == (1, 0, 0)
    assert past.problems == ("the last 2 s could not be read",)
    read = next_candidate(logbook)
    assert read is not None
    for name in (
        "kind",
        "score",
        "first_s",
        "last_s",
        "views_seen",
        "length_px",
        "missing_percent",
        "frame_size_px",
    ):
        assert getattr(read, name) == getattr(made, name), name
    assert (read.clip_name, read.tree, read.site, read.answer, read.best_s) == (
        clip.name,
        "OT01",
        "OTTERHOLT",
        "open",
        2.0,
    )
    assert read.at == NOON + timedelta(seconds=2)
    assert read_picture(logbook, read.frame_picture) == made.frame_jpeg.read()
    for rank, (view, original) in enumerate(zip(read.views, made.views, strict=True)):
        for name in (
            "time_s",
            "frame_index",
            "box",
            "score",
            "length_px",
            "width_px",
            "sharpness",
            "picture_origin_px",
        ):
            assert getattr(view, name) == getattr(original, name), name
        assert view.rank == rank and view.picture_size_px == (24, 32)
        assert np.array_equal(np.float32(view.outline), original.outline)
        assert read_picture(logbook, view.picture) == original.picture_jpeg.read()
    assert read_sharpness(logbook, clip.id) == ((0.0, 0.0), (0.5, 1.0), (1.0, 0.5))


def test_a_search_that_found_nothing_is_saved_too(logbook: Logbook) -> None:
    """Footage searched without a find is effort and stands in the logbook."""
    clip = film(logbook, tree="OT01")
    assert find_current_search(logbook, clip.id) is None
    search(logbook, clip, [])
    past = find_current_search(logbook, clip.id)
    assert past is not None and (past.offered, past.searched_s, past.usable_s) == (0, 60.0, 45.0)
    assert (
        next_candidate(logbook) is None and list_candidates(logbook) == () and count_candidates(logbook) == ()
    )


def test_a_search_that_cannot_be_saved_leaves_nothing(logbook: Logbook) -> None:
    """A failure at the last candidate takes the first ones with it, and older candidates are not set aside."""
    clip = film(logbook, tree="OT01")
    search(logbook, clip, [make_candidate()])
    whole = make_candidate(5.0)
    broken = replace(whole, score="not a number")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="not a number"):
        search(logbook, clip, [whole, broken], scorer="made 2")
    past = find_current_search(logbook, clip.id)
    assert past is not None and past.scorer == "made 1"
    assert [item.id for item in list_candidates(logbook)] == [1]


def test_searching_again_keeps_what_was_judged(logbook: Logbook) -> None:
    """Judged ones stay, unjudged ones leave the review, a repeat of a judged one is tied to it, news are asked."""
    clip = film(logbook, tree="OT01")
    judged, open_, reopened = (make_candidate(10.0 * n, (100 * n, 500), shade=n) for n in (1, 2, 3))
    search(logbook, clip, [judged, open_, reopened])
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=LATER)
    for answer in ("confirm", "open"):
        give_verdict(logbook, 3, answer=answer, reviewer="Maren", at=LATER)  # type: ignore[arg-type]
    repeat = make_candidate(10.03, (104, 505), score=0.95, shade=8)
    past = search(logbook, clip, [repeat, open_, make_candidate(40.0, shade=9)], scorer="made 2")
    assert (past.offered, past.same_as_before, past.set_aside) == (2, 1, 2)
    assert [item.id for item in list_candidates(logbook, answer="open")] == [5, 6]
    assert [item.id for item in list_candidates(logbook, answer="dismiss")] == [1]
    assert [find_candidate(logbook, n).standing for n in range(1, 7)] == [
        "listed",
        "set aside",
        "set aside",
        "same",
        "listed",
        "listed",
    ]
    (count,) = count_candidates(logbook)
    assert (count.judged, count.open) == (1, 2)
    third = search(logbook, clip, [repeat], scorer="made 3")
    assert (third.offered, third.same_as_before, third.set_aside) == (0, 1, 2)


def test_a_confirmed_find_outlives_a_search_that_misses_it(logbook: Logbook) -> None:
    """A later search without the candidate takes no observation away."""
    clip = film(logbook, tree="OT01")
    search(logbook, clip, [make_candidate()])
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    search(logbook, clip, [], scorer="made 2")
    assert len(list_observations(logbook)) == 1
    assert [item.id for item in list_candidates(logbook, answer="confirm")] == [1]


BOX = (100, 200, 110, 230)


def shift(rows: float, columns: float) -> tuple[int, int, int, int]:
    return (int(100 + rows), int(200 + columns), int(110 + rows), int(230 + columns))


@pytest.mark.parametrize(
    ("new", "is_same"),
    [
        (Sighted("silhouette", 30, ((5.0, BOX),)), True),
        (Sighted("silhouette", 30, ((5.0, shift(0, 15)),)), True),
        (Sighted("silhouette", 30, ((5.0, shift(0, 17)),)), False),
        (Sighted("silhouette", 30, ((9.0, shift(300, 0)), (5.0, BOX))), True),
        (Sighted("silhouette", 30, ((5.1, shift(0, 18)),)), True),
        (Sighted("silhouette", 30, ((5.2, BOX),)), False),
        (Sighted("silhouette", 61, ((5.0, BOX),)), False),
        (Sighted("feeding", 30, ((5.0, BOX),)), False),
        (Sighted("silhouette", 30, ()), False),
    ],
    ids=[
        "same",
        "half its length",
        "further",
        "one view",
        "shake",
        "other moment",
        "twice as long",
        "other kind",
        "none",
    ],
)
def test_only_what_coincides_is_the_same(new: Sighted, is_same: bool) -> None:
    """Same kind, moment, place and size: else it is asked again, for a larva must not be hidden by a mistake."""
    assert find_repeats([new], [(7, Sighted("silhouette", 30, ((5.0, BOX),)))]) == ({0: 7} if is_same else {})


def test_of_two_near_ones_the_nearest_is_the_same() -> None:
    """Two judged bodies side by side: each new one is tied to its own."""
    judged = [(n, Sighted("silhouette", 30, ((5.0, shift(0, 12 * n)),))) for n in (1, 2)]
    new = [Sighted("silhouette", 30, ((5.0, shift(1, 12 * n)),)) for n in (2, 1)]
    assert find_repeats(new, judged) == {0: 2, 1: 1}
    assert find_repeats([], judged) == {} and find_repeats(new, []) == {}


def test_the_same_bytes_are_the_same_clip_wherever_they_lie(logbook: Logbook) -> None:
    """Moved or renamed, a clip is known by its bytes, and only its path is new; its moment stays as first read."""
    first = film(logbook)
    again = film(logbook, recorded_at=NOON + timedelta(hours=3))
    assert again.id == first.id and again.recorded_at == NOON
    assert find_clip_by_sha256(logbook, first.sha256) == again
    assert find_clip_by_sha256(logbook, "0" * 64) is None
    assert len(list_clips(logbook)) == 1
    with pytest.raises(AnnotateError, match="found 99"):
        find_clip(logbook, 99)


def test_a_moment_said_by_a_person_moves_all_that_hangs_on_the_clip(logbook: Logbook) -> None:
    """Visit, candidates and observations go with the corrected moment; the observation's history has the old one."""
    clip = film(logbook, tree="OT01")
    search(logbook, clip, [make_candidate(10.0)])
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    film(logbook, recorded_at=NOON + timedelta(days=2), recorded_from="given")
    (seen,) = list_observations(logbook)
    assert seen.at == NOON + timedelta(days=2, seconds=10) == find_candidate(logbook, 1).at
    assert [change.field for change in list_changes(logbook, seen.id)] == ["at"]
    (visit,) = list_visits(logbook)
    assert (visit.visit.date, visit.clips, visit.observations) == (date(2026, 5, 19), 1, 1)
    assert visit.visit.id == seen.visit_id


def test_a_visit_is_one_site_on_one_local_date(logbook: Logbook) -> None:
    """Clips of a day share a visit that spans them; midnight is that of the site's clock; another site has its own."""
    film(logbook, number=1, tree="OT01")
    film(logbook, number=2, tree="OT02", recorded_at=NOON + timedelta(hours=1))
    # 23:30 UTC on the 17th is 00:30 on the 18th by London's summer clock.
    film(logbook, number=3, tree="OT02", recorded_at=NOON.replace(hour=23, minute=30))
    film(logbook, number=4, tree="NX01")
    found = [(item.visit.site, item.visit.date.day, item.clips, item.trees) for item in list_visits(logbook)]
    assert found == [
        ("NEXT", 17, 1, ("NX01",)),
        ("OTTERHOLT", 17, 2, ("OT01", "OT02")),
        ("OTTERHOLT", 18, 1, ("OT02",)),
    ]
    first = list_visits(logbook, site="OTTERHOLT")[0].visit
    assert (first.started_at, first.ended_at) == (NOON, NOON + timedelta(hours=1, minutes=1))


def test_the_stretch_said_last_counts_and_moves_finds_along(logbook: Logbook) -> None:
    """A stretch in the middle cuts the older one; candidates and observations in it move to its tree, with history."""
    clip = film(logbook, tree="OT01")
    search(logbook, clip, [make_candidate(time_s, shade=n) for n, time_s in enumerate((5.0, 30.0, 55.0))])
    for candidate_id in (1, 2, 3):
        give_verdict(logbook, candidate_id, answer="confirm", reviewer="Maren", at=LATER)
    add_stretch(logbook, clip.id, tree_id=find_tree(logbook, "OT02").id, start_s=20.0, end_s=40.0)
    found = [(item.tree, item.start_s, item.end_s) for item in list_stretches(logbook, clip.id)]
    assert found == [("OT01", 0.0, 20.0), ("OT02", 20.0, 40.0), ("OT01", 40.0, 60.0)]
    seen = list_observations(logbook)
    assert [item.tree for item in seen] == ["OT01", "OT02", "OT01"]
    changes = [(change.field, change.old, change.new) for change in list_changes(logbook, seen[1].id)]
    assert changes == [("tree", "OTTERHOLT/OT01", "OTTERHOLT/OT02")]
    assert [(count.tree, count.confirmed) for count in count_candidates(logbook)] == [
        ("OT01", 2),
        ("OT02", 1),
    ]
    add_stretch(logbook, clip.id, tree_id=find_tree(logbook, "OT02").id, start_s=0.0, end_s=60.0)
    assert len(list_stretches(logbook, clip.id)) == 1


@pytest.mark.parametrize(("start_s", "end_s"), [(5.0, 5.0), (5.0, 4.0), (-1.0, 4.0), (float("nan"), 4.0)])
def test_a_stretch_without_length_is_refused(logbook: Logbook, start_s: float, end_s: float) -> None:
    """The older stretch is not cut by one that was refused."""
    clip = film(logbook, tree="OT01")
    with pytest.raises(AnnotateError, match="expected a start of 0 s or later"):
        add_stretch(logbook, clip.id, tree_id=1, start_s=start_s, end_s=end_s)
    assert len(list_stretches(logbook, clip.id)) == 1


def test_footage_without_a_tree_can_be_judged(logbook: Logbook) -> None:
    """No stretch: the find has no tree yet, and is an observation all the same; naming the tree later gives it one."""
    clip = film(logbook)
    search(logbook, clip, [make_candidate()])
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    (seen,) = list_observations(logbook)
    assert (seen.tree, seen.visit_id) == ("", None)
    add_stretch(logbook, clip.id, tree_id=find_tree(logbook, "OT02").id, start_s=0.0, end_s=60.0)
    (seen,) = list_observations(logbook)
    assert seen.tree == "OT02" and seen.visit_id is not None


def test_pictures_are_kept_once_and_verified(logbook: Logbook) -> None:
    """The name is the sha256 (hashlib); the same bytes are one file; changed or missing bytes are told, never shown."""
    jpeg = make_jpeg(77)
    sha256 = keep_picture(logbook, jpeg)
    assert keep_picture(logbook, jpeg) == sha256 == hashlib.sha256(jpeg).hexdigest()
    path = picture_path(logbook, sha256)
    assert path.relative_to(logbook.folder).parts == ("evidence", sha256[:2], f"{sha256}.jpg")
    assert [p for p in (logbook.folder / "evidence").rglob("*") if p.is_file()] == [path]
    assert read_picture(logbook, sha256) == jpeg
    path.write_bytes(jpeg[:-1] + b"x")
    with pytest.raises(AnnotateError, match="changed or damaged"):
        read_picture(logbook, sha256)
    assert keep_picture(logbook, jpeg) == sha256 and read_picture(logbook, sha256) == jpeg
    path.unlink()
    with pytest.raises(AnnotateError, match="found none"):
        read_picture(logbook, sha256)


@pytest.mark.parametrize(
    "name", ["../../settings.toml", "", "A" * 64, "0" * 63, "/etc/passwd", "0" * 64 + "\n"]
)
def test_a_name_that_is_no_sha256_opens_no_file(logbook: Logbook, name: str) -> None:
    """What comes from an address line cannot leave the folder of pictures."""
    with pytest.raises(AnnotateError, match="64 hexadecimal letters"):
        picture_path(logbook, name)


def test_the_database_is_sound_after_all_this(logbook: Logbook) -> None:
    """SQLite's own checks find nothing after searches, stretches and verdicts."""
    clip = film(logbook, tree="OT01")
    for number in range(3):
        search(logbook, clip, [make_candidate(n, shade=n) for n in range(1, 4)], scorer=f"made {number}")
        give_verdict(logbook, 1 + 3 * number, answer="confirm", reviewer="Maren", at=LATER)
    logbook.close()
    connection = sqlite3.connect(logbook.folder / "logbook.db")
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    assert connection.execute("PRAGMA journal_mode").fetchall() == [("wal",)]
    connection.close()
