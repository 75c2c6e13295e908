"""An audit on real clips: drawn blind from what the search passed over, kept whole or not at all, and reckoned right."""

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from annotate.errors import AnnotateError
from annotate.judging.audit import Audit, list_windows
from annotate.judging.auditing import (
    VisitAudit,
    audit_visits,
    choose_frames,
    draw_sample,
    find_missed_chance,
    say_missed_chance,
    sum_season,
)
from annotate.logbook.audits import (
    WindowAnswer,
    answer_window,
    count_given,
    count_open,
    find_window,
    is_asked,
    list_footage,
    list_samples,
    next_window,
)
from annotate.logbook.clips import add_clip, add_stretch, find_clip
from annotate.logbook.clocks import set_clock
from annotate.logbook.opening import EVIDENCE_NAME, Logbook, create_logbook, open_logbook
from annotate.logbook.pictures import read_picture
from annotate.logbook.places import find_tree
from annotate.logbook.records import Clip
from annotate.logbook.searches import save_search
from annotate.logbook.verdicts import give_verdict
from annotate.logbook.visits import find_visit, list_visits
from annotate.web.missed import tell_missed
from detect.candidates import Candidate
from detect.clips import open_clip, read_frames
from detect.errors import DetectError
from detect.sharpness import choose_sharp, watch_frames
from tests.annotate import asking
from tests.annotate.made_pages import serve_pages
from tests.annotate.made_records import NOON, add_trees, make_candidate, make_found, make_view
from tests.annotate.typed import run_typed
from tests.conftest import write_clip

ROWS, COLUMNS = 90, 120
RATE_HZ = 10
SECONDS = 24
LATER = datetime(2026, 5, 18, 20, 0, tzinfo=UTC)
RUN = {**os.environ, "COLUMNS": "200", "PYTHONDONTWRITEBYTECODE": "1"}


