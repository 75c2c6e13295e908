"""The sample that comes with the project, and the command that draws clips."""

import csv
import sys
from pathlib import Path

import av
import numpy as np
import pytest

import sample_frames
from annotate.commands.base import run
from models.canopy.sample import CLIP_NAME, PICTURE_SEEDS, TREES_NAME, list_trees
from models.canopy.truth import find_truth_path, read_truth

FOLDER = Path(sample_frames.__file__ or next(iter(sample_frames.__path__))).parent


def call(*words: str, monkeypatch: pytest.MonkeyPatch) -> int:
    """Run the command line and return its exit code."""
    monkeypatch.setattr(sys, "argv", ["leafshade", *words])
    try:
        return run()
    except SystemExit as stop:
        return int(stop.code or 0)


def test_the_sample_clip_matches_its_truth() -> None:
    """Every frame decodes, the filming time stands in it, and at least three larvae of 16 px or more are well seen."""
    clip = FOLDER / CLIP_NAME
    truth = read_truth(find_truth_path(clip))
    with av.open(str(clip)) as source:
        assert source.metadata["creation_time"].startswith("2026-05-17T11:42:00")
        count = sum(1 for _ in source.decode(video=0))
    assert count == len(truth.frames) and truth.tree == "OT03" and truth.size_px == (1080, 1920)
    seen: dict[str, list[float]] = {}
    for frame in truth.frames:
        for mark in frame.larvae:
            if mark.visible > 0.8:
                seen.setdefault(mark.larva_id, []).append(mark.length_px)
    assert sum(len(lengths) > 60 and np.median(lengths) >= 16 for lengths in seen.values()) >= 3
    assert any(frame.feeding for frame in truth.frames)


@pytest.mark.parametrize("name", PICTURE_SEEDS)
def test_the_sample_pictures_match_their_truth(name: str) -> None:
    """Each picture has its size and tree in its truth."""
    from PIL import Image

    truth = read_truth(find_truth_path(FOLDER / name))
    with Image.open(FOLDER / name) as picture:
        assert picture.size == truth.size_px[::-1]
    assert truth.tree == PICTURE_SEEDS[name][0] and len(truth.frames) == 1 and truth.clip == name


def test_the_sample_stays_small() -> None:
    """All of it is under 6 MB."""
    assert sum(file.stat().st_size for file in FOLDER.iterdir() if file.is_file()) < 6_000_000


def test_the_list_of_trees_is_the_one_that_is_drawn(tmp_path: Path) -> None:
    """Twelve invented trees, said to be invented; what the command writes is what lies there."""
    assert list_trees(tmp_path / TREES_NAME).read_bytes() == (FOLDER / TREES_NAME).read_bytes()
    with (FOLDER / TREES_NAME).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["code"] for row in rows] == [f"OT{n:02}" for n in range(1, 13)]
    assert all("invented" in row["notes"] and row["site"] == "Otterholt Wood" for row in rows)
    assert all(-90 < float(row["latitude_deg"]) < 90 and float(row["accuracy_m"]) > 0 for row in rows)


def test_draw_writes_a_clip_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command writes clip and truth and one line about them."""
    out = tmp_path / "drawn here.mp4"
    words = ("draw", str(out), "--seed", "4", "--size", "720p", "--seconds", "0.07", "--codec", "hevc")
    assert call(*words, monkeypatch=monkeypatch) == 0
    assert "2 frames" in capsys.readouterr().out
    assert len(read_truth(find_truth_path(out)).frames) == 2
    with av.open(str(out)) as source:
        assert source.streams.video[0].codec_context.name == "hevc"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("x.avi",), ".mp4"),
        (("nowhere/x.mp4",), "no such folder"),
        (("x.mp4", "--size", "8k"), "--size"),
        (("x.mp4", "--settings", "summer"), "walk-under"),
        (("x.mp4", "--codec", "vp9"), "--codec"),
        (("x.mp4", "--seconds", "0"), "at least one frame"),
        (("x.mp4", "--mbit", "-1"), "--mbit"),
        (("nowhere", "--sample"), "folder"),
    ],
)
def test_draw_says_in_one_line_what_is_wrong(
    words: tuple[str, ...],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Bad input ends with exit code 2, one line, and nothing written."""
    monkeypatch.chdir(tmp_path)
    assert call("draw", *words, monkeypatch=monkeypatch) == 2
    printed = capsys.readouterr().err
    assert said in printed and printed.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
