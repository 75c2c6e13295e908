"""Training at home: from a logbook's labelled pictures to new weights, which take over only where they are better.

The weights in use learn on from the labels of the train side and from freshly drawn pictures. Old and new are then shown the
labels held out, trees and dates that nothing learned from, and drawn pictures set aside. The new ones take over where the
difference on the labels is surely above nothing and no drawn larvae were forgotten; they are kept either way. Everything random
comes from one seed; a training that was stopped goes on to the weights it would have come to. This file prints nothing, and how
a network learns stands in `models.finetuning`.
"""

import hashlib
import json
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from annotate.errors import AnnotateError
from annotate.json_files import write_json
from annotate.learning.training_set import TrainingSet, check_enough, get_label, note_learned, sum_labels
from annotate.learning.weights_compared import compare_weights, say_comparison, say_percent
from annotate.learning.weights_kept import (
    SHIPPED,
    find_in_use,
    find_weights_path,
    keep_weights,
    list_weights,
    use_weights,
    weights_folder,
)
from annotate.logbook.opening import Logbook
from models.cards import ModelCard, find_card_path, keep_measured, load_weights, read_card, save_weights
from models.examples import Source

if TYPE_CHECKING:
    from models.drawn_stocks import StockOrder
    from models.label_comparison import Comparison
    from models.network import NetworkPair

MOST_PICTURES = 3000
"""Labelled pictures learned from in one training: more do not pass through an hour, and their memory stays under 500 MB."""

MOST_FORGOTTEN = 0.01
"""Share of the drawn larvae, in absolute terms, that new weights may find fewer."""

RECALL_AT = 1.0
"""False places a picture at which drawn larvae are counted as found or not: then no threshold has to be the same for both."""

WORK_NAME, RUN_NAME, LOCK_NAME = "work", "run.json", "training.lock"
MINUTES = 40.0
"""For the steps alone; drawing before and measuring after take about a quarter of an hour more on two cores."""


@dataclass(frozen=True, slots=True)
class DrawnSet:
    """How many pictures are drawn to learn from, to calibrate on and to test with: stocks of leaves and pictures of each.

    Half of the stocks to test with are of plants that the shipped weights never saw.
    """

    learn: tuple[int, int] = (12, 20)
    calibrate: tuple[int, int] = (8, 10)
    test: tuple[int, int] = (12, 10)
    size_px: tuple[int, int] | None = None


LEARN_SEED, CALIBRATE_SEED, TEST_SEED = 2_000_000, 950_000, 750_000
"""First seeds of the stocks, apart from each other and from those of the shipped weights (`models.examples`, `DEVELOPERS.md`);
those from 700,000 on are never learned from."""


@dataclass(frozen=True, slots=True)
class TrainingOrder:
    """What a person asked for.

    Attributes
    ----------
    steps : of each half of the network; 0 to choose as many as fit into `minutes`
    workers : processes that draw
    device : "cpu" or "cuda"
    """

    minutes: float = MINUTES
    steps: int = 0
    seed: int = 0
    workers: int = 1
    device: str = "cpu"
    drawn: DrawnSet = field(default_factory=DrawnSet)


@dataclass(frozen=True, slots=True)
class DrawnRecall:
    """Drawn larvae that weights find at `RECALL_AT` false places a picture, of how many."""

    larvae: int
    old: float
    new: float
    shipped: float


@dataclass(frozen=True, slots=True)
class TrainingOutcome:
    """What came of a training.

    Attributes
    ----------
    name : under which the new weights are kept
    parent : name of the weights that learned on
    took_over : whether they are in use now
    reasons : why, in sentences
    """

    name: str
    parent: str
    steps: int
    took_over: bool
    reasons: tuple[str, ...]
    comparison: "Comparison"
    recall: DrawnRecall
    card: ModelCard


OnProgress = Callable[[str, int, int], None]
"""Told what is being done, how much of it is done, and of how much."""


