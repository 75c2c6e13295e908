"""Training at home on a judged logbook: what teaches, stopped, killed, what takes over, and going back."""

import json
import os
import pickle
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import torch
from filelock import FileLock
from PIL import Image
from rich.console import Console
from typer.testing import CliRunner

import annotate.learning.weights_kept as weights_kept
import models.finetuning as finetuning
from annotate.commands.base import app
from annotate.commands.evaluate import evaluate
from annotate.commands.search import search_clips
from annotate.commands.train import choose_device, print_outcome, train
from annotate.errors import AnnotateError
from annotate.learning.home_training import (
    BEGINS_ANEW,
    GOES_ON,
    LOCK_NAME,
    WORK_NAME,
    DrawnRecall,
    DrawnSet,
    TrainingOrder,
    decide,
    list_stocks,
    name_drawn,
    train_at_home,
)
from annotate.learning.training_set import (
    LEARNED_FROM,
    LEARNED_NAME,
    TrainingSet,
    gather_set,
    get_label,
    note_learned,
    read_learned,
    sum_labels,
)
from annotate.learning.weights_compared import compare_weights
from annotate.learning.weights_kept import (
    IN_USE_NAME,
    SHIPPED,
    find_in_use,
    find_weights_path,
    keep_weights,
    list_weights,
    use_weights,
    weights_folder,
)
from annotate.logbook.clips import add_stretch, find_clip_by_sha256
from annotate.logbook.labels import add_labels
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.pictures import keep_picture, picture_path
from annotate.logbook.places import find_tree
from annotate.logbook.searches import find_current_search
from annotate.logbook.verdicts import give_verdict
from annotate.searching import SearchOrder
from detect.evidence import HeldJpeg
from models.cards import Calibration, ModelCard, TrackCalibration, load_weights, save_weights
from models.drawn_stocks import draw_stocks
from models.eight_bits import measure_ranges
from models.errors import ModelsError
from models.label_comparison import Comparison
from models.labels import LabelledImage, choose_split
from models.network import LARVA, NetworkConfig, build_pair
from tests.annotate.made_records import LATER, NOON, add_trees, film, make_candidate, make_view, search

assert train and evaluate  # imported so that the commands are there

SMALL = NetworkConfig((8, 12, 16, 16), (1, 1, 1), (8, 12, 16, 24), (1, 1, 1), (4, 8, 8), (1, 1), 24, (8, 8))
SIDE = 160
DRAWN = DrawnSet(learn=(1, 2), calibrate=(1, 6), test=(2, 1), size_px=(192, 192))
ORDER = TrainingOrder(steps=3, workers=2, drawn=DRAWN)
DAY = date(2026, 11, 28)

BODY_PX = (12, 4)
TREES, PER_TREE = 40, 2


