"""How the network pair learns: one loop, and the course that takes it from pictures to weights with their card.

Everything random comes from one seed and the number of the step, so a run that was stopped goes on to the same weights as one
that was not (on a CPU exactly; a GPU adds in an order of its own). Run `python -m models.training --help`. What is taught
stands in `lessons`, what the pictures are in `examples`.
"""

import argparse
import hashlib
import json
import logging
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from models.calibration import apply_calibration, fit_calibration
from models.cards import Calibration, ModelCard, TrackCalibration, load_weights, save_weights
from models.eight_bits import measure_ranges
from models.errors import ModelsError
from models.examples import (
    DrawingJob,
    Source,
    draw_clips,
    draw_many,
    list_pictures,
    read_source,
)
from models.judge_books import JudgeBook, Page, bind_pages, make_page
from models.judge_lessons import make_judge_lesson
from models.lessons import Lesson
from models.metrics import measure_average_precision, measure_calibration_error
from models.network import (
    FEEDING,
    JUDGED_FEEDING,
    JUDGED_LARVA,
    LARVA,
    NetworkConfig,
    NetworkPair,
    build_pair,
    find_peaks,
    ready_pair,
    round_weights,
)
from models.patches import make_judge_input, make_seeker_input, pad_to_grid, shrink
from models.seeker_lessons import Prepared, SeekerLesson, make_seeker_book, prepare_example
from models.worker_processes import settle_worker

logger = logging.getLogger(__name__)

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class LearningPlan:
    """How long and how fast one network learns.

    Attributes
    ----------
    steps : batches learned from
    rate : highest learning rate, after `warm_steps`; it falls to nothing along half a cosine
    decay : weight decay
    seed : of everything random
    keep_every : steps between two checkpoints
    fixed_norms : whether the batch norms keep their means and spreads, for few pictures that are unlike those learned from before
    """

    steps: int
    rate: float = 2e-3
    warm_steps: int = 100
    decay: float = 1e-2
    seed: int = 0
    keep_every: int = 500
    fixed_norms: bool = False


LARGEST_GRADIENT = 5.0


def learn(
    network: nn.Module,
    lesson: Lesson,
    *,
    plan: LearningPlan,
    checkpoint_path: Path | None = None,
    on_step: Callable[[int, float], None] | None = None,
) -> None:
    """Teach a network by a plan, in place: the one training loop.

    Parameters
    ----------
    checkpoint_path : where progress is kept; where it holds some of the same plan, learning goes on from there
    on_step : called with the step's number and its loss
    """
    device = next(network.parameters()).device
    on_gpu = device.type == "cuda"
    if on_gpu:
        network.to(memory_format=torch.channels_last)  # type: ignore[call-overload]  # torch's stub lacks the keyword alone
    optimiser = torch.optim.AdamW(network.parameters(), lr=plan.rate, weight_decay=plan.decay)
    start = _resume(network, optimiser, plan, checkpoint_path)
    network.train()
    if plan.fixed_norms:
        for part in network.modules():
            if isinstance(part, nn.BatchNorm2d):
                part.eval()
    for step in range(start, plan.steps):
        for group in optimiser.param_groups:
            group["lr"] = find_rate(plan, step)
        with torch.autocast(device.type, torch.bfloat16, enabled=on_gpu):
            loss = lesson.measure_loss(network, np.random.default_rng((plan.seed, step)))
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]  # torch leaves it untyped
        nn.utils.clip_grad_norm_(network.parameters(), LARGEST_GRADIENT)
        optimiser.step()
        if on_step is not None:
            on_step(step, float(loss.detach()))
        if checkpoint_path is not None and (step + 1) % plan.keep_every == 0:
            _keep(network, optimiser, plan, checkpoint_path, step + 1)
    network.eval()


def time_steps(network: nn.Module, lesson: Lesson, *, plan: LearningPlan, passed_over: int = 0) -> float:
    """Teach a network by a plan, in place, and return how many seconds a step took after the first and those passed over."""
    ended: list[float] = []
    learn(network, lesson, plan=plan, on_step=lambda step, loss: ended.append(time.perf_counter()))
    return (ended[-1] - ended[passed_over]) / (len(ended) - 1 - passed_over)


