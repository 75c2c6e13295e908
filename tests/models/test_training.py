"""How the pair learns: it can learn at all, the same seed learns the same, and a stop changes nothing."""

from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from models.canopy.truth import FrameTruth
from models.cards import load_weights
from models.errors import ModelsError
from models.examples import (
    EVEN_POSES,
    Example,
    LayingSettings,
    Source,
    choose_canopy,
    lay_larvae,
    read_source,
    save_picture,
)
from models.judge_books import bind_pages, guess_places, make_page
from models.judge_lessons import make_judge_lesson
from models.metrics import measure_mask_iou
from models.network import JUDGED_LARVA, LARVA, NetworkConfig, build_pair, look_over, ready_pair
from models.patches import HALF_PX, make_judge_input, shrink
from models.seeker_lessons import SeekerLesson, make_seeker_book, prepare_example
from models.spots import list_larva_spots, measure_contrast
from models.training import (
    Course,
    LearningPlan,
    examine,
    find_rate,
    learn,
    list_sources,
    load_start,
    main,
    make_parser,
    run_course,
)
from models.variation import turn_batch, turn_picture
from tests.models.made_examples import write_example

CPU = torch.device("cpu")
pytestmark = pytest.mark.usefixtures("one_thread")
SMALL = NetworkConfig((8, 12, 16, 16), (1, 1, 1), (8, 12, 16, 24), (1, 1, 1), (4, 8, 8), (1, 1), 24, (8, 8))
LAYING = LayingSettings(count=(6, 9), length_px=(16, 40), body_light=(0.02, 0.05), larva_share=0.6)


def make_example(seed, *, side=256, settings=LAYING):
    """A lit, mottled leaf that fills the picture, with drawn larvae and things that are none laid on it."""
    rng = np.random.default_rng(seed)
    mottle = cv2.resize(
        rng.normal(0, 1, (16, 16)).astype(np.float32), (side, side), interpolation=cv2.INTER_CUBIC
    )
    leaf = np.array([80, 170, 40]) + 12 * mottle[..., None] + rng.normal(0, 3, (side, side, 3))
    empty = Example("leaf", np.clip(leaf, 0, 255).astype(np.uint8), FrameTruth(0, 0.0, (), ()))
    return lay_larvae(empty, settings, rng)


def make_pages(count):
    return [
        make_page(make_example(seed), (), np.random.default_rng(seed), is_jittered=True)
        for seed in range(count)
    ]


def test_the_judge_learns_eight_crops_by_heart():
    """After a few steps on eight crops every larva is told from every other place, and its mask is found."""
    book = bind_pages(make_pages(2), device=CPU)
    shows, other = (torch.nonzero(book.larva == value)[:4, 0] for value in (1, 0))
    picks = torch.cat([shows, other])
    pair = build_pair(SMALL, seed=0)
    lesson = make_judge_lesson(book, batch=16)
    eight = type(lesson)(book, 16, (shows.numpy(), np.empty(0, np.int64), other.numpy()))
    learn(pair.judge, eight, plan=LearningPlan(200, rate=5e-3, warm_steps=5))
    with torch.inference_mode():
        inputs = make_judge_input(book.crops[picks], dtype=torch.float32)
        features = pair.judge.look(inputs)
        log_odds = pair.judge.judge(features, inputs, book.levels[picks])[:, JUDGED_LARVA]
        masks = pair.judge.outline(features)[:4]
    assert (log_odds[:4] > 0).all() and (log_odds[4:] < 0).all()
    truth = book.masks[book.mask_of[shows]].numpy() > 127
    assert np.mean([measure_mask_iou(m > 0, t) for m, t in zip(masks.numpy(), truth, strict=True)]) > 0.4


