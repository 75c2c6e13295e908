"""The command that searches clips: progress while it works, then a summary for each tree and what to do next."""

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.looking import look_at_missing
from annotate.numbers import say_count

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress

    from annotate.logbook.opening import Logbook
    from annotate.searching import SearchedClip, SearchOrder
    from detect.clips import ClipInfo


@app.command("search")
def search(
    clips: Annotated[
        list[str],
        typer.Argument(
            metavar="CLIP...", help="Videos, photos, folders of them, or wildcards.", show_default=False
        ),
    ],
    tree: Annotated[
        str,
        typer.Option(
            "--tree", "-t", help="Code of the tree they were filmed under, such as OT03.", show_default=False
        ),
    ] = "",
    again: Annotated[
        bool,
        typer.Option("--again", help="Search clips that were searched before once more; verdicts are kept."),
    ] = False,
    json_file: Annotated[
        Path | None,
        typer.Option(
            "--json", help="Also write all candidates with their views to this file.", show_default=False
        ),
    ] = None,
    recorded_at: Annotated[
        datetime | None,
        typer.Option(
            "--recorded-at",
            formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"],
            help="When the first frame was filmed, local time, where the file does not say or says it wrong.",
            show_default=False,
        ),
    ] = None,
    logbook: LogbookOption = None,
) -> None:
    """Search clips for larvae and feeding, and put the candidates into the review.

    A search that was stopped goes on where it was when the same command is given again. Clips that were searched before are
    left alone, but what an older version found in them gets its second look anew. Nothing leaves this computer.
    """
    from rich.console import Console

    from annotate.logbook.opening import open_logbook
    from annotate.logbook.places import find_tree
    from annotate.searching import SearchOrder, write_candidates
    from annotate.zones import read_zone
    from detect.clip_paths import expand_paths

    console = Console(stderr=True)
    with open_logbook(choose_logbook(logbook)) as opened:
        moment = None
        if recorded_at is not None:
            moment = recorded_at.replace(tzinfo=read_zone(opened.settings.place.zone))
        order = SearchOrder(find_tree(opened, tree) if tree else None, again, moment)
        found = expand_paths(clips)
        for sentence in found.passed_over:
            console.print(f"Passed over: {sentence}", markup=False, highlight=False, style="dim")
        searched, failures = search_clips(opened, found.paths, order=order, console=console)
        if json_file is not None:
            write_candidates(json_file, searched)
        print_summary(opened, searched)
        for failure in failures:
            print(f"leafshade: {failure}", file=sys.stderr)
        if any(outcome.found is not None for outcome in searched):
            _look_at_older(opened)
    if failures:
        sys.exit(2)


def _look_at_older(logbook: "Logbook") -> None:
    """Look again at what an older version has found, so that the order of judging goes by one and the same look."""
    from annotate.judging.promise import renew_promises
    from detect.second_look import load_second_look

    if look_at_missing(logbook, load_second_look("cpu"), doing="Looking again at earlier candidates").made:
        renew_promises(logbook)


def search_clips(
    logbook: "Logbook", paths: Sequence[Path], *, order: "SearchOrder", console: "Console"
) -> tuple[list["SearchedClip"], list[str]]:
    """Search one clip after another with a progress bar; a clip that cannot be searched does not stop the rest.

    Returns
    -------
    what became of the clips that could be searched, and the errors of the others.
    """
    from annotate.errors import AnnotateError
    from annotate.learning.weights_kept import find_in_use
    from annotate.searching import search_into_logbook
    from detect.default_scorer import load_scorer, settle_threads
    from detect.errors import DetectError

    settle_threads()
    scorer = load_scorer(find_in_use(logbook))
    infos, failures = _open_all(paths)
    searched = []
    with _make_progress(console) as bar:
        for number, info in enumerate(infos, start=1):
            length_s = info.claimed_duration_s
            task = bar.add_task(
                f"{number}/{len(infos)} {info.path.name}", total=length_s if length_s > 0 else None
            )
            try:
                outcome = search_into_logbook(
                    logbook,
                    info,
                    order=order,
                    scorer=scorer,
                    on_progress=lambda time_s, task=task: bar.update(task, completed=time_s),  # type: ignore[misc]
                )
            except (AnnotateError, DetectError) as error:
                failures.append(str(error))
                continue
            finally:
                bar.remove_task(task)
            searched.append(outcome)
            for line in _tell(outcome):
                bar.console.print(line, markup=False, highlight=False, soft_wrap=True)
    return searched, failures


def _open_all(paths: Sequence[Path]) -> tuple[list["ClipInfo"], list[str]]:
    from detect.clips import open_clip
    from detect.errors import DetectError

    infos, failures = [], []
    for path in paths:
        try:
            infos.append(open_clip(path))
        except DetectError as error:
            failures.append(str(error))
    return infos, failures


def _make_progress(console: "Console") -> "Progress":
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    return Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        TextColumn("left"),
        console=console,
        transient=True,
    )