def train_at_home(
    logbook: Logbook,
    found: TrainingSet,
    order: TrainingOrder,
    *,
    on_progress: OnProgress | None = None,
    on_note: Callable[[str], None] | None = None,
) -> TrainingOutcome:
    """Train on labels gathered by `gather_set`, compare, keep the new weights, and use them where they are better.

    Stopped, it goes on where it was when it is asked for the same with the same labels; `on_note` is told in a sentence whether
    it does, and where weights that learned the same are kept already.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there are too few labels, another training of this logbook is under way, or something cannot be written.
    models.errors.ModelsError
        Where a picture or the weights in use cannot be read. What was in use still is.
    """
    check_enough(found)
    tell = on_progress or (lambda what, done, of: None)
    with _hold(logbook) as work:
        course = _begin(logbook, found, order, work, on_note or (lambda sentence: None))
        stocks = _draw(course, tell)
        note_learned(logbook, course.found.train)
        pair, steps = _learn(course, stocks, tell)
        draft = _calibrate(course, pair, steps, stocks, tell)
        comparison, recall = _compare(logbook, course, draft, stocks, tell)
        reasons, is_better = decide(comparison, recall)
        numbers = {
            "home_training": {
                "labels": asdict(comparison),
                "drawn_recall": asdict(recall),
                "took_over": is_better,
                "reasons": list(reasons),
            }
        }
        card = keep_measured(draft, numbers=numbers, detection=None)
        name = keep_weights(logbook, draft, day=datetime.now(UTC).date())
        if is_better:
            card = use_weights(logbook, name)
        shutil.rmtree(work, ignore_errors=True)
        return TrainingOutcome(name, course.parent, steps, is_better, reasons, comparison, recall, card)


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """One training: what it learns from, where it keeps its progress, and the weights it begins with."""

    found: TrainingSet
    order: TrainingOrder
    work: Path
    parent: str
    parent_path: Path
    drawn_folder: Path


@contextmanager
def _hold(logbook: Logbook) -> Iterator[Path]:
    """Lock a logbook for one training and give the folder its progress is kept in."""
    from filelock import FileLock, Timeout

    folder = weights_folder(logbook)
    lock = FileLock(folder / LOCK_NAME)
    try:
        (folder / WORK_NAME).mkdir(parents=True, exist_ok=True)
        lock.acquire(timeout=0)
    except Timeout as error:
        raise AnnotateError(
            f"training: expected no other training of this logbook, found one under way in {folder}; wait until it has finished"
        ) from error
    except OSError as error:
        raise AnnotateError(
            f"{folder}: expected a folder that can be written, found: {error.strerror}; "
            "correct the rights, or free some space"
        ) from error
    try:
        yield folder / WORK_NAME
    finally:
        lock.release()


def _begin(
    logbook: Logbook, found: TrainingSet, order: TrainingOrder, work: Path, note: Callable[[str], None]
) -> _Course:
    """Go on with the training whose progress is kept where it is the same, else begin anew; drawn pictures are kept."""
    import torch

    work.mkdir(exist_ok=True)
    train = _choose_pictures(found.train, seed=order.seed)
    parent_path = find_in_use(logbook)
    parent_card = read_card(find_card_path(parent_path))
    parent = SHIPPED if parent_path == find_weights_path(logbook, SHIPPED) else parent_path.stem
    drawn = name_drawn(order.drawn)
    identity = {
        "train": _hash_labels(train),
        "parent": parent_card.weights_sha256,
        "order": {"minutes": order.minutes, "steps": order.steps, "seed": order.seed, "device": order.device},
        "drawn": drawn,
        "threads": torch.get_num_threads(),
    }
    before = _read_run(work).get("identity")
    if before != identity:
        for path in work.glob("*.progress"):
            path.unlink()
        _write_run(work, {"identity": identity})
    if before is not None:
        note(GOES_ON if before == identity else BEGINS_ANEW)
    elif same := _find_same(logbook, parent_card.weights_sha256, _hash_labels(train), order.seed):
        note(LEARNED_BEFORE.format(name=same, parent=parent))
    chosen = replace(found, train=train)
    return _Course(chosen, order, work, parent, parent_path, work / drawn)


GOES_ON = "Going on with the training that was stopped."
BEGINS_ANEW = (
    "Learning begins anew: labels, weights in use or options are no longer those of the training that was stopped. What was "
    "drawn for it is used again."
)


LEARNED_BEFORE = (
    "The weights {name} learned on from the same weights, with the same labels and seed: much the same will come of it. Stop "
    "with Ctrl-C and judge more first, or compare them on what was judged since: leafshade evaluate --weights {name} --against "
    "{parent}"
)


def _find_same(logbook: Logbook, parent_sha256: str, labels_sha256: str, seed: int) -> str:
    """Return the name of kept weights that learned the same from the same; empty where there are none."""
    wanted = (parent_sha256, labels_sha256, seed)
    for one in list_weights(logbook):
        try:
            data: Any = one.card.data if one.card else {}
            said = (data["from"]["sha256"], data["labels"]["sha256"], data["plan"]["seed"])
        except (KeyError, TypeError):
            continue  # the program's own, or a card that somebody wrote in
        if said == wanted:
            return one.name
    return ""


def name_drawn(drawn: DrawnSet) -> str:
    """Return the name of the folder that keeps drawn pictures of these numbers and sizes until a training has finished."""
    return f"drawn-{hashlib.sha256(repr(drawn).encode()).hexdigest()[:8]}"


