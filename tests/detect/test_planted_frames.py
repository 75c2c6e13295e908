"""Larvae laid into the frames of a real clip: on lit leaf, going where it goes, dark as its light and sharp as its frame."""

import io
import pickle
from pathlib import Path

import cv2
import numpy as np
import pytest

from detect.clips import ClipInfo, open_clip, read_frames, read_rgb
from detect.errors import DetectError
from detect.planted_frames import (
    MOST_BLUR_PX,
    Marks,
    PlantedBody,
    choose_body,
    collide,
    find_reach,
    measure_blur,
    pack_body,
    plant,
    unpack_body,
)
from detect.scoring import HandMadeScorer
from detect.search import SearchSettings, search_clip
from detect.truth_scoring import find_shown_larva
from models.canopy.clip import measure_length
from models.laying import LayingSettings
from tests.conftest import write_clip
from tests.detect.made_leaf import COLUMNS, LEAF, RATE_HZ, ROWS, film_leaf, find_shift

SEED = 0
LARGE = LayingSettings(length_px=(34.0, 40.0), body_light=(0.02, 0.05))


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> ClipInfo:
    return open_clip(film_leaf(tmp_path_factory.mktemp("leaf") / "leaf.mp4"))


def choose(info: ClipInfo, seed: int, **changes: object) -> PlantedBody | None:
    settings: dict[str, object] = {
        "seed": seed,
        "duration_s": 3.0,
        "window_s": 1.0,
        "find_taken": lambda time_s: [],
        "settings": LARGE,
    }
    return choose_body(info, np.random.default_rng(seed), **{**settings, **changes})  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def body(clip: ClipInfo) -> PlantedBody:
    found = choose(clip, SEED)
    assert found is not None and len(found.times_s) > 2 * RATE_HZ
    return found


def test_a_body_goes_where_its_leaf_goes(body: PlantedBody) -> None:
    """In every frame its middle has moved as the picture was moved, to a pixel and a half."""
    middles = np.array([body.find_outline(place).mean(axis=0) for place in range(len(body.times_s))])
    shifts = np.array([find_shift(round(time_s * RATE_HZ))[::-1] for time_s in body.times_s])
    off_px = (middles - middles[0]) - (shifts - shifts[0])
    assert np.hypot(*off_px.T).max() < 1.5
    assert np.ptp(shifts, axis=0).min() >= 6


def test_a_body_lies_on_lit_leaf(tmp_path: Path) -> None:
    """Of thirty bodies on a photo none touches the strip of sky along its left side, or the shadow in its middle."""
    picture = LEAF.copy()
    picture[100:200, 150:260] //= 4
    cv2.imwrite(str(tmp_path / "leaf.png"), picture[..., ::-1])
    info = open_clip(tmp_path / "leaf.png")
    bodies = [body for seed in range(30) if (body := choose(info, seed, duration_s=1.0)) is not None]
    assert len(bodies) > 10
    for body in bodies:
        middle = body.find_outline(0).mean(axis=0)
        assert body.find_outline(0)[:, 0].min() > 26
        assert not (150 < middle[0] < 260 and 100 < middle[1] < 200)


def test_a_body_is_a_shade_of_what_it_lies_on_and_changes_nothing_else(
    clip: ClipInfo, body: PlantedBody
) -> None:
    """Inside it the light is the share it lets through, and what it sends back; 12 px from it every pixel is as it was."""
    marks: Marks = {}
    plain = [read_rgb(frame) for frame in read_frames(clip)]
    for frame, before in zip(plant(read_frames(clip), [body], marks), plain, strict=True):
        assert isinstance(frame.picture, np.ndarray) and frame.rotation_deg == 0
        if frame.index not in marks:
            assert np.array_equal(frame.picture, before)
            continue
        (mark,) = marks[frame.index].larvae
        whole = np.zeros((ROWS, COLUMNS), np.uint8)
        cv2.fillPoly(whole, [np.round(mark.outline[:, ::-1]).astype(np.int32)], 1)
        near = cv2.dilate(whole, np.ones((25, 25), np.uint8)) > 0
        assert np.array_equal(frame.picture[~near], before[~near])
        core = cv2.erode(whole, np.ones((3, 3), np.uint8)) > 0
        light_before, light = ((picture[core] / 255) ** 2.2 for picture in (before, frame.picture))
        assert light.mean(axis=0) == pytest.approx(
            body.passed * light_before.mean(axis=0) + body.shine, rel=0.3, abs=0.004
        )
    assert len(marks) == len(body.times_s)


