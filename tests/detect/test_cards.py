"""Tree cards are read small, blurred and tilted, never where there are none, with their moment, their scale and distance."""

import itertools
from collections.abc import Callable, Iterable
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest

from detect.cards import (
    NUMBERS,
    CardSighting,
    CardWatcher,
    draw_marker,
    find_markers,
    gather_showings,
    measure_distance_m,
    measure_scale,
)
from detect.clips import Frame, open_clip, read_frames
from detect.errors import DetectError
from detect.search import SearchSettings, search_clip
from tests.drawn_cards import (
    CARD_SIDE_MM,
    MODULE_MM,
    Picture,
    draw_leaves,
    film_walk,
    hold_card,
    put_card,
)

SIZE_PX = (480, 640)
FOCAL_PX = 26 / 36 * SIZE_PX[1]
TREE_VIDEO = Path("/usr/share/doc/opencv-doc/examples/data/tree.avi")
PHOTOS = Path(__file__).parents[3] / "shared" / "photos" / "canopy-photos"


def hold(
    number: int,
    *,
    module_px: float,
    tilt_deg: float = 0.0,
    blur_px: float = 0.0,
    seed: int = 0,
    dim: bool = False,
) -> Picture:
    """A picture of canopy with a card, so far away that a module is so large."""
    rng = np.random.default_rng(seed)
    pose = hold_card(
        distance_mm=FOCAL_PX * MODULE_MM / module_px,
        tilt_deg=tilt_deg,
        focal_px=FOCAL_PX,
        size_px=SIZE_PX,
        rng=rng,
    )
    return put_card(draw_leaves(SIZE_PX, rng), number, pose=pose, blur_px=blur_px, is_dim=dim, rng=rng)


def look(picture: Picture, *, rotation_deg: int = 0) -> tuple[CardSighting, ...]:
    """What is seen in one picture."""
    watcher = CardWatcher(takes_all=True)
    watcher.see(Frame(0, 0.0, rotation_deg, picture))
    return watcher.take()


def test_any_two_markers_differ_in_eleven_bits_however_they_are_turned() -> None:
    """So many bits apart, chance and two wrong bits never turn one into another (OpenCV's ArUco documentation: 6x6_250)."""
    bits = [draw_marker(number)[1:-1, 1:-1] for number in range(NUMBERS)]
    turned = np.array([[np.rot90(one, turn).ravel() for turn in range(4)] for one in bits])
    flat = turned[:, 0].astype(np.int32)
    for turn in range(4):
        other = turned[:, turn].astype(np.int32)
        apart = flat @ (1 - other).T + (1 - flat) @ other.T
        if turn == 0:
            np.fill_diagonal(apart, 99)
        assert apart.min() >= 11
    assert all(
        draw_marker(n)[[0, -1]].all() and draw_marker(n)[:, [0, -1]].all() for n in (0, 7, NUMBERS - 1)
    )


@pytest.mark.parametrize("number", [-1, NUMBERS])
def test_a_number_without_a_marker_is_refused(number: int) -> None:
    """There are so many and no more."""
    with pytest.raises(DetectError, match=f"from 0 to 249; found {number}"):
        draw_marker(number)


@pytest.mark.parametrize(
    ("module_px", "blur_px", "tilt_deg"),
    [(6, 0, 0), (8, 0, 45), (8, 2, 0), (8, 2, 45), (12, 2, 45), (16, 4, 45), (28, 6, 30)],
)
@pytest.mark.parametrize("dim", [False, True], ids=["light", "dim"])
def test_cards_are_read_small_blurred_and_tilted(
    module_px: float, blur_px: float, tilt_deg: float, dim: bool
) -> None:
    """From 8 px a module on, with a blur of sigma 2 and 45 degrees of tilt, in at least 7 frames of 8; never another number."""
    numbers = [int(n) for n in np.random.default_rng(7).integers(NUMBERS, size=8)]
    seen = [
        [
            card.number
            for card in look(
                hold(number, module_px=module_px, tilt_deg=tilt_deg, blur_px=blur_px, seed=seed, dim=dim)
            )
        ]
        for seed, number in enumerate(numbers)
    ]
    assert all(found in ([], [number]) for found, number in zip(seen, numbers, strict=True))
    assert sum(bool(found) for found in seen) >= 7


