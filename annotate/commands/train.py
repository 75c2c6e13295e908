"""The commands that train at home and look after the weights: what is learned, what took over and why, and going back."""

import os
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import SHORT_NAME, print_table, say_count

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console
    from rich.progress import TaskID
    from rich.table import Table

    from annotate.learning.home_training import TrainingOutcome
    from annotate.learning.training_set import TrainingSet
    from annotate.learning.weights_kept import KeptWeights
    from models.label_comparison import Comparison

MINUTES = 40.0
"""As `annotate.learning.home_training` says; repeated here so that the help needs no import."""

NAMED_AT_MOST = 5
"""Pictures left out that are named one by one; of more, only the number."""

weights_app = typer.Typer(
    help="Show the weights that are kept, or choose those to use.", invoke_without_command=True
)
app.add_typer(weights_app, name="weights")


@app.command("train")
def train(
    minutes: Annotated[
        float,
        typer.Option(
            "--minutes",
            min=0.1,
            max=24 * 60,
            help="How long to learn. Drawing before and measuring after take about a quarter of an hour more on two cores.",
        ),
    ] = MINUTES,
    steps: Annotated[
        int,
        typer.Option(
            "--steps",
            min=0,
            max=100_000,
            help="Learn so many steps instead, however long they take; 0 goes by --minutes.",
        ),
    ] = 0,
    seed: Annotated[
        int,
        typer.Option(
            "--seed", min=0, help="Of everything random: the same seed and labels give the same weights."
        ),
    ] = 0,
    device: Annotated[
        str,
        typer.Option(
            "--device", help="Where to learn: cpu, cuda (a GPU), or auto, a GPU where there is one."
        ),
    ] = "auto",
    logbook: LogbookOption = None,
) -> None:
    """Train the search on what was judged in this logbook, and use what came of it where it is better.

    The weights in use learn on from the labelled pictures (see them with: leafshade labels) and from drawn ones. Stopped with
    Ctrl-C, the same command goes on where it was. Old and new are compared on trees and dates that nothing learned from.
    """
    from rich.console import Console

    from annotate.learning.home_training import TrainingOrder, train_at_home
    from annotate.learning.training_set import check_enough, gather_set
    from annotate.logbook.opening import open_logbook

    console = Console(stderr=True)
    order = TrainingOrder(
        minutes=minutes, steps=steps, seed=seed, workers=os.cpu_count() or 1, device=choose_device(device)
    )
    with open_logbook(choose_logbook(logbook)) as opened:
        found = gather_set(opened)
        _tell_left_out(found)
        check_enough(found)
        _tell_set(found, order.device)
        with _Bar(console) as bar:
            outcome = train_at_home(
                opened,
                found,
                order,
                on_progress=bar.show,
                on_note=lambda sentence: console.print(sentence, highlight=False),
            )
    print_outcome(outcome)


def choose_device(asked: str) -> str:
    """Return "cpu" or "cuda" as asked; "auto" is a GPU where torch finds one.

    Raises
    ------
    annotate.errors.AnnotateError
        Where a GPU is asked for and there is none, or the word is another.
    """
    import torch

    from annotate.errors import AnnotateError

    has_gpu = torch.cuda.is_available()
    if asked not in ("auto", "cpu", "cuda") or (asked == "cuda" and not has_gpu):
        found = "no GPU that torch can use" if asked == "cuda" else repr(asked[:40])
        raise AnnotateError(
            f"--device: expected auto, cpu, or cuda where there is a GPU; found {found}; leave it at auto"
        )
    return "cuda" if asked == "cuda" or (asked == "auto" and has_gpu) else "cpu"


def _tell_left_out(found: "TrainingSet") -> None:
    if not found.left_out:
        return
    print(f"Note: {say_count(len(found.left_out), 'labelled picture')} left out:", file=sys.stderr)
    for picture, why in list(found.left_out.items())[:NAMED_AT_MOST]:
        print(f"  {picture[:SHORT_NAME]}…: {why}", file=sys.stderr)
    if len(found.left_out) > NAMED_AT_MOST:
        print(f"  and {len(found.left_out) - NAMED_AT_MOST} more", file=sys.stderr)


def _tell_set(found: "TrainingSet", device: str) -> None:
    from annotate.learning.training_set import sum_labels

    learned, tested = sum_labels(found.train), sum_labels(found.held_out)
    where = "a GPU" if device == "cuda" else "the processor"
    print(
        f"Learning on {where} from {learned.larvae} larvae and {learned.others} dismissed things of {learned.groups} trees and "
        f"dates; {tested.larvae} and {tested.others} of {tested.groups} others are held out to test with."
    )


class _Bar:
    """A progress bar that begins anew for each thing that is done; its state is the task on show."""

    def __init__(self, console: "Console") -> None:
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        self._bar = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            MofNCompleteColumn(),
            TimeRemainingColumn(),
            TextColumn("left"),
            console=console,
            transient=True,
        )
        self._what = ""
        self._task: TaskID | None = None

    def __enter__(self) -> "_Bar":
        self._bar.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._bar.stop()

    def show(self, what: str, done: int, of: int) -> None:
        """Show how much of something is done."""
        if what != self._what or self._task is None:
            if self._task is not None:
                self._bar.remove_task(self._task)
            # What was done before a stop is no measure of the pace now.
            self._task = self._bar.add_task(what, total=of, completed=done)
            self._what = what
        self._bar.update(self._task, completed=done)


