"""The second judge: what its squares show, what it knows before it learns, and that it can learn at all."""

import numpy as np
import pytest
import torch

from models.efficientnet_lite import UNIT_CODES, ZERO_CODE, load_backbone
from models.network import ready_network
from models.patches import build_pyramid, cut_crops, shrink
from models.second_books import SecondBook, SecondLesson, SecondPage, judge_page
from models.second_course import build_second, round_second
from models.second_judge import (
    FEATURES,
    LOOK_SIZE,
    NEAR_PX,
    SECOND_FEEDING,
    SECOND_LARVA,
    WIDE_PX,
    SecondJudge,
    cut_squares,
    make_second_input,
)
from models.training import LearningPlan, learn

CPU = torch.device("cpu")
pytestmark = pytest.mark.usefixtures("one_thread")


def cut(rgb, place, level):
    return cut_squares(build_pyramid(rgb, half=shrink(rgb)), place, level)


def paint_squares(count, side, *, seed=0):
    return np.random.default_rng(seed).integers(0, 256, (count, side, side, 3), dtype=np.uint8)


def make_inputs(count, *, seed=0):
    return tuple(
        make_second_input(torch.from_numpy(paint_squares(count, side, seed=seed)), dtype=torch.float32)
        for side in (NEAR_PX, WIDE_PX)
    )


def make_page(near, wide, larva):
    """A page of places at level 0, of which no feeding is shown."""
    zeros = np.zeros(len(larva), np.int8)
    unsaid = np.zeros(len(larva), np.float32)
    return SecondPage(near, wide, zeros, np.array(larva, np.int8), zeros, unsaid, unsaid)


def find_white(square):
    """Middle (row, column) and side of the white body in a black square, in its elements."""
    light = square[..., 0].astype(float) / 255
    rows, columns = np.indices(light.shape)
    middle = [float((along * light).sum() / light.sum()) for along in (rows, columns)]
    return middle, float(np.sqrt(light.sum()))


