"""Learning on from labels: only what was judged is taught, a stop changes nothing, and two pairs are compared by whole trees."""

import hashlib
import multiprocessing
import os
import signal
import sys
import threading
import time
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
import torch
from scipy.stats import mannwhitneyu

import models.drawn_stocks as drawn_stocks
import models.finetuning as finetuning
from models.canopy.truth import FrameTruth, find_truth_path, read_truth
from models.cards import DEFAULT_WEIGHTS, Calibration, load_weights
from models.drawn_stocks import StockOrder, draw_stocks, list_drawn
from models.errors import ModelsError
from models.examples import LEAST_LABELLED_PX, Example, PictureLabel, Source, read_picture, read_source
from models.finetuning import FinetuningPlan, choose_steps, finetune
from models.judge_books import guess_places, make_page
from models.label_comparison import JudgedThing, compare_labels, score_labels
from models.labels import LabelledImage, LabelMark, choose_split, find_answer
from models.lessons import MixedLesson
from models.network import FEEDING, LARVA, NetworkConfig, Proposals, build_pair
from models.patches import shrink
from models.seeker_lessons import SeekerLesson, make_seeker_book, prepare_example
from models.training import list_sources
from tests.models.made_examples import write_example

CPU = torch.device("cpu")
SMALL = NetworkConfig((8, 12, 16, 16), (1, 1, 1), (8, 12, 16, 24), (1, 1, 1), (4, 8, 8), (1, 1), 24, (8, 8))
SIDE = 160
BODY = np.float32([[76, 68], [76, 92], [84, 92], [84, 68]])
"""A body in the middle of a picture, 24 px long, its own middle at (80, 80)."""


@pytest.fixture(autouse=True)
def small_batches(monkeypatch, one_thread):
    """Batches are small, for time, and sums come in one order."""
    monkeypatch.setattr(finetuning, "SEEKER_BATCHES", (1, 3))
    monkeypatch.setattr(finetuning, "JUDGE_BATCHES", (8, 8))


def paint(seed, *, has_body=True):
    """A mottled lit leaf, uint8 (160, 160, 3), with a dark body in its middle."""
    rng = np.random.default_rng(seed)
    rgb = np.clip(np.array([80, 170, 40]) + rng.normal(0, 9, (SIDE, SIDE, 3)), 0, 255).astype(np.uint8)
    if has_body:
        cv2.ellipse(rgb, (80, 80), (12, 4), 0, 0, 360, (18, 30, 12), -1, cv2.LINE_AA)
    return rgb


def label(folder, seed, *, marks=(), dismissed=(), tree="OTTERHOLT/OT03", day=None, rgb=None):
    """A labelled picture on disk as a source."""
    done, data = cv2.imencode(".jpg", (paint(seed) if rgb is None else rgb)[..., ::-1])
    assert done
    sha256 = hashlib.sha256(data.tobytes()).hexdigest()
    path = folder / f"{sha256}.jpg"
    path.write_bytes(data.tobytes())
    day = day or date(2026, 5, 17)
    image = LabelledImage(
        picture=sha256,
        size_px=(SIDE, SIDE),
        marks=tuple(marks),
        answer=find_answer(marks),
        source="verdict",
        reviewer="Maren",
        labelled_at=datetime(2026, 5, 17, 20, tzinfo=UTC),
        split=choose_split(tree=tree, day=day, clip=""),
        tree=tree,
        date=day,
    )
    return Source(path, "labelled", 0, PictureLabel(image, tuple(dismissed)))


def test_marks_move_with_the_mirrored_edge(tmp_path):
    """A labelled picture is mirrored outwards, and its larva lies where its outline then says, dark on lit leaf."""
    example = read_source(label(tmp_path, 1, marks=[LabelMark(BODY, "larva", "L4")]))
    assert example.rgb.shape == (LEAST_LABELLED_PX, LEAST_LABELLED_PX, 3)
    (mark,) = example.truth.larvae
    row, column = (mark.box[0] + mark.box[2]) // 2, (mark.box[1] + mark.box[3]) // 2
    assert example.rgb[row, column, 1] < 60 < example.rgb[row + 20, column, 1]
    assert mark.length_px == pytest.approx(24, abs=0.1)
    inner = (LEAST_LABELLED_PX - SIDE) // 2
    assert np.array_equal(example.rgb[inner, inner:-inner], example.rgb[inner - 1, inner:-inner])


