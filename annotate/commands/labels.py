"""The command for the labelled image set: what it has and lacks, written out, and read in."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import add_row, make_table, print_nothing, print_table, say_count, write_data
from annotate.errors import AnnotateError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.table import Table

    from annotate.learning.labels import SetRow
    from annotate.logbook.doubts import Doubt
    from annotate.logbook.records import QueuedCandidate
    from annotate.sheets import Cell
    from models.labels import MarkKind

SHORT_NAME = 12
"""Letters of a picture's sha256 that are shown: enough to find it in the folder of evidence."""

KIND_WORDS = {"silhouette": "silhouette", "feeding": "feeding damage"}

ONE_OF = {
    "larvae": "larva",
    "feeding marks": "feeding mark",
    "pictures with nothing": "picture with nothing",
}

labels_app = typer.Typer(
    help="Show the labelled image set, write it out, or read one in.", invoke_without_command=True
)
app.add_typer(labels_app, name="labels")


@labels_app.callback()
def labels(
    context: typer.Context,
    as_json: Annotated[
        bool, typer.Option("--json", help="Write the counts as JSON: an array of objects.")
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Show the labelled image set: what was judged, by stage, length, light and tree, and what it lacks.

    Light is the mean code value about the larva, 0 to 255. The version names what the set holds, whoever labelled it. Everything
    of a tree and date stands on one side, to learn from (train) or to test with (held out).
    """
    context.obj = logbook
    if context.invoked_subcommand is not None:
        return
    from annotate.learning.labels import describe_count, name_gaps, say_origins, sum_set
    from annotate.logbook.doubts import list_doubts
    from annotate.logbook.labels import (
        count_labels,
        count_origins,
        count_repeated,
        gather_labels,
        read_version,
    )
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook)) as opened:
        changes = gather_labels(opened)
        counts, repeated, origins = count_labels(opened), count_repeated(opened), count_origins(opened)
        version, doubted = read_version(opened), len(list_doubts(opened))
    _tell_lost(changes.lost)
    if as_json:
        columns = ("tree", "split", "answer", "stage", "length_class", "light", "number")
        write_data(columns, [describe_count(count) for count in counts], as_json=True)
        return
    if not counts:
        print_nothing("", "No labelled pictures yet.", advice="They arise from verdicts: leafshade review")
        return
    rows = sum_set(counts)
    kept_apart = (
        f" {say_count(repeated, 'picture')} more repeat one of these and are left out." if repeated else ""
    )
    print_table(_lay_out_set(rows), f"{_say_sum(rows)}.{kept_apart}")
    if whence := say_origins(origins):
        print("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in whence))
    gaps = name_gaps(counts)
    print(gaps or "Every stage, length, light and kind stands on both sides.")
    if doubted:
        print(f"The network doubts {say_count(doubted, 'label')}; see them with: leafshade labels doubts")
    print(f"Version of the set: {version[:SHORT_NAME]}")


@labels_app.command("doubts")
def list_suspected(
    context: typer.Context,
    as_json: Annotated[bool, typer.Option("--json", help="Write them as JSON: an array of objects.")] = False,
    logbook: LogbookOption = None,
) -> None:
    """List suspected mistakes: confirmed though the network gives next to no chance, or dismissed though it is nearly sure.

    Look at each again on the review page, order "suspected mistakes"; the same answer given a second time settles it.
    """
    from annotate.logbook.doubts import list_doubts
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.review import find_candidate

    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        doubts = list_doubts(opened)
        found = [(doubt, find_candidate(opened, doubt.candidate_id)) for doubt in doubts]
    if as_json:
        columns = ("candidate", "answer", "reviewer", "score", "scorer", "tree", "page")
        write_data(columns, [describe_doubt(doubt, candidate) for doubt, candidate in found], as_json=True)
        return
    if not found:
        print_nothing(
            "", "No label that the network strongly doubts.", advice="See the set with: leafshade labels"
        )
        return
    print_table(
        lay_out_doubts(found),
        f'{say_count(len(found), "label")} to look at again. On the review page: order "suspected mistakes".',
    )


@labels_app.command("export")
def export_file(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE.json", help="The file to write.", show_default=False)],
    logbook: LogbookOption = None,
) -> None:
    """Write the set as COCO JSON, with its pictures in a folder beside it (FILE-pictures), named by their sha256.

    The pictures show where larvae are: pass them on as carefully as coordinates.
    """
    from annotate.learning.labels import FOLDER_ENDING, export_labels
    from annotate.logbook.labels import gather_labels
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        changes = gather_labels(opened)
        done = export_labels(opened, file)
    _tell_lost((*changes.lost, *done.lost))
    print(
        f"Wrote {say_count(done.written, 'labelled picture')} to {file}, the pictures into {file.stem}{FOLDER_ENDING} beside it."
    )


@labels_app.command("import")
def import_file(
    context: typer.Context,
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE.json", help="COCO JSON; its pictures beside it.", show_default=False),
    ],
    source: Annotated[
        str, typer.Option("--source", help="Where the pictures come from, in words.", show_default=False)
    ],
    licence: Annotated[
        str,
        typer.Option(
            "--licence", help="Under which they may be used, where the file says none.", show_default=False
        ),
    ],
    larvae: Annotated[
        list[str] | None,
        typer.Option(
            "--larva",
            metavar="NAME",
            help="A category of the file that is a larva, if it is called otherwise; may be given again.",
            show_default=False,
        ),
    ] = None,
    feeding: Annotated[
        list[str] | None,
        typer.Option("--feeding", metavar="NAME", help="The same for feeding damage.", show_default=False),
    ] = None,
    withdraw: Annotated[
        bool,
        typer.Option(
            "--withdraw",
            help="Take out of the set what came from this source before and is not in this file: it is the newer, whole version.",
        ),
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Import labelled pictures from a COCO JSON file: all of it, or nothing where anything in it is wrong.

    Categories are named larva and feeding, or named with --larva and --feeding; each annotation is one polygon, the pictures are
    JPEG files. An image without annotations counts as looked through, with nothing in it.

    Pictures that came from the same source before and are not in this file are counted, and stay: a source may come in several
    files. What you judged or drew yourself is never taken out.
    """
    from rich.console import Console

    from annotate.commands.audit import make_progress
    from annotate.learning.labels import import_labels
    from annotate.logbook.labels import count_repeated
    from annotate.logbook.opening import open_logbook

    called = _name_called(larvae or (), feeding or ())
    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        before = count_repeated(opened)
        with make_progress(Console(stderr=True)) as bar:
            task = bar.add_task(file.name, total=1.0)
            done = import_labels(
                opened,
                file,
                origin=source,
                licence=licence,
                called=called,
                withdraws=withdraw,
                on_progress=lambda share: bar.update(task, completed=share),
            )
        repeated = count_repeated(opened) - before
    print(f"{say_count(done.new, 'picture')} new, {done.changed} changed, {done.same} as before.")
    if done.fewer_marks:
        are = "is" if done.fewer_marks == 1 else "are"
        print(f"{say_count(done.fewer_marks, 'mark')} that the changed ones had {are} no longer there.")
    if done.removed:
        print(
            f"{say_count(done.removed, 'picture')} withdrawn: not in this file, and from this source before."
        )
    if done.missing:
        which = "it" if done.missing == 1 else "them"
        print(
            f"{say_count(done.missing, 'picture')} from this source before, not in this file, left in the set; where this is the "
            f"newer version of all that came from there, take {which} out with: --withdraw"
        )
    if done.newer:
        print(f"{say_count(done.newer, 'picture')} left as labelled here: later than in this file.")
    if repeated > 0:
        print(f"{say_count(repeated, 'picture')} left out of the set, as repeating another of it.")
    print("See the set with: leafshade labels")


def _name_called(larvae: "Sequence[str]", feeding: "Sequence[str]") -> "dict[str, MarkKind]":
    """Return what categories of a file are by their names there; one cannot be both."""
    both = sorted(set(larvae) & set(feeding))
    if both:
        raise AnnotateError(
            f"--feeding {both[0][:60]!a}: expected a category that is no larva, found it named with --larva too; name it once"
        )
    called: dict[str, MarkKind] = dict.fromkeys(larvae, "larva")
    called.update(dict.fromkeys(feeding, "feeding"))
    return called


def _tell_lost(lost: "Sequence[str]") -> None:
    if lost:
        print(
            f"Note: left out {say_count(len(lost), 'picture')} that cannot be read, first {lost[0][:SHORT_NAME]}…; put back a "
            "copy of the logbook's folder of evidence.",
            file=sys.stderr,
        )


def _say_sum(rows: "Sequence[SetRow]") -> str:
    sums = [(row.train + row.held_out, row.name) for row in rows if row.by == "all"]
    return ", ".join(f"{number} {ONE_OF[name] if number == 1 else name}" for number, name in sums)


def describe_doubt(doubt: "Doubt", candidate: "QueuedCandidate") -> dict[str, "Cell"]:
    """Return a doubt as data with stable names."""
    return {
        "candidate": doubt.candidate_id,
        "answer": doubt.answer,
        "reviewer": doubt.reviewer,
        "score": round(doubt.score, 4),
        "scorer": doubt.scorer,
        "tree": f"{candidate.site}/{candidate.tree}" if candidate.tree else "",
        "page": f"/candidates/{doubt.candidate_id}",
    }


def lay_out_doubts(found: "Sequence[tuple[Doubt, QueuedCandidate]]") -> "Table":
    """Return doubts as a table, date first."""
    from annotate.zones import to_local, write_date

    table = make_table("Date", "Tree", "What", "Who", "Network", "Page")
    for doubt, candidate in found:
        said = "confirmed" if doubt.answer == "confirm" else "dismissed"
        add_row(
            table,
            write_date(to_local(candidate.at, candidate.zone).date()),
            candidate.tree or "no tree given",
            f"{KIND_WORDS[candidate.kind]}, {candidate.length_px:.0f} px",
            f"{doubt.reviewer} {said} it",
            f"{doubt.score:.2f} of 1",
            f"/candidates/{doubt.candidate_id}",
        )
    return table


def _lay_out_set(rows: "Sequence[SetRow]") -> "Table":
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="bold", collapse_padding=True)
    table.add_column("By", overflow="fold")
    table.add_column("What", overflow="fold")
    for heading in ("Train", "Held out"):
        table.add_column(heading, justify="right")
    for row in rows:
        plain = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in row.name)
        table.add_row(row.by, Text(plain), str(row.train), str(row.held_out))
    return table
