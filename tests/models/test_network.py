"""The network pair: its shapes, its peaks, and weights that are kept, checked and refused."""

import json
from dataclasses import replace

import numpy as np
import pytest
import torch

from models.cards import (
    Calibration,
    ModelCard,
    TrackCalibration,
    WeightsError,
    find_card_path,
    load_weights,
    save_weights,
)
from models.network import (
    FEEDING,
    LARVA,
    LENGTH,
    REFERENCE_PX,
    NetworkConfig,
    build_pair,
    find_peaks,
    look_over,
    ready_pair,
    round_weights,
    seek,
)
from models.patches import CROP_PX, make_judge_input

CPU = torch.device("cpu")
SMALL = NetworkConfig((4, 8, 8, 8), (1, 1, 1), (4, 8, 8, 12), (1, 1, 1), (4, 8, 8), (1, 1), 12, (8, 4))
CARD = ModelCard(
    "test",
    "2026-11-25",
    "Apache-2.0",
    {},
    "",
    Calibration(1.0, 0.0),
    Calibration(1.0, 0.0),
    TrackCalibration(0.0, 1.0, 0.0, 0.0),
    {},
    {},
    ("a test",),
)


def make_half(rows=96, columns=120, seed=0):
    return np.random.default_rng(seed).integers(0, 256, (rows, columns, 3), dtype=np.uint8)


def make_maps(rows, columns, spots):
    """Maps that are -9 everywhere but at spots of (row, column, log-odds, length)."""
    maps = torch.full((3, rows, columns), -9.0)
    maps[LENGTH] = 0
    for row, column, log_odds, length_px in spots:
        maps[LARVA, row, column] = log_odds
        maps[LENGTH, row, column] = np.log2(length_px / REFERENCE_PX)
    return maps


def judge_crops(pair, count=5):
    crops = np.random.default_rng(1).integers(0, 256, (count, 2, CROP_PX, CROP_PX, 3), dtype=np.uint8)
    with torch.inference_mode():
        inputs = make_judge_input(torch.from_numpy(crops), dtype=torch.float32)
        features = pair.judge.look(inputs)
        return pair.judge.judge(features, inputs, torch.zeros(count)), pair.judge.outline(features)


def test_the_same_seed_gives_the_same_weights_and_leaves_torch_alone():
    """Two pairs of one seed are equal, of another seed are not, and torch's own random state is as before."""
    torch.manual_seed(7)
    before = torch.random.get_rng_state()
    first, second, third = (build_pair(SMALL, seed=seed) for seed in (3, 3, 4))
    assert torch.equal(torch.random.get_rng_state(), before)
    for name, weights in first.judge.state_dict().items():
        assert torch.equal(weights, second.judge.state_dict()[name])
    assert not torch.equal(first.seeker.maps.weight, third.seeker.maps.weight)


def test_maps_have_one_value_for_each_cell_also_of_odd_pictures():
    """A half-size picture of any size gives maps of whole grids of 4 x 4 cells of 8 px."""
    pair = ready_pair(build_pair(SMALL, seed=0), device=CPU, dtype=torch.float32)
    assert look_over(pair.seeker, make_half(96, 112)).shape == (3, 24, 28)
    assert look_over(pair.seeker, make_half(1, 3)).shape == (3, 4, 4)
    assert look_over(pair.seeker, make_half(97, 121)).shape == (3, 28, 32)


def test_a_ready_pair_says_what_the_trained_one_says():
    """Fusing batch norm changes no figure by more than rounding."""
    pair = build_pair(SMALL, seed=0)
    with torch.no_grad():
        for block in pair.judge.modules():
            if isinstance(block, torch.nn.BatchNorm2d):
                block.running_mean.uniform_(-0.5, 0.5)
                block.running_var.uniform_(0.5, 2.0)
                block.weight.uniform_(0.5, 1.5)
    pair.judge.eval()
    ready = ready_pair(pair, device=CPU, dtype=torch.float32)
    for expected, found in zip(judge_crops(pair), judge_crops(ready), strict=True):
        assert torch.allclose(expected, found, atol=1e-4)


def test_half_precision_changes_a_score_little():
    """With bfloat16 the judge's chance differs by less than .03 from float32's, so results agree across processors."""
    pair = build_pair(NetworkConfig(), seed=0)
    pair.judge.eval()
    exact = torch.sigmoid(judge_crops(ready_pair(pair, device=CPU, dtype=torch.float32))[0][:, 0])
    crops = np.random.default_rng(1).integers(0, 256, (5, 2, CROP_PX, CROP_PX, 3), dtype=np.uint8)
    rough_pair = ready_pair(pair, device=CPU, dtype=torch.bfloat16)
    with torch.inference_mode():
        inputs = make_judge_input(torch.from_numpy(crops), dtype=torch.bfloat16)
        figures = rough_pair.judge.judge(rough_pair.judge.look(inputs), inputs, torch.zeros(5))
    assert float((torch.sigmoid(figures[:, 0].float()) - exact).abs().max()) < 0.03


