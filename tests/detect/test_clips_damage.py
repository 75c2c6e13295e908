"""Damaged clips: what decodes is read, the rest is told, and nothing crashes or hangs."""

import time
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from detect.clips import ReadReport, open_clip, read_frames, read_luma, read_planes, read_rgb
from detect.errors import ClipError

Maker = Callable[..., Path]

FAST = {"movflags": "faststart"}
"""Puts the index first, so that a cut-off file can still be opened."""

WITHIN_S = 20.0
"""Reading any of the small broken clips takes well under a second; this only tells a hang."""


def read_what_is_there(path: Path) -> tuple[list[float], ReadReport]:
    info, report = open_clip(path), ReadReport()
    times_s = []
    for frame in read_frames(info, report=report):
        assert read_luma(frame).shape == read_planes(frame)[0].shape
        assert read_rgb(frame).shape == (info.height_px, info.width_px, 3)
        times_s.append(frame.time_s)
    return times_s, report


@pytest.mark.parametrize("name", ["clip.mp4", "clip.mkv", "clip.ts", "clip.avi"])
@pytest.mark.parametrize("bframes", ["0", "2"])
def test_cut_off_tail_is_told_and_the_rest_read(make_clip: Maker, name: str, bframes: str) -> None:
    """A copy that stopped in the middle gives the frames before the cut; the report tells how much is missing."""
    options = {"bf": bframes, "g": "10", "qp": "20"}
    more: dict[str, Any] = {"container_options": FAST if name.endswith("mp4") else {}}
    if name.endswith("avi"):
        more, options = {"codec": "mjpeg", "pix_fmt": "yuvj420p", "tick": Fraction(1, 30)}, {}
    path = make_clip(name, times_s=60, options=options, **more)
    whole, _ = read_what_is_there(path)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) * 6 // 10])
    times_s, report = read_what_is_there(path)
    assert 24 <= len(times_s) < 48
    # Only frames that lean on one beyond the cut may be missing before it.
    assert times_s[:-2] == whole[: len(times_s) - 2] and set(times_s) <= set(whole)
    assert report.frames == len(times_s)
    if name == "clip.avi":
        assert any(f"claims 60 frames, but holds {len(times_s)}" in problem for problem in report.problems)
    elif name != "clip.ts":  # a transport stream claims nothing
        said = next(problem for problem in report.problems if "claims" in problem)
        assert f"claims 2.0 s, but its pictures end after {report.duration_s:.1f} s" in said


def test_no_frame_before_the_cut_is_lost(make_clip: Maker) -> None:
    """Every frame whose bytes are there is read, also those that wait for later ones to be shown."""
    path = make_clip(times_s=60, options={"bf": "3", "g": "60", "qp": "20"}, container_options=FAST)
    whole, _ = read_what_is_there(path)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) * 3 // 4])
    import av

    with av.open(str(path)) as container:
        kept = sum(1 for packet in container.demux(video=0) if packet.size and not packet.is_corrupt)
    times_s, _ = read_what_is_there(path)
    assert kept - 2 <= len(times_s) <= kept
    assert times_s[: kept - 4] == whole[: kept - 4]


def test_recording_that_was_never_closed_is_told(make_clip: Maker) -> None:
    """An MP4 cut before its index cannot be opened; the message says what to do."""
    path = make_clip(times_s=30)
    content = path.read_bytes()
    path.write_bytes(content[: content.index(b"moov") - 10])
    with pytest.raises(ClipError, match=r"cannot be .*; check that it was copied whole"):
        open_clip(path)


@pytest.mark.parametrize("name", ["clip.mp4", "clip.mkv"])
def test_bad_place_in_the_middle_is_passed_over(make_clip: Maker, name: str) -> None:
    """Frames after a bad place are read again, at their own times."""
    path = make_clip(
        name,
        times_s=60,
        options={"g": "10", "bf": "0", "qp": "20"},
        container_options=FAST if "4" in name else {},
    )
    whole, _ = read_what_is_there(path)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 1500] = bytes(1500)
    path.write_bytes(content)
    times_s, report = read_what_is_there(path)
    assert times_s[-1] == whole[-1]
    assert 40 <= len(times_s) <= 60
    assert set(times_s) <= set(whole)
    assert report.problems


