"""A whole clip searched, on made clips whose content is known."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from detect.candidates import Candidate
from detect.clips import open_clip
from detect.light import LitFrame
from detect.regions import Region
from detect.scoring import HandMadeScorer
from detect.search import FEEDING_EVERY, ClipSearch, SearchSettings, count_ahead, search_clip

ROWS, COLUMNS = 360, 480
BODIES = ((150, 170, 26, 20.0), (300, 420, 40, 100.0))
"""(row, column, length in px, angle) on the canvas."""


def paint_canvas() -> np.ndarray:
    """A large lit leaf with pale veins, sky at the rim and two dark bodies, uint8 (rows, columns, 3)."""
    rng = np.random.default_rng(7)
    canvas = np.full((ROWS + 160, COLUMNS + 160, 3), (105, 180, 55), np.uint8)
    for _ in range(90):
        start, end = rng.integers(0, COLUMNS + 160, 2), rng.integers(0, COLUMNS + 160, 2)
        cv2.line(canvas, tuple(map(int, start)), tuple(map(int, end)), (120, 195, 70), 2, cv2.LINE_AA)
    canvas[:, :20] = 250
    for row, column, length_px, angle in BODIES:
        axes = (length_px / 2, length_px / 8)
        box = ((float(column), float(row)), (2 * axes[0], 2 * axes[1]), angle)
        cv2.ellipse(canvas, box, (20, 26, 16), -1, cv2.LINE_AA)
    return canvas


CANVAS = paint_canvas()


def paint_walk(index: int) -> np.ndarray:
    """Frame `index` of a shaky walk over the canvas: bodies stay where they are on it."""
    row = round(60 + 40 * np.sin(index / 9))
    column = round(60 + 40 * np.cos(index / 7))
    return CANVAS[row : row + ROWS, column : column + COLUMNS].copy()


def paint_bare(index: int) -> np.ndarray:
    """The same walk over a leaf without bodies."""
    bare = np.full((ROWS, COLUMNS, 3), (105, 180, 55), np.uint8)
    bare[:, :20] = 250
    return np.roll(bare, index, axis=1)


def find_silhouettes_of(result: ClipSearch) -> list[Candidate]:
    return [candidate for candidate in result.candidates if candidate.kind == "silhouette"]


def describe(result: ClipSearch) -> list[tuple[object, ...]]:
    """Everything of the candidates that a second search must give again."""
    return [
        (
            *(c.kind, c.score, c.first_s, c.last_s, c.views_seen, c.frame_jpeg.read()),
            *(
                (
                    v.time_s,
                    v.frame_index,
                    v.box,
                    v.score,
                    v.sharpness,
                    v.picture_jpeg.read(),
                    v.outline.tobytes(),
                )
                for v in c.views
            ),
        )
        for c in result.candidates
    ]


SETTINGS = SearchSettings(window_s=0.2, follow_score=0.2, silhouette_score=0.5, feeding_score=0.5)
"""Thresholds of the hand-made scorer, whose scores run higher than the network's."""


def search(path: Path, checkpoint: Path | None = None) -> ClipSearch:
    return search_clip(
        open_clip(path), SearchSettings(window_s=0.2), scorer=HandMadeScorer(), checkpoint_path=checkpoint
    )