def test_the_seeker_learns_a_picture_by_heart():
    """After a few steps on one picture the map is higher at every larva than at 95 in 100 other cells."""
    example = make_example(3)
    prepared = prepare_example(example)
    pair = build_pair(SMALL, seed=0)
    lesson = SeekerLesson(make_seeker_book([prepared], device=CPU), 8, side=96)
    learn(pair.seeker, lesson, plan=LearningPlan(150, rate=5e-3, warm_steps=5))
    ready = ready_pair(pair, device=CPU, dtype=torch.float32)
    heat = look_over(ready.seeker, shrink(example.rgb))[LARVA].numpy()
    spots = list_larva_spots(example)
    assert len(spots.rows) >= 3
    for row, column in zip(spots.rows, spots.columns, strict=True):
        r, c = int(row) // 8, int(column) // 8
        best = heat[max(0, r - 1) : r + 2, max(0, c - 1) : c + 2].max()
        assert best > np.quantile(heat, 0.95)


def learn_judge(pages, plan, *, path=None):
    pair = build_pair(SMALL, seed=plan.seed)
    book = bind_pages(pages, device=CPU)
    learn(pair.judge, make_judge_lesson(book, batch=12), plan=plan, checkpoint_path=path)
    return pair.judge.state_dict()


def assert_same(first, second):
    assert all(torch.equal(first[name], second[name]) for name in first)


def test_the_same_seed_learns_the_same_weights():
    """Two runs of one seed end in equal weights; another seed ends in others."""
    pages = make_pages(2)
    first, second = (learn_judge(pages, LearningPlan(6, warm_steps=2, seed=1)) for _ in range(2))
    assert_same(first, second)
    other = learn_judge(pages, LearningPlan(6, warm_steps=2, seed=2))
    assert not torch.equal(first["mask.weight"], other["mask.weight"])


def test_a_stopped_run_goes_on_to_the_same_weights(tmp_path):
    """Stopped after its checkpoint and begun anew, a run ends in the very weights of one that never stopped."""
    pages = make_pages(2)
    plan = LearningPlan(8, warm_steps=2, keep_every=5)
    whole = learn_judge(pages, plan)

    class Stopped(Exception):
        pass

    def stop(step, loss):
        if step == 6:
            raise Stopped

    pair = build_pair(SMALL, seed=0)
    book = bind_pages(pages, device=CPU)
    path = tmp_path / "judge.progress"
    with pytest.raises(Stopped):
        learn(pair.judge, make_judge_lesson(book, batch=12), plan=plan, checkpoint_path=path, on_step=stop)
    assert_same(learn_judge(pages, plan, path=path), whole)


def test_progress_of_another_plan_is_refused(tmp_path):
    """A checkpoint of another plan is not gone on from: the message says what it holds and what to do."""
    pages = make_pages(1)
    path = tmp_path / "judge.progress"
    learn_judge(pages, LearningPlan(4, warm_steps=2, keep_every=2), path=path)
    with pytest.raises(ModelsError, match="another plan"):
        learn_judge(pages, LearningPlan(5, warm_steps=2, keep_every=2), path=path)


def test_the_rate_rises_and_falls_to_nothing():
    """The learning rate rises in a straight line, is highest after the rise and ends near nothing."""
    plan = LearningPlan(1000, rate=1.0, warm_steps=100)
    rates = [find_rate(plan, step) for step in range(1000)]
    assert rates[0] == pytest.approx(0.01)
    assert max(rates) == pytest.approx(rates[99], abs=0.01)
    assert rates[-1] < 1e-4