def test_no_picture_and_no_card_give_nothing() -> None:
    """A picture of a few pixels, a black one, and canopy alone."""
    assert find_markers(np.zeros((2, 3), np.uint8)) == []
    assert look(np.zeros((1, 1, 3), np.uint8)) == ()
    assert look(np.zeros((200, 300, 3), np.uint8)) == ()
    assert look(draw_leaves(SIZE_PX, np.random.default_rng(1))) == ()


def test_two_cards_in_one_picture_are_both_read() -> None:
    """Also where their sheets touch."""
    rng = np.random.default_rng(3)
    picture = draw_leaves(SIZE_PX, rng)
    apart_mm = 210.0
    for place, number in ((-0.5, 11), (0.5, 12)):
        pose = hold_card(
            distance_mm=700,
            tilt_deg=0,
            focal_px=FOCAL_PX,
            size_px=SIZE_PX,
            beside_mm=(0.0, place * apart_mm),
        )
        picture = put_card(picture, number, pose=pose, rng=rng)
    assert sorted(card.number for card in look(picture)) == [11, 12]


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
def test_corners_stand_in_the_upright_frame(rotation_deg: int) -> None:
    """Whichever way the camera stored it, the marker's own top left comes first, then clockwise, to half a pixel."""
    upright = hold(42, module_px=14, blur_px=0.7)
    wanted = look(upright)[0].corners
    stored = np.ascontiguousarray(np.rot90(upright, -rotation_deg // 90))
    (found,) = look(stored, rotation_deg=rotation_deg)
    assert np.abs(found.corners - wanted).max() < 0.5
    sides = np.roll(wanted, -1, axis=0) - wanted
    assert (
        sides[:, 1] * np.roll(sides, -1, axis=0)[:, 0] - sides[:, 0] * np.roll(sides, -1, axis=0)[:, 1] > 0
    ).all()


@pytest.mark.parametrize(("tilt_deg", "lean_deg"), list(itertools.product([0, 20, 45, 60], [0, 37, 90, 135])))
def test_scale_and_distance_are_those_of_the_pinhole(tilt_deg: float, lean_deg: float) -> None:
    """Exact corners of a card 1.5 m away give the distance within 2 % and the tilt within 2 degrees, however it leans."""
    distance_mm, focal_px = 1500.0, 26 / 36 * 3840
    pose = hold_card(
        distance_mm=distance_mm,
        tilt_deg=tilt_deg,
        lean_deg=lean_deg,
        turn_deg=20,
        focal_px=focal_px,
        size_px=(2160, 3840),
    )
    sheet = np.float32([[0, 0], [210, 0], [210, 297], [0, 297]])
    square = np.float32([[35, 66], [175, 66], [175, 206], [35, 206]])
    matrix = cv2.getPerspectiveTransform(sheet, np.ascontiguousarray(pose.corners[:, ::-1]))
    corners = cv2.perspectiveTransform(square[None], matrix)[0][:, ::-1]
    scale = measure_scale(corners, CARD_SIDE_MM)
    assert scale.mm_per_px == pytest.approx(distance_mm / focal_px, rel=0.02)
    assert scale.tilt_deg == pytest.approx(tilt_deg, abs=2 if tilt_deg else 6)
    distance_m = measure_distance_m(scale, focal_equivalent_mm=26, frame_size_px=(2160, 3840))
    assert distance_m == pytest.approx(1.5, rel=0.02)


def test_a_pixel_of_a_phone_covers_what_the_lens_says() -> None:
    """A 26-mm-equivalent lens at 3840 px: 0.72 mm a pixel at 2 m (ground sample distance, worked)."""
    square = np.float32([[0, 0], [0, 1], [1, 1], [1, 0]]) * CARD_SIDE_MM / 0.72
    scale = measure_scale(square, CARD_SIDE_MM)
    assert scale.mm_per_px == pytest.approx(0.72) and scale.tilt_deg == pytest.approx(0, abs=0.1)
    distance_m = measure_distance_m(scale, focal_equivalent_mm=26, frame_size_px=(3840, 2160))
    assert distance_m == pytest.approx(2.0, abs=0.005)


@pytest.mark.parametrize("side_mm", [0.0, -1.0, float("nan"), float("inf")])
def test_a_side_without_length_is_refused(side_mm: float) -> None:
    """What the card measures must be said."""
    with pytest.raises(DetectError, match="side in mm"):
        measure_scale(np.float32([[0, 0], [0, 9], [9, 9], [9, 0]]), side_mm)


def test_corners_in_line_and_a_lens_without_length_are_refused() -> None:
    """Neither gives a scale."""
    with pytest.raises(DetectError, match="span an area"):
        measure_scale(np.float32([[0, 0], [0, 3], [0, 6], [0, 9]]), 140)
    scale = measure_scale(np.float32([[0, 0], [0, 9], [9, 9], [9, 0]]), 140)
    with pytest.raises(DetectError, match="35-mm-equivalent"):
        measure_distance_m(scale, focal_equivalent_mm=0, frame_size_px=(10, 10))


def see(number: int, *times_s: float) -> list[CardSighting]:
    """Sightings of one marker."""
    return [CardSighting(time_s, number, np.zeros((4, 2), np.float32)) for time_s in times_s]


def describe(sightings: Iterable[CardSighting]) -> list[tuple[int, float, float]]:
    """Number, start and end of the showings, rounded."""
    return [(s.number, s.first_s, s.last_s) for s in gather_showings(sightings)]


def test_showings_need_frames_that_agree() -> None:
    """None, one, two: nothing; three frames, or twice the same moment: three moments are needed."""
    assert describe([]) == describe(see(1, 3.0)) == describe(see(1, 3.0, 3.25)) == []
    assert describe(see(1, 3.0, 3.25, 3.25)) == []
    assert describe(see(1, 3.0, 3.25, 3.5)) == [(1, 3.0, 3.5)]
    assert len(gather_showings(see(1, 3.0), least_sightings=1)) == 1


def test_a_card_that_leaves_and_returns_was_shown_twice() -> None:
    """Gone for longer than two seconds it is a new showing; two cards that take turns are told apart."""
    assert describe(see(1, 0, 0.5, 1, 2.9, 3.4, 9, 9.5, 10)) == [(1, 0, 3.4), (1, 9, 10)]
    mixed = see(2, 4, 4.25, 4.5) + see(1, 0, 1, 2, 3, 4.25)
    assert describe(mixed) == [(1, 0, 4.25), (2, 4, 4.5)]


@pytest.fixture(scope="module")
def walk(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[tuple[int, float, float], ...]]:
    """A walk past three trees."""
    path = tmp_path_factory.mktemp("walk") / "walk.mp4"
    return path, film_walk(path, [], seed=4, numbers=(5, 200, 6), tree_s=(1.5, 2.5))


def test_a_walk_gives_each_card_with_its_moment(
    walk: tuple[Path, tuple[tuple[int, float, float], ...]],
) -> None:
    """Every card once, in order, its coming to half a second, its going to one (it may go in a blur)."""
    path, truth = walk
    watcher = CardWatcher()
    for frame in read_frames(open_clip(path)):
        watcher.see(frame)
    shown = describe(watcher.take())
    assert [number for number, _, _ in shown] == [number for number, _, _ in truth]
    for (_, first_s, last_s), (_, true_first_s, true_last_s) in zip(shown, truth, strict=True):
        assert abs(first_s - true_first_s) <= 0.5 and abs(last_s - true_last_s) <= 1.0


def test_what_is_seen_does_not_depend_on_where_the_looking_begins(
    walk: tuple[Path, tuple[tuple[int, float, float], ...]],
) -> None:
    """A watcher that begins 3.5 s earlier sees from any moment on just what one from the start sees."""
    frames = list(read_frames(open_clip(walk[0])))
    whole = CardWatcher()
    for frame in frames:
        whole.see(frame)
    everything = {(card.time_s, card.number) for card in whole.take()}
    for begin in range(0, len(frames) - 20, 7):
        late = CardWatcher(goes_on=begin > 0)
        for frame in frames[begin:]:
            late.see(frame)
        since_s = frames[begin].time_s + 3.5
        found = {(card.time_s, card.number) for card in late.take()}
        assert {key for key in found if key[0] >= since_s} == {key for key in everything if key[0] >= since_s}
        assert found <= everything


class NoScorer:
    """Finds nothing: these tests are about cards."""

    name = "none"

    def find(self, lit: object, *, with_feeding: bool = True) -> list[object]:
        return []

    def score(self, lit: object, regions: object) -> list[object]:
        return []

    def combine(self, kind: object, scores: object, *, most_views: int) -> float:
        return 0.0


def list_cards(cards: Iterable[CardSighting]) -> list[tuple[float, int, bytes]]:
    return [(card.time_s, card.number, card.corners.tobytes()) for card in cards]


def test_a_search_hands_over_cards_and_goes_on_where_it_was_killed(
    walk: tuple[Path, tuple[tuple[int, float, float], ...]], tmp_path: Path
) -> None:
    """Cut off after any searched frame, the search that goes on ends with the same sightings, to the bit."""
    info = open_clip(walk[0])
    progress = tmp_path / "progress"
    whole = search_clip(info, SearchSettings(), scorer=NoScorer(), checkpoint_path=progress)  # type: ignore[arg-type]
    assert len(gather_showings(whole.cards)) == 3
    lines = progress.read_bytes().splitlines(keepends=True)
    for kept in range(2, len(lines), 3):
        progress.write_bytes(b"".join(lines[:kept]) + lines[kept][:40])
        again = search_clip(info, SearchSettings(), scorer=NoScorer(), checkpoint_path=progress)  # type: ignore[arg-type]
        assert list_cards(again.cards) == list_cards(whole.cards)
    bare = search_clip(info, SearchSettings(), scorer=NoScorer(), with_cards=False)  # type: ignore[arg-type]
    assert bare.cards == () and bare.frames == whole.frames


def test_slow_clips_are_looked_at_frame_by_frame(make_clip: Callable[..., Path]) -> None:
    """Frames 0.7 s apart each begin a slot: a card in three of them is met, one frame before and after holds none."""
    pictures = [draw_leaves(SIZE_PX, np.random.default_rng(9))] + [
        hold(77, module_px=24, blur_px=1, seed=seed) for seed in range(3)
    ]
    order = [0, 1, 2, 3, 0]
    path = make_clip(
        times_s=[Fraction(7 * place, 10) for place in range(5)],
        size_px=SIZE_PX,
        paint=lambda index: pictures[order[index]],
    )
    watcher = CardWatcher()
    for frame in read_frames(open_clip(path)):
        watcher.see(frame)
    assert [(number, round(first_s, 1)) for number, first_s, _ in describe(watcher.take())] == [(77, 0.7)]


@pytest.mark.skipif(
    not TREE_VIDEO.exists(), reason="opencv-doc is not installed (Debian: apt install opencv-doc)"
)
def test_a_real_tree_holds_no_card() -> None:
    """Not a single marker in any frame of a real backlit tree."""
    watcher = CardWatcher(takes_all=True)
    for frame in read_frames(open_clip(TREE_VIDEO)):
        watcher.see(frame)
    assert watcher.take() == ()


@pytest.mark.skipif(not PHOTOS.exists(), reason="the canopy photographs are not beside the project")
def test_canopy_photographs_hold_no_card() -> None:
    """Not a single marker, at three sizes each."""
    for path in sorted(PHOTOS.glob("*.jpg"))[::2]:
        photo = cv2.imread(str(path))
        for share in (0.5, 1.0, 1.6):
            assert look(cv2.resize(photo, None, fx=share, fy=share).astype(np.uint8)) == ()