def print_outcome(outcome: "TrainingOutcome") -> None:
    """Print old beside new as a table, then in sentences what follows from it and what to do next."""
    print_table(_lay_out_outcome(outcome), "")
    for sentence in outcome.reasons:
        print(sentence)
    if outcome.took_over:
        print(
            f"The weights {outcome.name} took over: searches use them from now on. Look for more in old clips with: leafshade "
            f"search --again CLIP. Go back with: leafshade weights use {outcome.parent}"
        )
    else:
        print(
            f"The weights {outcome.name} did not take over: {outcome.parent} stay in use. The new ones are kept; use them all "
            f"the same with: leafshade weights use {outcome.name}"
        )


def _lay_out_outcome(outcome: "TrainingOutcome") -> "Table":
    recall = outcome.recall
    rows = list_compared(outcome.comparison)
    rows.append((f"Drawn larvae found at 1 false place a picture ({recall.larvae})", recall.old, recall.new))
    return lay_out_shares(rows, old=f"{outcome.parent} (before)", new=f"{outcome.name} (new)")


def list_compared(comparison: "Comparison") -> list[tuple[str, float, float]]:
    """Return what was measured on held-out labels: in words, of the old weights, of the new."""
    c = comparison
    return [
        (f"Held-out labels, larva put first ({c.larvae} larvae, {c.others} others)", c.old, c.new),
        ("Held-out labels, average precision", c.old_precision, c.new_precision),
    ]


def lay_out_shares(rows: "Sequence[tuple[str, float, float]]", *, old: str, new: str) -> "Table":
    """Return shares of two weights side by side as a table, in percent."""
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("", overflow="fold")
    for heading in (old, new):
        table.add_column(heading, justify="right", overflow="fold")
    for what, before, after in rows:
        table.add_row(what, f"{before:.1%}", f"{after:.1%}")
    return table


@weights_app.callback()
def weights(context: typer.Context, logbook: LogbookOption = None) -> None:
    """Show the weights that are kept in this logbook, what was measured on them, and which are in use."""
    context.obj = logbook
    if context.invoked_subcommand is not None:
        return
    from annotate.learning.weights_kept import find_in_use, list_weights
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook)) as opened:
        kept = list_weights(opened)
        print_table(_lay_out_weights(kept), WHAT_WAS_MEASURED)
        for one in kept:
            if one.fault:
                print(f"{one.name}: {one.fault}")
        in_use = [one.name for one in kept if one.is_in_use]
        find_in_use(opened)
    print(
        f"In use: {in_use[0]}. Choose others with: leafshade weights use NAME; compare two with: leafshade evaluate "
        "--weights NAME --against NAME"
    )


WHAT_WAS_MEASURED = (
    "Labels: of pairs of a larva and something dismissed, held out, the share with the larva first. Drawn: the share of drawn "
    "larvae found at one false place a picture. Both in %, those before and the new ones, when these were trained."
)


@weights_app.command("use")
def use(
    context: typer.Context,
    name: Annotated[
        str,
        typer.Argument(
            metavar="NAME", help="A name from the list; 'shipped' is the program's own.", show_default=False
        ),
    ],
    logbook: LogbookOption = None,
) -> None:
    """Have searches of this logbook use other weights from now on; nothing is deleted."""
    from annotate.learning.weights_kept import use_weights
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        card = use_weights(opened, name)
    print(
        f"In use now: {name} (sha256 {card.weights_sha256[:8]}…). Clips searched before keep what was found in them."
    )


def _lay_out_weights(kept: "tuple[KeptWeights, ...]") -> "Table":
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("Name", overflow="fold", min_width=NAME_WIDTH)
    for heading in ("Made on", "From", "Labels", "Drawn"):
        table.add_column(heading, overflow="fold")
    for one in kept:
        table.add_row(one.name, *_describe(one))
    return table


NAME_WIDTH = 19
"""Letters of a name: it must never be broken, since people copy it."""


def _describe(one: "KeptWeights") -> tuple[str, str, str, str]:
    """Return day, parent and what was measured; cards may have been edited by hand, so nothing is taken for granted."""
    if one.card is None:
        return "cannot be read", "", "", ""
    came_from = one.card.data.get("from", {}) if isinstance(one.card.data, dict) else {}
    parent = str(came_from.get("name", "the program")) if isinstance(came_from, dict) else ""
    measured = one.card.numbers.get("home_training") if isinstance(one.card.numbers, dict) else None
    if not isinstance(measured, dict):
        return one.card.made_on, parent, "not here", "not here"
    return (
        one.card.made_on,
        parent,
        _say_change(measured.get("labels")),
        _say_change(measured.get("drawn_recall")),
    )


def _say_change(numbers: object) -> str:
    try:
        return f"{100 * numbers['old']:.1f} to {100 * numbers['new']:.1f}"  # type: ignore[index]
    except (TypeError, KeyError, ValueError):
        return "cannot be read"