def find_rate(plan: LearningPlan, step: int) -> float:
    """Return the learning rate of a step: a straight rise, then half a cosine to nothing."""
    rise = min(1.0, (step + 1) / plan.warm_steps)
    return plan.rate * rise * 0.5 * (1 + float(np.cos(np.pi * step / plan.steps)))


def _keep(
    network: nn.Module, optimiser: torch.optim.Optimizer, plan: LearningPlan, path: Path, step: int
) -> None:
    draft = path.with_name(path.name + ".part")
    state = {"network": network.state_dict(), "optimiser": optimiser.state_dict(), "step": step}
    torch.save({**state, "plan": json.dumps(asdict(plan), sort_keys=True)}, draft)
    draft.replace(path)


def _resume(
    network: nn.Module, optimiser: torch.optim.Optimizer, plan: LearningPlan, path: Path | None
) -> int:
    """Load kept progress of the same plan and return the step to go on from; 0 where there is none."""
    if path is None or not path.exists():
        return 0
    device = next(network.parameters()).device
    state = torch.load(path, map_location=device, weights_only=True)
    if state["plan"] != json.dumps(asdict(plan), sort_keys=True):
        raise ModelsError(
            f"{path}: holds progress of another plan; expected {asdict(plan)}, found {state['plan']}; "
            "delete it to begin anew or give the plan it was made with"
        )
    network.load_state_dict(state["network"])
    optimiser.load_state_dict(state["optimiser"])
    return int(state["step"])


MOST_PROPOSALS = 24
PROPOSAL_FLOOR = -7.0
MOST_FEEDING_PROPOSALS = 8
"""What the seeker may name in one picture: more than a search takes, so that the judge sees the next-best too."""

SEEN_AT_ONCE = 64
"""Pictures of one size that the seeker looks over together."""


def look_over_all(
    pair: NetworkPair, halves: Sequence[NDArray[np.uint8]], *, device: torch.device
) -> list[NDArray[np.float16]]:
    """Return the seeker's maps (3, m, n) of half-size pictures (h, w, 3), in the same order."""
    seeker = ready_pair(pair, device=device, dtype=torch.float32).seeker
    by_size: dict[tuple[int, ...], list[int]] = {}
    for number, half in enumerate(halves):
        by_size.setdefault(half.shape, []).append(number)
    maps: dict[int, NDArray[np.float16]] = {}
    for numbers in by_size.values():
        for start in range(0, len(numbers), SEEN_AT_ONCE):
            some = numbers[start : start + SEEN_AT_ONCE]
            codes = torch.from_numpy(np.stack([pad_to_grid(halves[n]) for n in some])).to(device)
            with torch.inference_mode():
                seen = seeker(make_seeker_input(codes, dtype=torch.float32)).half().cpu().numpy()
            maps.update(zip(some, seen, strict=True))
    return [maps[number] for number in range(len(halves))]


def make_proposed_page(
    source: Source, maps: NDArray[np.float16], *, is_jittered: bool, is_finer: bool = False
) -> Page:
    """Cut a picture about what the seeker's maps (3, m, n) of it name."""
    example = read_source(source)
    values = torch.from_numpy(maps.astype(np.float32))
    size = shrink(example.rgb).shape[:2]
    named = tuple(
        find_peaks(values, size, channel=channel, most=most, floor=PROPOSAL_FLOOR)
        for channel, most in ((LARVA, MOST_PROPOSALS), (FEEDING, MOST_FEEDING_PROPOSALS))
    )
    rng = np.random.default_rng((source.seed, PROPOSED))
    return make_page(example, named, rng, is_jittered=is_jittered, is_finer=is_finer)


def make_guessed_page(source: Source) -> Page:
    """Cut a picture about marks and guesses, for a judge whose seeker has learned nothing yet."""
    return make_page(read_source(source), (), np.random.default_rng((source.seed, GUESSED)), is_jittered=True)


GUESSED, PROPOSED = 1, 2
"""Kept apart in the seeds, so that crops about guesses and about proposals are not jittered alike."""


def prepare_source(source: Source) -> Prepared:
    """Read one source and make it ready for the seeker's book."""
    return prepare_example(read_source(source))


def make_pages(
    sources: Sequence[Source],
    maps: Sequence[NDArray[np.float16]],
    *,
    is_jittered: bool,
    workers: int = 1,
    is_finer: bool = False,
) -> list[Page]:
    """Cut every picture about what the maps of `look_over_all` name in it."""
    cut = partial(make_proposed_page, is_jittered=is_jittered, is_finer=is_finer)
    return spread_work(cut, sources, maps, workers=workers)


