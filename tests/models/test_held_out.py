"""Clips for evaluation are drawn once by several processes, the same whatever their number, and never taken half written."""

from dataclasses import replace
from pathlib import Path

import pytest

from models.canopy.held_out import FIRST_SEED, HELD_OUT, draw_held_out, find_missing, list_held_out
from models.canopy.presets import fit_frame
from models.canopy.truth import find_truth_path, read_truth
from models.errors import ModelsError

SMALL = replace(fit_frame(HELD_OUT, size_px=(180, 320)), duration_s=0.2, frame_rate_hz=10.0)


def test_clips_are_drawn_once_and_the_same(tmp_path: Path) -> None:
    """Two processes draw what one draws; what is there is not drawn again; a clip without its truth is."""
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    paths = list_held_out(tmp_path / "two", 2)
    assert [path.name for path in paths] == [f"held-out-{FIRST_SEED}.mp4", f"held-out-{FIRST_SEED + 1}.mp4"]
    assert find_missing(paths) == paths
    assert sorted(draw_held_out(paths, workers=2, settings=SMALL)) == paths
    assert find_missing(paths) == []
    alone = list_held_out(tmp_path / "one", 2)
    assert list(draw_held_out(alone[1:], workers=1, settings=SMALL)) == alone[1:]
    for one, two in ((alone[1], paths[1]), (find_truth_path(alone[1]), find_truth_path(paths[1]))):
        assert one.read_bytes() == two.read_bytes()
    assert len(read_truth(find_truth_path(paths[0])).frames) == 2
    find_truth_path(paths[0]).unlink()
    paths[1].with_name(paths[1].name + ".part").write_bytes(b"half")
    assert find_missing(paths) == paths[:1]


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    """What cannot be written is one error in words, not a trace from another process."""
    with pytest.raises(ModelsError, match="drawn clips, found"):
        list(draw_held_out(list_held_out(tmp_path / "nowhere", 1), workers=1, settings=SMALL))