def test_faults_that_the_decoder_hid_are_counted(make_clip: Maker) -> None:
    """A frame that decodes with patches in it is given, and told."""
    path = make_clip(
        times_s=30, size_px=(144, 176), options={"g": "10", "bf": "0", "qp": "20"}, container_options=FAST
    )
    content = bytearray(path.read_bytes())
    place = content.index(b"mdat") + len(content) // 3
    for offset in range(place, place + 4000, 400):
        content[offset] ^= 0xFF
    path.write_bytes(content)
    times_s, report = read_what_is_there(path)
    assert len(times_s) >= 20
    assert any("faults" in problem or "could not be decoded" in problem for problem in report.problems)


def test_picture_that_changes_its_size_keeps_that_of_the_first(make_clip: Maker, tmp_path: Path) -> None:
    """Frames of another size in the same stream are scaled to the clip's own, and told."""
    first = make_clip("a.ts", times_s=12, size_px=(48, 64), options={"bf": "0"})
    second = make_clip("b.ts", times_s=12, size_px=(96, 128), options={"bf": "0"})
    both = tmp_path / "both.ts"
    both.write_bytes(first.read_bytes() + second.read_bytes())
    info, report = open_clip(both), ReadReport()
    frames = list(read_frames(info, report=report))
    assert len(frames) >= 20
    assert {read_luma(frame).shape for frame in frames} == {(48, 64)}
    assert any("changes its size" in problem for problem in report.problems)
    assert read_luma(frames[-1])[2, 2] > 200


def test_interlaced_clip_is_told(make_clip: Maker) -> None:
    path = make_clip("clip.mkv", times_s=6, options={"flags": "+ilme+ildct", "x264-params": "tff=1"})
    times_s, report = read_what_is_there(path)
    assert len(times_s) == 6
    assert any("interlaced" in problem for problem in report.problems)


def test_clip_that_is_gone_when_read_is_told(make_clip: Maker) -> None:
    path = make_clip(times_s=5)
    info = open_clip(path)
    path.unlink()
    with pytest.raises(ClipError, match="cannot be"):
        list(read_frames(info))


def check_broken(path: Path, content: bytes) -> None:
    """The promise on any bytes: a ClipError, or frames with growing times and whole pictures; in either case soon."""
    path.write_bytes(content)
    began_s = time.monotonic()
    try:
        times_s, report = read_what_is_there(path)
    except ClipError as error:
        assert str(error).startswith(f"{path}: expected ") and "\n" not in str(error)
    else:
        assert times_s[:1] == [0.0] or not times_s
        assert all(before < after for before, after in pairwise(times_s))
        assert report.frames == len(times_s)
        assert all("\n" not in problem for problem in report.problems)
        if times_s:
            assert np.isfinite(times_s).all() and report.duration_s > times_s[-1]
        else:
            assert report.problems
    assert time.monotonic() - began_s < WITHIN_S


BROKEN = settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
CONTAINERS: dict[str, dict[str, Any]] = {
    "mp4": {"options": {"g": "5", "bf": "2"}, "container_options": FAST},
    "mkv": {"options": {"g": "5", "bf": "2"}},
    "ts": {"options": {"g": "5", "bf": "0"}},
    "avi": {"codec": "mjpeg", "pix_fmt": "yuvj420p", "tick": Fraction(1, 30)},
    "h264": {"options": {"g": "5", "bf": "1"}},
}


@pytest.mark.parametrize("container", CONTAINERS)
@BROKEN
@given(data=st.data())
def test_clip_cut_anywhere(make_clip: Maker, tmp_path: Path, container: str, data: st.DataObject) -> None:
    """A valid clip cut at any byte."""
    whole = tmp_path / f"whole.{container}"
    if not whole.exists():
        make_clip(whole.name, times_s=12, **CONTAINERS[container])
    content = whole.read_bytes()
    end = data.draw(st.integers(1, len(content) - 1))
    check_broken(tmp_path / f"broken.{container}", content[:end])


@pytest.mark.parametrize("container", CONTAINERS)
@BROKEN
@given(data=st.data())
def test_clip_with_any_bytes_changed(
    make_clip: Maker, tmp_path: Path, container: str, data: st.DataObject
) -> None:
    """A valid clip with up to 20 bytes changed anywhere, its header included."""
    whole = tmp_path / f"whole.{container}"
    if not whole.exists():
        make_clip(whole.name, times_s=12, **CONTAINERS[container])
    content = bytearray(whole.read_bytes())
    changes = st.lists(
        st.tuples(st.integers(0, len(content) - 1), st.integers(0, 255)), min_size=1, max_size=20
    )
    for place, value in data.draw(changes):
        content[place] = value
    check_broken(tmp_path / f"broken.{container}", bytes(content))