def spread_work(
    work: Callable[..., Result], *given: Sequence[Any], workers: int, chunk: int = 8
) -> list[Result]:
    """Return what `work` makes of each set of arguments, in order, with several processes where asked for."""
    if workers == 1:
        return list(map(work, *given))
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_settle_worker) as pool:
        return list(pool.map(work, *given, chunksize=chunk))


def _settle_worker() -> None:
    """Keep a process to one core: as many work side by side as there are cores."""
    settle_worker()
    torch.set_num_threads(1)


JUDGED_AT_ONCE = 512


def judge_book(pair: NetworkPair, book: JudgeBook) -> NDArray[np.float64]:
    """Return the judge's figures (N, 3) for every crop of a book."""
    return judge_crops(pair, book.crops, book.levels)


def judge_crops(pair: NetworkPair, crops: torch.Tensor, levels: torch.Tensor) -> NDArray[np.float64]:
    """Return the judge's figures (N, 3) for crops uint8 (N, 2, 48, 48, 3) of float32 levels (N,), N at least 1."""
    ready = ready_pair(pair, device=crops.device, dtype=torch.float32)
    parts = []
    with torch.inference_mode():
        for start in range(0, len(crops), JUDGED_AT_ONCE):
            inputs = make_judge_input(crops[start : start + JUDGED_AT_ONCE], dtype=torch.float32)
            some = levels[start : start + JUDGED_AT_ONCE]
            parts.append(ready.judge.judge(ready.judge.look(inputs), inputs, some).cpu())
    return torch.cat(parts).double().numpy()


@dataclass(frozen=True, slots=True)
class Course:
    """From pictures to weights: the network's shape, how long each half learns (0 steps: not at all), and how.

    Attributes
    ----------
    workers : processes that prepare pictures, threads that cut them
    """

    config: NetworkConfig
    seeker_plan: LearningPlan
    judge_plan: LearningPlan
    seeker_batch: int = 64
    judge_batch: int = 384
    workers: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Schooling:
    """What a course gives: the pair, the calibration of each score, and what was measured on the pictures set aside."""

    pair: NetworkPair
    larva: Calibration
    feeding: Calibration
    numbers: dict[str, float]


def run_course(
    course: Course,
    sources: Sequence[Source],
    *,
    device: torch.device,
    start: NetworkPair | None = None,
    folder: Path | None = None,
    on_step: Callable[[int, float], None] | None = None,
) -> NetworkPair:
    """Teach a pair: the seeker on whole pictures; the judge on marks and guesses, and on what a trained seeker names.

    Parameters
    ----------
    start : a pair of the course's shape that learns on, in place; a new one where it is None
    folder : where progress is kept, to go on from after a stop
    """
    pair = build_pair(course.config, seed=course.seeker_plan.seed) if start is None else start
    pair.seeker.to(device)
    pair.judge.to(device)
    prepared = spread_work(prepare_source, sources, workers=course.workers)
    is_trained = start is not None or course.seeker_plan.steps > 0
    if course.seeker_plan.steps:
        learn(
            pair.seeker,
            SeekerLesson(make_seeker_book(prepared, device=device), course.seeker_batch),
            plan=course.seeker_plan,
            checkpoint_path=None if folder is None else folder / "seeker.progress",
            on_step=on_step,
        )
    if course.judge_plan.steps:
        pages = (
            make_pages(
                sources,
                look_over_all(pair, [some.half for some in prepared], device=device),
                is_jittered=True,
                workers=course.workers,
            )
            if is_trained
            else spread_work(make_guessed_page, sources, workers=course.workers)
        )
        book = bind_pages(pages, device=device)
        logger.info("judge's book: %d crops, %d of larvae", len(book.larva), int((book.larva == 1).sum()))
        learn(
            pair.judge,
            make_judge_lesson(book, batch=course.judge_batch),
            plan=course.judge_plan,
            checkpoint_path=None if folder is None else folder / "judge.progress",
            on_step=on_step,
        )
    return pair


