"""Truth files: what is written comes back, and what is broken is said plainly."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.canopy.truth import (
    FeedingMark,
    FrameTruth,
    LarvaMark,
    LarvaTruth,
    Truth,
    TruthError,
    find_truth_path,
    read_truth,
    write_truth,
)
from models.errors import ModelsError


def make_truth(larvae: int, frames: int) -> Truth:
    """Return a truth with as many larvae in each frame as asked for."""
    outline = np.float32([[10.0, 20.0], [14.5, 40.0], [12.0, 21.0]])
    marks = tuple(LarvaMark(f"A{n}", (10, 20, 15, 41), outline + n, 20.5, 0.9, 0.5) for n in range(larvae))
    bite = FeedingMark("F1", "K2", (1, 2, 9, 12), outline, 12.5)
    return Truth(
        "clip with ü.mp4",
        (240, 320),
        30.0,
        "OT03",
        tuple(LarvaTruth(f"A{n}", "L4", 24.0, "healthy", "on-midrib") for n in range(larvae)),
        tuple(FrameTruth(index, index / 30, marks, (bite,)) for index in range(frames)),
    )


@pytest.mark.parametrize(("larvae", "frames"), [(0, 0), (0, 2), (1, 1), (2, 3)])
def test_what_is_written_comes_back(tmp_path: Path, larvae: int, frames: int) -> None:
    """Every field survives, to the decimals that are kept; no draft stays behind."""
    path = tmp_path / "clip with ü.truth.json"
    before = make_truth(larvae, frames)
    write_truth(path, before)
    after = read_truth(path)
    assert (after.clip, after.size_px, after.frame_rate_hz, after.tree) == (
        before.clip,
        before.size_px,
        before.frame_rate_hz,
        before.tree,
    )
    assert after.larvae == before.larvae
    assert [frame.index for frame in after.frames] == list(range(frames))
    for one, two in zip(after.frames, before.frames, strict=True):
        assert one.time_s == pytest.approx(two.time_s, abs=1e-6)
        for mark, known in zip(one.larvae, two.larvae, strict=True):
            assert (mark.larva_id, mark.box) == (known.larva_id, known.box)
            assert mark.outline == pytest.approx(known.outline, abs=0.051)
            assert (mark.length_px, mark.visible, mark.sharpness) == pytest.approx((20.5, 0.9, 0.5))
        assert one.feeding[0].missing_percent == 12.5 and one.feeding[0].leaf_id == "K2"
    assert [file.name for file in tmp_path.iterdir()] == [path.name]


def test_the_truth_stands_beside_its_clip() -> None:
    """NAME.mp4 has its truth in NAME.truth.json."""
    assert find_truth_path(Path("a/otterholt.mp4")) == Path("a/otterholt.truth.json")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no JSON"),
        (b"{", "no JSON"),
        (b"\xff\xfe\x00", "cannot be read"),
        (b"[]", "an object"),
        (b"[" * 100_000, "no JSON"),
        (b'{"format": "other"}', "leafshade-truth"),
        (b'{"format": "leafshade-truth", "version": 2}', "version"),
    ],
)
def test_a_file_that_is_no_truth_is_said_to_be_none(tmp_path: Path, content: bytes, said: str) -> None:
    """What it is, what was expected, what was found."""
    path = tmp_path / "x.truth.json"
    path.write_bytes(content)
    with pytest.raises(TruthError, match=said) as caught:
        read_truth(path)
    assert str(path) in str(caught.value) and "expected" in str(caught.value) and "found" in str(caught.value)


def test_a_missing_file_and_a_folder_are_errors(tmp_path: Path) -> None:
    """Neither is a truth file, and both errors are of the package's own kind."""
    for path in (tmp_path / "none.truth.json", tmp_path):
        with pytest.raises(ModelsError, match="check the path"):
            read_truth(path)


ANY_JSON = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-10, 10**12),
    st.floats(allow_nan=True),
    st.text(max_size=4),
    st.lists(st.integers(-5, 5), max_size=3),
    st.dictionaries(st.text(max_size=2), st.integers(), max_size=2),
)


def list_places(value: Any, place: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return the way to every value in a JSON body."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [place] * bool(place) + [way for key, item in inner for way in list_places(item, (*place, key))]


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_changed_file_reads_or_says_where_it_is_wrong(tmp_path: Path, data: st.DataObject) -> None:
    """Any one value replaced or removed: the file still reads, or one clear error names file, place and what to do."""
    path = tmp_path / "x.truth.json"
    write_truth(path, make_truth(2, 2))
    body = json.loads(path.read_text(encoding="utf-8"))
    way = data.draw(st.sampled_from(list_places(body)))
    holder = body
    for key in way[:-1]:
        holder = holder[key]
    if isinstance(holder, dict) and data.draw(st.booleans()):
        del holder[way[-1]]
    else:
        holder[way[-1]] = data.draw(ANY_JSON)
    path.write_text(json.dumps(body), encoding="utf-8")
    try:
        truth = read_truth(path)
    except TruthError as error:
        message = str(error)
        assert (
            str(path) in message
            and "expected" in message
            and "found" in message
            and "draw the clip" in message
        )
        assert "\n" not in message
    else:
        assert truth.size_px[0] >= 1
