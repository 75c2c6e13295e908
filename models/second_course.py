"""How the second judge learns: places are drawn without end while it learns from those that are there.

Run `python -m models.second_course draw ASIDE --plain`, then `draw FOLDER` and, beside it, `learn FOLDER ASIDE NEW.pt`. What it
has learned by the end hangs on how much was drawn meanwhile, so two runs give two sets of weights, unlike the courses of
`models.training`.
"""

import argparse
import copy
import logging
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, replace
from functools import lru_cache, partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray

from models.calibration import fit_logistic
from models.canopy.truth import FrameTruth
from models.cards import DEFAULT_WEIGHTS, load_weights
from models.efficientnet_lite import load_backbone
from models.errors import ModelsError
from models.examples import Example, Source, choose_canopy, draw_stock, read_source
from models.head_cards import HeadCard, save_head
from models.lessons import UNKNOWN
from models.metrics import measure_average_precision
from models.network import NetworkPair, ready_network, ready_pair
from models.second_books import (
    PAGE_ENDING,
    PageReader,
    SecondBook,
    SecondLesson,
    SecondPage,
    choose_places,
    join_pages,
    judge_page,
    list_pages,
    make_second_page,
    read_page,
    write_page,
)
from models.second_judge import SECOND, SecondJudge, load_second
from models.training import (
    LearningPlan,
    add_empty_arguments,
    add_learning_arguments,
    hash_folder,
    learn,
    list_empty,
    time_steps,
)
from models.worker_processes import settle_worker

logger = logging.getLogger(__name__)


def build_second(*, seed: int) -> SecondJudge:
    """Return a second judge that knows what ImageNet taught and nothing of larvae; the same seed gives the same one."""
    backbone = load_backbone()
    with torch.random.fork_rng(devices=[]):
        torch.manual_seed(seed)
        return SecondJudge(backbone)


def round_second(judge: SecondJudge) -> SecondJudge:
    """Return a copy whose weights are numbers of 16 bits, half as large a file; the norms stay as they are."""
    rounded = copy.deepcopy(judge).cpu()
    for weights in rounded.parameters():
        if weights.ndim > 1:
            weights.data = weights.data.half().float()
    return rounded


PICTURES_A_STOCK = 20
LARVAE, LENGTHS_PX = (12, 36), (10.0, 90.0)
EVEN_SHARE, VARIED_SHARE = 0.5, 0.6
"""What is drawn: pictures of one stock of leaves, larvae in each as far as they have room and their lengths, share of stocks with
every pose alike, and with leaves, light and cameras from far wider ranges; as for the pair (models/experiments.md)."""

PHOTO_EVERY, PHOTOS_AT_ONCE = 10, 8
"""Beside so many stocks, as many real pictures without larvae are cut, half of them with drawn larvae laid in."""


@lru_cache(1)
def _load_pair(path: Path) -> NetworkPair:
    torch.set_num_threads(1)
    return ready_pair(load_weights(path)[0], device=torch.device("cpu"), dtype=torch.float32)


def draw_stock_page(folder: Path, seed: int, weights: Path, *, is_jittered: bool, pictures: int) -> int:
    """Draw the pictures of one stock of leaves, cut their places, write them as one page, and return how many places."""
    rng = np.random.default_rng(seed)
    settings = choose_canopy(
        np.random.default_rng((seed, 1)), larvae=LARVAE, even_share=EVEN_SHARE, varied_share=VARIED_SHARE
    )
    settings = replace(settings, larvae=replace(settings.larvae, length_px=LENGTHS_PX))
    pages = []
    for number, drawn in enumerate(draw_stock(settings, rng, count=pictures)):
        example = Example(f"{seed}-{number}", drawn.rgb, FrameTruth(0, 0.0, drawn.larvae, drawn.feeding))
        pages.append(make_second_page(example, _load_pair(weights), rng, is_jittered=is_jittered))
    return _keep(folder / f"drawn-{seed:07d}{PAGE_ENDING}", pages)


def cut_photo_page(
    folder: Path, paths: Sequence[Path], seed: int, weights: Path, *, is_jittered: bool
) -> int:
    """Cut the places of some real pictures without larvae, as they are or with drawn larvae laid in."""
    rng = np.random.default_rng((seed, 2))
    pages = []
    for number in range(PHOTOS_AT_ONCE):
        path = paths[int(rng.integers(len(paths)))]
        source = Source(path, "laid" if number % 2 else "empty", int(rng.integers(2**31)))
        pages.append(make_second_page(read_source(source), _load_pair(weights), rng, is_jittered=is_jittered))
    return _keep(folder / f"photos-{seed:07d}{PAGE_ENDING}", pages)


def _keep(path: Path, pages: Sequence[SecondPage]) -> int:
    places = sum(len(page.levels) for page in pages)
    if places:
        write_page(path, join_pages(pages))
    return places


