"""What an interrupted search leaves behind is read back to the bit; what was cut off is dropped."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from detect.checkpoint import Checkpoint
from detect.errors import DetectError
from detect.following import SearchedFrame
from detect.regions import Region, ScoredRegion


def make_frame(number: int) -> SearchedFrame:
    rng = np.random.default_rng(number)
    count = number % 3
    regions = tuple(
        ScoredRegion(
            Region(
                "silhouette",
                (1, 2, 9, 30),
                rng.normal(size=(5, 2)).astype(np.float32),
                float(rng.random()),
                3.0,
                0.0,
                rng.random(4).astype(np.float32),
            ),
            float(rng.random()),
        )
        for _ in range(count)
    )
    return SearchedFrame(
        number,
        number / 3,
        float(rng.random()),
        (1080, 1920),
        rng.random((2, 3)) if number else None,
        rng.random((count, 2)),
        regions,
        tuple(rng.bytes(20) for _ in regions),
        tuple((4, 5) for _ in regions),
        b"jpeg",
    )


def describe(frame: SearchedFrame) -> tuple[object, ...]:
    return (
        frame.index,
        frame.time_s,
        frame.sharpness,
        frame.size_px,
        None if frame.motion is None else frame.motion.tobytes(),
        frame.carried.tobytes(),
        frame.pictures,
        frame.origins_px,
        frame.frame_jpeg,
        [
            (
                s.score,
                s.region.box,
                s.region.outline.tobytes(),
                s.region.length_px,
                s.region.features.tobytes(),
            )
            for s in frame.regions
        ],
    )


def write(path: Path, count: int, identity: str = "clip A") -> None:
    checkpoint = Checkpoint(path, identity)
    assert list(checkpoint.read()) == []
    for number in range(count):
        checkpoint.add(make_frame(number))
    checkpoint.close()


def test_frames_come_back_to_the_bit(tmp_path: Path) -> None:
    """Every number and byte that following needs survives the file."""
    write(tmp_path / "c", 4)
    again = list(Checkpoint(tmp_path / "c", "clip A").read())
    assert [describe(f) for f in again] == [describe(make_frame(n)) for n in range(4)]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40, deadline=None)
@given(share=st.floats(0, 1))
def test_cut_anywhere_the_whole_lines_before_are_kept(tmp_path: Path, share: float) -> None:
    """A kill in the middle of a write loses that frame only, and the file can be written on."""
    path = tmp_path / "cut"
    path.unlink(missing_ok=True)
    write(path, 4)
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    kept = list(Checkpoint(path, "clip A").read())
    assert [describe(f) for f in kept] == [describe(make_frame(n)) for n in range(len(kept))]
    checkpoint = Checkpoint(path, "clip A")
    count = len(list(checkpoint.read()))
    checkpoint.add(make_frame(count))
    checkpoint.close()
    assert len(list(Checkpoint(path, "clip A").read())) == count + 1


def test_another_search_begins_anew(tmp_path: Path) -> None:
    """Frames of other settings or another clip are never mixed in."""
    write(tmp_path / "c", 3)
    assert list(Checkpoint(tmp_path / "c", "clip B").read()) == []
    assert list(Checkpoint(tmp_path / "c", "clip B").read()) == []


def test_a_folder_that_is_not_there_is_said_in_words(tmp_path: Path) -> None:
    """The error names what, expected, found and what to do."""
    with pytest.raises(DetectError, match=r"cannot keep its progress.*found.*free some space"):
        list(Checkpoint(tmp_path / "none" / "c", "x").read())


def test_removed_when_the_search_is_safe(tmp_path: Path) -> None:
    """After removal nothing is left, and removing twice is no error."""
    write(tmp_path / "c", 1)
    checkpoint = Checkpoint(tmp_path / "c", "clip A")
    checkpoint.remove()
    checkpoint.remove()
    assert not (tmp_path / "c").exists()
