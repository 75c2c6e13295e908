"""The command that shows the whole job on the sample: Otterholt Wood searched for real, then judged in the browser."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import app

if TYPE_CHECKING:
    from rich.console import Console

    from annotate.logbook.opening import Logbook
    from annotate.searching import SearchedClip
    from detect.truth_scoring import ClipScore

DEMO_FOLDER = Path("otterholt-demo")
DEMO_TREE = "OT03"
DEMO_ZONE = "Europe/London"


@app.command("demo")
def demo(
    folder: Annotated[
        Path, typer.Argument(help="Where the demo's logbook is made, or found from last time.")
    ] = DEMO_FOLDER,
    serve: Annotated[
        bool,
        typer.Option(
            "--serve/--no-serve", help="Open the review page; or print what was found against the truth."
        ),
    ] = True,
    port: Annotated[
        int, typer.Option("--port", help="Port of the page; 0 takes a free one.", min=0, max=65535)
    ] = 0,
) -> None:
    """Make a logbook of Otterholt Wood, an invented copse, search its sample clip, and open the review."""
    from rich.console import Console

    from annotate.logbook.opening import create_logbook, is_logbook, open_logbook

    if not is_logbook(folder):
        create_logbook(folder, zone=DEMO_ZONE, recorder="Demo")
    print(f"Otterholt Wood is an invented copse; its logbook stands in {folder}")
    with open_logbook(folder) as logbook:
        searched = _search_sample(logbook, Console(stderr=True))
        if not serve:
            _print_against_truth(searched)
    if serve:
        from annotate.commands.review import review

        review(logbook=folder, port=port)


def find_sample() -> Path:
    """Return the folder of the sample clip, frames and trees."""
    import sample_frames

    return Path(next(iter(sample_frames.__path__)))


def _search_sample(logbook: "Logbook", console: "Console") -> list["SearchedClip"]:
    from annotate.commands.search import print_summary, search_clips
    from annotate.errors import AnnotateError
    from annotate.field.trees import import_trees
    from annotate.logbook.places import find_tree
    from annotate.searching import SearchOrder

    sample = find_sample()
    import_trees(logbook, sample / "otterholt-trees.csv")
    # Searched again each time: the demo shows the search at work, and verdicts given last time are kept all the same.
    order = SearchOrder(find_tree(logbook, DEMO_TREE), again=True, recorded_at=None)
    searched, failures = search_clips(logbook, sorted(sample.glob("*.mp4")), order=order, console=console)
    if failures:
        raise AnnotateError(failures[0])
    print_summary(logbook, searched)
    return searched


def _print_against_truth(searched: list["SearchedClip"]) -> None:
    """Print, for each clip, which drawn larvae were found and how many candidates were false."""
    from detect.truth_scoring import score_candidates
    from models.canopy.truth import find_truth_path, read_truth

    for outcome in searched:
        if outcome.found is None:
            continue
        truth = read_truth(find_truth_path(Path(outcome.clip.path)))
        score = score_candidates(outcome.found.candidates, truth, duration_s=outcome.found.duration_s)
        print(f"\n{outcome.clip.name} against the truth it was drawn from:")
        for line in describe_score(score):
            print(f"  {line}")


def describe_score(score: "ClipScore") -> list[str]:
    """Sentences and one line for each larva: found or missed, with its length."""
    lines = [
        f"larva {larva}, {length:.0f} px: {'found' if larva in score.found else 'missed'}"
        for larva, length in sorted({**score.found, **score.missed}.items(), key=lambda item: -item[1])
    ]
    lines.append(
        f"{score.false_silhouettes} false silhouettes ({score.false_silhouettes_per_minute:.1f} per minute of footage), "
        f"{score.repeats} repeats"
    )
    lines.append(f"feeding: {score.true_feeding} on drawn feeding, {score.false_feeding} elsewhere")
    return lines