@pytest.mark.parametrize("level", [0, 1, 2])
@pytest.mark.parametrize("place", [(320, 480), (333, 411), (306.5, 502.5)])
def test_a_body_lies_in_the_middle_of_both_squares(level, place):
    """About the middle of a body both squares show it in theirs: near at twice its level's size, wide at half of it."""
    rgb = np.zeros((640, 960, 3), np.uint8)
    side = 16 * 2**level + 1
    row, column = (int(value) - side // 2 for value in place)
    rgb[row : row + side, column : column + side] = 255
    middle = (row + side // 2, column + side // 2)
    near, wide = cut(rgb, middle, level)
    assert near.shape == (96, 96, 3) and wide.shape == (64, 64, 3)
    assert near.dtype == wide.dtype == np.uint8
    for square, element_px in ((near, 2**level / 2), (wide, 2 ** (level + 1))):
        seen, length = find_white(square)
        # A place is cut at whole elements of the level it is cut from, at level 0 at those of half the size.
        most_off = 1.01 if level == 0 and square is near else 0.51
        assert seen == pytest.approx([len(square) / 2 - 0.5] * 2, abs=most_off)
        assert length == pytest.approx(side / element_px, rel=0.03)


@pytest.mark.parametrize("level", [0, 1, 2])
def test_near_shows_what_the_judge_sees_nearby_twice_as_large(level):
    """Halved again, the near square is the judge's near crop of the same place; from level 1 on it is so to the code."""
    rows, columns = np.mgrid[:320, :480]
    wave = np.sin(rows / 7) + np.cos(columns / 9) + np.sin((rows + columns) / 11)
    rgb = np.repeat((128 + 40 * wave)[..., None], 3, axis=2).astype(np.uint8)
    place = (159.5, 239.5)  # on the grid of every level
    crop = cut_crops(build_pyramid(rgb, half=shrink(rgb)), np.array([place]), [level])[0, 0]
    halved = shrink(cut(rgb, place, level)[0])
    assert crop.std() > 20
    assert np.abs(halved.astype(int) - crop).max() <= (3 if level == 0 else 0)


@pytest.mark.parametrize("level", [0, 1, 2])
def test_at_a_corner_the_edge_goes_on(level):
    """About the first pixel of a picture its colour fills the first quarter of both squares, and the last shows the picture."""
    rgb = np.zeros((600, 600, 3), np.uint8)
    rgb[: 2 ** (level + 1), : 2 ** (level + 1)] = 200  # one element of the wide square
    for square in cut(rgb, (0.0, 0.0), level):
        half = len(square) // 2
        assert (square[:half, :half] == 200).all()
        assert (square[half + 8 :, half + 8 :] == 0).all()


@pytest.mark.parametrize("size", [(1, 1), (3, 2), (1, 40), (24, 32)])
def test_a_tiny_picture_fills_the_squares(size):
    """A picture smaller than any square, even of one pixel, goes on at its edges, about places in and beyond it."""
    rgb = np.full((*size, 3), 7, np.uint8)
    for level in (0, 1, 2):
        for place in ((0.0, 0.0), (size[0] / 2, size[1] / 2), (-90.0, 300.0)):
            near, wide = cut(rgb, place, level)
            assert near.shape == (96, 96, 3) and wide.shape == (64, 64, 3)
            assert (near == 7).all() and (wide == 7).all()


def test_squares_come_in_as_the_backbone_was_taught():
    """Codes become (code - 127) / 128, colours first, each in its place; none at all is an empty batch."""
    codes = paint_squares(2, 8)
    ready = make_second_input(torch.from_numpy(codes), dtype=torch.float32)
    assert ready.shape == (2, 3, 8, 8)
    assert np.allclose(ready.permute(0, 2, 3, 1).numpy(), (codes - np.float32(ZERO_CODE)) / UNIT_CODES)
    assert make_second_input(torch.zeros(0, 8, 8, 3, dtype=torch.uint8), dtype=torch.float32).shape == (
        (0, 3, 8, 8)
    )


def test_it_begins_with_the_very_features_of_imagenet():
    """Before it learns it sees in both squares what the published network gives at a sixteenth of the size, number for number."""
    judge, backbone = build_second(seed=0).eval(), load_backbone()
    judge.gather = torch.nn.Identity()
    expected = []
    for squares in make_inputs(2):
        features = backbone(squares)[3]
        side = squares.shape[2] // 16
        assert features.shape == (2, FEATURES, side, side)
        middle = features[:, :, side // 2 - 1 : side // 2 + 1, side // 2 - 1 : side // 2 + 1]
        expected += [features.mean(dim=(2, 3)), middle.mean(dim=(2, 3))]
    with torch.no_grad():
        assert torch.equal(judge.describe(*make_inputs(2)), torch.cat(expected, dim=1).relu())


def test_the_same_seed_gives_the_same_second_judge():
    """Two of one seed are equal, another seed gives another head, and torch's own generator stays as it was."""
    state = torch.random.get_rng_state()
    first, again, other = (build_second(seed=seed).state_dict() for seed in (1, 1, 2))
    assert all(torch.equal(first[name], again[name]) for name in first)
    taught = [name for name in first if not name.startswith(("gather.", "head."))]
    assert len(taught) > 100 and all(torch.equal(first[name], other[name]) for name in taught)
    assert not torch.equal(first["gather.weight"], other["gather.weight"])
    assert torch.equal(state, torch.random.get_rng_state())


def stir(judge):
    """Give its norms means and spreads of their own, so that fusing them away is a test."""
    judge.train()
    with torch.no_grad():
        for seed in range(2):
            judge(*make_inputs(4, seed=seed), torch.zeros(4))
    return judge.eval()


def test_readied_it_says_the_same():
    """With the norms fused away looks and figures are the same but for rounding, and no norm is left."""
    judge = stir(build_second(seed=0))
    ready = ready_network(judge, device=CPU, dtype=torch.float32)
    assert not any(isinstance(part, torch.nn.BatchNorm2d) for part in ready.modules())
    inputs, levels = make_inputs(5, seed=9), torch.tensor([0, 1, 2, 0, 1])
    with torch.inference_mode():
        looks, fused_looks = judge.describe(*inputs), ready.describe(*inputs)
        figures, fused = judge(*inputs, levels), ready(*inputs, levels)
    assert looks.shape == (5, LOOK_SIZE) and figures.shape == (5, 2)
    assert float(looks.std()) > 0.05 and float(figures.std()) > 0.01
    torch.testing.assert_close(fused_looks, looks, rtol=1e-3, atol=1e-3)
    torch.testing.assert_close(fused, figures, rtol=1e-3, atol=1e-3)


def test_the_level_is_told():
    """The same squares mean another thing at another level."""
    judge = build_second(seed=0).eval()
    with torch.inference_mode():
        looks = judge.describe(*make_inputs(1))
        low, high = (judge.judge(looks, torch.tensor([level])) for level in (0, 2))
    assert not torch.allclose(low, high)


def test_rounded_it_says_nearly_the_same():
    """Of weights in 16 bits the figures are within a hundredth, and what was rounded stays as it was itself."""
    judge = stir(build_second(seed=0))
    before = {name: tensor.clone() for name, tensor in judge.state_dict().items()}
    inputs, levels = make_inputs(3), torch.zeros(3)
    with torch.inference_mode():
        torch.testing.assert_close(
            round_second(judge).eval()(*inputs, levels), judge(*inputs, levels), atol=1e-2, rtol=0
        )
    assert all(torch.equal(before[name], tensor) for name, tensor in judge.state_dict().items())


def make_bodies(count, *, seed=0):
    """A page of mottled lit squares, of which the first half show a dark body in their middle."""
    rng = np.random.default_rng(seed)
    squares = []
    for side, body in ((NEAR_PX, 24), (WIDE_PX, 8)):
        lit = np.array([90, 175, 50]) + rng.normal(0, 8, (count, side, side, 3))
        middle = slice((side - body) // 2, (side + body) // 2)
        lit[: count // 2, middle, side // 2 - body // 6 : side // 2 + body // 6] *= 0.3
        squares.append(np.clip(lit, 0, 255).astype(np.uint8))
    return make_page(*squares, [1] * (count // 2) + [0] * (count - count // 2))


def make_lesson(page, batch):
    book = SecondBook(len(page.levels), device=CPU)
    book.take_up(page)
    return SecondLesson(book, batch)


def test_gradients_reach_every_layer():
    """The loss on one batch moves every weight of the second judge, the first layer of the backbone with the rest."""
    judge = build_second(seed=0).train()
    make_lesson(make_bodies(8), 8).measure_loss(judge, np.random.default_rng(0)).backward()
    for name, weight in judge.named_parameters():
        assert weight.grad is not None and bool(weight.grad.abs().max() > 0), name


def test_it_learns_eight_places_by_heart():
    """After some steps on eight places every larva is told from every other, from the squares as they are."""
    page = make_bodies(8)
    judge = build_second(seed=0)
    losses = []
    plan = LearningPlan(25, rate=2e-3, warm_steps=3)
    with torch.random.fork_rng(devices=[]):  # what is left out of the vector hangs on torch's own generator
        torch.manual_seed(0)
        learn(judge, make_lesson(page, 8), plan=plan, on_step=lambda step, loss: losses.append(loss))
    assert np.mean(losses[-5:]) < np.mean(losses[:5]) / 3
    said = judge_page(ready_network(judge, device=CPU, dtype=torch.float32), page, device=CPU)
    assert said[:4].min() > said[4:].max() + 1
    assert (said[:4] > 0).all() and (said[4:] < 0).all()


@pytest.fixture(scope="module")
def ready() -> SecondJudge:
    return ready_network(build_second(seed=0), device=CPU, dtype=torch.float32)


def test_a_page_is_judged_as_each_of_its_places(ready):
    """Whatever is judged at once, a place has the log-odds of the judge itself; a page without places has none."""
    page = make_page(paint_squares(5, NEAR_PX), paint_squares(5, WIDE_PX), [0] * 5)
    with torch.inference_mode():
        figures = ready(*make_inputs(5), torch.zeros(5)).numpy()
    for at_once in (1, 2, 256):
        said = judge_page(ready, page, device=CPU, at_once=at_once)
        assert said.shape == (5,) and said.dtype == np.float64
        np.testing.assert_allclose(said, figures[:, SECOND_LARVA], atol=1e-4)
    assert np.abs(figures[:, SECOND_LARVA] - figures[:, SECOND_FEEDING]).min() > 1e-3
    nothing = make_page(paint_squares(0, NEAR_PX), paint_squares(0, WIDE_PX), [])
    assert judge_page(ready, nothing, device=CPU, turns=8).shape == (0,)


def test_in_all_eight_ways_a_turned_place_is_the_same(ready):
    """As a mean over the eight ways to turn and mirror, a place says what it says turned or mirrored; in one way it does not."""
    near, wide = paint_squares(1, NEAR_PX), paint_squares(1, WIDE_PX)
    upright = make_page(near, wide, [0])
    turned, mirrored = (
        make_page(turn(near), turn(wide), [0])
        for turn in (
            lambda squares: np.rot90(squares, axes=(1, 2)).copy(),
            lambda squares: squares[:, :, ::-1].copy(),
        )
    )
    for other in (turned, mirrored):
        first, again = (judge_page(ready, page, device=CPU, turns=8) for page in (upright, other))
        assert first == pytest.approx(again, abs=1e-4)
        first, again = (judge_page(ready, page, device=CPU) for page in (upright, other))
        assert first != pytest.approx(again, abs=1e-4)