def make_named(*places):
    return Proposals(
        np.array(places, np.float64), np.zeros(len(places), np.float32), np.full(len(places), 24, np.float32)
    )


@pytest.mark.parametrize(("is_larva", "told"), [(True, 1), (False, 0)])
def test_only_what_was_judged_is_taught_to_the_judge(tmp_path, is_larva, told):
    """Of places named in a labelled picture those on the judged thing are kept, with what was said; all others are dropped."""
    mark = LabelMark(BODY, "larva")
    source = label(tmp_path, 1, **({"marks": [mark]} if is_larva else {"dismissed": [mark]}))
    middle = (LEAST_LABELLED_PX - 1) / 2 + 0.5
    page = make_page(
        read_source(source),
        [make_named((middle, middle), (middle + 60, middle), (20, 300))],
        np.random.default_rng(0),
        is_jittered=False,
    )
    assert page.larva.tolist() == [told]
    assert page.feeding.tolist() == [-1]
    assert len(page.masks) == told
    jittered = make_page(
        read_source(source), [make_named((20, 300))], np.random.default_rng(0), is_jittered=True
    )
    assert set(jittered.larva.tolist()) <= {told}
    assert len(jittered.larva)


def test_a_picture_looked_through_teaches_nothing_everywhere(tmp_path):
    """A label without any mark says that no place in the picture is a larva."""
    page = make_page(
        read_source(label(tmp_path, 2)),
        [make_named((100, 100), (20, 300))],
        np.random.default_rng(0),
        is_jittered=False,
    )
    assert page.larva.tolist() == [0, 0]


class Shouting(torch.nn.Module):
    """A seeker that is quite sure of what it is told to be sure of, and says nothing elsewhere."""

    def __init__(self, near, far):
        super().__init__()
        self.near, self.far = near, far

    def forward(self, pictures):
        grey = torch.nn.functional.avg_pool2d(pictures.mean(dim=1, keepdim=True), 4)
        low, usual = grey.amin(dim=(2, 3), keepdim=True), grey.mean(dim=(2, 3), keepdim=True)
        spot = torch.nn.functional.max_pool2d((grey < (low + usual) / 2).float(), 5, stride=1, padding=2)
        maps = torch.zeros(len(pictures), 3, *spot.shape[2:])
        maps[:, LARVA] = torch.where(spot[:, 0] > 0, self.near, self.far)
        maps[:, FEEDING] = -20.0
        return maps


def test_the_seeker_is_told_nothing_of_what_nobody_judged(tmp_path):
    """To be sure of a larva beside a dismissed thing costs nothing; to be sure of one on it costs much."""
    source = label(tmp_path, 3, dismissed=[LabelMark(BODY, "larva")])
    lesson = SeekerLesson(make_seeker_book([prepare_example(read_source(source))], device=CPU), 6, side=128)
    on_it, beside, neither = (
        float(lesson.measure_loss(Shouting(near, far), np.random.default_rng(4)))
        for near, far in ((8.0, -20.0), (-20.0, 8.0), (-20.0, -20.0))
    )
    assert on_it > 10
    assert beside == pytest.approx(neither, abs=0.1)


def test_a_changed_picture_is_not_learned_from(tmp_path):
    """Bytes other than those labelled, a missing file, and a size other than the label's are refused by name."""
    source = label(tmp_path, 1, marks=[LabelMark(BODY, "larva")])
    wrong = replace(source.label.image, size_px=(SIDE, SIDE + 1))
    with pytest.raises(ModelsError, match="expected a picture of 160 x 161 px, found 160 x 160"):
        read_source(replace(source, label=PictureLabel(wrong)))
    source.path.write_bytes(source.path.read_bytes() + b"0")
    with pytest.raises(ModelsError, match="it was changed since"):
        read_source(source)
    source.path.unlink()
    with pytest.raises(ModelsError, match="put it back from a copy"):
        read_source(source)


def draw(folder, count=3):
    """A few drawn examples on disk as sources."""
    folder.mkdir()
    for seed in range(count):
        example = Example("leaf", paint(seed + 50, has_body=False), FrameTruth(0, 0.0, (), ()))
        write_example(folder, seed, example)
    return list_sources(folder, (), seed=0)