def draw_pages(given: argparse.Namespace) -> int:
    """Draw as the command line asks, with several processes; begin nothing after so many seconds. Returns how many places."""
    given.folder.mkdir(parents=True, exist_ok=True)
    photos = list_empty(given)
    latest = time.monotonic() + given.seconds
    total = 0
    seeds = iter(range(given.first_seed, given.first_seed + given.stocks))
    context = get_context("spawn")
    with ProcessPoolExecutor(given.workers, mp_context=context, initializer=settle_worker) as pool:
        how = {"weights": given.weights, "is_jittered": not given.plain}
        draw = partial(draw_stock_page, given.folder, pictures=given.pictures, **how)
        cut = partial(cut_photo_page, given.folder, photos, **how)
        running = set()
        for seed in seeds:
            if time.monotonic() > latest:
                break
            running.add(pool.submit(draw, seed))
            if photos and seed % PHOTO_EVERY == 0:
                running.add(pool.submit(cut, seed))
            while len(running) >= 2 * given.workers:
                done = {one for one in running if one.done()}
                total += sum(one.result() for one in done)
                running -= done
                time.sleep(0.05)
        total += sum(one.result() for one in running)
    return total


TIMED_STEPS = 80
SHARE_OF_TIME = 0.93
"""Steps tried before it is chosen how many fit into the time, and the share of it that is then planned for."""

FIRST_PLACES = 5_000
"""Learning begins when so many places are there."""

REPORT_EVERY = 250


def learn_second(given: argparse.Namespace) -> HeadCard:
    """Teach a second judge from a folder of pages, written by now or later, and save it with its card.

    Real pictures named are not read but for their hash: they stand in the card, since pages of them are learned from.

    Raises
    ------
    ModelsError
        Before it learns: where there is no room for the places, the first of them are not there within the seconds that it may
        learn, or the pages set aside cannot be measured on. While it learns: where a page cannot be read.
    """
    began = time.monotonic()
    device = torch.device(given.device)
    torch.backends.cudnn.benchmark = device.type == "cuda"
    judge, before = _load_start(given)
    judge = judge.to(device)
    recent: list[float] = []

    def report(step: int, loss: float) -> None:
        recent.append(loss)
        if (step + 1) % REPORT_EVERY == 0:
            logger.info("step %d, loss %.4f, %d places", step + 1, float(np.mean(recent)), book.count)
            recent.clear()

    book = SecondBook(given.most_places, device=device)
    kept = None
    if given.progress:
        given.progress.mkdir(parents=True, exist_ok=True)
        kept = given.progress / "second-judge.progress"
    with PageReader(given.folder) as reader:
        _wait_for_places(given, book, reader)
        read_aside(given.aside)  # what cannot be measured on is told before the long part, not after it
        lesson = SecondLesson(book, given.batch, reader)
        steps = given.steps or _fit_steps(judge, lesson, latest=began + given.seconds)
        logger.info("%d steps, %d places at first", steps, book.count)
        plan = LearningPlan(steps, rate=given.rate, seed=given.seed)
        learn(judge, lesson, plan=plan, checkpoint_path=kept, on_step=report)
    data: dict[str, object] = {
        **before,
        "places": book.count,
        "larvae": len(book.groups[0]),
        "batch": given.batch,
        "plan": asdict(plan),
        "pages": len(list_pages(given.folder)),
        "pages set aside": {
            "pages": len(list_pages(given.aside)),
            "sha256": hash_folder(list_pages(given.aside)),
        },
    }
    if photos := list_empty(given):
        data["real pictures without larvae"] = {"pictures": len(photos), "sha256": hash_folder(photos)}
    rounded = round_second(judge)
    return save_head(
        given.weights, SECOND, rounded, data=data, numbers=examine_second(rounded, given.aside, device=device)
    )


def _load_start(given: argparse.Namespace) -> tuple[SecondJudge, dict[str, object]]:
    """Return what learns on, and what it learned from before."""
    if given.start is None:
        return build_second(seed=given.seed), {}
    judge, card = load_second(given.start)
    return judge, {"before": card.data}


def _wait_for_places(given: argparse.Namespace, book: SecondBook, reader: PageReader) -> None:
    """Take up pages until learning can begin."""
    least = max(1, min(given.first_places, given.most_places))
    latest = time.monotonic() + given.seconds
    while book.count < least:
        for page in reader.take():
            book.take_up(page)
        if book.count < least and time.monotonic() > latest:
            raise ModelsError(
                f"{given.folder}: holds too few places to learn from; expected {least} after {given.seconds:.0f} s, "
                f"found {book.count}; draw more into it, or begin with fewer by --first-places"
            )
        time.sleep(0.2)


