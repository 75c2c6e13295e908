"""Looks that candidates lack, made with a bar: of those found by an older version, drawn in, or searched when there were none."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from annotate.logbook.opening import Logbook
    from detect.scoring import Describer


@dataclass(frozen=True, slots=True)
class MissingLooks:
    """How many looks that were missing were made, and of how many candidates the picture could not be read."""

    made: int
    lost: int


def look_at_missing(logbook: "Logbook", describer: "Describer", *, doing: str) -> MissingLooks:
    """Make the looks that candidates lack; stopped, what was made stays.

    Parameters
    ----------
    doing : stands before the bar
    """
    from rich.console import Console
    from rich.progress import Progress

    from annotate.judging.looks import make_looks
    from annotate.logbook.looks import list_unseen

    unseen = list_unseen(logbook, describer.look_name)
    if not unseen:
        return MissingLooks(0, 0)
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(doing, total=len(unseen))
        made = make_looks(logbook, describer, on_looks=lambda done, _: progress.update(task, completed=done))
    return MissingLooks(made, len(unseen) - made)