@pytest.fixture(autouse=True)
def small_steps(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """One thread, small batches and a checkpoint at every second step."""
    monkeypatch.setattr(finetuning, "SEEKER_BATCHES", (1, 2))
    monkeypatch.setattr(finetuning, "JUDGE_BATCHES", (8, 8))
    monkeypatch.setattr(finetuning, "KEEP_EVERY", 2)
    before = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(before)


def make_card(name: str) -> ModelCard:
    track = TrackCalibration(0.6, 0.6, -0.2, -0.7)
    return ModelCard(
        name,
        "2026-11-25",
        "Apache-2.0",
        {},
        "",
        Calibration(1.0, 0.0, 1.0),
        Calibration(1.0, 0.0),
        track,
        {},
        {},
        ("A test.",),
    )


@pytest.fixture(scope="session")
def tiny_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Weights of an untrained tiny pair, with ranges for 8 bits."""
    path = tmp_path_factory.mktemp("tiny") / "tiny.pt"
    pair = build_pair(SMALL, seed=5)
    pair.seeker.maps.bias.data[LARVA] = 0.0
    halves = [np.random.default_rng(0).integers(0, 255, (96, 96, 3), np.uint8)]
    save_weights(path, replace(pair, ranges=measure_ranges(pair.seeker, halves)), make_card("tiny"))
    return path


@pytest.fixture
def tiny(tiny_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The tiny weights in place of the program's own."""
    monkeypatch.setattr(weights_kept, "DEFAULT_WEIGHTS", tiny_path)
    return tiny_path


def paint(seed: int, *, has_body: bool) -> bytes:
    """A JPEG of a mottled lit leaf, with a dark body in its middle or none; no two alike."""
    rng = np.random.default_rng(seed)
    rgb = (np.array([80, 170, 40]) + rng.normal(0, 9, (SIDE, SIDE, 3))).clip(0, 255).astype(np.uint8)
    coarse = rng.integers(0, 60, (8, 8, 1), np.uint8).repeat(SIDE // 8, 0).repeat(SIDE // 8, 1)
    rgb = np.maximum(rgb, coarse + 100)
    if has_body:
        cv2.ellipse(rgb, (SIDE // 2, SIDE // 2), BODY_PX, 0, 0, 360, (18, 30, 12), -1, cv2.LINE_AA)
    stream = BytesIO()
    Image.fromarray(rgb).save(stream, "JPEG", quality=92)
    return stream.getvalue()


def fill(folder: Path) -> Path:
    """A logbook of forty trees filmed on a day each; on each a larva was confirmed and something dismissed."""
    create_logbook(folder, zone="Europe/London")
    with open_logbook(folder) as logbook:
        codes = [f"OT{number + 1:02d}" for number in range(TREES)]
        add_trees(logbook, *codes)
        for number, code in enumerate(codes):
            candidates = []
            for index, middle in enumerate(((500, 700), (300, 1200))):
                view = make_view(1.0 + index, middle, length_px=24.0)
                picture = HeldJpeg(paint(PER_TREE * number + index, has_body=index == 0))
                origin = (middle[0] - SIDE // 2, middle[1] - SIDE // 2)
                candidates.append(
                    make_candidate(views=[replace(view, picture_jpeg=picture, picture_origin_px=origin)])
                )
            clip = film(logbook, number=number + 1, tree=code, recorded_at=NOON + timedelta(days=number))
            search(logbook, clip, candidates)
            for index, answer in enumerate(("confirm", "dismiss")):
                give_verdict(
                    logbook, PER_TREE * number + index + 1, answer=answer, reviewer="Maren", at=LATER
                )  # type: ignore[arg-type]
    return folder


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fill(tmp_path_factory.mktemp("books") / "Otterholt")


@pytest.fixture(scope="session")
def drawn_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The drawn pictures of `ORDER`, drawn once for all tests."""
    folder = tmp_path_factory.mktemp("drawn")
    stocks = list_stocks(DRAWN)
    for _ in draw_stocks(folder, [*stocks.learn, *stocks.calibrate, *stocks.test], workers=2):
        pass
    return folder


@pytest.fixture
def folder(filled: Path, tmp_path: Path) -> Path:
    """A copy of the judged logbook."""
    return Path(shutil.copytree(filled, tmp_path / "Otterholt"))


@pytest.fixture
def logbook(folder: Path, tiny: Path) -> Iterator[Logbook]:
    """The judged logbook, its searches by the tiny weights."""
    with open_logbook(folder) as opened:
        yield opened


@pytest.fixture
def ready(logbook: Logbook, drawn_folder: Path) -> Callable[[], Logbook]:
    """Lays the drawn pictures where a stopped training would have left them, and gives the logbook."""

    def lay() -> Logbook:
        work = weights_folder(logbook) / WORK_NAME
        shutil.copytree(drawn_folder, work / name_drawn(DRAWN), dirs_exist_ok=True)
        return logbook

    return lay


def test_larvae_and_dismissed_things_are_learned_from(logbook: Logbook) -> None:
    """Every verdict teaches: confirmed ones as larvae, dismissed ones as none where they lie, and no tree on both sides."""
    found = gather_set(logbook)
    train_sum, held_out = sum_labels(found.train), sum_labels(found.held_out)
    assert train_sum.larvae + held_out.larvae == train_sum.others + held_out.others == TREES
    assert train_sum.groups + held_out.groups == TREES and held_out.groups >= 5
    assert found.left_out == {}
    dismissed = [source for source in found.train if source.label and source.label.dismissed]
    (mark,) = dismissed[0].label.dismissed
    assert np.allclose(mark.outline.mean(axis=0), SIDE / 2, atol=1)


def test_a_changed_picture_and_a_hostile_one_are_left_out_and_named(logbook: Logbook) -> None:
    """Bytes that changed since they were judged, a picture that is gone, and bytes that are no JPEG never reach training."""
    before = gather_set(logbook)
    changed, gone = (source.label.image.picture for source in before.train[:2])
    picture_path(logbook, changed).write_bytes(b"\xff\xd8 not what was judged")
    picture_path(logbook, gone).unlink()
    stream = BytesIO()
    Image.new("RGB", (SIDE, SIDE), (80, 170, 40)).save(stream, "PNG")
    hostile = keep_picture(logbook, stream.getvalue())
    add_labels(
        logbook,
        [
            LabelledImage(
                picture=hostile,
                size_px=(SIDE, SIDE),
                marks=(),
                answer="nothing",
                source="import",
                reviewer="Ines",
                labelled_at=NOON,
                clip="c" * 64,
                split=choose_split(tree="", day=None, clip="c" * 64),
            )
        ],
    )
    after = gather_set(logbook)
    assert set(after.left_out) == {changed, gone, hostile}
    assert after.left_out[hostile] == "no JPEG"
    assert len(after.train) + len(after.held_out) == len(before.train) + len(before.held_out) - 2


def test_what_was_learned_from_never_tests(logbook: Logbook) -> None:
    """A tree put right after a training may bring pictures to the other side, where they test nothing."""
    before = gather_set(logbook)
    weights_folder(logbook).mkdir()
    note_learned(logbook, before.train)
    assert read_learned(logbook) == {get_label(source).image.picture for source in before.train}
    note_learned(logbook, before.train[:3])  # nothing that was learned from is forgotten
    assert gather_set(logbook).left_out == {} and len(read_learned(logbook)) == len(before.train)
    image = get_label(before.train[0]).image
    trees = (f"OT{number + 1:02d}" for number in range(TREES))
    other = next(
        code
        for code in trees
        if choose_split(tree=f"OTTERHOLT/{code}", day=image.date, clip="") == "held out"
    )
    clip = find_clip_by_sha256(logbook, image.clip)
    assert clip is not None
    add_stretch(logbook, clip.id, tree_id=find_tree(logbook, other).id, start_s=0.0, end_s=60.0)
    after = gather_set(logbook)
    assert len(after.left_out) == PER_TREE and set(after.left_out.values()) == {LEARNED_FROM}
    assert image.picture in after.left_out
    assert len(after.held_out) == len(before.held_out) and len(after.train) == len(before.train) - PER_TREE


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"format": "other", "pictures": []}', '{"format": 1}', "\xff"]
)
def test_a_broken_list_of_what_was_learned_from_is_refused(logbook: Logbook, text: str) -> None:
    """Rather than let pictures test what learned from them, it is said what to put back."""
    weights_folder(logbook).mkdir()
    (weights_folder(logbook) / LEARNED_NAME).write_text(text, encoding="latin-1")
    with pytest.raises(AnnotateError, match="put it back from a copy of the logbook"):
        gather_set(logbook)


def test_an_import_without_marks_counts_as_looked_through(logbook: Logbook) -> None:
    """A picture imported without annotations teaches that nothing is in it, all over."""
    picture = keep_picture(logbook, paint(999, has_body=False))
    image = LabelledImage(
        picture=picture,
        size_px=(SIDE, SIDE),
        marks=(),
        answer="nothing",
        source="import",
        reviewer="Ines",
        labelled_at=NOON,
        clip="a" * 64,
        split=choose_split(tree="", day=None, clip="a" * 64),
    )
    before = sum_labels(gather_set(logbook).train + gather_set(logbook).held_out)
    add_labels(logbook, [image])
    found = gather_set(logbook)
    assert sum_labels(found.train + found.held_out).others == before.others + 1


def test_too_few_labels_say_what_to_do(tmp_path: Path, logbook: Logbook) -> None:
    """Without enough to learn from or to test with, nothing begins, and the message says what to do next."""
    empty = create_logbook(tmp_path / "new", zone="UTC")
    done = CliRunner().invoke(app, ["train", "--logbook", str(empty)])
    assert isinstance(done.exception, AnnotateError)
    assert "found 0 and 0; judge more candidates with 'leafshade review'" in str(done.exception)
    found = gather_set(logbook)
    with pytest.raises(AnnotateError, match="judge candidates of more trees and days"):
        train_at_home(logbook, TrainingSet(found.train, found.held_out[:4], {}), ORDER)
    assert not weights_folder(logbook).exists()


def run_training(logbook: Logbook, **changes: Any) -> Any:
    return train_at_home(logbook, gather_set(logbook), replace(ORDER, **changes))


def test_a_training_keeps_its_weights_and_says_why(
    ready: Callable[[], Logbook], capsys: pytest.CaptureFixture[str]
) -> None:
    """A whole training ends in weights with their card, measured beside those before; in use only if they took over."""
    logbook = ready()
    outcome = run_training(logbook)
    path = find_weights_path(logbook, outcome.name)
    _, card = load_weights(path)
    assert card.name == outcome.name and outcome.name.endswith(card.weights_sha256[:8])
    assert card.data["from"]["name"] == SHIPPED
    assert card.numbers["home_training"]["labels"]["groups"] == outcome.comparison.groups
    assert card.track == make_card("").track  # taken over; the views were calibrated anew
    assert card.larva != make_card("").larva
    assert (find_in_use(logbook) == path) == outcome.took_over
    assert not (weights_folder(logbook) / WORK_NAME).exists()
    assert read_learned(logbook) == {get_label(one).image.picture for one in gather_set(logbook).train}
    text = path.with_suffix(".json").read_text(encoding="utf-8")
    assert "OTTERHOLT" not in text and "OT01" not in text
    print_outcome(outcome)
    said = capsys.readouterr().out
    assert outcome.name in said and "trees and dates" in said and "drawn larvae" in said
    shown = CliRunner().invoke(app, ["weights", "--logbook", str(logbook.folder)])
    assert (
        outcome.name in shown.output
        and f"In use: {outcome.name if outcome.took_over else SHIPPED}." in shown.output
    )
    use_weights(logbook, SHIPPED)
    for seed, said_before in ((ORDER.seed, [outcome.name]), (ORDER.seed + 1, [])):
        notes: list[str] = []
        with pytest.raises(KeyboardInterrupt):
            train_at_home(
                logbook,
                gather_set(logbook),
                replace(ORDER, seed=seed),
                on_progress=stop_at_once,
                on_note=notes.append,
            )
        # An hour must not be spent unwarned on what was learned already.
        assert [note.split(" learned on")[0] for note in notes] == [
            f"The weights {name}" for name in said_before
        ]
        shutil.rmtree(weights_folder(logbook) / WORK_NAME)


def stop_at_once(what: str, done: int, of: int) -> None:
    raise KeyboardInterrupt


def read_states(logbook: Logbook, name: str) -> dict[str, torch.Tensor]:
    pair, _ = load_weights(find_weights_path(logbook, name))
    return {**pair.seeker.state_dict(), **{f"j.{k}": v for k, v in pair.judge.state_dict().items()}}


def test_stopped_it_goes_on_to_the_same_weights(ready: Callable[[], Logbook]) -> None:
    """Interrupted between two checkpoints of the judge and asked again, a training ends in the very weights of a whole one."""
    logbook = ready()
    whole = read_states(logbook, run_training(logbook).name)
    ready()

    def stop(what: str, done: int, of: int) -> None:
        if (what, done) == ("Learning (judge)", 3):
            raise KeyboardInterrupt

    found = gather_set(logbook)
    with pytest.raises(KeyboardInterrupt):
        train_at_home(logbook, found, ORDER, on_progress=stop)
    assert find_in_use(logbook) == weights_kept.DEFAULT_WEIGHTS
    steps: list[tuple[str, int]] = []
    notes: list[str] = []
    outcome = train_at_home(
        logbook,
        found,
        ORDER,
        on_progress=lambda what, done, of: steps.append((what, done)),
        on_note=notes.append,
    )
    assert notes == [GOES_ON]
    assert ("Learning (judge)", 3) in steps and ("Learning (judge)", 2) not in steps
    again = read_states(logbook, outcome.name)
    assert all(torch.equal(whole[name], again[name]) for name in whole)


def test_other_labels_begin_anew(ready: Callable[[], Logbook]) -> None:
    """Where the labels changed since the stop, what was learned from the old ones is not gone on with."""
    logbook = ready()
    found = gather_set(logbook)

    def stop_drawing(what: str, done: int, of: int) -> None:
        assert what == "Drawing pictures"
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        train_at_home(logbook, found, ORDER, on_progress=stop_drawing)
    assert read_learned(logbook) == frozenset()  # nothing was learned from yet

    def stop(what: str, done: int, of: int) -> None:
        if (what, done) == ("Learning (seeker)", 3):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        train_at_home(logbook, found, ORDER, on_progress=stop)
    assert len(read_learned(logbook)) == len(found.train)
    fewer = replace(found, train=found.train[:-1])

    def check(what: str, done: int, of: int) -> None:
        if what == "Learning (seeker)":
            assert done == 1
            raise KeyboardInterrupt

    notes: list[str] = []
    with pytest.raises(KeyboardInterrupt):
        train_at_home(logbook, fewer, ORDER, on_progress=check, on_note=notes.append)
    assert notes == [BEGINS_ANEW]


def test_ctrl_c_says_how_to_go_on(logbook: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """A training stopped by hand ends with a sentence that says how to go on, and the code that shells expect."""

    def stop(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("annotate.learning.home_training.train_at_home", stop)
    done = CliRunner().invoke(app, ["train", "--logbook", str(logbook.folder), "--device", "cpu"])
    assert done.exit_code == 130
    assert (
        "Learning on the processor from" in done.output
        and "run the same command again to go on" in done.output
    )


def test_two_trainings_at_once_are_refused(logbook: Logbook) -> None:
    """While one training of a logbook is under way, another is told to wait."""
    weights_folder(logbook).mkdir()
    with (
        FileLock(weights_folder(logbook) / LOCK_NAME),
        pytest.raises(AnnotateError, match="wait until it has finished"),
    ):
        run_training(logbook)


SCRIPT = """
import sys
from dataclasses import replace
from pathlib import Path
import torch
import annotate.learning.weights_kept as weights_kept
import models.finetuning as finetuning
from annotate.learning.home_training import DrawnSet, TrainingOrder, train_at_home
from annotate.learning.training_set import gather_set
from annotate.logbook.opening import open_logbook

def main():
    torch.set_num_threads(1)
    finetuning.SEEKER_BATCHES, finetuning.JUDGE_BATCHES, finetuning.KEEP_EVERY = (1, 2), (8, 8), 2
    weights_kept.DEFAULT_WEIGHTS = Path(sys.argv[2])
    order = TrainingOrder(steps=int(sys.argv[3]), drawn=DrawnSet(learn=(1, 2), calibrate=(1, 6), test=(2, 1), size_px=(192, 192)))
    with open_logbook(Path(sys.argv[1])) as logbook:
        train_at_home(logbook, gather_set(logbook), order, on_progress=lambda *told: print(*told, flush=True))

if __name__ == "__main__":
    main()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no kill -9")
def test_killed_while_learning_the_old_weights_stay(
    ready: Callable[[], Logbook], tiny: Path, tmp_path: Path
) -> None:
    """Killed with -9 in the middle of learning, the old weights are in use and whole, and the next training runs through."""
    logbook = ready()
    script = tmp_path / "train.py"
    script.write_text(SCRIPT, encoding="utf-8")
    before = find_in_use(logbook)
    process = subprocess.Popen(
        [sys.executable, str(script), str(logbook.folder), str(tiny), "2000"],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith("Learning (seeker) 5"):
            break
    process.send_signal(signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL
    process.stdout.close()
    assert find_in_use(logbook) == before
    load_weights(find_in_use(logbook))
    assert [one.name for one in list_weights(logbook)] == [SHIPPED]
    outcome = run_training(logbook)
    load_weights(find_weights_path(logbook, outcome.name))


PROMOTING = """
import shutil, sys
from datetime import date
from pathlib import Path
import annotate.learning.weights_kept as weights_kept
from annotate.logbook.opening import open_logbook

tiny = Path(sys.argv[2])
weights_kept.DEFAULT_WEIGHTS = tiny
with open_logbook(Path(sys.argv[1])) as logbook:
    for round in range(10**6):
        for letter in "ab":
            for ending in (".pt", ".json"):
                shutil.copy(tiny.with_name(letter + ending), logbook.folder / f"draft{ending}")
            name = weights_kept.keep_weights(logbook, logbook.folder / "draft.pt", day=date(2026, 11, 28))
            weights_kept.use_weights(logbook, name)
        if not round:
            print("ready", flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no kill -9")
def test_killed_while_taking_over_one_of_both_is_in_use(logbook: Logbook, tmp_path: Path) -> None:
    """Killed with -9 at any moment of keeping and taking over, old or new weights are in use and whole."""
    for seed, letter in enumerate("ab"):
        save_weights(tmp_path / f"{letter}.pt", build_pair(SMALL, seed=seed), make_card(letter))
    shutil.copy(weights_kept.DEFAULT_WEIGHTS, tmp_path / "tiny.pt")
    shutil.copy(weights_kept.DEFAULT_WEIGHTS.with_suffix(".json"), tmp_path / "tiny.json")
    script = tmp_path / "promote.py"
    script.write_text(PROMOTING, encoding="utf-8")
    rng = np.random.default_rng(0)
    used = set()
    for _ in range(3):
        process = subprocess.Popen(
            [sys.executable, str(script), str(logbook.folder), str(tmp_path / "tiny.pt")],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        )
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        time.sleep(float(rng.uniform(0.0, 0.3)))
        assert process.poll() is None
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        path = find_in_use(logbook)
        load_weights(path)
        used.add(path.stem)
        for one in list_weights(logbook):
            assert one.fault == "", one
    assert used - {weights_kept.DEFAULT_WEIGHTS.stem}


def keep(logbook: Logbook, tmp_path: Path, seed: int) -> str:
    """Keep weights made for the test; return their name."""
    draft = tmp_path / f"draft{seed}.pt"
    save_weights(draft, build_pair(SMALL, seed=seed), make_card("draft"))
    return keep_weights(logbook, draft, day=DAY)


def test_older_weights_can_be_brought_back(logbook: Logbook, tmp_path: Path) -> None:
    """Kept weights are listed; each can be used, then another, then the program's own, and none is lost by it."""
    first, second = keep(logbook, tmp_path, 1), keep(logbook, tmp_path, 2)
    assert first.startswith("2026-11-28-") and first != second
    for name in (first, second, first, SHIPPED):
        done = CliRunner().invoke(app, ["weights", "--logbook", str(logbook.folder), "use", name])
        assert done.exit_code == 0 and f"In use now: {name}" in done.output
        assert find_in_use(logbook) == find_weights_path(logbook, name)
        assert [one.name for one in list_weights(logbook) if one.is_in_use] == [name]
    assert {one.name for one in list_weights(logbook)} == {SHIPPED, first, second}


@pytest.mark.parametrize("name", ["../../tiny", "2026-11-28-00000000", "", "shipped.pt", "x" * 5000])
def test_names_that_are_none_are_refused(logbook: Logbook, name: str) -> None:
    """Only names of the list can be used; a path is none."""
    with pytest.raises(AnnotateError, match="see them with: leafshade weights"):
        use_weights(logbook, name)
    assert find_in_use(logbook) == weights_kept.DEFAULT_WEIGHTS


class Poison:
    """Runs a command when it is unpickled without care."""

    def __init__(self, canary: Path) -> None:
        self.canary = canary

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[Any, ...]]:
        return os.system, (f"touch {self.canary}",)


def test_poisoned_weights_are_refused(logbook: Logbook, tmp_path: Path) -> None:
    """A weight file that would run a command, cut off or swapped with its card, is never loaded; it is said how to go back."""
    name, other = keep(logbook, tmp_path, 1), keep(logbook, tmp_path, 2)
    use_weights(logbook, name)
    path, canary = find_weights_path(logbook, name), tmp_path / "canary"
    whole, card = path.read_bytes(), path.with_suffix(".json").read_text(encoding="utf-8")
    path.write_bytes(whole[:-100])
    with pytest.raises(AnnotateError, match="leafshade weights use shipped"):
        find_in_use(logbook)
    poison = pickle.dumps(Poison(canary), protocol=2)
    path.write_bytes(poison)
    import hashlib

    sealed = card.replace(hashlib.sha256(whole).hexdigest(), hashlib.sha256(poison).hexdigest())
    path.with_suffix(".json").write_text(sealed, encoding="utf-8")
    with pytest.raises(AnnotateError, match="expected weights with the sha256"):
        find_in_use(logbook)
    with pytest.raises(AnnotateError, match="are not used"):
        use_weights(logbook, name)
    assert not canary.exists()
    theirs = find_weights_path(logbook, other)
    shutil.copy(theirs, path)
    shutil.copy(theirs.with_suffix(".json"), path.with_suffix(".json"))
    with pytest.raises(AnnotateError, match="found others"):
        find_in_use(logbook)
    use_weights(logbook, SHIPPED)
    assert find_in_use(logbook) == weights_kept.DEFAULT_WEIGHTS


@pytest.mark.parametrize(
    "note",
    [
        "",
        "{",
        "[]",
        '{"format": "other"}',
        '{"format": "leafshade-weights-in-use", "name": "../x", "sha256": ""}',
        "9" * 10_000,
    ],
)
def test_a_broken_note_of_what_is_in_use_is_refused(logbook: Logbook, note: str) -> None:
    """Whatever stands in place of the note, no other weights are used silently, and one command puts it right."""
    weights_folder(logbook).mkdir()
    (weights_folder(logbook) / IN_USE_NAME).write_text(note, encoding="utf-8")
    with pytest.raises(AnnotateError, match="leafshade weights use shipped"):
        find_in_use(logbook)
    use_weights(logbook, SHIPPED)
    assert find_in_use(logbook) == weights_kept.DEFAULT_WEIGHTS


def test_a_card_alone_is_listed_with_its_fault(logbook: Logbook, tmp_path: Path) -> None:
    """Weights whose file is gone, or whose card is broken, stand in the list with what is wrong; the others can still be used."""
    name, other = keep(logbook, tmp_path, 1), keep(logbook, tmp_path, 2)
    find_weights_path(logbook, name).unlink()
    find_weights_path(logbook, other).with_suffix(".json").write_text("{}", encoding="utf-8")
    faults = {one.name: one.fault for one in list_weights(logbook)}
    assert faults[SHIPPED] == "" and faults[name] and faults[other]
    shown = CliRunner().invoke(app, ["weights", "--logbook", str(logbook.folder)])
    assert shown.exit_code == 0 and "cannot be read" in shown.output


def test_searches_use_the_weights_in_use_and_say_so(
    logbook: Logbook, tmp_path: Path, make_clip: Callable[..., Path]
) -> None:
    """A search works with the logbook's own weights, and its record names them with their hash."""
    clip = make_clip(
        "walk.mp4", times_s=30, size_px=(96, 128), metadata={"creation_time": "2026-05-17T11:42:00Z"}
    )
    name = keep(logbook, tmp_path, 1)
    use_weights(logbook, name)
    searched, failures = search_clips(
        logbook, [clip], order=SearchOrder(None, False, None), console=Console(stderr=True, quiet=True)
    )
    assert failures == []
    past = find_current_search(logbook, searched[0].clip.id)
    sha256 = load_weights(find_weights_path(logbook, name))[1].weights_sha256
    assert past is not None and past.scorer == f"{name} {sha256[:8]}"


def test_kept_weights_are_evaluated_by_their_name(
    logbook: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`leafshade evaluate --weights NAME`, asked in the logbook, measures the weights of that name, old ones and new."""
    for seed in (1, 2):
        name = keep(logbook, tmp_path, seed)
        monkeypatch.chdir(logbook.folder)
        done = CliRunner().invoke(app, ["evaluate", "--weights", name, "--draw", "0"])
        assert done.exit_code == 0, done.output
        assert f"Scorer: {name} {name[-8:]}" in done.output
    with pytest.raises(AnnotateError, match="see them with: leafshade weights"):
        CliRunner().invoke(
            app, ["evaluate", "--weights", "2026-11-28-00000000", "--draw", "0"], catch_exceptions=False
        )


def test_old_and_new_are_compared_on_trees_held_out(logbook: Logbook, tmp_path: Path, tiny: Path) -> None:
    """`leafshade evaluate --against` shows both the labels held out, says how sure the difference is, and changes nothing."""
    name = keep(logbook, tmp_path, 1)
    at = ["--logbook", str(logbook.folder)]
    figures = tmp_path / "figures.json"
    asked = ["evaluate", "--weights", name, "--against", SHIPPED, "--json", str(figures), *at]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 0, done.output
    found = sum_labels(gather_set(logbook).held_out)
    said = " ".join(done.output.split())
    assert (
        f"On {found.larvae} larvae and {found.others} dismissed things of {found.groups} trees and dates"
        in said
    )
    assert f"that nothing learned from, {name} put the larva first in" in said
    written = json.loads(figures.read_text(encoding="utf-8"))
    assert (written["new"], written["old"]) == (name, SHIPPED)
    comparison = compare_weights(gather_set(logbook).held_out, tiny, find_weights_path(logbook, name), seed=0)
    assert written["labels"] == asdict(comparison)
    assert find_in_use(logbook) == tiny
    same = CliRunner().invoke(app, ["evaluate", "--against", SHIPPED, *at])  # those in use: the same
    assert "the difference of +0.0 points lies between +0.0 points and +0.0 points" in " ".join(
        same.output.split()
    )


def test_what_cannot_be_compared_is_refused(logbook: Logbook, tmp_path: Path) -> None:
    """Unknown weights, a logbook without held-out labels, and clips beside the labels: each in a sentence, nothing written."""
    at = ["--logbook", str(logbook.folder)]
    empty = create_logbook(tmp_path / "new", zone="UTC")
    for arguments, message in (
        (["--against", "2026-11-28-00000000", *at], "see them with: leafshade weights"),
        (["--against", str(tmp_path / "none.pt"), *at], "none.json: cannot be read"),
        (["--against", SHIPPED, "--logbook", str(empty)], "judge candidates of more trees and days"),
        (["--against", SHIPPED, "--keep", *at], "ask for that in a second run"),
        (["clip.mp4", "--against", SHIPPED, *at], "ask for that in a second run"),
    ):
        done = CliRunner().invoke(app, ["evaluate", *arguments])
        assert isinstance(done.exception, AnnotateError | ModelsError), done.output
        assert message in str(done.exception) and "found" in str(done.exception)


COMPARED = Comparison(60, 80, 12, 0.80, 0.86, 0.02, 0.10, 0.7, 0.8, 0.95, 2000, 0)


@pytest.mark.parametrize(
    ("low", "high", "new_recall", "shipped", "is_better", "said"),
    [
        (0.02, 0.10, 0.40, 0.40, True, "nothing was forgotten"),
        (0.02, 0.10, 0.39, 0.40, True, "no more than the 1 point allowed was"),
        (0.02, 0.10, 0.389, 0.40, False, "more than the 1 point allowed"),
        (0.02, 0.10, 0.395, 0.42, False, "the program's own 42.0 %"),
        (0.00, 0.10, 0.45, 0.40, False, "it may be chance"),
        (-0.10, -0.01, 0.45, 0.40, False, "they are worse"),
    ],
)
def test_only_what_is_surely_better_and_forgot_nothing_takes_over(
    low: float, high: float, new_recall: float, shipped: float, is_better: bool, said: str
) -> None:
    """New weights take over where the interval lies above nothing and drawn recall fell by 1 point at most."""
    reasons, takes_over = decide(
        replace(COMPARED, low=low, high=high), DrawnRecall(340, 0.40, new_recall, shipped)
    )
    assert takes_over == is_better
    assert said in " ".join(reasons)
    assert "60 larvae and 80 dismissed things of 12 trees and dates" in reasons[0]


def test_a_gpu_is_used_only_where_there_is_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """auto takes a GPU where torch finds one; asked for where there is none, it is refused."""
    monkeypatch.setattr(torch.cuda, "is_available", lambda: False)
    assert choose_device("auto") == choose_device("cpu") == "cpu"
    for asked in ("cuda", "tpu"):
        with pytest.raises(AnnotateError, match="leave it at auto"):
            choose_device(asked)
    monkeypatch.setattr(torch.cuda, "is_available", lambda: True)
    assert (choose_device("auto"), choose_device("cpu")) == ("cuda", "cpu")


def test_weights_that_do_not_fit_their_card_end_a_training(logbook: Logbook, tmp_path: Path) -> None:
    """A training begins with the weights in use; where these are broken it says so and changes nothing."""
    name = keep(logbook, tmp_path, 1)
    use_weights(logbook, name)
    path = find_weights_path(logbook, name)
    path.write_bytes(b"nothing")
    with pytest.raises((AnnotateError, ModelsError), match="leafshade weights use shipped"):
        run_training(logbook)
    path.rename(path.with_name("other.pt"))
    with pytest.raises(
        AnnotateError, match=rf"found that {path.name} cannot be read.*leafshade weights use shipped"
    ):
        run_training(logbook)
