"""`leafshade search` as a recorder types it: found, stopped and gone on in processes of its own, repeated, refused."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest

from annotate.logbook.clips import list_clips, list_stretches
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, find_tree, write_trees
from annotate.searching import PROGRESS_NAME, SearchOrder, search_into_logbook
from detect.clips import open_clip
from detect.scoring import HandMadeScorer
from tests.annotate.thresholds import lower_threshold
from tests.annotate.typed import run_typed

ROWS, COLUMNS = 360, 480
RECORDED = "2026-05-17T11:42:00Z"

PATIENCE_S = 600
"""Passed only where something is wrong: a search takes seconds, and minutes on a machine that is busy with other things."""


def paint(index: int) -> np.ndarray:
    """A lit leaf with one dark body, moving a little."""
    picture = np.full((ROWS, COLUMNS, 3), (105, 180, 55), np.uint8)
    rng = np.random.default_rng(3)
    for _ in range(60):
        start, end = (tuple(int(v) for v in rng.integers(0, COLUMNS, 2)) for _ in range(2))
        cv2.line(picture, start, end, (122, 196, 72), 2, cv2.LINE_AA)
    picture[:, :24] = 250
    cv2.ellipse(picture, ((240.0, 180.0), (30.0, 8.0), 25.0), (20, 26, 16), -1, cv2.LINE_AA)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0)  # as any lens blurs
    return np.roll(picture, (round(5 * np.sin(index / 5)), round(8 * np.cos(index / 6))), axis=(0, 1))


@pytest.fixture
def logbook_folder(tmp_path: Path) -> Path:
    """A logbook in a folder whose name has spaces and umlauts, with one tree; it offers what is painted, whatever the weights."""
    folder = create_logbook(tmp_path / "Wäldchen am Bach", zone="Europe/London", recorder="A. Recorder")
    lower_threshold(folder)
    with open_logbook(folder) as logbook:
        write_trees(logbook, [TreeEntry("OTTERHOLT", "OT03", {"host_taxon": "Populus tremula"})])
    return folder


@pytest.fixture
def clip(make_clip: Callable[..., Path]) -> Path:
    """Five seconds with one larva in them, dated by its metadata."""
    return make_clip(
        "Gang unter Öspe 3.mp4",
        times_s=150,
        size_px=(ROWS, COLUMNS),
        paint=paint,
        metadata={"creation_time": RECORDED},
        options={"crf": "20", "preset": "ultrafast"},
    )


def start(folder: Path, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "annotate.commands", "search", "--logbook", str(folder), *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "COLUMNS": "200", "PYTHONDONTWRITEBYTECODE": "1"},
    )


def run_with_full_disk(folder: Path, clip: Path, *, most_bytes: int) -> tuple[int, str]:
    """Search with no file allowed to grow beyond a limit: the system then refuses writes as a full disk does."""
    program = (
        "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({most_bytes}, {most_bytes})); "
        "from annotate.commands import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, "search", "--logbook", str(folder), str(clip)],
        capture_output=True,
        text=True,
        env={**os.environ, "COLUMNS": "200", "PYTHONDONTWRITEBYTECODE": "1"},
        check=False,
        timeout=PATIENCE_S,
    )
    return done.returncode, done.stderr


def run(folder: Path, *arguments: str) -> tuple[int, str, str]:
    return run_typed("search", "--logbook", str(folder), *arguments)


def read_candidates(path: Path) -> list[object]:
    (clip,) = json.loads(path.read_text())["clips"]
    candidates: list[object] = clip["candidates"]
    return candidates


def test_searched_stopped_by_kill_and_gone_on_to_the_same_candidates(
    logbook_folder: Path, clip: Path, tmp_path: Path
) -> None:
    """Killed in the middle (SIGKILL), nothing stands in the logbook; the same command then ends as one never killed."""
    fresh = create_logbook(tmp_path / "uninterrupted")
    lower_threshold(fresh)
    code, _, _ = run(fresh, str(clip), "--json", str(tmp_path / "whole.json"))
    assert code == 0
    progress = logbook_folder / PROGRESS_NAME
    with start(logbook_folder, str(clip), "--tree", "OT03") as process:
        until = time.monotonic() + 60
        while time.monotonic() < until:
            kept = list(progress.glob("*.jsonl")) if progress.exists() else []
            if kept and kept[0].read_bytes().count(b"\n") >= 4:
                break
            time.sleep(0.01)
        process.send_signal(signal.SIGKILL)
        process.communicate()
    assert process.returncode == -signal.SIGKILL
    with open_logbook(logbook_folder) as logbook:
        assert list_clips(logbook) == ()
    kept_lines = next(progress.glob("*.jsonl")).read_bytes().count(b"\n")
    assert kept_lines >= 4
    code, out, _ = run(logbook_folder, str(clip), "--tree", "OT03", "--json", str(tmp_path / "again.json"))
    assert code == 0 and "OT03" in out and "leafshade review" in out
    assert read_candidates(tmp_path / "again.json") == read_candidates(tmp_path / "whole.json")
    assert not list(progress.glob("*.jsonl"))


def test_what_a_search_leaves_in_the_logbook(logbook_folder: Path, clip: Path, tmp_path: Path) -> None:
    """The clip with its own date, the tree it was filmed under, and JSON with all that a view holds."""
    code, out, err = run(logbook_folder, str(clip), "--tree", "ot03", "--json", str(tmp_path / "c.json"))
    assert code == 0, err
    (candidate,) = read_candidates(tmp_path / "c.json")
    assert isinstance(candidate, dict) and candidate["kind"] == "silhouette"
    view = candidate["views"][0]
    assert {"time_s", "frame_index", "box", "outline", "score", "kind"} <= set(view)
    top, left, bottom, right = view["box"]
    assert all(top <= row <= bottom and left <= column <= right for row, column in view["outline"])
    with open_logbook(logbook_folder) as logbook:
        (kept,) = list_clips(logbook)
        assert (
            kept.recorded_at == datetime(2026, 5, 17, 11, 42, tzinfo=UTC) and kept.recorded_from == "metadata"
        )
        assert [stretch.tree for stretch in list_stretches(logbook, kept.id)] == ["OT03"]
    assert "5.0 s" in out


def test_the_same_bytes_again_do_nothing_unless_told(logbook_folder: Path, clip: Path) -> None:
    """A copy under another name is the same clip; --again searches it and sets the unjudged ones aside."""
    assert run(logbook_folder, str(clip))[0] == 0
    copy = clip.with_name("copy.mp4")
    copy.write_bytes(clip.read_bytes())
    code, out, err = run(logbook_folder, str(copy), "--tree", "OT03")
    assert code == 0 and "searched before" in err and "--again" in err and "OT03" in err
    assert "Footage" not in out
    code, _, err = run(logbook_folder, str(copy), "--again")
    assert code == 0 and "1 unjudged candidate of the earlier search was set aside" in err


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        (lambda folder: folder / "none.mp4", "nothing of that name"),
        (lambda folder: _write(folder / "empty.mp4", b""), "empty"),
        (lambda folder: _write(folder / "letter.mp4", b"Dear all, " * 500), "expected"),
    ],
    ids=["missing", "empty", "text"],
)
def test_what_cannot_be_searched_is_said_in_one_line(
    logbook_folder: Path, tmp_path: Path, make: Callable[[Path], Path], expected: str
) -> None:
    """Exit code 2, one line with what, expected, found and what to do, and nothing in the logbook."""
    path = make(tmp_path)
    code, _, err = run(logbook_folder, str(path))
    (line,) = [line for line in err.splitlines() if line.strip()]
    assert code == 2 and line.startswith("leafshade: ") and expected in line and "found" in line
    with open_logbook(logbook_folder) as logbook:
        assert list_clips(logbook) == ()


def test_one_bad_clip_among_good_ones_stops_nothing(logbook_folder: Path, clip: Path) -> None:
    """The good clip is searched and saved, the bad one named, and the exit code says that something was wrong."""
    _write(clip.with_name("broken.mp4"), b"\0" * 4000)
    code, out, err = run(logbook_folder, str(clip), str(clip.with_name("broken.mp4")))
    assert code == 2 and "broken.mp4" in err and "Silhouettes" in out
    with open_logbook(logbook_folder) as logbook:
        assert len(list_clips(logbook)) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are POSIX")
@pytest.mark.parametrize("most_bytes", [8_000, 60_000], ids=["at once", "in the middle"])
def test_a_full_disk_is_said_and_loses_nothing(logbook_folder: Path, clip: Path, most_bytes: int) -> None:
    """One line and exit code 2; the logbook is whole and empty; with room again the same command goes on to the end."""
    code, err = run_with_full_disk(logbook_folder, clip, most_bytes=most_bytes)
    lines = [line for line in err.splitlines() if line.strip()]
    assert code == 2 and len(lines) == 1 and lines[0].startswith("leafshade: "), err
    assert "expected" in lines[0] and "found" in lines[0]
    with open_logbook(logbook_folder) as logbook:
        assert list_clips(logbook) == ()
    assert run(logbook_folder, str(clip))[0] == 0
    with open_logbook(logbook_folder) as logbook:
        assert len(list_clips(logbook)) == 1


def test_an_unknown_tree_is_refused_before_anything_is_searched(logbook_folder: Path, clip: Path) -> None:
    """The nearest code is named."""
    code, _, err = run(logbook_folder, str(clip), "--tree", "OT30")
    assert code == 2 and "OT03" in err and not (logbook_folder / PROGRESS_NAME).exists()


@pytest.fixture
def opened(logbook_folder: Path) -> Logbook:
    return open_logbook(logbook_folder)


def test_a_clip_being_searched_is_not_searched_twice_at_once(opened: Logbook, clip: Path) -> None:
    """The second of two people is told so, and the first loses nothing."""
    from filelock import FileLock

    from annotate.errors import AnnotateError

    info = open_clip(clip)
    order = SearchOrder(find_tree(opened, "OT03"), again=False, recorded_at=None)
    with opened:
        (opened.folder / PROGRESS_NAME).mkdir()
        with (
            FileLock(opened.folder / PROGRESS_NAME / f"{info.sha256[:32]}.lock"),
            pytest.raises(AnnotateError, match="being searched"),
        ):
            search_into_logbook(opened, info, order=order, scorer=HandMadeScorer())
        assert search_into_logbook(opened, info, order=order, scorer=HandMadeScorer()).search.offered == 1


def _write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path