def _tell(outcome: "SearchedClip") -> list[str]:
    """Sentences about one clip: what was found, or why nothing was done, and what to know about it."""
    name, search = outcome.clip.name, outcome.search
    linked = f", now linked to tree {outcome.linked}" if outcome.linked else ""
    if outcome.found is None:
        cut = _tell_cut(outcome) if outcome.cut.is_changed else []
        day = f"{search.finished_at:%Y-%m-%d %H:%M} UTC"
        return [
            f"{name}: searched before ({day}), left alone{linked}. Search it once more with --again.",
            *cut,
        ]
    lines = [f"{name}: {say_count(search.offered, 'candidate')} to judge{linked}."]
    if search.same_as_before:
        show = (
            "shows what was judged before and is"
            if search.same_as_before == 1
            else "show what was judged before and are"
        )
        lines.append(f"  {search.same_as_before:,} more {show} not asked again.")
    if search.set_aside:
        were = "was" if search.set_aside == 1 else "were"
        unjudged = say_count(search.set_aside, "unjudged candidate")
        lines.append(f"  {unjudged} of the earlier search {were} set aside.")
    return lines + _tell_cut(outcome) + [f"  Note: {warning}" for warning in outcome.warnings]


def _tell_cut(outcome: "SearchedClip") -> list[str]:
    """Sentences about the stretches that tree cards cut."""
    cut = outcome.cut
    spans = [
        f"{one.tree} from {say_clip_time(one.start_s)} to {say_clip_time(one.end_s)}" for one in cut.stretches
    ]
    lines = [f"  By the tree cards shown: {', '.join(spans)}."] if spans else []
    return lines + [f"  Note: {note}." for note in cut.notes]


def say_clip_time(time_s: float) -> str:
    """Write a moment of a clip: "2:07"."""
    minutes, seconds = divmod(round(time_s), 60)
    return f"{minutes}:{seconds:02d}"


LEAST_UNNAMED_S = 0.5
"""Less footage without a tree than this is the end of the last frame, and not told."""


@dataclass(slots=True)
class _TreeSum:
    """Footage and candidates of one tree, summed over clips."""

    footage_s: float = 0.0
    usable_s: float = 0.0
    silhouettes: int = 0
    feeding: int = 0


def print_summary(logbook: "Logbook", searched: Sequence["SearchedClip"]) -> None:
    """Print a line for each tree: footage, share too blurred, candidates of each kind; and the next step."""
    from rich.console import Console
    from rich.table import Table

    sums = _sum_by_tree(logbook, searched)
    if not sums:
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("Tree")
    for heading in ("Footage", "Too blurred", "Silhouettes", "Feeding"):
        table.add_column(heading, justify="right")
    for tree, total in sorted(sums.items()):
        blurred = 1 - total.usable_s / total.footage_s if total.footage_s else 0.0
        table.add_row(
            tree or "no tree yet",
            say_duration(total.footage_s),
            f"{blurred:.0%}",
            str(total.silhouettes),
            str(total.feeding),
        )
    console = Console()
    console.print(table)
    candidates = sum(total.silhouettes + total.feeding for total in sums.values())
    if candidates:
        console.print(
            f"Next: judge {say_count(candidates, 'candidate')} with: leafshade review", highlight=False
        )
    else:
        console.print("Nothing was found. Note the trees as searched; a closer or zoomed clip may show more.")


def _sum_by_tree(logbook: "Logbook", searched: Sequence["SearchedClip"]) -> dict[str, _TreeSum]:
    from annotate.logbook.clips import list_stretches

    sums: dict[str, _TreeSum] = {}
    for outcome in searched:
        if outcome.found is None:
            continue
        found = outcome.found
        spans = [(one.tree, one.start_s, one.end_s) for one in list_stretches(logbook, outcome.clip.id)]
        unnamed_s = found.duration_s - sum(end_s - start_s for _, start_s, end_s in spans)
        # The search tells how much was usable for the whole clip only.
        usable_share = found.usable_s / found.duration_s if found.duration_s else 0.0
        lengths = [(tree, end_s - start_s) for tree, start_s, end_s in spans]
        for tree, length_s in [*lengths, ("", unnamed_s)] if unnamed_s >= LEAST_UNNAMED_S else lengths:
            total = sums.setdefault(tree, _TreeSum())
            total.footage_s += length_s
            total.usable_s += usable_share * length_s
        for candidate in found.candidates:
            best_s = candidate.views[0].time_s
            tree = next((tree for tree, start_s, end_s in spans if start_s <= best_s <= end_s), "")
            total = sums.setdefault(tree, _TreeSum())
            total.silhouettes += candidate.kind == "silhouette"
            total.feeding += candidate.kind == "feeding"
    return sums


def say_duration(seconds: float) -> str:
    """Write a duration: "12.4 s", "3 min 05 s"."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s"