def test_the_frames_before_and_after_are_only_told_apart_by_the_body(clip: ClipInfo) -> None:
    """Without a body every frame comes out as RGB, upright, at its time, with the pixels it had."""
    for frame, before in zip(plant(read_frames(clip), [], {}), read_frames(clip), strict=True):
        assert (frame.index, frame.time_s) == (before.index, before.time_s)
        assert np.array_equal(read_rgb(frame), read_rgb(before))


def test_the_clip_is_never_written(clip: ClipInfo, body: PlantedBody) -> None:
    """After choosing and laying, its bytes are those it had."""
    list(plant(read_frames(clip), [body], {}))
    assert open_clip(clip.path).sha256 == clip.sha256


def test_a_search_finds_a_body_and_its_pictures_show_it(clip: ClipInfo, body: PlantedBody) -> None:
    """By the rule of truth files a candidate shows it, and the kept picture is dark where its outline is."""
    marks: Marks = {}
    found = search_clip(
        clip,
        SearchSettings(silhouette_score=0.3),
        scorer=HandMadeScorer(),
        with_cards=False,
        change_frames=lambda frames: plant(frames, [body], marks),
    )
    shown = [c for c in found.candidates if c.kind == "silhouette" and find_shown_larva(c, marks) == "0"]
    assert shown
    view = shown[0].views[0]
    picture = cv2.imdecode(np.frombuffer(view.picture_jpeg.read(), np.uint8), cv2.IMREAD_COLOR)
    (mark,) = marks[view.frame_index].larvae
    row, column = (mark.outline.mean(axis=0) - view.picture_origin_px).astype(int)
    assert picture[row, column].mean() < 0.6 * picture.mean()
    found.close()


def test_a_search_over_changed_frames_keeps_no_progress(clip: ClipInfo, tmp_path: Path) -> None:
    """A checkpoint would be taken for one of the clip as it is: the two together are refused."""
    with pytest.raises(ValueError, match="leave checkpoint_path out"):
        search_clip(
            clip,
            SearchSettings(),
            scorer=HandMadeScorer(),
            checkpoint_path=tmp_path / "progress.jsonl",
            change_frames=lambda frames: plant(frames, [], {}),
        )


def test_the_same_seed_gives_the_same_body(clip: ClipInfo, body: PlantedBody) -> None:
    """Chosen again, it is the same to the last number; laid again, it gives the same pixels."""
    again = choose(clip, SEED)
    assert again is not None
    for name in PlantedBody.__slots__:
        assert np.array_equal(getattr(again, name), getattr(body, name))
    one, other = (
        [read_rgb(frame) for frame in plant(read_frames(clip), [which], {})] for which in (body, again)
    )
    assert all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))


def test_a_body_can_be_packed(body: PlantedBody) -> None:
    """What comes out of the bytes is what went in."""
    again = unpack_body(pack_body(body))
    for name in PlantedBody.__slots__:
        assert np.array_equal(getattr(again, name), getattr(body, name))
    assert again.seed == body.seed and isinstance(again.seed, int)