def list_labels(folder, *, count=4):
    """Larvae and dismissed things in turn, each on a tree and date of its own."""
    mark = LabelMark(BODY, "larva")
    return [
        label(
            folder,
            seed,
            day=date(2026, 5, 1 + seed),
            rgb=paint(seed),
            **({"marks": [mark]} if seed % 2 else {"dismissed": [mark]}),
        )
        for seed in range(count)
    ]


def assert_same(first, second):
    for one, other in ((first.seeker, second.seeker), (first.judge, second.judge)):
        states = one.state_dict(), other.state_dict()
        assert all(torch.equal(states[0][name], states[1][name]) for name in states[0])


@pytest.mark.parametrize("half", ["seeker", "judge"])
def test_stopped_in_either_half_it_goes_on_to_the_same_weights(tmp_path, monkeypatch, half):
    """Stopped between two checkpoints and asked again, a fine-tuning ends in the very weights of one that never stopped."""
    monkeypatch.setattr(finetuning, "KEEP_EVERY", 2)
    drawn, labelled = draw(tmp_path / "drawn"), list_labels(tmp_path)
    start, plan = build_pair(SMALL, seed=1), FinetuningPlan(5, seed=3, rate=1e-3)
    whole = finetune(start, drawn, labelled, plan=plan, device=CPU)

    class Stopped(Exception):
        pass

    def stop(what, done):
        if (what, done) == (half, 4):
            raise Stopped

    folder = tmp_path / "work"
    folder.mkdir()
    with pytest.raises(Stopped):
        finetune(start, drawn, labelled, plan=plan, device=CPU, folder=folder, on_step=stop)
    asked = []
    again = finetune(
        start, drawn, labelled, plan=plan, device=CPU, folder=folder, on_step=lambda *step: asked.append(step)
    )
    assert_same(again, whole)
    assert asked[:2] == [("seeker", 0), (half, 3) if half == "seeker" else ("seeker", 5)]
    assert ("judge", 0) in asked  # its pictures are prepared, which takes a while and is shown
    assert not torch.equal(whole.judge.mask.weight, start.judge.mask.weight)


def test_norms_stay_as_they_were(tmp_path):
    """Learning on leaves the means and spreads that the batch norms measured in the first course."""
    start = build_pair(SMALL, seed=1)
    learned = finetune(
        start, draw(tmp_path / "drawn"), list_labels(tmp_path), plan=FinetuningPlan(2), device=CPU
    )
    for name, value in learned.seeker.state_dict().items():
        if "running" in name or "tracked" in name:
            assert torch.equal(value, start.seeker.state_dict()[name]), name


def test_learning_tells_larvae_from_what_was_dismissed(tmp_path):
    """Taught for a while that dark bodies are larvae and bare leaf is none, a pair ranks pictures of others that way."""
    mark = LabelMark(BODY, "larva")

    def show(seeds):
        return [
            label(
                tmp_path,
                seed,
                day=date(2026, 5, 1 + seed % 9),
                rgb=paint(seed, has_body=bool(seed % 2)),
                **({"marks": [mark]} if seed % 2 else {"dismissed": [mark]}),
            )
            for seed in seeds
        ]

    start = build_pair(SMALL, seed=1)
    plan = FinetuningPlan(25, rate=5e-3)
    learned = finetune(start, draw(tmp_path / "drawn", 2), show(range(12)), plan=plan, device=CPU)
    held_out = show(range(100, 112))
    flat = Calibration(1.0, 0.0, 1.0)
    old, new = (score_labels(pair, flat, held_out, device=CPU) for pair in (start, learned))
    found = compare_labels(old, new, seed=0)
    assert (found.larvae, found.others) == (6, 6)
    assert found.new > 0.95 and found.new >= found.old


def test_a_loss_that_is_no_number_ends_the_training(tmp_path):
    """Weights that ran off to infinity are not gone on with; the message says that nothing was changed."""
    start = build_pair(SMALL, seed=1)
    start.seeker.maps.bias.data[:] = float("nan")
    with pytest.raises(ModelsError, match=r"expected a loss that is a number.*nothing was changed"):
        finetune(start, draw(tmp_path / "drawn"), list_labels(tmp_path), plan=FinetuningPlan(2), device=CPU)


