"""The command that measures how good the search is, on drawn clips it never learned from and on real pictures without larvae."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from annotate.commands.base import app
from annotate.errors import AnnotateError
from annotate.json_files import write_json

if TYPE_CHECKING:
    from rich.console import Console

    from detect.evaluation import ClipOutcome
    from detect.scoring import Scorer
    from models.alternatives import Finder
    from models.evaluate import FinderReport

FIRST_SEED = 700_000
"""Evaluation draws from this seed on; training never reaches it."""

CLIP_SECONDS = 8.0
FRAME_EVERY_S = 2.0
"""Whole clips are searched as always; for the comparison side by side, one frame in so many seconds is enough."""

DEFAULT_RATE, LOOSE_RATE = 1.0, 5.0
"""False candidates a minute at which recall is read: as by default, and for a second pass."""

PICTURE_NAMES = ("*.jpg", "*.jpeg", "*.png")


@dataclass(frozen=True, slots=True)
class _Course:
    """What is evaluated: clips with truth, and pictures in which no larva is."""

    clips: tuple[Path, ...]
    photos: tuple[Path, ...]


@app.command("evaluate")
def evaluate(
    clips: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[CLIP]...",
            help="Clips with a truth file beside them. Without any, clips are drawn.",
            show_default=False,
        ),
    ] = None,
    count: Annotated[
        int, typer.Option("--draw", min=0, help="How many clips are drawn where none are given.")
    ] = 12,
    folder: Annotated[
        Path, typer.Option("--folder", help="Where drawn clips are kept, so that they are drawn once.")
    ] = Path("evaluation"),
    photos: Annotated[
        Path | None,
        typer.Option("--photos", help="A folder of real pictures in which no larva is.", show_default=False),
    ] = None,
    alternatives: Annotated[
        bool, typer.Option("--alternatives", help="Also show the same frames to general finders.")
    ] = False,
    json_file: Annotated[
        Path | None, typer.Option("--json", help="Write all figures to this file.", show_default=False)
    ] = None,
) -> None:
    """Measure how many larvae the search finds, by their length, and how often it is wrong.

    A larva counts as found where a candidate's middle lies within half its length of it (6 px at least) in most views.
    """
    from rich.console import Console

    from detect.default_scorer import load_scorer, settle_threads

    console = Console(stderr=True)
    settle_threads()
    scorer = load_scorer()
    course = _Course(_gather_clips(clips or [], count, folder, console), _gather_photos(photos))
    figures: dict[str, Any] = {
        "scorer": scorer.name,
        "clips": len(course.clips),
        "photos": len(course.photos),
    }
    if course.clips:
        figures["search"] = _evaluate_searches(course.clips, scorer, console)
        figures["frames"] = _evaluate_frames(course.clips, scorer, alternatives=alternatives, console=console)
    if course.photos:
        figures["photographs"] = _evaluate_photos(course.photos, scorer, console)
    print_figures(figures)
    if json_file is not None:
        write_json(json_file, figures, what="the figures", advice="choose another")


def _gather_clips(given: Sequence[Path], count: int, folder: Path, console: "Console") -> tuple[Path, ...]:
    """Return the clips given, or draw clips of plants, light and cameras that training never sees."""
    if given:
        return tuple(given)
    from dataclasses import replace

    import numpy as np

    from models.canopy.presets import find_preset
    from models.canopy.truth import find_truth_path
    from models.canopy.write import write_clip

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise AnnotateError(
            f"{folder}: expected a folder for drawn clips, found: {error.strerror}; give another with --folder"
        ) from error
    settings = replace(find_preset("held-out"), duration_s=CLIP_SECONDS)
    paths = [folder / f"held-out-{FIRST_SEED + number}.mp4" for number in range(count)]
    for path in _track(paths, "Drawing clips", console):
        if not (path.exists() and find_truth_path(path).exists()):
            write_clip(path, settings, rng=np.random.default_rng(int(path.stem.rsplit("-", 1)[1])))
    return tuple(paths)


def _gather_photos(folder: Path | None) -> tuple[Path, ...]:
    if folder is None:
        return ()
    found = sorted(path for pattern in PICTURE_NAMES for path in folder.glob(pattern))
    if not found:
        raise AnnotateError(
            f"{folder}: expected a folder of JPEG or PNG pictures, found none; give another folder"
        )
    return tuple(found)


def _evaluate_searches(clips: Sequence[Path], scorer: "Scorer", console: "Console") -> dict[str, Any]:
    from detect.evaluation import find_threshold, search_with_truth
    from detect.search import SearchSettings

    settings = SearchSettings()
    outcomes = [
        search_with_truth(path, settings, scorer=scorer) for path in _track(clips, "Searching clips", console)
    ]
    thresholds = {
        "default": settings.silhouette_score,
        f"at {DEFAULT_RATE:g} false a minute": find_threshold(outcomes, false_per_minute=DEFAULT_RATE),
        f"at {LOOSE_RATE:g} false a minute": find_threshold(outcomes, false_per_minute=LOOSE_RATE),
    }
    return {
        "minutes": sum(outcome.duration_s for outcome in outcomes) / 60,
        "larvae": sum(len(outcome.lengths_px) for outcome in outcomes),
        "at": {name: _count_at(outcomes, threshold) for name, threshold in thresholds.items()},
        "length_error_median_percent": _find_length_error(outcomes),
    }


def _count_at(outcomes: Sequence["ClipOutcome"], threshold: float) -> dict[str, Any]:
    from detect.evaluation import count_outcomes
    from models.evaluate import name_class

    counted = count_outcomes(outcomes, threshold=threshold)
    return {
        "threshold": threshold,
        "false_per_minute": counted.false_per_minute,
        "found_by_length_px": {
            name_class(low, high): {"found": found, "of": of}
            for (low, high), (found, of) in counted.found.items()
        },
        "recall_16_px_and_over": counted.find_share(16),
    }


def _find_length_error(outcomes: Sequence["ClipOutcome"]) -> float | None:
    from statistics import median

    errors = [abs(error) for outcome in outcomes for error in outcome.length_errors.values()]
    return 100 * median(errors) if errors else None


def _evaluate_frames(
    clips: Sequence[Path], scorer: "Scorer", *, alternatives: bool, console: "Console"
) -> dict[str, Any]:
    """Show single frames to the search's scorer, to the hand-made one and, where asked, to general finders."""
    from detect.evaluation import make_finder, sample_frames
    from detect.scoring import HandMadeScorer
    from detect.search import SearchSettings
    from models.alternatives import CLASSICAL
    from models.evaluate import evaluate_finders

    finders: dict[str, Finder] = {"search": make_finder(scorer), "hand-made": make_finder(HandMadeScorer())}
    if alternatives:
        finders |= CLASSICAL
        finders |= _load_generic(console)
    frames = (
        frame
        for path in _track(clips, "Looking at frames", console)
        for frame in sample_frames(path, every_s=FRAME_EVERY_S)
    )
    reports = evaluate_finders(finders, frames)
    threshold = SearchSettings().silhouette_score
    figures: dict[str, Any] = {
        name: report.summarise(threshold=threshold) for name, report in reports.items()
    }
    figures["search"]["calibration"] = reports["search"].summarise_calibration()
    if alternatives:
        figures["at_equal_recall"] = compare_at_equal_recall(reports)
    return figures