def paint(index: int) -> np.ndarray:
    """Leaf grain, now sharp and now blurred, that says by its shade when it was filmed."""
    grain = np.random.default_rng(7).integers(60, 200, (ROWS, COLUMNS, 1), np.uint8)
    picture = np.repeat(grain, 3, axis=2)
    picture[:20] = 4 * (index // RATE_HZ)
    return cv2.GaussianBlur(picture, (0, 0), 0.4 + (index * 7 % 10) / 3)


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """24 seconds of leaf, encoded once."""
    return write_clip(
        tmp_path_factory.mktemp("filmed") / "walk.mp4",
        times_s=RATE_HZ * SECONDS,
        size_px=(ROWS, COLUMNS),
        rate_hz=RATE_HZ,
        paint=paint,
        options={"crf": "18"},
    )


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(
        create_logbook(tmp_path / "Wäldchen", zone="Europe/London", recorder="Maren")
    ) as opened:
        add_trees(opened, "OT03", "OT05")
        yield opened


def put_in(
    logbook: Logbook,
    path: Path,
    candidates: Sequence[Candidate] = (),
    *,
    tree: str = "OT03",
    searched_at: datetime = NOON,
) -> Clip:
    """Add a real clip with the candidates that a search found in it, or search it again."""
    info = open_clip(path)
    clip = add_clip(
        logbook, info, recorded_at=NOON, zone="Europe/London", recorded_from="metadata", duration_s=SECONDS
    )
    if clip.visit_id is None:
        add_stretch(logbook, clip.id, tree_id=find_tree(logbook, tree).id, start_s=0.0, end_s=SECONDS)
    save_search(
        logbook,
        clip.id,
        found=make_found(candidates, duration_s=SECONDS),
        scorer="made 1",
        settings_sha256="made",
        started_at=searched_at,
        finished_at=searched_at,
    )
    return clip


def copy_clip(filmed: Path, tmp_path: Path, *, name: str = "walk.mp4", rest: bytes = b"") -> Path:
    """A copy of the clip; bytes after its end make it another clip that reads alike."""
    copy = tmp_path / name
    shutil.copyfile(filmed, copy)
    if rest:
        with copy.open("ab") as stream:
            stream.write(len(rest).to_bytes(4) + b"free" + rest[8:])
    return copy


FREE = b"\0" * 32
"""An empty box of MP4, 32 bytes long."""


def draw(logbook: Logbook, visit_id: int = 1, *, windows: int, seed: int = 5, at: datetime = LATER) -> int:
    return draw_sample(logbook, visit_id, windows=windows, seed=seed, at=at)


def answer_all(logbook: Logbook, choose: Callable[[float], WindowAnswer], *, most: int = 1000) -> None:
    """Answer plain frames one after another as a page would, by the moment that they show."""
    for _ in range(most):
        shown = next_window(logbook, reviewer="Maren")
        if shown is None:
            return
        said = choose(find_window(logbook, shown.window_id).start_s)
        answer_window(logbook, shown.window_id, answer=said, reviewer="Maren", at=LATER)


def ask(logbook: Logbook, question: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(logbook.folder / "logbook.db")
    try:
        return connection.execute(question).fetchall()
    finally:
        connection.close()


def audit_first(logbook: Logbook) -> VisitAudit:
    (visit,) = audit_visits(logbook)
    return visit


# --- drawing


def test_plain_frames_are_the_sharpest_of_windows_that_nothing_flagged(
    logbook: Logbook, filmed: Path
) -> None:
    """All windows clear of candidates are drawn, each with the very frame that a search looks at, whole, and in mixed order."""
    put_in(logbook, filmed, [make_candidate(5.2), make_candidate(15.1, kind="feeding", shade=2)])
    assert draw(logbook, windows=100) == SECONDS - 2
    (sample,) = list_samples(logbook)
    starts = [window.start_s for window in sample.windows]
    assert sorted(starts) == [s for s in range(SECONDS) if s not in (5, 15)]
    assert starts != sorted(starts)
    sharpest = {
        int(item.frame.time_s): (item.frame.index, item.frame.time_s)
        for item in choose_sharp(watch_frames(read_frames(open_clip(filmed))), window_s=1.0)
    }
    for window in sample.windows:
        assert (window.frame_index, window.time_s) == sharpest[int(window.start_s)]
        with Image.open(BytesIO(read_picture(logbook, window.picture))) as picture:
            assert (picture.height, picture.width) == window.frame_size_px == (ROWS, COLUMNS)
            shade = np.asarray(picture.convert("L"))[3:10].mean()
        assert shade == pytest.approx(4 * int(window.start_s), abs=8)


def test_what_a_person_drew_in_or_what_was_planted_flags_nothing(logbook: Logbook, filmed: Path) -> None:
    """Such candidates leave the pool as the search left it; a judged one goes on flagging."""
    put_in(logbook, filmed, [make_candidate(float(time_s), shade=time_s) for time_s in (2, 9, 16)])
    with logbook.writing() as session:
        connection = session.connection()
        connection.exec_driver_sql("UPDATE candidate SET found_by = 'hand' WHERE best_s = 2")
        connection.exec_driver_sql("UPDATE candidate SET found_by = 'planted' WHERE best_s = 9")
    give_verdict(logbook, 3, answer="dismiss", reviewer="Maren", at=LATER)
    (clip,) = list_footage(logbook)
    assert clip.flagged == ((16.0, 16.5),)


def test_the_same_seed_draws_the_same(tmp_path: Path, filmed: Path) -> None:
    """Two copies of a logbook draw alike by one seed, and otherwise by another."""
    starts = []
    for number, seed in enumerate((5, 5, 6)):
        with open_logbook(create_logbook(tmp_path / str(number))) as logbook:
            add_trees(logbook, "OT03")
            put_in(logbook, filmed)
            draw(logbook, windows=8, seed=seed)
            starts.append([window.start_s for window in list_samples(logbook)[0].windows])
    assert starts[0] == starts[1] != starts[2]


def test_a_further_sample_repeats_nothing_until_all_is_drawn(logbook: Logbook, filmed: Path) -> None:
    """Two samples are disjoint, the last takes what is left, and then the draw says that nothing is."""
    put_in(logbook, filmed)
    assert [draw(logbook, windows=10, seed=seed) for seed in (1, 2, 3)] == [10, 10, 4]
    starts = [window.start_s for sample in list_samples(logbook) for window in sample.windows]
    assert sorted(starts) == list(range(SECONDS))
    assert [sample.pool for sample in list_samples(logbook)] == [24, 14, 4]
    with pytest.raises(AnnotateError, match="found none left"):
        draw(logbook, windows=1)
    assert audit_first(logbook).parts == (Audit(0, 0, SECONDS),)


def test_clips_of_a_visit_are_drawn_by_their_lengths(logbook: Logbook, filmed: Path, tmp_path: Path) -> None:
    """Two clips, of which one is flagged but for four windows, share a sample about as their pools do, over 40 seeds."""
    put_in(logbook, filmed)
    busy = [make_candidate(float(time_s), shade=time_s) for time_s in range(4, SECONDS)]
    put_in(logbook, copy_clip(filmed, tmp_path, rest=FREE), busy)
    clips = list_footage(logbook)
    pools = [len(list_windows(SECONDS, clip.flagged, window_s=1.0)) for clip in clips]
    assert pools == [24, 3]  # the fourth window touches what begins at its end
    draw(logbook, windows=27)
    drawn = [window.clip_id for window in list_samples(logbook)[0].windows]
    assert [drawn.count(clip.clip.id) for clip in clips] == pools


def test_a_window_in_which_no_frame_begins_shows_the_one_still_on_show(
    make_clip: Callable[..., Path],
) -> None:
    """Frames at 0, 0.5 and 4.2 s: the window from 2 s shows the second, the last one the third."""
    info = open_clip(make_clip("gaps.mp4", times_s=[0, 0.5, 4.2, 4.3]))
    windows = list_windows(5.0, [], window_s=1.0)
    chosen = [(window.start_s, frame.index) for window, frame in choose_frames(info, windows)]
    assert [start for start, _ in chosen] == [0, 1, 2, 3, 4]
    assert [index for _, index in chosen][1:4] == [1, 1, 1]
    assert chosen[4][1] in (2, 3)


# --- nothing by halves


@pytest.mark.parametrize("harm", ["gone", "changed", "cut off"])
def test_a_clip_that_is_gone_or_changed_draws_nothing(
    logbook: Logbook, filmed: Path, tmp_path: Path, harm: str
) -> None:
    """One of two clips cannot be read as it was: one line says which and what to do, and no window is drawn of either."""
    put_in(logbook, filmed)
    path = copy_clip(filmed, tmp_path, rest=FREE)
    put_in(logbook, path)
    if harm == "gone":
        path.unlink()
    elif harm == "changed":
        shutil.copyfile(filmed, path)
    else:
        path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises((AnnotateError, DetectError), match=r"walk\.mp4.*found") as caught:
        draw(logbook, windows=20)
    assert "\n" not in str(caught.value)
    assert list_samples(logbook) == () and next_window(logbook, reviewer="Maren") is None


def start(logbook: Path, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "annotate.commands", "audit", "--logbook", str(logbook), *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=RUN,
    )


def test_killed_while_drawing_leaves_no_window(logbook: Logbook, tmp_path: Path) -> None:
    """SIGKILL once the first frames are kept: no sample stands; the same command then draws the whole one."""
    seconds = 120
    clip = write_clip(
        tmp_path / "long.mp4",
        times_s=seconds * 30,
        size_px=(ROWS, COLUMNS),
        options={"preset": "ultrafast"},
    )
    info = open_clip(clip)
    kept = add_clip(logbook, info, recorded_at=NOON, zone="UTC", recorded_from="metadata", duration_s=seconds)
    add_stretch(logbook, kept.id, tree_id=find_tree(logbook, "OT03").id, start_s=0, end_s=seconds)
    found = make_found([], duration_s=seconds)
    save_search(
        logbook,
        kept.id,
        found=found,
        scorer="made",
        settings_sha256="made",
        started_at=NOON,
        finished_at=NOON,
    )
    pictures = logbook.folder / EVIDENCE_NAME
    with start(logbook.folder, "--visit", "2026-05-17", "--windows", "100") as process:
        until = time.monotonic() + 60
        while len(list(pictures.rglob("*.jpg"))) < 3 and time.monotonic() < until:
            time.sleep(0.002)
        process.send_signal(signal.SIGKILL)
        process.communicate()
    assert process.returncode == -signal.SIGKILL
    assert list_samples(logbook) == () and ask(logbook, "PRAGMA integrity_check") == [("ok",)]
    with start(logbook.folder, "--visit", "2026-05-17", "--windows", "100") as process:
        out, err = process.communicate(timeout=600)
    assert process.returncode == 0, err
    assert "drew 100 plain frames" in err and "100 plain frames wait" in out
    assert [len(sample.windows) for sample in list_samples(logbook)] == [100]


def test_two_that_draw_at_once_never_draw_a_window_twice(logbook: Logbook, filmed: Path) -> None:
    """Both want 20 of 24: one gets them, the other gets what is left or is told to draw again."""
    put_in(logbook, filmed)
    both = [start(logbook.folder, "--windows", "20") for _ in range(2)]
    ended = [(process.communicate(timeout=600), process.returncode) for process in both]
    starts = [window.start_s for sample in list_samples(logbook) for window in sample.windows]
    assert len(starts) == len(set(starts)) and len(starts) in (20, 24)
    for (_, err), code in ended:
        assert code == 0 or ("draw the sample again" in err and code == 2), err
    assert sorted(code for _, code in ended)[0] == 0


def test_a_clip_searched_while_its_frames_were_read_draws_nothing(logbook: Logbook, filmed: Path) -> None:
    """The sample would be of a search that no longer counts: it is refused whole."""
    put_in(logbook, filmed)

    def search_again(share: float) -> None:
        if share > 0.5 and len(list_footage(logbook)[0].flagged) == 0:
            put_in(logbook, filmed, [make_candidate(3.0)], searched_at=LATER)

    with pytest.raises(AnnotateError, match="draw the sample again"):
        draw_sample(logbook, 1, windows=24, seed=1, at=LATER, on_progress=search_again)
    assert list_samples(logbook) == ()


# --- answering


def test_a_plain_frame_says_nothing_of_where_it_is_from(logbook: Logbook, filmed: Path) -> None:
    """A reviewer gets a picture, its size and a number; the numbers do not follow the clip."""
    put_in(logbook, filmed)
    draw(logbook, windows=24)
    shown = next_window(logbook, reviewer="Maren")
    assert shown is not None
    assert set(shown.__slots__) == {"window_id", "picture", "frame_size_px"}
    later = next_window(logbook, reviewer="Maren", after=shown.window_id)
    assert later is not None and later.window_id == shown.window_id + 1
    assert count_open(logbook) == 24


def test_answers_are_only_added_and_can_be_taken_back(logbook: Logbook, filmed: Path) -> None:
    """ "open" takes back one's own answer; somebody else's then counts again; the database refuses changes and removals."""
    put_in(logbook, filmed)
    draw(logbook, windows=2)
    assert answer_window(logbook, 1, answer="none", reviewer="Maren", at=LATER).answer == "none"
    assert answer_window(logbook, 1, answer="larva", reviewer="Tove", at=LATER).answer == "larva"
    assert answer_window(logbook, 1, answer="open", reviewer="Tove", at=LATER).answer == "none"
    assert answer_window(logbook, 1, answer="open", reviewer="Maren", at=LATER).answer == "open"
    assert answer_window(logbook, 1, answer="open", reviewer="Maren", at=LATER).answer == "open"
    assert ask(logbook, "SELECT count(*) FROM audit_answer") == [(5,)]
    assert count_given(logbook, "Maren") == 3 and count_given(logbook, "Tove") == 2
    for change in ("DELETE FROM audit_answer", "UPDATE audit_answer SET answer = 'none'"):
        with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
            ask(logbook, change)


def test_what_one_is_unsure_of_comes_to_another_once(logbook: Logbook, filmed: Path) -> None:
    """Open ones first; then the unsure one, for whoever has not answered it; what is answered comes to nobody."""
    put_in(logbook, filmed)
    draw(logbook, windows=2)
    answer_window(logbook, 1, answer="unsure", reviewer="Maren", at=LATER)
    for reviewer in ("Maren", "Tove"):
        shown = next_window(logbook, reviewer=reviewer)
        assert shown is not None and shown.window_id == 2
    answer_window(logbook, 2, answer="none", reviewer="Maren", at=LATER)
    assert next_window(logbook, reviewer="Maren") is None
    shown = next_window(logbook, reviewer="Tove")
    assert shown is not None and shown.window_id == 1
    answer_window(logbook, 1, answer="unsure", reviewer="Tove", at=LATER)
    assert next_window(logbook, reviewer="Tove") is None


def test_what_was_taken_back_is_asked_again(logbook: Logbook, filmed: Path) -> None:
    """Somebody else was unsure; a slip that was taken back is no answer, and one given after that is."""
    put_in(logbook, filmed)
    draw(logbook, windows=1)
    answer_window(logbook, 1, answer="unsure", reviewer="Maren", at=LATER)
    for slip in ("none", "larva"):
        answer_window(logbook, 1, answer=slip, reviewer="Tove", at=LATER)
        assert answer_window(logbook, 1, answer="open", reviewer="tove", at=LATER).answer == "unsure"
        assert next_window(logbook, reviewer="Tove") is not None and is_asked(logbook, 1, reviewer="Tove")
    answer_window(logbook, 1, answer="unsure", reviewer="Tove", at=LATER)
    assert next_window(logbook, reviewer="Tove") is None and next_window(logbook, reviewer="Maren") is None


def test_a_person_is_the_same_however_the_name_is_written(logbook: Logbook, filmed: Path) -> None:
    """Other capitals, blanks and a name that the settings say changed: asked once, counted as one, taken back by any of them."""
    put_in(logbook, filmed, [make_candidate(5.2)])
    draw(logbook, windows=1)
    recorder = replace(logbook.settings.recorder, renamed="Maren = Maren Holt")
    logbook.settings = replace(logbook.settings, recorder=recorder)
    answer_window(logbook, 1, answer="unsure", reviewer="Maren", at=LATER)
    for same in (" maren ", "Maren  Holt", "MAREN HOLT"):
        assert next_window(logbook, reviewer=same) is None
        assert not is_asked(logbook, 1, reviewer=same)
        assert count_given(logbook, same) == 1
    assert next_window(logbook, reviewer="Tove") is not None and is_asked(logbook, 1, reviewer="Tove")
    assert answer_window(logbook, 1, answer="open", reviewer=" maren  holt ", at=LATER).answer == "open"
    assert ask(logbook, "SELECT reviewer FROM audit_answer") == [("Maren",), ("maren holt",)]
    give_verdict(logbook, 1, answer="dismiss", reviewer="MAREN", at=LATER)
    assert count_given(logbook, "Maren Holt") == 3 and count_given(logbook, "Tove") == 0


def test_answers_that_cannot_be(logbook: Logbook, filmed: Path) -> None:
    """A window that is none, a word that is none, a reviewer without a name."""
    put_in(logbook, filmed)
    draw(logbook, windows=1)
    with pytest.raises(AnnotateError, match="found 9, which this logbook lacks"):
        answer_window(logbook, 9, answer="none", reviewer="Maren", at=LATER)
    with pytest.raises(AnnotateError, match="expected one of larva, none, unsure, open; found 'yes'"):
        answer_window(logbook, 1, answer="yes", reviewer="Maren", at=LATER)  # type: ignore[arg-type]
    with pytest.raises(AnnotateError, match="reviewer: expected a name"):
        answer_window(logbook, 1, answer="none", reviewer=" ", at=LATER)
    with pytest.raises(AnnotateError, match="found 9, which"):
        find_window(logbook, 9)


# --- reckoning


def test_answers_become_the_counts_of_the_visit(logbook: Logbook, filmed: Path) -> None:
    """Larvae at 3 and 7 s, one unclear, four not answered yet: what is answered counts from the first on."""
    put_in(logbook, filmed, [make_candidate(20.2)])
    draw(logbook, windows=23)
    said: dict[float, WindowAnswer] = {3.0: "larva", 7.0: "larva", 9.0: "unsure"}
    answer_all(logbook, lambda start_s: said.get(start_s, "none"))
    assert audit_first(logbook).parts == (Audit(2, 22, 23, 1),)
    for window in list_samples(logbook)[0].windows[:4]:
        answer_window(logbook, window.id, answer="open", reviewer="Maren", at=LATER)
    visit = audit_first(logbook)
    (part,) = visit.parts
    assert part.sampled + part.doubtful == 19 and part.pool == 23 and visit.open == 4
    assert visit.missed.low <= 2 <= visit.missed.high


def test_a_clip_searched_again_is_a_part_of_its_own(logbook: Logbook, filmed: Path, tmp_path: Path) -> None:
    """Its windows are asked no more and count no more; the other clip's do; a further sample covers both."""
    put_in(logbook, filmed)
    other = copy_clip(filmed, tmp_path, rest=FREE)
    put_in(logbook, other)
    draw(logbook, windows=24)
    answer_all(logbook, lambda start_s: "larva" if start_s == 3 else "none")
    (before,) = audit_first(logbook).parts
    assert (before.sampled, before.pool) == (24, 48)
    drawn = [window.clip_id for window in list_samples(logbook)[0].windows]
    put_in(logbook, other, [make_candidate(0.2)], searched_at=LATER + timedelta(hours=1))
    visit = audit_first(logbook)
    assert visit.outdated == drawn.count(2) > 0
    assert {(part.sampled, part.pool) for part in visit.parts} == {(drawn.count(1), 24), (0, 23)}
    assert visit.missed.pool_left_out == 23 and visit.missed.visits_left_out == 0
    draw(logbook, windows=12, seed=8, at=LATER + timedelta(hours=2))
    answer_all(logbook, lambda start_s: "none")
    again = audit_first(logbook)
    assert sum(part.sampled for part in again.parts) == drawn.count(1) + 12
    assert sorted(part.pool for part in again.parts) == [23, 24] and again.missed.pool_left_out == 0
    starts = [(w.clip_id, w.search_id, w.start_s) for s in list_samples(logbook) for w in s.windows]
    assert len(starts) == len(set(starts))


def test_windows_of_an_outdated_search_are_asked_no_more(logbook: Logbook, filmed: Path) -> None:
    """Open ones vanish from the queue when their clip is searched again; what was said of others is kept."""
    put_in(logbook, filmed)
    draw(logbook, windows=6)
    answer_window(logbook, 1, answer="larva", reviewer="Maren", at=LATER)
    put_in(logbook, filmed, searched_at=LATER + timedelta(hours=1))
    assert next_window(logbook, reviewer="Maren") is None and count_open(logbook) == 0
    visit = audit_first(logbook)
    assert (visit.parts, visit.open, visit.outdated) == ((Audit(0, 0, SECONDS),), 0, 6)
    assert find_window(logbook, 1).answer == "larva"


def test_a_tree_has_its_own_windows(logbook: Logbook, filmed: Path) -> None:
    """Filmed under OT03 until 10 s and under OT05 from there: the windows of each are counted by their middle."""
    clip = put_in(logbook, filmed)
    tree = find_tree(logbook, "OT05")
    add_stretch(logbook, clip.id, tree_id=tree.id, start_s=10.0, end_s=SECONDS)
    draw(logbook, windows=24)
    answer_all(logbook, lambda start_s: "larva" if start_s in (3, 12, 13) else "none")
    (visit,) = audit_visits(logbook, tree_id=tree.id)
    assert visit.parts == (Audit(2, 14, 14),)
    (visit,) = audit_visits(logbook, tree_id=find_tree(logbook, "OT03").id)
    assert visit.parts == (Audit(1, 10, 10),)


def test_pages_of_a_tree_and_a_visit_say_what_was_missed(logbook: Logbook, filmed: Path) -> None:
    """Where nothing is confirmed stands what the audit tells: not known, waiting, the estimate; of unfilmed trees nothing."""
    clip = put_in(logbook, filmed)
    ours, other = find_tree(logbook, "OT03"), find_tree(logbook, "OT05")
    visit = find_visit(logbook, find_clip(logbook, clip.id).visit_id or 0)
    assert tell_missed(logbook, tree=other) == ""
    assert tell_missed(logbook, tree=ours).endswith("Draw plain frames to tell it by: leafshade audit")
    assert tell_missed(logbook, visit=visit).endswith("leafshade audit --visit 2026-05-17")
    draw(logbook, windows=SECONDS)
    assert tell_missed(logbook, tree=ours).endswith("not known. Plain frames of it wait in the review.")
    answer_all(logbook, lambda start_s: "larva" if start_s == 3 else "none")
    sentence = "In 24 moments looked at, of 24 that the search passed over, 1 held a larva"
    assert tell_missed(logbook, tree=ours).startswith(sentence)
    assert tell_missed(logbook, visit=visit).startswith(sentence)
    with serve_pages(logbook) as address:
        for page in ("/trees/OTTERHOLT/OT03", f"/visits/{visit.id}"):
            assert sentence in asking.get(f"{address}{page}").text
        assert "the search passed over" not in asking.get(f"{address}/trees/OTTERHOLT/OT05").text


@pytest.mark.parametrize("number", [0, 1])
def test_the_clips_of_one_tree_or_visit_are_read_alone(
    logbook: Logbook, filmed: Path, tmp_path: Path, number: int
) -> None:
    """Asked for one, footage holds what it holds where all is asked for, flagged spans with it."""
    paths = [filmed, copy_clip(filmed, tmp_path, rest=b"x" * 40)]
    clips = [
        put_in(logbook, path, [make_candidate(2.0 + place)], tree=tree)
        for place, (path, tree) in enumerate(zip(paths, ("OT03", "OT05"), strict=True))
    ]
    whole = list_footage(logbook)
    assert len(whole) == 2 and all(clip.flagged for clip in whole)
    tree = find_tree(logbook, ("OT03", "OT05")[number])
    assert list_footage(logbook, tree_id=tree.id) == (whole[number],)
    assert list_footage(logbook, visit_id=find_clip(logbook, clips[number].id).visit_id) == whole


def test_a_later_sample_keeps_the_length_of_the_windows(logbook: Logbook, filmed: Path) -> None:
    """Though the settings ask for others now: a pool has windows of one length."""
    put_in(logbook, filmed)
    draw(logbook, windows=5)
    settings = logbook.folder / "settings.toml"
    settings.write_text(settings.read_text("utf-8").replace("# window_s = 1.0", "window_s = 2.0"), "utf-8")
    with open_logbook(logbook.folder) as changed:
        assert changed.settings.search.window_s == 2.0
        draw(changed, windows=5, seed=2)
        assert [sample.window_s for sample in list_samples(changed)] == [1.0, 1.0]
        assert audit_first(changed).parts[0].pool == SECONDS


def test_the_chance_to_miss_is_that_of_moments_with_a_larva(logbook: Logbook, filmed: Path) -> None:
    """Confirmed from 4 to 6.5 s (four moments with the one it borders on), one missed of 20 passed over and all seen: 1 of 5."""
    put_in(logbook, filmed, [make_candidate(views=[make_candidate(t).views[0] for t in (4.0, 6.0)])])
    unknown = find_missed_chance(logbook)
    assert (unknown.chance, unknown.low, unknown.high) == (None, 0.0, 1.0)
    assert "not known yet" in say_missed_chance(unknown)
    draw(logbook, windows=100)
    answer_all(logbook, lambda start_s: "larva" if start_s == 12 else "none")
    open_still = find_missed_chance(logbook)
    assert (open_still.found, open_still.chance, open_still.unjudged) == (0, 1.0, 1)
    assert "1 candidate is not judged yet" in say_missed_chance(open_still)
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    chance = find_missed_chance(logbook, visit_id=1)
    assert chance.found == 4 and chance.missed.low == chance.missed.high == 1
    assert chance.chance == chance.low == chance.high == 1 / 5
    assert say_missed_chance(chance) == (
        "Of the moments with a larva, the search passed over about 20 %, between 20 % and 20 %."
    )
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=LATER)
    assert find_missed_chance(logbook).chance == 1.0
    assert find_missed_chance(logbook, visit_id=99).chance is None


def test_a_season_is_the_sum_of_its_visits(logbook: Logbook, filmed: Path, tmp_path: Path) -> None:
    """Two visits, one looked at: the season counts its sample and names the other as not looked at."""
    put_in(logbook, filmed)
    clip = put_in(logbook, copy_clip(filmed, tmp_path, rest=FREE))
    add_clip(
        logbook,
        open_clip(tmp_path / "walk.mp4"),
        recorded_at=NOON + timedelta(days=3),
        zone="Europe/London",
        recorded_from="given",
        duration_s=SECONDS,
    )
    assert [footage.clip.id for footage in list_footage(logbook)] == [1, clip.id]
    draw(logbook, windows=24)
    answer_all(logbook, lambda start_s: "none")
    season = sum_season(audit_visits(logbook))
    assert (season.sampled, season.visits, season.visits_left_out, season.pool_left_out) == (24, 1, 1, 24)
    assert season.high == 0


# --- as typed


def run(logbook: Logbook, *arguments: str) -> tuple[int, str, str]:
    return run_typed("audit", "--logbook", str(logbook.folder), *arguments)


def test_the_command_draws_tells_and_adds(logbook: Logbook, filmed: Path) -> None:
    """Asked plainly it only tells; with a date it draws once; with a number it adds; as JSON it gives figures."""
    assert json.loads(run(logbook, "--json")[1]) == []
    put_in(logbook, filmed, [make_candidate(20.2)])
    code, out, _ = run(logbook)
    assert code == 0 and "OTTERHOLT, 17 May 2026: None of the 23 moments" in out
    assert "leafshade audit --visit 2026-05-17" in out and list_samples(logbook) == ()
    code, out, err = run(logbook, "--visit", "2026-05-17", "--seed", "3", "--windows", "9")
    assert code == 0 and "drew 9 plain frames (seed 3)" in err and "9 plain frames wait" in out
    answer_all(logbook, lambda start_s: "none")
    code, out, err = run(logbook, "--visit", "2026-05-17")
    assert code == 0 and err == "" and "In 9 moments looked at, of 23" in out
    assert run(logbook, "--windows", "2")[0] == 0
    code, out, _ = run(logbook, "--json")
    rows = json.loads(out)
    assert [row["date"] for row in rows] == ["2026-05-17", None]
    assert (rows[0]["pool"], rows[0]["looked_at"], rows[0]["open"], rows[0]["larva"]) == (23, 9, 2, 0)
    assert rows[0]["low"] == 0 < rows[0]["high"] <= 14 and "In 9 moments" in rows[1]["sentence"]


def test_a_visit_of_which_all_is_drawn_keeps_no_other_from_its_frames(
    logbook: Logbook, filmed: Path, tmp_path: Path
) -> None:
    """A number asked for of all visits goes to those that have moments left; only where none has any is it refused."""
    put_in(logbook, filmed)
    other = put_in(logbook, copy_clip(filmed, tmp_path, rest=FREE))
    set_clock(logbook, [other.id], offset_s=86400.0, who="Maren")
    first, second = (one.visit_id for one in audit_visits(logbook))
    draw(logbook, first, windows=SECONDS)
    code, _, err = run(logbook, "--windows", str(SECONDS))
    assert code == 0 and "OTTERHOLT 17 May 2026: nothing is left to draw." in err
    assert [(one.visit_id, one.open, one.undrawn) for one in audit_visits(logbook)] == [
        (first, SECONDS, 0),
        (second, SECONDS, 0),
    ]
    code, _, err = run(logbook, "--windows", "1")
    assert code == 2 and "answer those that were drawn: leafshade review" in err


def test_a_visit_in_which_all_was_flagged_is_told_of(logbook: Logbook, filmed: Path) -> None:
    """Its date given, there is nothing to draw, and that is said; it is no mistake of whoever asks."""
    put_in(logbook, filmed, [make_candidate(views=[make_view(0.0), make_view(SECONDS - 0.5)])])
    code, out, _ = run(logbook, "--visit", "2026-05-17")
    assert code == 0 and "passed over no whole moment of this visit" in out and list_samples(logbook) == ()


def test_the_command_refuses_a_date_without_clips(logbook: Logbook, filmed: Path) -> None:
    """Exit code 2 and one line with the dates that there are."""
    put_in(logbook, filmed)
    code, _, err = run(logbook, "--visit", "2026-05-18")
    assert code == 2 and "found 2026-05-18; those with clips are: 2026-05-17" in err


def test_a_sample_follows_its_clips_to_another_date(logbook: Logbook, filmed: Path) -> None:
    """A clock put right by a day takes clip, sample and answers along to the visit of that date; the one left empty goes."""
    clip = put_in(logbook, filmed)
    draw(logbook, windows=6)
    answer_all(logbook, lambda start_s: "none")
    before = audit_first(logbook)
    set_clock(logbook, [clip.id], offset_s=86400.0, who="Maren")
    (summary,) = list_visits(logbook)
    assert str(summary.visit.date) == "2026-05-18"
    after = audit_first(logbook)
    assert after.parts == before.parts and after.missed == before.missed
    assert [sample.visit_id for sample in list_samples(logbook)] == [summary.visit.id]
    draw(logbook, summary.visit.id, windows=6, seed=9)
    set_clock(logbook, [clip.id], offset_s=0.0, who="Maren")
    assert [str(one.visit.date) for one in list_visits(logbook)] == ["2026-05-17"]
