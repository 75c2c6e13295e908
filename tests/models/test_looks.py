"""What a place looks like to the judge: the same place, the same vector, whatever lies beside it in memory or picture."""

import numpy as np
import pytest
import torch

from models.looks import SeenPlace, describe_places
from models.network import JUDGED_LARVA, Judge, NetworkConfig, build_pair, ready_pair
from models.patches import build_pyramid, cut_crops, make_judge_input, shrink

MANY = 19
SMALL = NetworkConfig((4, 8, 8, 8), (1, 1, 1), (4, 8, 8, 12), (1, 1, 1), (4, 8, 8), (1, 1), 12, (8, 4))


@pytest.fixture(scope="module")
def judge() -> Judge:
    return ready_pair(build_pair(SMALL, seed=3), device=torch.device("cpu"), dtype=torch.float32).judge


def paint(rows: int = 400, columns: int = 420, *, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, (rows, columns, 3), dtype=np.uint8)


def test_no_place_gives_no_vector_of_the_right_length(judge: Judge) -> None:
    """Nothing asked, nothing answered, and it can be joined with other answers."""
    assert describe_places(judge, []).shape == (0, judge.look_size + 1)


def test_a_place_has_the_same_vector_in_whatever_company(judge: Judge) -> None:
    """Alone, or with many others, a place has the same numbers, finite, as float16."""
    places = [SeenPlace(paint(seed=n), (200.0, 210.0), 10.0 + 3 * n) for n in range(MANY)]
    together = describe_places(judge, places)
    assert together.shape == (MANY, judge.look_size + 1) and together.dtype == np.float16
    assert np.isfinite(together.astype(np.float32)).all()
    for number in (0, MANY // 2, MANY - 1):
        assert np.array_equal(describe_places(judge, [places[number]])[0], together[number])
    assert len({vector.tobytes() for vector in together}) == len(places)


def test_a_piece_of_a_picture_looks_like_its_place_in_the_whole(judge: Judge) -> None:
    """Cut out with more room than the wide crop takes, a place has the very vector that it has in the whole frame."""
    frame = paint(640, 960)
    whole = describe_places(judge, [SeenPlace(frame, (320.0, 480.0), 20.0)])
    piece = describe_places(judge, [SeenPlace(frame[160:480, 320:640], (160.0, 160.0), 20.0)])
    assert np.array_equal(whole, piece)


def test_a_turned_picture_looks_the_same(judge: Judge) -> None:
    """A quarter turn of the picture changes neither the vector nor the log-odds, beyond the rounding of sums."""
    rgb = paint(400, 400)
    upright = describe_places(judge, [SeenPlace(rgb, (200.5, 180.5), 20.0)])[0]
    turned = describe_places(judge, [SeenPlace(np.rot90(rgb).copy(), (399 - 180.5, 200.5), 20.0)])[0]
    assert np.allclose(upright, turned, rtol=2e-3, atol=2e-3)
    elsewhere = describe_places(judge, [SeenPlace(rgb, (180.5, 200.5), 20.0)])[0]
    assert not np.allclose(upright, elsewhere, rtol=2e-3, atol=2e-3)


def test_the_last_number_is_what_the_judge_makes_of_it(judge: Judge) -> None:
    """Of one plain colour all poses are one: the log-odds are those of the judge itself, as a search asks it."""
    rgb = np.full((400, 400, 3), 90, np.uint8)
    place = SeenPlace(rgb, (200.0, 200.0), 20.0)
    crops = cut_crops(build_pyramid(rgb, half=shrink(rgb)), np.array([place.place_px]), [0])
    with torch.inference_mode():
        inputs = make_judge_input(torch.from_numpy(crops), dtype=torch.float32)
        figures = judge.judge(judge.look(inputs), inputs, torch.zeros(1))
    assert describe_places(judge, [place])[0, -1] == pytest.approx(float(figures[0, JUDGED_LARVA]), abs=2e-3)


@pytest.mark.parametrize(
    "place",
    [
        SeenPlace(paint(1, 1), (0.0, 0.0), 1.0),
        SeenPlace(paint(24, 32), (12.0, 16.0), 30.0),
        SeenPlace(np.zeros((160, 160, 3), np.uint8), (80.0, 80.0), 0.0),
        SeenPlace(paint(), (-50.0, 900.0), 5_000.0),
    ],
    ids=["one pixel", "smaller than a crop", "black, no length", "outside, huge"],
)
def test_awkward_places_have_a_vector_too(judge: Judge, place: SeenPlace) -> None:
    """A picture of one pixel, a black one, a place outside: each is described, in finite numbers."""
    vector = describe_places(judge, [place])
    assert vector.shape == (1, judge.look_size + 1) and np.isfinite(vector.astype(np.float32)).all()