@pytest.fixture(scope="module")
def walk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four seconds of the walk, H.264."""
    from fractions import Fraction

    import av

    path = tmp_path_factory.mktemp("walk") / "walk.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30, options={"crf": "18", "g": "30"})
        stream.width, stream.height, stream.pix_fmt = COLUMNS, ROWS, "yuv420p"
        for index in range(120):
            frame = av.VideoFrame.from_ndarray(paint_walk(index), format="rgb24")
            frame.pts, frame.time_base = index, Fraction(1, 30)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def test_two_bodies_are_two_candidates_whatever_the_camera_does(walk: Path) -> None:
    """Each body is one candidate over the whole walk, with its length, and its views lie where it was drawn."""
    result = search(walk)
    found = find_silhouettes_of(result)
    assert len(found) == 2
    for candidate, (row, column, length_px, _) in zip(
        sorted(found, key=lambda c: c.length_px), BODIES, strict=True
    ):
        assert candidate.length_px == pytest.approx(length_px, rel=0.2)
        assert candidate.views_seen >= 10 and len(candidate.views) == 8
        for view in candidate.views:
            index = view.frame_index
            shift = (round(60 + 40 * np.sin(index / 9)), round(60 + 40 * np.cos(index / 7)))
            middle = ((view.box[0] + view.box[2]) / 2, (view.box[1] + view.box[3]) / 2)
            assert middle == pytest.approx((row - shift[0], column - shift[1]), abs=6)
            assert view.time_s == pytest.approx(index / 30, abs=1e-6)
            picture = cv2.imdecode(np.frombuffer(view.picture_jpeg.read(), np.uint8), cv2.IMREAD_COLOR)
            at = (round(middle[0]) - view.picture_origin_px[0], round(middle[1]) - view.picture_origin_px[1])
            assert picture[at].max() < 90
    assert result.duration_s == pytest.approx(4.0, abs=0.05) and result.frames == 120
    assert result.looked_at == 20 and result.usable_s == pytest.approx(4.0, abs=0.05)


def test_the_same_search_gives_the_same_candidates(walk: Path) -> None:
    """Twice the same clip, settings and scorer: the same to the bit."""
    assert describe(search(walk)) == describe(search(walk))


@pytest.mark.parametrize("share", [0.0, 0.31, 0.64, 0.999])
def test_a_search_cut_off_anywhere_goes_on_to_the_same_candidates(
    walk: Path, tmp_path: Path, share: float
) -> None:
    """Whatever part of the checkpoint was on the disk when it stopped, the end is the same, to the bit."""
    whole = search(walk, tmp_path / "whole")
    data = (tmp_path / "whole").read_bytes()
    (tmp_path / "part").write_bytes(data[: int(share * len(data))])
    again = search(walk, tmp_path / "part")
    assert describe(again) == describe(whole)
    assert (again.frames, again.duration_s, again.usable_s, again.times_s) == (
        whole.frames,
        whole.duration_s,
        whole.usable_s,
        whole.times_s,
    )


def test_a_checkpoint_of_other_settings_is_not_used(walk: Path, tmp_path: Path) -> None:
    """Changed settings begin anew."""
    path = tmp_path / "c"
    search(walk, path)
    settings = SearchSettings(window_s=0.4)
    result = search_clip(open_clip(walk), settings, scorer=HandMadeScorer(), checkpoint_path=path)
    assert result.looked_at == 10
    assert settings.digest() != replace(settings, kept_views=3).digest()


def test_a_clip_with_nothing_in_it_gives_nothing(make_clip: Callable[..., Path]) -> None:
    """A bare leaf, black and white: no candidate, no crash, all footage counted."""
    assert (
        search(make_clip("bare.mp4", size_px=(ROWS, COLUMNS), paint=paint_bare, times_s=20)).candidates == ()
    )
    for value in (0, 255):
        path = make_clip(f"blank{value}.mp4", paint=lambda _, v=value: np.full((48, 64, 3), v, np.uint8))
        result = search(path)
        assert result.candidates == () and result.duration_s == pytest.approx(10 / 30, abs=0.01)
        assert result.usable_s == 0.0


def test_a_single_frame_is_searched(make_clip: Callable[..., Path]) -> None:
    """One frame is one look."""
    result = search(make_clip("one.mp4", size_px=(ROWS, COLUMNS), paint=paint_walk, times_s=1))
    assert (result.frames, result.looked_at) == (1, 1)


def test_a_clip_filmed_in_portrait_is_searched_upright(make_clip: Callable[..., Path]) -> None:
    """A frame stored lying down gives boxes in the upright picture."""
    path = make_clip(
        "portrait.mp4", size_px=(ROWS, COLUMNS), paint=lambda _: paint_walk(0), times_s=6, rotation_deg=90
    )
    info = open_clip(path)
    assert (info.height_px, info.width_px) == (COLUMNS, ROWS)
    result = search(path)
    assert result.candidates and all(c.frame_size_px == (COLUMNS, ROWS) for c in result.candidates)
    row, column = BODIES[1][0] - 60, BODIES[1][1] - 100
    turns = info.rotation_deg // 90
    mark = np.zeros((ROWS, COLUMNS), np.uint8)
    mark[row, column] = 1
    upright = np.argwhere(np.rot90(mark, turns))[0]
    largest = max(find_silhouettes_of(result), key=lambda c: c.length_px).views[0]
    middle = ((largest.box[0] + largest.box[2]) / 2, (largest.box[1] + largest.box[3]) / 2)
    assert middle == pytest.approx(tuple(upright), abs=6)


def test_progress_reaches_the_end(walk: Path) -> None:
    """Progress is told in clip time and never goes back."""
    seen: list[float] = []
    search_clip(open_clip(walk), SearchSettings(), scorer=HandMadeScorer(), on_progress=seen.append)
    assert seen == sorted(seen) and seen[-1] > 3.4


class NotingScorer(HandMadeScorer):
    """Notes of each look whether chewed leaves were asked for."""

    def __init__(self) -> None:
        self.asked: list[bool] = []

    def find(self, lit: LitFrame, *, with_feeding: bool = True) -> list[Region]:
        self.asked.append(with_feeding)
        return super().find(lit, with_feeding=with_feeding)


def test_chewed_leaves_are_looked_for_in_every_third_window(walk: Path) -> None:
    """Each window is looked at once; the first and each third after it also for chewed leaves."""
    scorer = NotingScorer()
    search_clip(open_clip(walk), SearchSettings(window_s=0.2), scorer=scorer)
    assert scorer.asked == [number % FEEDING_EVERY == 0 for number in range(20)]


@pytest.mark.parametrize(
    ("rows", "columns", "bits", "frames"),
    [(720, 1280, 8, 16), (1080, 1920, 8, 12), (2160, 3840, 8, 3), (2160, 3840, 10, 3)],
)
def test_large_frames_are_decoded_less_far_ahead(
    walk: Path, rows: int, columns: int, bits: int, frames: int
) -> None:
    """Small frames fill a window, large ones about forty megabytes, and the decoder always has a little to do."""
    assert count_ahead(replace(open_clip(walk), height_px=rows, width_px=columns, bit_depth=bits)) == frames