def _load_generic(console: "Console") -> dict[str, "Finder"]:
    """Return the generic deep detector by name; none, and a line that says why, where its weights are not there."""
    from models.errors import ModelsError
    from models.generic import NAME, load_detector, make_finder

    try:
        return {NAME: make_finder(load_detector())}
    except ModelsError as error:
        console.print(f"{NAME} is left out: {error}", highlight=False, markup=False, soft_wrap=True)
        return {}


def compare_at_equal_recall(reports: dict[str, "FinderReport"]) -> dict[str, Any]:
    """False marks a picture of every finder at the recall that the best other one reaches with 5 false marks a picture."""
    others = {name: report for name, report in reports.items() if name != "search"}
    recall = max(report.find_recall_at(LOOSE_RATE) for report in others.values())
    return {
        "recall": recall,
        "false_per_picture": {name: r.find_false_at(recall) for name, r in reports.items()},
    }


def _evaluate_photos(photos: Sequence[Path], scorer: "Scorer", console: "Console") -> dict[str, Any]:
    """False silhouettes in pictures without larvae, each searched as a photo of its own."""
    from detect.clips import open_clip
    from detect.search import SearchSettings, search_clip

    settings = SearchSettings()
    false = {
        path.name: sum(
            c.kind == "silhouette" for c in search_clip(open_clip(path), settings, scorer=scorer).candidates
        )
        for path in _track(photos, "Looking at photographs", console)
    }
    return {"false_silhouettes_per_picture": sum(false.values()) / len(false), "by_picture": false}