@pytest.mark.parametrize("harm", ["empty", "text", "cut off", "other arrays", "objects", "damaged"])
def test_bytes_that_are_no_body_are_refused(body: PlantedBody, harm: str) -> None:
    """Nothing of them is run, and one line says what to do."""
    packed = pack_body(body)
    stream = io.BytesIO()
    if harm == "other arrays":
        np.savez(stream, outline_xy=np.zeros(3))
    if harm == "objects":
        stream.write(pickle.dumps({"outline_xy": body}))
    damaged = bytearray(packed)
    damaged[len(packed) // 2 : len(packed) // 2 + 40] = bytes(40)
    data = {
        "empty": b"",
        "text": b"Dear all,",
        "cut off": packed[: len(packed) // 2],
        "damaged": bytes(damaged),
    }.get(harm, stream.getvalue())
    with pytest.raises(DetectError, match="planted larva: expected what was kept of it"):
        unpack_body(data)


def test_bodies_that_come_near_each_other_are_told(body: PlantedBody) -> None:
    """A body collides with itself, not with one three lengths away, nor with one at other times."""
    assert collide(body, body)
    away = body.poses.copy()
    away[:, 0, 2] += 3 * 40
    moved = PlantedBody(
        body.seed, body.outline_xy, body.passed, body.shine, body.times_s, away, body.blurs_px
    )
    assert not collide(body, moved)
    later = PlantedBody(
        body.seed, body.outline_xy, body.passed, body.shine, body.times_s + 100, body.poses, body.blurs_px
    )
    assert not collide(body, later)


def test_the_reach_of_a_body_is_where_no_other_may_lie(body: PlantedBody) -> None:
    """Two lengths round it in each frame that shows it, and nothing at other times."""
    place = len(body.times_s) // 2
    outline = body.find_outline(place)
    top, left, bottom, right = find_reach(body, float(body.times_s[place])) or (0, 0, 0, 0)
    length_px = measure_length(outline)
    assert np.allclose(outline.min(axis=0) - (left, top), 2 * length_px, atol=1)
    assert np.allclose((right, bottom) - outline.max(axis=0), 2 * length_px, atol=1)
    assert find_reach(body, float(body.times_s[-1]) + 1) is None


def test_there_may_be_no_place_for_a_body(clip: ClipInfo, tmp_path: Path) -> None:
    """All of the leaf taken, a clip of sky, a clip too short to show one for a second, a moment beyond its end: none."""
    assert all(
        choose(clip, seed, find_taken=lambda time_s: [(0, 0, ROWS, COLUMNS)]) is None for seed in range(2)
    )
    sky = open_clip(
        write_clip(
            tmp_path / "sky.mp4",
            times_s=15,
            size_px=(ROWS, COLUMNS),
            paint=lambda index: np.full((ROWS, COLUMNS, 3), 240, np.uint8),
        )
    )
    assert choose(sky, 1, duration_s=0.5) is None
    short = open_clip(film_leaf(tmp_path / "short.mp4", seconds=0.6))
    assert all(choose(short, seed, duration_s=0.6) is None for seed in range(2))
    beyond = np.random.default_rng(2)
    assert (
        choose_body(
            clip,
            beyond,
            seed=1,
            duration_s=9000.0,
            window_s=1.0,
            find_taken=lambda time_s: [],
            settings=LARGE,
        )
        is None
    )


def test_a_photo_holds_its_body_alone(tmp_path: Path) -> None:
    """Of a folder of photos each body stands in one."""
    folder = tmp_path / "photos"
    folder.mkdir()
    for number in range(3):
        cv2.imwrite(str(folder / f"{number}.png"), np.roll(LEAF, 40 * number, axis=1)[..., ::-1])
    info = open_clip(folder)
    body = next(found for seed in range(20) if (found := choose(info, seed)) is not None)
    marks: Marks = {}
    list(plant(read_frames(info), [body], marks))
    assert len(body.times_s) == 1 and len(marks) == 1


@pytest.mark.parametrize("blur_px", [0.6, 1.0, 1.5, 2.0])
def test_blur_is_told_from_edges(blur_px: float) -> None:
    """Stripes blurred by a known amount at eight times their size and then reduced: right to a fifth."""
    rows, columns = np.mgrid[:1280, :1280] / 8
    for turn in (0.0, 0.4):
        stripes = 60 + 100 * (np.sin((columns * np.cos(turn) + rows * np.sin(turn)) / 9) > 0)
        soft = cv2.GaussianBlur(stripes.astype(np.float32), (0, 0), 8 * blur_px)
        small = cv2.resize(soft, (160, 160), interpolation=cv2.INTER_AREA)
        grain = np.random.default_rng(1).normal(0, 1, small.shape)
        picture = np.repeat(np.clip(small + grain, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
        assert measure_blur(picture) == pytest.approx(blur_px, rel=0.2)


def test_a_picture_without_an_edge_is_as_blurred_as_can_be() -> None:
    """A grey card, and a picture of two pixels."""
    assert measure_blur(np.full((80, 80, 3), 120, np.uint8)) == MOST_BLUR_PX
    assert measure_blur(np.zeros((2, 2, 3), np.uint8)) == MOST_BLUR_PX


def test_a_body_is_as_blurred_as_its_frame(tmp_path: Path) -> None:
    """Where every frame is blurred by 1.5 px, so is the body as what lies about it, to a quarter."""
    soft = cv2.GaussianBlur(LEAF, (0, 0), 1.5)
    info = open_clip(
        write_clip(
            tmp_path / "soft.mp4",
            times_s=30,
            size_px=(ROWS, COLUMNS),
            rate_hz=RATE_HZ,
            paint=lambda index: np.roll(soft, find_shift(index), axis=(0, 1)),
            options={"crf": "14", "preset": "ultrafast"},
        )
    )
    body = choose(info, SEED, duration_s=2.0)
    assert body is not None
    (top, left), (bottom, right) = (
        edge(body.find_outline(0), axis=0)[::-1].astype(int) for edge in (np.min, np.max)
    )
    near = read_rgb(next(iter(read_frames(info))))[
        max(0, top - 60) : bottom + 60, max(0, left - 60) : right + 60
    ]
    assert np.median(body.blurs_px) == pytest.approx(measure_blur(near), rel=0.25)
    assert measure_blur(soft) > 1.2 * measure_blur(LEAF)
