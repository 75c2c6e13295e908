"""The command that measures how good the search is, on drawn clips it never learned from and on real pictures without larvae.

It gathers what is measured, shows and writes the figures; they are computed in `detect.clip_figures` and `models.evaluate`.
"""

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.errors import AnnotateError
from annotate.json_files import write_json, write_text

if TYPE_CHECKING:
    from rich.console import Console

    from annotate.logbook.opening import Logbook
    from detect.clip_measuring import MeasuredClip, Measuring
    from detect.scoring import Scorer
    from models.alternatives import Finder
    from models.cards import DetectionCurve

DEFAULT_CLIPS = 60
"""As `models.canopy.held_out` says; repeated here so that the help needs no import."""

PICTURE_NAMES = ("*.jpg", "*.jpeg", "*.png")


@dataclass(frozen=True, slots=True)
class _Course:
    """What is evaluated: clips with truth, pictures in which no larva is, and the folder and names of scanned leaflets."""

    clips: tuple[Path, ...]
    photos: tuple[Path, ...]
    leaflet_folder: Path
    leaflets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Outputs:
    """Where the figures go besides the screen; None for nowhere."""

    json_file: Path | None
    table_file: Path | None
    plot_folder: Path | None
    is_kept: bool


@app.command("evaluate")
def evaluate(
    clips: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[CLIP]...",
            help="Clips with a truth file beside them, or folders of them. Without any, clips are drawn.",
            show_default=False,
        ),
    ] = None,
    count: Annotated[
        int,
        typer.Option(
            "--draw",
            min=0,
            help="How many clips are drawn where none are given. Each takes a core a minute and a half, all cores draw at once, "
            "and what is drawn is kept: 60 take about 45 minutes on two cores, the first time.",
        ),
    ] = DEFAULT_CLIPS,
    folder: Annotated[
        Path, typer.Option("--folder", help="Where drawn clips are kept, so that they are drawn once.")
    ] = Path("evaluation"),
    photos: Annotated[
        Path | None,
        typer.Option("--photos", help="A folder of real pictures in which no larva is.", show_default=False),
    ] = None,
    leaflets: Annotated[
        Path | None,
        typer.Option(
            "--leaflets",
            help="A folder of scanned leaflets with masks, for the missing leaf area: rgb, leaf_mask, damage_mask.",
            show_default=False,
        ),
    ] = None,
    alternatives: Annotated[
        bool, typer.Option("--alternatives", help="Also show the same frames to general finders.")
    ] = False,
    weights: Annotated[
        Path | None,
        typer.Option(
            "--weights",
            help="Measure these weights: NAME.pt with its card beside it, or a name that 'leafshade weights' lists here.",
            show_default=False,
        ),
    ] = None,
    against: Annotated[
        Path | None,
        typer.Option(
            "--against",
            help="Compare with these older weights, named as for --weights, on the labels that this logbook holds out: trees and "
            "dates that nothing learned from. Without --weights, those in use are compared with them. No clip is searched.",
            show_default=False,
        ),
    ] = None,
    workers: Annotated[
        int,
        typer.Option(
            min=1,
            help="Processes that measure clips side by side; with more than one the seconds are those of a busy computer.",
        ),
    ] = 1,
    json_file: Annotated[
        Path | None, typer.Option("--json", help="Write all figures to this file.", show_default=False)
    ] = None,
    table_file: Annotated[
        Path | None,
        typer.Option("--table", help="Write the tables to this file as Markdown.", show_default=False),
    ] = None,
    plot_folder: Annotated[
        Path | None,
        typer.Option(
            "--plots",
            help="Draw plots into this folder (PNG and SVG); needs leafshade[evaluation].",
            show_default=False,
        ),
    ] = None,
    keep: Annotated[
        bool,
        typer.Option(
            "--keep",
            help="Write the figures, and the chance to find a larva by its length and sharpness, into the weights' card.",
        ),
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Measure how many larvae the search finds, by their length, and how often it is wrong.

    A larva counts when at least half of it shows for a second. It is found where a candidate's middle lies within half its
    length of it (6 px at least) in most views. Larvae that stand out from what is around them are also counted alone.
    """
    from rich.console import Console

    from detect.clip_measuring import measure_clips
    from detect.default_scorer import settle_threads
    from detect.network_scoring import load_network_scorer
    from models.cards import DEFAULT_WEIGHTS

    console = Console(stderr=True)
    outputs = _Outputs(json_file, table_file, plot_folder, keep)
    if against is not None:
        _refuse_beside_against(clips, photos, leaflets, alternatives, table_file, plot_folder, keep)
        _check_outputs(outputs, has_clips=False)
        _compare_on_labels(weights, against, outputs=outputs, logbook=logbook)
        return
    _check_outputs(outputs, has_clips=bool(clips) or count > 0)
    weights_path = DEFAULT_WEIGHTS if weights is None else _find_weights(weights, logbook=logbook)
    settle_threads()
    scorer = load_network_scorer(weights_path)
    course = _gather(clips or [], count, folder, photos=photos, leaflets=leaflets, console=console)
    figures: dict[str, Any] = {
        "scorer": scorer.name,
        "clips": len(course.clips),
        "photos": len(course.photos),
    }
    curve: DetectionCurve | None = None
    if course.clips:
        measuring = _choose_measuring(weights_path, alternatives=alternatives, console=console)
        measured = list(
            _track(
                measure_clips(course.clips, measuring, workers=workers),
                "Measuring clips",
                console,
                total=len(course.clips),
            )
        )
        figures["search"] = _summarise_searches(measured)
        figures["frames"] = _summarise_frames(measured, alternatives=alternatives)
        curve = _fit_detection(measured, figures)
    if course.photos:
        figures["photographs"] = _evaluate_photos(course.photos, scorer, console)
    if course.leaflets:
        figures["leaflets"] = _evaluate_leaflets(course, console)
    print_figures(figures)
    _write(figures, curve, outputs)
    if keep:
        _keep(figures, curve, weights_path)


def _find_weights(given: Path, *, logbook: Path | None) -> Path:
    """Return the weight file that is meant: a path, or the name of weights that the logbook keeps."""
    if not _is_kept_name(given):
        return given
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook)) as opened:
        return _find_kept(given, opened)


def _find_kept(given: Path, opened: "Logbook") -> Path:
    from annotate.learning.weights_kept import find_weights_path

    return find_weights_path(opened, str(given)) if _is_kept_name(given) else given


def _is_kept_name(given: Path) -> bool:
    from annotate.learning.weights_kept import NAME, SHIPPED

    name = str(given)
    return not given.exists() and (name == SHIPPED or NAME.fullmatch(name) is not None)


def _refuse_beside_against(*options: object) -> None:
    """Refuse what measures clips or pictures beside `--against`, rather than pass over it."""
    if any(options):
        raise AnnotateError(
            "--against: expected --weights, --json and --logbook at most beside it, found what measures clips or pictures; "
            "ask for that in a second run"
        )


def _compare_on_labels(
    weights: Path | None, against: Path, *, outputs: _Outputs, logbook: Path | None
) -> None:
    """Show the labels held out of a logbook to two weights, print both side by side and what follows from it."""
    from dataclasses import asdict

    from annotate.commands.notebook import print_table
    from annotate.commands.train import lay_out_shares, list_compared
    from annotate.learning.training_set import check_held_out, gather_set
    from annotate.learning.weights_compared import compare_weights, say_comparison
    from annotate.learning.weights_kept import SHIPPED, find_in_use, find_weights_path
    from annotate.logbook.opening import open_logbook
    from models.cards import find_card_path, read_card

    with open_logbook(choose_logbook(logbook)) as opened:
        new_path = find_in_use(opened) if weights is None else _find_kept(weights, opened)
        old_path = _find_kept(against, opened)
        held_out = gather_set(opened).held_out
        check_held_out(held_out)
        comparison = compare_weights(held_out, old_path, new_path, seed=0)
        shipped = find_weights_path(opened, SHIPPED)
    new, old = (
        SHIPPED if path == shipped else read_card(find_card_path(path)).name for path in (new_path, old_path)
    )
    print_table(lay_out_shares(list_compared(comparison), old=old, new=new), "")
    print(say_comparison(comparison, new=new, old=old))
    if outputs.json_file is not None:
        figures = {"new": new, "old": old, "labels": asdict(comparison)}
        write_json(outputs.json_file, figures, what="the figures", advice="choose another")


def _check_outputs(outputs: _Outputs, *, has_clips: bool) -> None:
    """Refuse what could not be written before an hour is spent on measuring it."""
    for path, option in ((outputs.json_file, "--json"), (outputs.table_file, "--table")):
        if path is None:
            continue
        parent = path.absolute().parent
        if path.is_dir() or not parent.is_dir() or not os.access(parent, os.W_OK):
            found = (
                "a folder"
                if path.is_dir()
                else "no folder to write in"
                if not parent.is_dir()
                else "no right to write"
            )
            raise AnnotateError(
                f"{path}: expected a file to write for {option}, found {found}; give another name"
            )
    if outputs.plot_folder is not None:
        from models.figure_plots import check_plotting

        check_plotting()
        if outputs.plot_folder.exists() and not outputs.plot_folder.is_dir():
            raise AnnotateError(
                f"{outputs.plot_folder}: expected a folder for --plots, found a file; give another name"
            )
    if outputs.is_kept and not has_clips:
        raise AnnotateError(
            "--keep: expected clips to measure on, found --draw 0 and none given; draw some or name some"
        )


def _gather(
    clips: Sequence[str],
    count: int,
    folder: Path,
    *,
    photos: Path | None,
    leaflets: Path | None,
    console: "Console",
) -> _Course:
    """Find everything that is to be measured, each file checked, and draw last what is missing."""
    from detect.leaflet_scans import list_leaflets

    given = _gather_clips(clips, console) if clips else ()
    pictures = _gather_photos(photos) if photos is not None else ()
    names = tuple(list_leaflets(leaflets)) if leaflets is not None else ()
    chosen = given or _draw_clips(count, folder, console)
    return _Course(chosen, pictures, leaflets or Path(), names)


def _gather_clips(given: Sequence[str], console: "Console") -> tuple[Path, ...]:
    """Return the clips that are meant; each is opened and its truth read before the first is searched."""
    from detect.clip_paths import expand_paths
    from detect.clips import open_clip
    from models.canopy.truth import find_truth_path, read_truth

    paths: list[Path] = []
    for argument in given:
        folder = Path(argument).expanduser()
        paths += _list_with_truth(folder, console) if folder.is_dir() else expand_paths([argument]).paths
    for path in paths:
        open_clip(path)
        read_truth(find_truth_path(path))
    return tuple(paths)


def _list_with_truth(folder: Path, console: "Console") -> list[Path]:
    """Return the clips and pictures of a folder that have a truth file beside them, and name those that have none."""
    from detect.clip_paths import PHOTO_SUFFIXES, VIDEO_SUFFIXES
    from models.canopy.truth import find_truth_path

    files = [
        path for path in sorted(folder.iterdir()) if path.suffix.lower() in VIDEO_SUFFIXES | PHOTO_SUFFIXES
    ]
    found = [path for path in files if find_truth_path(path).is_file()]
    if not found:
        raise AnnotateError(
            f"{folder}: expected clips with NAME.truth.json beside them, found "
            f"{f'{len(files)} without' if files else 'no clip'}; give another folder, or none to draw clips"
        )
    for path in files:
        if path not in found:
            console.print(
                f"Passed over: {path} has no truth file", markup=False, highlight=False, style="dim"
            )
    return found


def _draw_clips(count: int, folder: Path, console: "Console") -> tuple[Path, ...]:
    """Return clips of plants, light and cameras that training never sees; those not yet there are drawn on all cores."""
    from models.canopy.held_out import draw_held_out, find_missing, list_held_out

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise AnnotateError(
            f"{folder}: expected a folder for drawn clips, found: {error.strerror}; give another with --folder"
        ) from error
    paths = list_held_out(folder, count)
    missing = find_missing(paths)
    drawn = draw_held_out(missing, workers=min(os.cpu_count() or 1, max(1, len(missing))))
    for _ in _track(drawn if missing else (), "Drawing clips", console, total=len(missing)):
        pass
    return tuple(paths)


def _gather_photos(folder: Path) -> tuple[Path, ...]:
    found = sorted(path for pattern in PICTURE_NAMES for path in folder.glob(pattern))
    if not found:
        raise AnnotateError(
            f"{folder}: expected a folder of JPEG or PNG pictures, found none; give another folder"
        )
    return tuple(found)


def _choose_measuring(weights_path: Path, *, alternatives: bool, console: "Console") -> "Measuring":
    from detect.clip_measuring import Measuring

    with_generic = alternatives and bool(_load_generic(console))
    return Measuring(weights_path, with_classical=alternatives, with_generic=with_generic)


def _summarise_searches(measured: Sequence["MeasuredClip"]) -> dict[str, Any]:
    from detect.clip_figures import summarise_clips
    from detect.search import SearchSettings

    watched = [clip.watched for clip in measured]
    return summarise_clips(watched, threshold=SearchSettings().silhouette_score)


def _fit_detection(measured: Sequence["MeasuredClip"], figures: dict[str, Any]) -> "DetectionCurve | None":
    """Fit the chance to find a larva, put it into the figures and return it; where it cannot be fitted, the reason instead."""
    from dataclasses import asdict

    from detect.clip_figures import fit_chances
    from detect.search import SearchSettings
    from models.errors import ModelsError

    settings = SearchSettings()
    try:
        curve = fit_chances(
            [look for clip in measured for look in clip.looks],
            [clip.watched for clip in measured],
            follow_score=settings.follow_score,
            silhouette_score=settings.silhouette_score,
        )
    except ModelsError as error:
        figures["detection"] = None
        figures["detection_missing"] = str(error)
        return None
    figures["detection"] = asdict(curve)
    return curve


def _summarise_frames(measured: Sequence["MeasuredClip"], *, alternatives: bool) -> dict[str, Any]:
    """Report on single frames shown to the search's scorer, to the hand-made one and, where asked, to general finders."""
    from detect.clip_measuring import SEARCH
    from detect.search import SearchSettings
    from models.evaluate import compare_at_equal_recall, report_finders, start_tally

    tally = start_tally(measured[0].tally.offered)
    for clip in measured:
        tally.add(clip.tally)
    reports = report_finders(tally)
    threshold = SearchSettings().silhouette_score
    figures: dict[str, Any] = {
        name: report.summarise(threshold=threshold) for name, report in reports.items()
    }
    figures[SEARCH]["calibration"] = reports[SEARCH].summarise_calibration()
    if alternatives:
        figures["at_equal_recall"] = compare_at_equal_recall(reports, ours=SEARCH)
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


def _evaluate_photos(photos: Sequence[Path], scorer: "Scorer", console: "Console") -> dict[str, Any]:
    """False silhouettes in pictures without larvae, each searched as a photo of its own."""
    from detect.evaluation import count_silhouettes
    from detect.search import SearchSettings

    false = {
        path.name: count_silhouettes(path, SearchSettings(), scorer=scorer)
        for path in _track(photos, "Looking at photographs", console)
    }
    return {"false_silhouettes_per_picture": sum(false.values()) / len(false), "by_picture": false}


def _evaluate_leaflets(course: _Course, console: "Console") -> dict[str, Any]:
    """Missing leaf area of scanned leaflets against their masks."""
    from detect.leaflet_scans import measure_leaflets, summarise_leaves

    leaves = list(
        _track(
            measure_leaflets(course.leaflet_folder, course.leaflets),
            "Measuring leaflets",
            console,
            total=len(course.leaflets),
        )
    )
    errors = summarise_leaves(leaves)
    return {
        "leaves": errors.count,
        "mean_absolute_error_points": errors.mean_absolute,
        "bias_points": errors.bias,
        "root_mean_square_error_points": errors.root_mean_square,
    }


def _track(items: Iterable[Any], what: str, console: "Console", *, total: int | None = None) -> Any:
    from rich.progress import track

    return track(items, description=what, console=console, transient=True, total=total)


def print_figures(figures: dict[str, Any]) -> None:
    """Print the figures as tables a person reads."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    from models.figure_tables import list_tables

    console = Console()
    console.print(f"Scorer: {figures['scorer']}", highlight=False, markup=False)
    for table in list_tables(figures):
        console.print(f"\n{table.title}", highlight=False, markup=False)
        shown = Table(box=box.SIMPLE_HEAD, pad_edge=False)
        for number, heading in enumerate(table.headings):
            shown.add_column(heading, justify="right" if number else "left")
        for row in table.rows:
            shown.add_row(*row)
        console.print(shown)
        for note in table.notes:
            console.print(note, highlight=False, markup=False)
    if figures.get("detection_missing"):
        console.print(
            f"\nNo curve by length and sharpness: {figures['detection_missing']}",
            highlight=False,
            markup=False,
        )


def _write(figures: dict[str, Any], curve: "DetectionCurve | None", outputs: _Outputs) -> None:
    from models.figure_tables import clean_figures, write_markdown

    if outputs.json_file is not None:
        write_json(outputs.json_file, clean_figures(figures), what="the figures", advice="choose another")
    if outputs.table_file is not None:
        text = write_markdown(figures)
        write_text(outputs.table_file, text, what="the tables", advice="choose another")
    if outputs.plot_folder is not None:
        from models.figure_plots import draw_plots

        for path in draw_plots(figures, outputs.plot_folder, curve=curve):
            print(path)


def _keep(figures: dict[str, Any], curve: "DetectionCurve | None", weights_path: Path) -> None:
    from models.cards import find_card_path, keep_measured
    from models.figure_tables import shorten_figures

    if curve is None:
        raise AnnotateError(f"--keep: nothing was written into the card: {figures['detection_missing']}")
    keep_measured(weights_path, numbers={"evaluation": shorten_figures(figures)}, detection=curve)
    print(f"Kept in {find_card_path(weights_path)}")