def examine(
    pair: NetworkPair, sources: Sequence[Source], *, device: torch.device, workers: int = 1
) -> Schooling:
    """Round a pair, calibrate it on pictures it did not learn from, half of them, and measure it on the other half.

    What the seeker's numbers lie between is measured on the first half too.
    """
    pair = round_weights(pair)
    prepared = spread_work(prepare_source, sources, workers=workers)
    maps = look_over_all(pair, [some.half for some in prepared], device=device)
    usual, finer = (
        make_pages(sources, maps, is_jittered=False, workers=workers, is_finer=is_finer)
        for is_finer in (False, True)
    )
    first, second, first_finer, second_finer = (
        bind_pages(pages[start::2], device=device) for pages in (usual, finer) for start in (0, 1)
    )
    # As in searching, the word of two sizes counts; bodies that are cut at the finest level twice say the same twice.
    figures, others = (
        (judge_book(pair, book) + judge_book(pair, again)) / 2
        for book, again in ((first, first_finer), (second, second_finer))
    )
    numbers: dict[str, float] = {}
    calibrations = []
    named, others_named = (book.named.double().cpu().numpy() for book in (first, second))
    for name, column, labels, test in (
        ("larva", JUDGED_LARVA, first.larva, second.larva),
        ("feeding", JUDGED_FEEDING, first.feeding, second.feeding),
    ):
        is_larva = name == "larva"  # in searching, only what the seeker names as a larva is judged to be one
        known = (labels.cpu().numpy() >= 0) & (np.isfinite(named) | (not is_larva))
        answers = labels.cpu().numpy()[known] == 1
        if name == "feeding" and not answers.any():
            calibrations.append(
                NEVER
            )  # no picture set aside shows feeding: nothing can be promised of its score
            continue
        calibration = fit_calibration(
            figures[known, column], answers, named=named[known] if is_larva else None
        )
        calibrations.append(calibration)
        tested = (test.cpu().numpy() >= 0) & (np.isfinite(others_named) | (not is_larva))
        scores = apply_calibration(
            others[tested, column], calibration, named=others_named[tested] if is_larva else 0.0
        )
        is_true = test.cpu().numpy()[tested] == 1
        numbers[f"{name}_crop_average_precision"] = measure_average_precision(scores, is_true)
        numbers[f"{name}_crop_calibration_error"] = measure_calibration_error(scores, is_true)
    watched = [some.half for some in prepared[: 2 * WATCHED : 2]]
    with_ranges = replace(pair, ranges=measure_ranges(pair.seeker, watched))
    return Schooling(with_ranges, calibrations[0], calibrations[1], numbers)


WATCHED = 32
"""Pictures set aside on which the ranges for rounding to 8 bits are measured."""


NEVER = Calibration(slope=0.0, offset=-10.0)
"""What gives every place a score of next to nothing."""

EMPTY_COPIES, LAID_COPIES = 6, 3
"""How often each empty picture is learned from as it is, and with larvae laid in; each time at another size."""


def list_sources(
    folder: Path, empty: Sequence[Path], *, seed: int, copies: tuple[int, int] = (EMPTY_COPIES, LAID_COPIES)
) -> list[Source]:
    """Return what is learned from: a folder of drawn examples, and empty pictures in several sizes and with larvae laid in.

    Parameters
    ----------
    copies : how often each empty picture comes as it is and with larvae laid in
    """
    kinds = [("drawn", path) for path in list_pictures(folder)]
    kinds += [("empty", path) for path in empty for _ in range(copies[0])]
    kinds += [("laid", path) for path in empty for _ in range(copies[1])]
    return [Source(path, kind, seed * MOST_SOURCES + number) for number, (kind, path) in enumerate(kinds)]


MOST_SOURCES = 1_000_000