def _choose_pictures(train: tuple[Source, ...], *, seed: int) -> tuple[Source, ...]:
    """Return all pictures, or where there are more than a training takes, some chosen by the seed."""
    if len(train) <= MOST_PICTURES:
        return train
    picks = np.random.default_rng(seed).choice(len(train), MOST_PICTURES, replace=False)
    return tuple(train[pick] for pick in sorted(picks.tolist()))


def _hash_labels(sources: Sequence[Source]) -> str:
    """Return one sha256 over pictures, marks and what was dismissed, in order."""
    digest = hashlib.sha256()
    for source in sources:
        label = get_label(source)
        digest.update(label.image.picture.encode())
        for is_dismissed, marks in ((b"+", label.image.marks), (b"-", label.dismissed)):
            for mark in marks:
                digest.update(is_dismissed + mark.kind.encode() + mark.outline.tobytes())
    return digest.hexdigest()


def _read_run(work: Path) -> dict[str, Any]:
    """Return what is known of the training whose progress is kept; nothing where its note is missing or broken."""
    try:
        body = json.loads((work / RUN_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return body if isinstance(body, dict) else {}


def _write_run(work: Path, body: dict[str, Any]) -> None:
    write_json(
        work / RUN_NAME, body, what="the progress of the training", advice="free some space, then train again"
    )


@dataclass(frozen=True, slots=True)
class DrawnStocks:
    """Orders for drawn pictures by their use."""

    learn: "tuple[StockOrder, ...]"
    calibrate: "tuple[StockOrder, ...]"
    test: "tuple[StockOrder, ...]"


def list_stocks(drawn: DrawnSet) -> DrawnStocks:
    """Return what is drawn for a training, by its use."""
    from models.drawn_stocks import StockOrder

    def order(first: int, counts: tuple[int, int], *, is_mixed: bool = False) -> tuple[StockOrder, ...]:
        return tuple(
            StockOrder(
                first + number,
                counts[1],
                "held out" if is_mixed and number % 2 else "learned",
                size_px=drawn.size_px,
            )
            for number in range(counts[0])
        )

    return DrawnStocks(
        order(LEARN_SEED, drawn.learn),
        order(CALIBRATE_SEED, drawn.calibrate),
        order(TEST_SEED, drawn.test, is_mixed=True),
    )


def _draw(course: _Course, tell: OnProgress) -> DrawnStocks:
    from models.drawn_stocks import draw_stocks

    stocks = list_stocks(course.order.drawn)
    wanted = [*stocks.learn, *stocks.calibrate, *stocks.test]
    for done in draw_stocks(course.drawn_folder, wanted, workers=course.order.workers):
        tell("Drawing pictures", done, len(wanted))
    return stocks


def _learn(course: _Course, stocks: DrawnStocks, tell: OnProgress) -> "tuple[NetworkPair, int]":
    """Return the pair that learned on, and how many steps each half of it took."""
    import torch

    from models.drawn_stocks import list_drawn
    from models.finetuning import FinetuningPlan, choose_steps, finetune, time_step

    start, _ = load_weights(course.parent_path)
    drawn = list_drawn(course.drawn_folder, stocks.learn)
    device = torch.device(course.order.device)
    run = _read_run(course.work)
    steps = course.order.steps or int(run.get("steps", 0))
    if not steps:
        tell("Trying how fast this computer is", 0, 1)
        step_s = time_step(start, drawn, course.found.train, device=device)
        steps = choose_steps(step_s, minutes=course.order.minutes)
        # Written down, so that a training that goes on at another pace is the same training.
        _write_run(course.work, {**run, "steps": steps})
    plan = FinetuningPlan(steps, seed=course.order.seed)
    pair = finetune(
        start,
        drawn,
        course.found.train,
        plan=plan,
        device=device,
        folder=course.work,
        on_step=lambda half, done: (
            tell(f"Learning ({half})", done, steps) if done else tell(f"Preparing pictures ({half})", 0, 1)
        ),
    )
    return pair, steps


def _calibrate(
    course: _Course, pair: "NetworkPair", steps: int, stocks: DrawnStocks, tell: OnProgress
) -> Path:
    """Fit the calibration of views, measure the ranges for 8 bits, and write the draft of the new weights; return its path.

    Whole tracks keep their parent's calibration: it turns chances of views into the chance of a track, and the new chances of
    views were fitted anew to hold on the same kind of pictures, so they mean what the parent's did.
    """
    import torch

    from models.drawn_stocks import list_drawn
    from models.training import examine

    tell("Calibrating", 0, 1)
    aside = list_drawn(course.drawn_folder, stocks.calibrate)
    schooling = examine(pair, aside, device=torch.device("cpu"))
    parent = read_card(find_card_path(course.parent_path))
    draft = course.work / "draft.pt"
    save_weights(draft, schooling.pair, _make_card(course, parent, steps, schooling.larva, schooling.feeding))
    keep_measured(draft, numbers=schooling.numbers, detection=None)
    tell("Calibrating", 1, 1)
    return draft


def _make_card(course: _Course, parent: ModelCard, steps: int, larva: Any, feeding: Any) -> ModelCard:
    """Return the card of new weights: what they come from and learned from, in numbers; no place and no tree is named."""
    train = sum_labels(course.found.train)
    licences = sorted(
        {get_label(source).image.licence or "the recorder's own" for source in course.found.train}
    )
    shown = asdict(course.order.drawn)
    return replace(
        parent,
        name="draft",
        made_on=datetime.now(UTC).date().isoformat(),
        weights_sha256="",
        larva=larva,
        feeding=feeding,
        data={
            "from": {"name": course.parent, "sha256": parent.weights_sha256},
            "labels": {**asdict(train), "sha256": _hash_labels(course.found.train), "licences": licences},
            "drawn": {**shown, "first_seeds": [LEARN_SEED, CALIBRATE_SEED, TEST_SEED]},
            "plan": {"steps": steps, "seed": course.order.seed, "device": course.order.device},
        },
        numbers={},
        limits=(
            *(limit for limit in parent.limits if not limit.startswith(HOME_LIMIT)),
            f"{HOME_LIMIT} {train.pictures} labelled pictures of {train.groups} trees and dates: for the woods and cameras of "
            "one logbook.",
        ),
        detection=None,
    )


HOME_LIMIT = "Learned on at home from"


def _compare(
    logbook: Logbook, course: _Course, draft: Path, stocks: DrawnStocks, tell: OnProgress
) -> "tuple[Comparison, DrawnRecall]":
    """Show the held-out labels and the drawn pictures set aside to the weights in use and to the new ones."""
    from models.drawn_stocks import list_drawn

    comparison = compare_weights(
        course.found.held_out,
        course.parent_path,
        draft,
        seed=course.order.seed,
        tell=lambda done, of: tell("Comparing on held-out labels", done, of),
    )
    tested = list_drawn(course.drawn_folder, stocks.test)
    shipped = find_weights_path(logbook, SHIPPED)
    recalls: dict[Path, tuple[int, float]] = {}
    for number, path in enumerate(dict.fromkeys((course.parent_path, draft, shipped))):
        recalls[path] = measure_recall(
            path,
            tested,
            tell=lambda done, number=number: tell(
                f"Comparing on drawn pictures ({number + 1})", done, len(tested)
            ),  # type: ignore[misc]
        )
    larvae, old = recalls[course.parent_path]
    return comparison, DrawnRecall(larvae, old, recalls[draft][1], recalls[shipped][1])


def measure_recall(
    weights_path: Path, tested: Sequence[Source], *, tell: Callable[[int], None] | None = None
) -> tuple[int, float]:
    """Return how many larvae drawn pictures ask for, and the share that weights find, working as a search does."""
    from detect.evaluation import make_finder
    from detect.network_scoring import load_network_scorer
    from models.canopy.truth import find_truth_path, read_truth
    from models.evaluate import Picture, evaluate_finders
    from models.examples import read_picture as read_rgb

    def show() -> Iterator[Picture]:
        for number, source in enumerate(tested):
            if tell is not None:
                tell(number)
            truth = read_truth(find_truth_path(source.path)).frames[0]
            yield Picture(source.path.name, partial(read_rgb, source.path), truth)

    finder = make_finder(load_network_scorer(weights_path))
    report = evaluate_finders({"weights": finder}, show())["weights"]
    return len(report.matching.lengths_px), report.find_recall_at(RECALL_AT)


def decide(comparison: "Comparison", recall: DrawnRecall) -> tuple[tuple[str, ...], bool]:
    """Return why new weights take over or not, in sentences, and whether they do."""
    floor = max(recall.old, recall.shipped) - MOST_FORGOTTEN
    is_kept = recall.new >= floor - ROUNDING
    before = f"those in use {say_percent(recall.old)}"
    if recall.shipped != recall.old:
        before += f", the program's own {say_percent(recall.shipped)}"
    forgotten = (
        "more than the 1 point allowed"
        if not is_kept
        else "nothing"
        if recall.new >= max(recall.old, recall.shipped)
        else "no more than the 1 point allowed"
    )
    forgetting = (
        f"Of {recall.larvae} drawn larvae the new weights find {say_percent(recall.new)}, {before}, at one false place a "
        f"picture: {forgotten} was forgotten."
    )
    said = say_comparison(comparison, new="the new weights", old="those in use")
    return (said, forgetting), comparison.low > 0 and is_kept


ROUNDING = 1e-9