def test_mixed_lessons_weigh_as_told():
    """The loss of a mixed lesson is the weighted sum of its parts."""

    class Fixed:
        def __init__(self, loss):
            self.loss = loss

        def measure_loss(self, network, rng):
            return torch.tensor(self.loss)

    mixed = MixedLesson(((0.25, Fixed(4.0)), (0.75, Fixed(8.0))))
    assert float(mixed.measure_loss(torch.nn.Identity(), np.random.default_rng(0))) == 7.0


def test_a_picture_looked_through_counts_once(tmp_path):
    """A picture looked through is one thing that is no larva, scored by its best place; feeding alone is not asked about."""
    sources = [
        label(tmp_path, 1),
        label(tmp_path, 2, dismissed=[LabelMark(BODY, "feeding")]),
        label(tmp_path, 3, marks=[LabelMark(BODY, "larva")]),
    ]
    pair = build_pair(SMALL, seed=1)
    pair.seeker.maps.bias.data[LARVA] = 0.0
    things = score_labels(pair, Calibration(1.0, 0.0, 1.0), sources, device=CPU)
    assert [thing.is_larva for thing in things] == [False, True]
    assert all(0 < thing.chance < 1 for thing in things)
    assert score_labels(pair, Calibration(1.0, 0.0), [], device=CPU) == []


SAMPLE = Path(__file__).parents[2] / "sample_frames"