def _track(items: Sequence[Any], what: str, console: "Console") -> Any:
    from rich.progress import track

    return track(items, description=what, console=console, transient=True)


def print_figures(figures: dict[str, Any]) -> None:
    """Print the figures as tables a person reads."""
    from rich.console import Console

    console = Console()
    console.print(f"Scorer: {figures['scorer']}", highlight=False)
    for name, show in (("search", _show_search), ("frames", _show_frames), ("photographs", _show_photos)):
        if name in figures:
            show(figures[name], console.print)


def _show_search(figures: dict[str, Any], say: Callable[..., None]) -> None:
    from rich.table import Table

    say(f"\nWhole clips: {figures['minutes']:.1f} minutes, {figures['larvae']} larvae", highlight=False)
    first = next(iter(figures["at"].values()))
    table = Table(box=None, pad_edge=False)
    for heading in ("Threshold", *(f"{name} px" for name in first["found_by_length_px"]), "False a minute"):
        table.add_column(heading, justify="left" if heading == "Threshold" else "right")
    for name, row in figures["at"].items():
        shares = [f"{c['found']}/{c['of']}" for c in row["found_by_length_px"].values()]
        table.add_row(f"{row['threshold']:.2f} ({name})", *shares, f"{row['false_per_minute']:.2f}")
    say(table)
    if figures["length_error_median_percent"] is not None:
        say(
            f"Median error of the body length: {figures['length_error_median_percent']:.1f} %",
            highlight=False,
        )


def _show_frames(figures: dict[str, Any], say: Callable[..., None]) -> None:
    from rich.table import Table

    say("\nSingle frames, side by side", highlight=False)
    table = Table(box=None, pad_edge=False)
    for heading in (
        "Finder",
        "Recall at 0.5",
        "at 1",
        "at 5 false a frame",
        "Average precision",
        "ms a frame",
    ):
        table.add_column(heading, justify="left" if heading == "Finder" else "right")
    for name, row in figures.items():
        if name == "at_equal_recall":
            continue
        at = row["recall_at_false_per_picture"]
        table.add_row(
            name,
            *(f"{at[rate]:.2f}" for rate in ("0.5", "1.0", "5.0")),
            f"{row['average_precision']:.3f}",
            f"{1000 * row['seconds_per_picture']:.0f}",
        )
    say(table)
    say(
        f"Calibration of the search's score, expected error: {figures['search']['calibration']['expected_error']:.3f}",
        highlight=False,
    )


def _show_photos(figures: dict[str, Any], say: Callable[..., None]) -> None:
    count = len(figures["by_picture"])
    say(
        f"\n{count} real photographs without larvae: {figures['false_silhouettes_per_picture']:.2f} false silhouettes a picture",
        highlight=False,
    )
