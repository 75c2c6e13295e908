"""A reading that starts later gives the same frames as one from the start."""

from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from math import inf, nextafter
from pathlib import Path

import numpy as np
import pytest

from detect.clips import Frame, ReadReport, open_clip, read_frames, read_luma

Maker = Callable[..., Path]

UNEVEN = [Fraction(i * 33 + (i % 3) * 9, 1000) for i in range(40)]


def make_kind(make_clip: Maker, kind: str) -> Path:
    """Clips that differ in what an index must get right."""
    options = {"g": "8", "keyint_min": "8", "bf": "2", "threads": "1"}
    x265 = {"x265-params": "keyint=8:min-keyint=8:bframes=3:log-level=none:pools=none"}
    settings = {
        "mp4": {"times_s": 40, "options": options},
        "open groups": {"times_s": 40, "options": options | {"x264-params": "open-gop=1"}},
        "one key frame": {"times_s": 40, "options": {"g": "1000", "bf": "2"}},
        "intra refresh": {"times_s": 40, "options": {"x264-params": "intra-refresh=1:keyint=10"}},
        "uneven": {"times_s": UNEVEN, "options": options},
        "late start": {"times_s": [5 + time for time in UNEVEN], "options": options},
        "mkv": {"name": "clip.mkv", "times_s": 40, "options": options},
        "avi": {
            "name": "clip.avi",
            "times_s": 40,
            "codec": "mpeg4",
            "tick": Fraction(1, 30),
            "options": {"g": "8"},
        },
        "ts": {"name": "clip.ts", "times_s": 40, "options": options},
        "bare": {"name": "clip.h264", "times_s": 40, "options": options},
        "hevc": {"times_s": 40, "codec": "libx265", "options": x265},
        "fragments": {
            "times_s": 40,
            "options": options,
            "container_options": {"movflags": "frag_keyframe+empty_moov"},
        },
    }[kind]
    return make_clip(**settings)  # type: ignore[arg-type]


def sum_up(frame: Frame) -> tuple[int, float, int, bytes]:
    return frame.index, frame.time_s, frame.rotation_deg, read_luma(frame).tobytes()


KINDS = (
    "mp4",
    "open groups",
    "one key frame",
    "intra refresh",
    "uneven",
    "late start",
    "mkv",
    "avi",
    "ts",
    "bare",
    "hevc",
    "fragments",
)


@pytest.mark.parametrize("kind", KINDS)
def test_a_later_start_gives_the_same_frames(make_clip: Maker, kind: str) -> None:
    """From any frame on: same indices, same times to the last bit, same pixels."""
    info = open_clip(make_kind(make_clip, kind))
    whole = [sum_up(frame) for frame in read_frames(info)]
    assert len(whole) == 40
    for start in (0, 1, 7, 8, 9, 17, 31, 32, 38):
        later = read_frames(info, start_after_s=whole[start][1], first_index=start + 1)
        assert [sum_up(frame) for frame in later] == whole[start + 1 :]


def test_a_time_between_or_just_before_frames(make_clip: Maker) -> None:
    """Only frames later than the time are given, be it by the smallest difference there is."""
    info = open_clip(make_kind(make_clip, "uneven"))
    times_s = [frame.time_s for frame in read_frames(info)]
    just_before = read_frames(info, start_after_s=nextafter(times_s[20], -inf), first_index=20)
    assert [frame.time_s for frame in just_before] == times_s[20:]
    between = read_frames(info, start_after_s=(times_s[20] + times_s[21]) / 2, first_index=21)
    assert [frame.time_s for frame in between] == times_s[21:]
    from_before_all = read_frames(info, start_after_s=-1.0)
    assert [frame.time_s for frame in from_before_all] == times_s


@pytest.mark.parametrize("kind", ["mp4", "ts"])
def test_nothing_comes_after_the_end(make_clip: Maker, kind: str) -> None:
    info = open_clip(make_kind(make_clip, kind))
    last_s = [frame.time_s for frame in read_frames(info)][-1]
    for time_s in (last_s, last_s + 100):
        report = ReadReport()
        assert list(read_frames(info, start_after_s=time_s, first_index=40, report=report)) == []
        assert report.frames == 40


def test_report_of_a_later_start_counts_on(make_clip: Maker) -> None:
    """The report tells frames and duration of the whole clip, and calls nothing missing that was read before."""
    info = open_clip(make_kind(make_clip, "mp4"))
    whole, later = ReadReport(), ReadReport()
    times_s = [frame.time_s for frame in read_frames(info, report=whole)]
    list(read_frames(info, start_after_s=times_s[29], first_index=30, report=later))
    assert later == whole
    assert later.problems == []


def test_stamps_that_jump_back_do_not_mislead_a_later_start(make_clip: Maker, tmp_path: Path) -> None:
    """Two recordings in one stream begin twice at nought; times go on, and a later start finds its place among them."""
    first, second = make_clip("a.ts", times_s=20), make_clip("b.ts", times_s=15)
    both = tmp_path / "both.ts"
    both.write_bytes(first.read_bytes() + second.read_bytes())
    info, report = open_clip(both), ReadReport()
    whole = [sum_up(frame) for frame in read_frames(info, report=report)]
    assert len(whole) == 35
    assert all(before[1] < after[1] for before, after in pairwise(whole))
    assert report.duration_s == pytest.approx(35 / 30, abs=0.1)
    assert any("time stamp" in problem for problem in report.problems)
    later = read_frames(info, start_after_s=whole[24][1], first_index=25)
    assert [sum_up(frame) for frame in later] == whole[25:]


def test_a_later_start_does_not_decode_from_the_start(make_clip: Maker, paint: Maker) -> None:
    """In an indexed clip the first frame after a late time costs a part of what all frames before it cost."""
    from time import process_time

    path = make_clip(
        times_s=300,
        size_px=(240, 320),
        options={"g": "15"},
        paint=lambda index: np.roll(paint(0, (240, 320)), 3 * index, 1),
    )
    info = open_clip(path)

    def measure(start_after_s: float | None, count: int) -> float:
        best_s = 1e9
        for _ in range(3):
            began_s = process_time()
            frames = read_frames(info, start_after_s=start_after_s)
            for _ in range(count):
                next(frames)
            frames.close()
            best_s = min(best_s, process_time() - began_s)
        return best_s

    assert measure(285 / 30, 1) < 0.7 * measure(None, 287)