def _fit_steps(judge: SecondJudge, lesson: SecondLesson, *, latest: float) -> int:
    """Return how many steps fit into the time until `latest`, of the clock that only goes on."""
    step_s = time_steps(
        copy.deepcopy(judge), lesson, plan=LearningPlan(TIMED_STEPS), passed_over=TIMED_STEPS // 2
    )
    logger.info("%.4f s a step", step_s)
    return max(1, int(SHARE_OF_TIME * (latest - time.monotonic()) / step_s))


def read_aside(folder: Path) -> SecondPage:
    """Return what the seeker named in the pages set aside in a folder, as one page.

    Raises
    ------
    ModelsError
        Where a page cannot be read, or every second place, or the others between, are not of both kinds: larvae and none.
    """
    pages = [read_page(path) for path in list_pages(folder)]
    named = [choose_places(page, np.isfinite(page.named) & (page.larva != UNKNOWN)) for page in pages]
    is_larva = np.concatenate([np.zeros(0, np.bool_), *(page.larva == 1 for page in named)])
    if any(half.all() or not half.any() for half in (is_larva[::2], is_larva[1::2])):
        raise ModelsError(
            f"{folder}: holds too little to measure on; expected larvae and other places in either half of what was named, "
            f"found {len(pages)} pages with {len(is_larva)} places, {int(is_larva.sum())} of them larvae; draw more into it "
            "with python -m models.second_course draw --plain"
        )
    return join_pages(named)


def examine_second(judge: SecondJudge, folder: Path, *, device: torch.device) -> dict[str, float]:
    """Return how well places of pages set aside are told apart: by the pair alone, by the second judge, and by all together.

    Average precision of what the seeker named; together: a logistic regression of one half, measured on the other. Errors are
    those of `read_aside`.
    """
    page = read_aside(folder)
    ready = ready_network(judge, device=device, dtype=torch.float32)
    answers = page.larva == 1
    pair = np.stack([page.judged, page.named], axis=1).astype(np.float64)
    numbers = {"places": float(len(answers)), "larvae": float(answers.sum())}
    numbers["pair_average_precision"] = _measure_together(pair, answers)
    for turns in (1, 8):
        second = judge_page(ready, page, device=device, turns=turns)
        numbers[f"second_{turns}_average_precision"] = measure_average_precision(second, answers)
        together = np.column_stack([pair, second])
        numbers[f"together_{turns}_average_precision"] = _measure_together(together, answers)
    return numbers


def _measure_together(features: NDArray[np.float64], answers: NDArray[np.bool_]) -> float:
    weights = fit_logistic(features[::2], answers[::2])
    return measure_average_precision(features[1::2] @ weights[:-1] + weights[-1], answers[1::2])


def make_parser() -> argparse.ArgumentParser:
    """Return the command line of this file: `draw` makes pages, `learn` makes weights from them."""
    parser = argparse.ArgumentParser(prog="python -m models.second_course", description=__doc__)
    doing = parser.add_subparsers(dest="doing", required=True)
    draw = doing.add_parser("draw", help="draw pictures and keep their places as pages in a folder")
    draw.add_argument("folder", type=Path)
    draw.add_argument("--first-seed", type=int, required=True)
    draw.add_argument("--stocks", type=int, required=True, help="stocks of leaves, one for each seed")
    draw.add_argument("--pictures", type=int, default=PICTURES_A_STOCK, help="pictures from each stock")
    draw.add_argument("--seconds", type=float, default=1e9, help="begin no stock after this long")
    draw.add_argument("--workers", type=int, default=1)
    draw.add_argument("--plain", action="store_true", help="cut what the pair names alone, as to measure on")
    draw.add_argument("--weights", type=Path, default=DEFAULT_WEIGHTS, help="of the pair that names places")
    add_empty_arguments(draw)
    learn_ = doing.add_parser("learn", help="learn from a folder of pages while more are written")
    learn_.add_argument("folder", type=Path)
    learn_.add_argument("aside", type=Path, help="pages to measure on, of other seeds")
    learn_.add_argument("weights", type=Path, help="where the weights go, NAME.pt")
    add_learning_arguments(learn_)
    learn_.add_argument(
        "--seconds", type=float, default=1500.0, help="how long to learn, where no --steps are given"
    )
    learn_.add_argument("--steps", type=int, default=0)
    learn_.add_argument("--start", type=Path, help="weights to learn on from; ImageNet's where not given")
    learn_.add_argument("--batch", type=int, default=512)
    learn_.add_argument("--most-places", type=int, default=1_300_000)
    learn_.add_argument("--first-places", type=int, default=FIRST_PLACES)
    return parser


def main(arguments: Sequence[str] | None = None) -> None:
    """Draw or learn, as asked on the command line."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    given = make_parser().parse_args(arguments)
    if given.doing == "draw":
        logger.info("%d places drawn into %s", draw_pages(given), given.folder)
        return
    card = learn_second(given)
    logger.info("%s: %s", given.weights, card.numbers)


if __name__ == "__main__":
    main()
