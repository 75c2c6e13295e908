"""The command that plants drawn larvae in clips to measure search and reviewer, and tells what was found of them."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import print_nothing, write_data

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from annotate.judging.planting import PlantedClip, PlantedRecall
    from annotate.judging.readers import Reviewer
    from annotate.logbook.opening import Logbook
    from annotate.sheets import Cell

COLUMNS = ("of", "name", "shortest_px", "shown", "found", "share", "low", "high")
MOST_SEED = 2**31
MOST_LARVAE = 50
"""More in one clip would hang side by side, as no larvae do."""


@app.command("plant")
def plant(
    clips: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="CLIP...",
            help="Clips of this logbook, folders of them, or wildcards.",
            show_default=False,
        ),
    ] = None,
    larvae: Annotated[
        int, typer.Option("--larvae", help="So many larvae in each clip.", min=1, max=MOST_LARVAE)
    ] = 5,
    seed: Annotated[
        int | None,
        typer.Option(
            "--seed", help="Plants the same again in a copy of the logbook.", min=0, show_default=False
        ),
    ] = None,
    report: Annotated[
        bool,
        typer.Option("--report", help="Tell what search and reviewers found of what was planted so far."),
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="With --report: write the figures as JSON, an array of objects.")
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Draw larvae into clips, in memory, and measure how many of them the search and the reviewers find.

    The clips themselves are never changed. What the search finds of the larvae comes up in the review among all else, and nothing
    there says which they are; confirmed, they are no observations and teach the network nothing.
    """
    from annotate.errors import AnnotateError
    from annotate.logbook.opening import open_logbook

    if report == bool(clips) or (as_json and not report):
        raise AnnotateError(
            "plant: expected clips to plant in, or --report (with or without --json) alone; found "
            f"{'both' if report and clips else 'neither' if not clips else '--json without --report'}; give one of them"
        )
    with open_logbook(choose_logbook(logbook)) as opened:
        if report:
            _report(opened, as_json=as_json)
            return
        failures = _plant_all(opened, clips or [], larvae=larvae, seed=seed)
    for failure in failures:
        print(f"leafshade: {failure}", file=sys.stderr)
    if failures:
        sys.exit(2)


def _plant_all(logbook: "Logbook", typed: "Sequence[str]", *, larvae: int, seed: int | None) -> list[str]:
    """Plant in one clip after another with a progress bar; a clip that cannot be used does not stop the rest."""
    from datetime import UTC, datetime

    import numpy as np
    from rich.console import Console

    from annotate.commands.audit import make_progress
    from annotate.errors import AnnotateError
    from annotate.judging.planting import plant_into_logbook
    from annotate.learning.weights_kept import find_in_use
    from detect.clip_paths import expand_paths
    from detect.clips import open_clip
    from detect.default_scorer import load_scorer, settle_threads
    from detect.errors import DetectError

    console = Console(stderr=True)
    found = expand_paths(typed)
    for sentence in found.passed_over:
        console.print(f"Passed over: {sentence}", markup=False, highlight=False, style="dim")
    settle_threads()
    scorer = load_scorer(find_in_use(logbook))
    chosen = int(np.random.default_rng().integers(MOST_SEED)) if seed is None else seed
    failures: list[str] = []
    with make_progress(console) as bar:
        for path in found.paths:
            task = bar.add_task(path.name, total=1.0)
            try:
                done = plant_into_logbook(
                    logbook,
                    open_clip(path),
                    larvae=larvae,
                    seed=chosen,
                    scorer=scorer,
                    at=datetime.now(UTC),
                    on_progress=lambda share, task=task: bar.update(task, completed=share),  # type: ignore[misc]
                )
            except (AnnotateError, DetectError) as error:
                failures.append(str(error))
                continue
            finally:
                bar.remove_task(task)
            _tell(console, path.name, done, chosen)
    return failures


def _tell(console: "Console", name: str, done: "PlantedClip", seed: int) -> None:
    """Say what was planted; not what the search made of each, which would tell the reviewer what to look for."""
    few = "" if done.planted == done.wanted else f", no room for {done.wanted - done.planted} more"
    console.print(
        f"{name}: planted {done.planted} of {done.wanted} larvae (seed {seed}){few}. "
        "What the search found of them is in the review; see later: leafshade plant --report",
        markup=False,
        highlight=False,
        soft_wrap=True,
    )


def _report(logbook: "Logbook", *, as_json: bool) -> None:
    from annotate.judging.planting import measure_recall, say_recall
    from annotate.judging.readers import sum_readers
    from annotate.logbook.planted import list_planted
    from annotate.logbook.second_reading import list_all_said
    from annotate.logbook.verdicts import find_renamed

    planted = list_planted(logbook)
    recalls = measure_recall(planted)
    readers = sum_readers(list_all_said(logbook), find_renamed(logbook)).reviewers
    if as_json:
        write_data(COLUMNS, _describe(recalls, readers), as_json=True)
        return
    if not planted:
        print_nothing("", "Nothing was planted yet.", advice="Plant larvae in clips: leafshade plant CLIP")
        return
    for scorer in dict.fromkeys(recall.scorer for recall in recalls):
        print(f"Search by {scorer}, planted larvae by their length in the frame (95 % interval):")
        for recall in recalls:
            if recall.scorer == scorer:
                print(f"  {say_recall(recall)}")
    shown = [one for one in readers if one.hit_rate.shown]
    print("Reviewers, of the planted larvae they were shown:" if shown else "No reviewer has judged one yet.")
    for one in shown:
        rate = one.hit_rate
        print(
            f"  {one.name}: {rate.hits} of {rate.shown} confirmed, {rate.share:.0%} ({rate.low:.0%} to {rate.high:.0%})"
        )


def _describe(recalls: "Sequence[PlantedRecall]", readers: "Sequence[Reviewer]") -> "list[dict[str, Cell]]":
    rows: list[dict[str, Cell]] = [
        {
            "of": "search, all lengths" if recall.is_all else "search",
            "name": recall.scorer,
            "shortest_px": recall.low_px,
            "shown": recall.rate.shown,
            "found": recall.rate.hits,
            "share": recall.rate.share,
            "low": recall.rate.low,
            "high": recall.rate.high,
        }
        for recall in recalls
    ]
    rows += [
        {
            "of": "reviewer",
            "name": one.name,
            "shortest_px": None,
            "shown": one.hit_rate.shown,
            "found": one.hit_rate.hits,
            "share": one.hit_rate.share,
            "low": one.hit_rate.low,
            "high": one.hit_rate.high,
        }
        for one in readers
        if one.hit_rate.shown
    ]
    return rows