def test_spots_turn_with_their_picture():
    """In every square that a lesson draws, a marked dot lies where its spot says."""
    half = np.zeros((150, 200, 3), np.uint8)
    half[40, 77] = 255
    prepared = prepare_example(Example("dot", half.repeat(2, 0).repeat(2, 1), FrameTruth(0, 0.0, (), ())))
    spots = type(prepared.larvae)(
        np.array([80.5], np.float32),
        np.array([154.5], np.float32),
        np.array([20.0], np.float32),
        np.array([True]),
    )
    book = make_seeker_book([type(prepared)(half, spots, prepared.feeding)], device=CPU)
    squares, larvae, _ = SeekerLesson(book, 40, side=64).draw_batch(np.random.default_rng(1))
    seen = 0
    for number, square in enumerate(squares):
        dots = np.argwhere(square[..., 0].numpy() > 0)
        there = larvae.there[number]
        spot = np.stack([larvae.rows[number][there], larvae.columns[number][there]], axis=1)
        assert dots.tolist() == ((spot - 0.5) / HALF_PX).tolist()
        seen += len(dots)
    assert seen > 10


def test_the_eight_ways_are_eight():
    """Turning and mirroring gives eight different pictures, and numpy's rot90 agrees."""
    picture = torch.from_numpy(np.arange(27, dtype=np.uint8).reshape(3, 3, 3))
    turned = [turn_picture(picture, way % 4, way >= 4) for way in range(8)]
    assert len({some.numpy().tobytes() for some in turned}) == 8
    assert np.array_equal(turned[1].numpy(), np.rot90(picture.numpy()))
    batch = turn_batch(picture[None].repeat(9, 1, 1, 1), 3)
    assert (
        torch.equal(batch[0], turned[3])
        and torch.equal(batch[8], turned[3])
        and torch.equal(batch[1], turned[4])
    )


def test_a_larva_nobody_could_see_is_not_taught():
    """A dark body on a lit leaf is taught; the same outline on ground as dark as itself is not."""
    example = make_example(5)
    assert list_larva_spots(example).teach.all()
    flat = Example("flat", np.full_like(example.rgb, 40), example.truth)
    assert not list_larva_spots(flat).teach.any()
    outline = example.truth.larvae[0].outline
    assert measure_contrast(example.rgb, outline) > 0.8
    assert measure_contrast(flat.rgb, outline) == 0


def test_guesses_name_the_dark_spot():
    """A single dark body on an even leaf is among the places guessed."""
    half = np.full((80, 100, 3), 150, np.uint8)
    cv2.ellipse(half, (60, 30), (8, 2), 30, 0, 360, (20, 20, 20), -1)
    places = guess_places(half, np.random.default_rng(0)).places_px
    assert np.hypot(places[:, 0] - 60.5, places[:, 1] - 120.5).min() < 6


def test_labels_follow_the_distance_of_the_middles():
    """A place on a larva's middle shows it, one far off does not, and one between is not known."""
    from models.network import Proposals

    example = make_example(7, settings=LayingSettings(count=(1, 1), length_px=(30, 31), larva_share=1.0))
    (mark,) = example.truth.larvae
    row, column = (mark.box[0] + mark.box[2] - 1) / 2, (mark.box[1] + mark.box[3] - 1) / 2
    places = np.array([[row, column], [row + 15, column], [row + 80, column]])
    named = Proposals(places, np.zeros(3, np.float32), np.full(3, 30, np.float32))
    page = make_page(example, [named], np.random.default_rng(0), is_jittered=False)
    assert page.larva.tolist() == [1, -1, 0]
    assert len(page.masks) == 1
    assert 2 ** page.log_lengths[0] * 16 * 2 ** page.levels[0] == pytest.approx(mark.length_px, rel=1e-4)