def test_the_programs_own_weights_score_the_sample(tmp_path):
    """On the drawn sample the program's weights put most larvae before other dark places, shown as pictures of single things."""
    pair, card = load_weights(DEFAULT_WEIGHTS)
    sources = []
    for path in sorted(SAMPLE.glob("*.jpg")):
        rgb = read_picture(path)
        marks = read_truth(find_truth_path(path)).frames[0].larvae
        larvae = np.array([np.mean(mark.outline, axis=0) for mark in marks])
        dark = guess_places(shrink(rgb), np.random.default_rng(0), dark=20, others=0).places_px
        away = dark[np.hypot(*(dark[:, None] - larvae[None]).transpose(2, 0, 1)).min(axis=1) > 60]
        things = [(mark.outline, True) for mark in marks]
        things += [((BODY - 80 + place).astype(np.float32), False) for place in away]
        for number, (outline, is_larva) in enumerate(things):
            corner = np.clip(outline.mean(axis=0).astype(int) - SIDE // 2, 0, np.array(rgb.shape[:2]) - SIDE)
            piece = rgb[corner[0] : corner[0] + SIDE, corner[1] : corner[1] + SIDE]
            mark = LabelMark(np.clip(outline - corner, -0.5, SIDE - 0.5), "larva")
            said = {"marks": [mark]} if is_larva else {"dismissed": [mark]}
            sources.append(label(tmp_path, number, rgb=piece, tree=f"OTTERHOLT/{path.stem}", **said))
    things = score_labels(pair, card.larva, sources, device=CPU)
    found = compare_labels(things, things, seed=0)
    assert found.larvae == 17 and found.others > 20 and found.groups == 3
    assert found.old > 0.8


def make_things(chances, is_larva, groups):
    return [
        JudgedThing(f"OT{group:02d}", bool(larva), float(chance))
        for chance, larva, group in zip(chances, is_larva, groups, strict=True)
    ]


def test_the_share_is_that_of_mann_and_whitney():
    """The pairwise share of right orders is U over the number of pairs, ties as half, as scipy counts it."""
    rng = np.random.default_rng(5)
    is_larva, groups = rng.random(80) < 0.4, rng.integers(0, 9, 80)
    old, new = np.round(rng.random(80), 1), np.round(rng.random(80) + 0.3 * is_larva, 1)
    found = compare_labels(make_things(old, is_larva, groups), make_things(new, is_larva, groups), seed=1)
    for share, chances in ((found.old, old), (found.new, new)):
        u = mannwhitneyu(chances[is_larva], chances[~is_larva]).statistic
        assert share == pytest.approx(u / (is_larva.sum() * (~is_larva).sum()))
    assert found.low <= found.new - found.old <= found.high
    again = compare_labels(make_things(old, is_larva, groups), make_things(new, is_larva, groups), seed=1)
    assert again == found


def test_the_same_scores_differ_by_nothing_and_better_ones_by_something():
    """Weights compared with themselves give limits of 0 and 0; ones that are right everywhere have both limits above 0."""
    rng = np.random.default_rng(6)
    is_larva, groups = np.arange(60) % 2 == 0, np.arange(60) // 6
    old = make_things(rng.random(60), is_larva, groups)
    same = compare_labels(old, old, seed=0)
    assert (same.low, same.high) == (0, 0)
    better = compare_labels(old, make_things(is_larva, is_larva, groups), seed=0)
    assert better.new == 1 and better.low > 0


def test_pictures_of_one_tree_are_drawn_together():
    """Where all that is better stands on one tree of many alike, drawing trees gives wider limits than drawing pictures."""
    is_larva = np.tile([True, False], 40)
    groups = np.repeat(np.arange(8), 10)
    old = np.where(groups % 2 == 0, is_larva, ~is_larva).astype(float)
    new = is_larva.astype(float)
    by_tree = compare_labels(make_things(old, is_larva, groups), make_things(new, is_larva, groups), seed=0)
    single = np.arange(80)
    by_picture = compare_labels(
        make_things(old, is_larva, single), make_things(new, is_larva, single), seed=0
    )
    assert by_tree.high - by_tree.low > 1.5 * (by_picture.high - by_picture.low)


def test_what_cannot_be_compared_is_refused():
    """Other things, or things of one kind only, end in a message."""
    things = make_things([0.1, 0.9], [False, True], [1, 2])
    with pytest.raises(ModelsError, match="same judged things"):
        compare_labels(things, things[:1], seed=0)
    with pytest.raises(ModelsError, match="found 1 larvae of 1"):
        compare_labels(things[1:], things[1:], seed=0)


def test_steps_fit_the_time_within_bounds():
    """As many whole checkpoints as fit, never fewer or more than is sensible."""
    assert choose_steps(6.0, minutes=39) == 375
    assert choose_steps(33.0, minutes=40) == 50 and choose_steps(10.0, minutes=40) == 225
    assert choose_steps(1000.0, minutes=1) == finetuning.FEWEST_STEPS
    assert choose_steps(0.0, minutes=40) == finetuning.MOST_STEPS


def test_stocks_are_drawn_once_and_again_where_cut_off(tmp_path):
    """Stocks are drawn with their truth; asked again nothing is drawn, and one that lacks a picture comes again the same."""
    orders = [
        StockOrder(2_000_000, 1, size_px=(96, 96)),
        StockOrder(750_001, 1, "held out", size_px=(96, 96)),
    ]
    assert list(draw_stocks(tmp_path, orders, workers=2)) == [0, 1, 2]
    sources = list_drawn(tmp_path, orders)
    before = [source.path.read_bytes() for source in sources]
    assert before[0] != before[1] and read_source(sources[0]).judged is None
    assert list(draw_stocks(tmp_path, orders, workers=2)) == [2]
    sources[0].path.with_name(f"{sources[0].path.stem}.truth.json").unlink()
    assert list(draw_stocks(tmp_path, orders, workers=2)) == [1, 2]
    assert [source.path.read_bytes() for source in sources] == before


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no kill -9")
def test_a_drawing_process_that_is_killed_is_named(tmp_path):
    """Ended from outside, as by a system without memory, drawing stops with a sentence and goes on when asked again."""

    def kill_one():
        while not multiprocessing.active_children():
            time.sleep(0.01)
        os.kill(multiprocessing.active_children()[0].pid, signal.SIGKILL)

    orders = [StockOrder(2_000_000, 1, size_px=(96, 96))]
    killing = threading.Thread(target=kill_one)
    killing.start()
    with pytest.raises(ModelsError, match=r"found one ended from outside.*run the same command again"):
        list(draw_stocks(tmp_path, orders, workers=1))
    killing.join()
    assert list(draw_stocks(tmp_path, orders, workers=1)) == [0, 1]


@pytest.mark.parametrize("answer", [signal.SIG_IGN, signal.default_int_handler])
def test_ctrl_c_is_for_drawers_what_it_is_for_their_program(answer):
    """Where the program ignores it, as in the background, so do they; else it ends them at once."""
    before, threads = signal.signal(signal.SIGINT, answer), cv2.getNumThreads()
    try:
        drawn_stocks._settle_drawer()
        assert signal.getsignal(signal.SIGINT) == (answer if answer == signal.SIG_IGN else signal.SIG_DFL)
    finally:
        signal.signal(signal.SIGINT, before)
        cv2.setNumThreads(threads)