@pytest.mark.skipif(not torch.cuda.is_available(), reason="no GPU here")
def test_a_gpu_says_what_the_cpu_says():
    """The judge's chance on a GPU differs by less than .01 from the CPU's."""
    pair = build_pair(NetworkConfig(), seed=0)
    half = make_half()
    maps = [
        look_over(ready_pair(pair, device=torch.device(name), dtype=torch.float32).seeker, half).cpu()
        for name in ("cpu", "cuda")
    ]
    assert torch.allclose(torch.sigmoid(maps[0][LARVA]), torch.sigmoid(maps[1][LARVA]), atol=0.01)


def test_no_peak_gives_no_proposal():
    """A map below the floor everywhere names nothing."""
    found = find_peaks(make_maps(10, 12, []), (40, 48), channel=LARVA, most=5, floor=-5)
    assert found.places_px.shape == (0, 2)
    assert len(found.log_odds) == len(found.lengths_px) == 0


def test_one_peak_is_named_in_its_cell_with_its_length():
    """A single cell above the floor is one place, in the middle of its 8 px, as long as the map says."""
    found = find_peaks(make_maps(10, 12, [(4, 7, 2.0, 24.0)]), (40, 48), channel=LARVA, most=5, floor=-5)
    assert found.places_px == pytest.approx(np.array([[4 * 8 + 3.5, 7 * 8 + 3.5]]), abs=0.05)
    assert found.lengths_px == pytest.approx([24.0])
    assert found.log_odds == pytest.approx([2.0])


def test_two_touching_cells_are_one_place_between_them():
    """Two neighbours of nearly one height are one place, drawn towards the lower; two cells apart they are two places."""
    close = find_peaks(
        make_maps(10, 12, [(4, 7, 2.0, 16), (4, 8, 1.9, 16)]), (40, 48), channel=LARVA, most=5, floor=-5
    )
    assert len(close.log_odds) == 1
    assert close.places_px[0] == pytest.approx([35.5, 63.5], abs=0.6)
    apart = find_peaks(
        make_maps(10, 12, [(4, 7, 2.0, 16), (4, 9, 1.9, 16)]), (40, 48), channel=LARVA, most=5, floor=-5
    )
    assert len(apart.log_odds) == 2
    assert list(apart.log_odds) == sorted(apart.log_odds, reverse=True)


def test_only_the_best_are_named():
    """Of many peaks the best come, best first, and no more than asked for."""
    spots = [(2 * n, 3, float(n), 16.0) for n in range(5)]
    found = find_peaks(make_maps(10, 12, spots), (40, 48), channel=LARVA, most=2, floor=-5)
    assert list(found.log_odds) == [4.0, 3.0]


def test_nothing_is_named_in_the_padding():
    """A peak in cells that only padding filled is not a place of the picture."""
    found = find_peaks(make_maps(10, 12, [(9, 11, 3.0, 16.0)]), (30, 40), channel=LARVA, most=5, floor=-5)
    assert len(found.log_odds) == 0


def test_seeking_is_the_same_every_time():
    """The same picture gives the same places and log-odds, bit for bit."""
    pair = ready_pair(build_pair(SMALL, seed=0), device=CPU, dtype=torch.float32)
    first, second = (seek(pair.seeker, make_half(), channel=FEEDING, most=9, floor=-20) for _ in range(2))
    assert np.array_equal(first.places_px, second.places_px)
    assert np.array_equal(first.log_odds, second.log_odds)


def test_kept_weights_give_the_same_scores(tmp_path):
    """A pair that was saved and loaded says exactly what it said before, and the card knows the file's hash."""
    pair = build_pair(SMALL, seed=5)
    path = tmp_path / "with umlauts ü" / "pair.pt"
    card = save_weights(path, pair, CARD)
    loaded, read = load_weights(path)
    assert read == card
    assert len(card.weights_sha256) == 64
    pair.judge.eval()
    loaded.judge.eval()
    for expected, found in zip(judge_crops(pair), judge_crops(loaded), strict=True):
        assert torch.equal(expected, found)
    assert [p.name for p in sorted(path.parent.iterdir())] == ["pair.json", "pair.pt"]