def test_the_command_line_learns_and_keeps_the_history(tmp_path):
    """Examples on disk become weights with a card that names them; each half may be learned by itself."""
    examples, empty = tmp_path / "examples", tmp_path / "empty"
    write_examples(examples, range(3))
    empty.mkdir()
    save_picture(empty / "sky.jpg", make_example(20, settings=LayingSettings(count=(0, 0))).rgb, quality=90)
    first, second = tmp_path / "first.pt", tmp_path / "second.pt"
    common = ["--device", "cpu", "--seed", "3", "--batches", "4", "8"]
    seeker, judge = (
        ["--seeker-steps", "2", "--judge-steps", "0"],
        ["--seeker-steps", "0", "--judge-steps", "2"],
    )
    main(["learn", str(examples), str(examples), str(first), *common, *seeker, "--empty", str(empty)])
    main(["learn", str(examples), str(examples), str(second), *common, *judge])
    pair, card = load_weights(first)
    assert card.data["drawn examples"]["pictures"] == 3
    assert card.data["real pictures without larvae"]["pictures"] == 1
    assert card.numbers == {}
    mixed, before = load_start(
        make_parser().parse_args(["learn", "a", "b", "c", "--start", str(first), "--judge-from", str(second)])
    )
    assert torch.equal(mixed.seeker.maps.weight, pair.seeker.maps.weight)
    assert torch.equal(mixed.judge.mask.weight, load_weights(second)[0].judge.mask.weight)
    assert before["seeker before"] == card.data


def test_a_course_ends_in_calibrated_scores(tmp_path):
    """A pair taught on laid larvae is calibrated and measured on pictures set aside, and ranks larvae far over the rest."""
    for name, seeds in (("learn", range(6)), ("aside", range(10, 16))):
        write_examples(tmp_path / name, seeds)
    course = Course(
        SMALL,
        LearningPlan(150, rate=5e-3, warm_steps=5),
        LearningPlan(60, rate=5e-3, warm_steps=5),
        seeker_batch=8,
        judge_batch=24,
    )
    learned, aside = (
        list_sources(tmp_path / name, (), seed=seed) for seed, name in enumerate(("learn", "aside"))
    )
    schooling = examine(run_course(course, learned, device=CPU), aside, device=CPU)
    assert schooling.numbers["larva_crop_average_precision"] > 0.3
    assert schooling.numbers["larva_crop_calibration_error"] < 0.15
    assert schooling.larva.slope > 0


def write_examples(folder: Path, seeds):
    folder.mkdir()
    for seed in seeds:
        write_example(folder, seed, make_example(seed))


def test_a_source_gives_the_same_example_every_time(tmp_path):
    """An empty picture of one seed is shown at the same size with the same larvae laid in, of another seed not."""
    path = tmp_path / "leaf.png"
    cv2.imwrite(str(path), make_example(1, side=320, settings=LayingSettings(count=(0, 0))).rgb[..., ::-1])
    first, again, other = (read_source(Source(path, "laid", seed)) for seed in (1, 1, 2))
    assert np.array_equal(first.rgb, again.rgb)
    assert first.rgb.shape != other.rgb.shape or not np.array_equal(first.rgb, other.rgb)
    assert read_source(Source(path, "empty", 1)).truth.larvae == ()


def test_a_folder_without_pictures_is_refused(tmp_path):
    """An empty folder ends in a message that says what was looked for."""
    with pytest.raises(ModelsError, match="holds no pictures"):
        main(["learn", str(tmp_path), str(tmp_path), str(tmp_path / "w.pt")])


def test_a_broken_picture_is_refused(tmp_path):
    """A file that only looks like a picture is named in the message."""
    path = tmp_path / "broken.jpg"
    path.write_bytes(b"no picture")
    with pytest.raises(ModelsError, match=r"broken\.jpg: cannot be read as a picture"):
        read_source(Source(path, "empty", 0))


def test_so_many_stocks_take_every_pose_alike() -> None:
    """Of stocks to learn from about the share asked for has even poses; asked for none, they are drawn as before."""
    chosen = [
        choose_canopy(np.random.default_rng(seed), larvae=(3, 12), even_share=0.6).larvae.pose_shares
        for seed in range(200)
    ]
    assert 0.5 < np.mean([shares == EVEN_POSES for shares in chosen]) < 0.7
    usual = [choose_canopy(np.random.default_rng(seed), larvae=(3, 12)) for seed in range(20)]
    assert all(settings.larvae.pose_shares != EVEN_POSES for settings in usual)