def hash_folder(paths: Sequence[Path]) -> str:
    """Return one sha256 over the names and bytes of files, in the order given."""
    digest = hashlib.sha256()
    for path in paths:
        digest.update(path.name.encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


MEAN_OF_VIEWS = TrackCalibration(best=0.0, mean=1.0, views=0.0, offset=0.0)
"""What new weights begin with; whole tracks are calibrated on clips, in `detect.track_calibration`."""

LIMITS = (
    "Learned from drawn crowns, and from real photographs only as pictures without a larva or with a drawn one laid in.",
    "Bodies of 6 to 80 px, dark against a lit leaf, seen from below; not eggs, pupae or adults.",
    "Scores are chances for footage with about as many larvae as the pictures they were calibrated on.",
)


def make_card(name: str, schooling: Schooling, course: Course, *, data: dict[str, object]) -> ModelCard:
    """Return the card of a schooling's weights; the weights' own hash is put in as they are saved."""
    return ModelCard(
        name=name,
        made_on=datetime.now(UTC).date().isoformat(),
        licence="Apache-2.0",
        config=asdict(course.config),
        weights_sha256="",
        larva=schooling.larva,
        feeding=schooling.feeding,
        track=MEAN_OF_VIEWS,
        data={**data, "seeker": asdict(course.seeker_plan), "judge": asdict(course.judge_plan)},
        numbers=dict(schooling.numbers),
        limits=LIMITS,
    )


def make_parser() -> argparse.ArgumentParser:
    """Return the command line of this file: `draw` makes examples, `learn` makes weights from them."""
    parser = argparse.ArgumentParser(prog="python -m models.training", description=__doc__)
    parser.add_argument("--workers", type=int, default=1, help="processes that draw, threads that cut")
    doing = parser.add_subparsers(dest="doing", required=True)
    draw = doing.add_parser("draw", help="draw pictures into a folder of examples")
    draw.add_argument("folder", type=Path)
    draw.add_argument("--first-seed", type=int, required=True)
    draw.add_argument("--stocks", type=int, required=True, help="stocks of leaves, one for each seed")
    draw.add_argument("--pictures", type=int, default=20, help="pictures from each stock")
    draw.add_argument("--seconds", type=float, default=1e9, help="begin no stock after this long")
    draw.add_argument("--larvae", type=int, nargs=2, default=(2, 8), metavar=("LEAST", "MOST"))
    draw.add_argument(
        "--even-poses", type=float, default=0.0, help="share of the stocks whose larvae take every pose alike"
    )
    clips = doing.add_parser("draw-clips", help="draw clips to calibrate whole tracks on")
    clips.add_argument("folder", type=Path)
    clips.add_argument("--first-seed", type=int, required=True)
    clips.add_argument("--clips", type=int, required=True)
    clips.add_argument("--seconds", type=float, default=1e9, help="begin no clip after this long")
    for one in (draw, clips):
        one.add_argument(
            "--varied",
            type=float,
            default=0.0,
            help="share with leaves, light and cameras from far wider ranges",
        )
    learn_ = doing.add_parser(
        "learn", help="learn from a folder of examples and write weights with their card"
    )
    learn_.add_argument("examples", type=Path)
    learn_.add_argument(
        "set_aside", type=Path, help="examples to calibrate and measure on, drawn with other seeds"
    )
    learn_.add_argument("weights", type=Path, help="where the weights go, NAME.pt")
    add_learning_arguments(learn_)
    learn_.add_argument("--start", type=Path, help="weights to learn on from; new ones where not given")
    learn_.add_argument(
        "--judge-from", type=Path, help="weights whose judge takes the place of that of --start"
    )
    learn_.add_argument(
        "--new-judge", action="store_true", help="teach a new judge beside the seeker of --start"
    )
    learn_.add_argument("--seeker-steps", type=int, default=4000)
    learn_.add_argument("--judge-steps", type=int, default=6000)
    learn_.add_argument("--batches", type=int, nargs=2, default=(64, 384), metavar=("SEEKER", "JUDGE"))
    return parser


def add_learning_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what everything that learns from examples and empty pictures is told alike."""
    add_empty_arguments(parser)
    parser.add_argument(
        "--copies", type=int, nargs=2, default=(EMPTY_COPIES, LAID_COPIES), metavar=("EMPTY", "LAID")
    )
    parser.add_argument(
        "--progress", type=Path, help="folder that keeps progress, to go on from after a stop"
    )
    parser.add_argument("--rate", type=float, default=2e-3, help="highest learning rate")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")


def add_empty_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what `list_empty` is told by."""
    parser.add_argument("--empty", type=Path, help="folder of real pictures in which no larva is")
    parser.add_argument(
        "--leave-out", nargs="*", default=[], help="leave out empty pictures whose name holds this"
    )


def list_empty(given: argparse.Namespace) -> list[Path]:
    """Return the empty pictures that the command line asks to learn from."""
    empty = [] if given.empty is None else list_pictures(given.empty)
    return [path for path in empty if not any(text in path.name for text in given.leave_out)]


def main(arguments: Sequence[str] | None = None) -> None:
    """Draw examples or learn from them, as asked on the command line."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    given = make_parser().parse_args(arguments)
    if given.doing == "draw":
        given.folder.mkdir(parents=True, exist_ok=True)
        seeds = tuple(range(given.first_seed, given.first_seed + given.stocks))
        job = DrawingJob(
            seeds, given.pictures, (given.larvae[0], given.larvae[1]), given.even_poses, given.varied
        )
        drawn = draw_many(given.folder, job, workers=given.workers, longest_s=given.seconds)
        logger.info("%d pictures drawn into %s", drawn, given.folder)
        return
    if given.doing == "draw-clips":
        given.folder.mkdir(parents=True, exist_ok=True)
        drawn = draw_clips(
            given.folder,
            range(given.first_seed, given.first_seed + given.clips),
            workers=given.workers,
            longest_s=given.seconds,
            varied_share=given.varied,
        )
        logger.info("%d clips drawn into %s", drawn, given.folder)
        return
    learn_from_folders(given)


REPORT_EVERY = 250


def learn_from_folders(given: argparse.Namespace) -> None:
    """Run the course that the command line asks for and save what comes of it."""
    cv2.setNumThreads(1)
    learned = list_empty(given)
    sources = list_sources(
        given.examples, learned, seed=given.seed, copies=(given.copies[0], given.copies[1])
    )
    set_aside = list_sources(given.set_aside, (), seed=given.seed + 1)
    logger.info("%d examples, %d set aside", len(sources), len(set_aside))
    course = Course(
        NetworkConfig(),
        LearningPlan(given.seeker_steps, rate=given.rate, seed=given.seed),
        LearningPlan(given.judge_steps, rate=given.rate, seed=given.seed),
        seeker_batch=given.batches[0],
        judge_batch=given.batches[1],
        workers=given.workers,
    )
    recent: list[float] = []

    def report(step: int, loss: float) -> None:
        recent.append(loss)
        if (step + 1) % REPORT_EVERY == 0:
            logger.info("step %d, loss %.4f", step + 1, float(np.mean(recent)))
            recent.clear()

    if given.progress is not None:
        given.progress.mkdir(parents=True, exist_ok=True)
    device = torch.device(given.device)
    torch.backends.cudnn.benchmark = device.type == "cuda"
    start, before = load_start(given)
    pair = run_course(course, sources, device=device, start=start, folder=given.progress, on_step=report)
    is_whole = start is not None or bool(given.seeker_steps and given.judge_steps)
    schooling = (
        examine(pair, set_aside, device=device, workers=given.workers)
        if is_whole
        else Schooling(round_weights(pair), Calibration(1.0, 0.0), Calibration(1.0, 0.0), {})
    )
    used = [("drawn and set aside", list_pictures(given.set_aside))]
    if given.seeker_steps or given.judge_steps:
        used += [("drawn examples", list_pictures(given.examples)), ("real pictures without larvae", learned)]
    data: dict[str, object] = {
        name: {"pictures": len(paths), "sha256": hash_folder(paths)} for name, paths in used
    }
    card = make_card(given.weights.stem, schooling, course, data={**data, **before})
    save_weights(given.weights, schooling.pair, card)
    logger.info("%s: %s", given.weights, card.numbers)


def join_halves(seeking: NetworkPair, judging: NetworkPair) -> NetworkPair:
    """Return the seeker of one pair with the judge of another."""
    config = replace(
        judging.config,
        seeker_widths=seeking.config.seeker_widths,
        seeker_layers=seeking.config.seeker_layers,
    )
    return NetworkPair(config, seeking.seeker, judging.judge)


def load_start(given: argparse.Namespace) -> tuple[NetworkPair | None, dict[str, object]]:
    """Return the pair to learn on from, its halves each from the weights named for it, and what those learned from."""
    if given.start is None:
        return None, {}
    pair, card = load_weights(given.start)
    if given.new_judge:
        new = build_pair(NetworkConfig(), seed=given.seed)
        return join_halves(pair, new), {"seeker before": dict(card.data)}
    if given.judge_from is None:
        return pair, {"before": dict(card.data)}
    other, other_card = load_weights(given.judge_from)
    return join_halves(pair, other), {"seeker before": dict(card.data), "judge before": dict(other_card.data)}


if __name__ == "__main__":
    main()
