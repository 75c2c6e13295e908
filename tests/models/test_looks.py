"""What a place looks like to the second judge: the same place, the same vector, whatever lies beside it in memory or picture."""

import numpy as np
import pytest
import torch

from models.looks import SeenPlace, describe_places
from models.network import ready_network
from models.patches import build_pyramid, shrink
from models.second_judge import (
    LOOK_SIZE,
    SECOND_LARVA,
    SecondJudge,
    cut_squares,
    load_second,
    make_second_input,
)

MANY = 5


@pytest.fixture(scope="module")
def judge() -> SecondJudge:
    return ready_network(load_second()[0], device=torch.device("cpu"), dtype=torch.float32)


def paint(rows: int = 400, columns: int = 420, *, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, (rows, columns, 3), dtype=np.uint8)


def test_no_place_gives_no_vector_of_the_right_length(judge: SecondJudge) -> None:
    """Nothing asked, nothing answered, and it can be joined with other answers."""
    assert describe_places(judge, []).shape == (0, LOOK_SIZE + 1)


def test_a_place_has_the_same_vector_in_whatever_company(judge: SecondJudge) -> None:
    """Alone, or with many others, a place has the same numbers, finite, as float16."""
    places = [SeenPlace(paint(seed=n), (200.0, 210.0), 10.0 + 12 * n) for n in range(MANY)]
    together = describe_places(judge, places)
    assert together.shape == (MANY, LOOK_SIZE + 1) and together.dtype == np.float16
    assert np.isfinite(together.astype(np.float32)).all()
    for number in (0, MANY // 2, MANY - 1):
        assert np.array_equal(describe_places(judge, [places[number]])[0], together[number])
    assert len({vector.tobytes() for vector in together}) == len(places)


def test_a_piece_of_a_picture_looks_like_its_place_in_the_whole(judge: SecondJudge) -> None:
    """Cut out with more room than the wide square takes, a place has the very vector that it has in the whole frame."""
    frame = paint(640, 960)
    whole = describe_places(judge, [SeenPlace(frame, (320.0, 480.0), 20.0)])
    piece = describe_places(judge, [SeenPlace(frame[160:480, 320:640], (160.0, 160.0), 20.0)])
    assert np.array_equal(whole, piece)


def test_a_turned_picture_looks_the_same(judge: SecondJudge) -> None:
    """A quarter turn of the picture changes neither the vector nor the log-odds, beyond rounding of codes and to bfloat16."""
    rgb = paint(400, 400)
    upright = describe_places(judge, [SeenPlace(rgb, (199.5, 179.5), 20.0)])[0]
    turned = describe_places(judge, [SeenPlace(np.rot90(rgb).copy(), (399 - 179.5, 199.5), 20.0)])[0]
    assert np.allclose(upright, turned, rtol=4e-2, atol=4e-2)
    elsewhere = describe_places(judge, [SeenPlace(rgb, (179.5, 199.5), 20.0)])[0]
    assert not np.allclose(upright, elsewhere, rtol=4e-2, atol=4e-2)


def test_the_last_number_is_what_the_judge_makes_of_it(judge: SecondJudge) -> None:
    """Of one plain colour all poses of a small body are one: the log-odds are those of the second judge itself."""
    rgb = np.full((400, 400, 3), 90, np.uint8)
    place = SeenPlace(rgb, (200.0, 200.0), 20.0)
    squares = cut_squares(build_pyramid(rgb, half=shrink(rgb)), place.place_px, 0)
    with torch.inference_mode():
        near, wide = (
            make_second_input(torch.from_numpy(square)[None], dtype=torch.float32) for square in squares
        )
        figures = judge(near, wide, torch.zeros(1))
    assert describe_places(judge, [place])[0, -1] == pytest.approx(float(figures[0, SECOND_LARVA]), abs=5e-3)


def test_larger_bodies_are_looked_at_in_two_sizes(
    judge: SecondJudge, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A body of 40 px, cut from the next level, is looked at once more from the finest; one of 20 px in one size alone."""
    seen: list[int] = []
    ask = SecondJudge.judge

    def note(self: SecondJudge, looks: torch.Tensor, levels: torch.Tensor) -> torch.Tensor:
        seen.extend(levels.tolist())
        return ask(self, looks, levels)

    monkeypatch.setattr(SecondJudge, "judge", note)
    describe_places(judge, [SeenPlace(paint(), (200.0, 210.0), 40.0)])
    assert (seen.count(1), seen.count(0)) == (24, 8)
    seen.clear()
    describe_places(judge, [SeenPlace(paint(), (200.0, 210.0), 20.0)])
    assert (seen.count(1), seen.count(0)) == (0, 24)


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
def test_awkward_places_have_a_vector_too(judge: SecondJudge, place: SeenPlace) -> None:
    """A picture of one pixel, a black one, a place outside: each is described, in finite numbers."""
    vector = describe_places(judge, [place])
    assert vector.shape == (1, LOOK_SIZE + 1) and np.isfinite(vector.astype(np.float32)).all()