def test_rounded_weights_take_two_bytes_less_each_and_say_nearly_the_same(tmp_path):
    """Rounded to 16 bits each weight takes two bytes less and is read back bit by bit; log-odds move by under .02."""
    pair = build_pair(SMALL, seed=5)
    rounded = round_weights(pair)
    save_weights(tmp_path / "whole.pt", pair, CARD)
    save_weights(tmp_path / "rounded.pt", rounded, CARD)
    whole_bytes, rounded_bytes = ((tmp_path / name).stat().st_size for name in ("whole.pt", "rounded.pt"))
    weights = [some for half in (pair.seeker, pair.judge) for some in half.parameters() if some.ndim > 1]
    assert whole_bytes - rounded_bytes >= 1.9 * sum(some.numel() for some in weights)
    loaded, _ = load_weights(tmp_path / "rounded.pt")
    for some in (pair, rounded, loaded):
        some.judge.eval()
    whole, kept, read = (judge_crops(some) for some in (pair, rounded, loaded))
    for expected, found in zip(kept, read, strict=True):
        assert torch.equal(expected, found)
    assert any(not torch.equal(one, other) for one, other in zip(whole, kept, strict=True))
    assert all(float((one - other).abs().max()) < 0.02 for one, other in zip(whole, kept, strict=True))


def cut_off(path):
    path.write_bytes(path.read_bytes()[:1000])


def put_foreign(path):
    torch.save({"something": torch.zeros(3)}, path)
    change_card(path, weights_sha256=hash_of(path))


def put_text(path):
    path.write_bytes(b"no weights at all")
    change_card(path, weights_sha256=hash_of(path))


def put_other_shape(path):
    card = json.loads(find_card_path(path).read_text(encoding="utf-8"))
    change_card(path, config={**card["config"], "seeker_widths": [8, 8, 8, 12]})


def put_unknown_shape(path):
    change_card(path, config={"layers": 3})


def put_other_format(path):
    change_card(path, format="someone-elses")


def put_incomplete_card(path):
    change_card(path, larva={"slope": 1.0})


def put_broken_card(path):
    find_card_path(path).write_text("{", encoding="utf-8")


def hash_of(path):
    import hashlib

    return hashlib.sha256(path.read_bytes()).hexdigest()


def change_card(path, **values):
    card = json.loads(find_card_path(path).read_text(encoding="utf-8"))
    find_card_path(path).write_text(json.dumps({**card, **values}), encoding="utf-8")


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (cut_off, "cut off or another file"),
        (put_foreign, "holds no weights of this network"),
        (put_text, "holds no weights of this network"),
        (put_other_shape, "holds no weights of this network"),
        (put_unknown_shape, "shape cannot be read"),
        (put_other_format, "is no model card"),
        (put_incomplete_card, "card is incomplete"),
        (put_broken_card, "cannot be read as a model card"),
        (lambda path: path.unlink(), "cannot be read as weights"),
        (lambda path: find_card_path(path).unlink(), "cannot be read as a model card"),
    ],
)
def test_weights_that_cannot_be_used_are_refused_in_one_line(tmp_path, spoil, said):
    """Cut off, foreign, changed or missing files end in one line that names file, expected, found and what to do."""
    path = tmp_path / "pair.pt"
    save_weights(path, build_pair(SMALL, seed=5), CARD)
    spoil(path)
    with pytest.raises(WeightsError, match=said) as caught:
        load_weights(path)
    message = str(caught.value)
    assert str(tmp_path) in message
    assert "expected" in message and "found" in message and "\n" not in message


def test_weights_never_run_code(tmp_path):
    """A pickled call in place of weights is refused, not run."""
    path = tmp_path / "pair.pt"
    save_weights(path, build_pair(SMALL, seed=5), CARD)
    trap = tmp_path / "sprung"

    class Trap:
        def __reduce__(self):
            return (open, (str(trap), "w"))

    torch.save(Trap(), path)
    change_card(path, weights_sha256=hash_of(path))
    with pytest.raises(WeightsError, match="holds no weights"):
        load_weights(path)
    assert not trap.exists()


def test_a_card_tells_what_it_was_given(tmp_path):
    """Data, numbers and limits come back as they were written."""
    card = replace(CARD, data={"drawn": {"pictures": 3}}, numbers={"ap": 0.5}, limits=("one", "two"))
    path = tmp_path / "pair.pt"
    save_weights(path, build_pair(SMALL, seed=5), card)
    read = load_weights(path)[1]
    assert (read.data, read.numbers, read.limits) == (card.data, card.numbers, card.limits)


def test_a_card_written_before_there_was_a_gain_lengthens_nothing(tmp_path):
    """The gain of lengths comes back as written; a card without one is read as 1, one that is no number is refused."""
    path = tmp_path / "pair.pt"
    save_weights(path, build_pair(SMALL, seed=5), replace(CARD, length_gain=1.08))
    assert load_weights(path)[1].length_gain == 1.08
    card_path = find_card_path(path)
    body = json.loads(card_path.read_text())
    del body["length_gain"]
    card_path.write_text(json.dumps(body))
    assert load_weights(path)[1].length_gain == 1.0
    card_path.write_text(json.dumps({**body, "length_gain": "long"}))
    with pytest.raises(WeightsError, match="incomplete"):
        load_weights(path)
