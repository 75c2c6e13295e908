"""Old and new weights on the labels held out, trees and dates that nothing learned from: what both say, and how they differ.

`home_training` asks it of new weights before they take over, `leafshade evaluate --against` of any two later. How a pair is
scored and how sure a difference is stands in `models.label_comparison`. Nothing here trains, draws or chooses weights.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from models.cards import load_weights
from models.examples import Source

if TYPE_CHECKING:
    from models.label_comparison import Comparison


def compare_weights(
    held_out: Sequence[Source],
    old_path: Path,
    new_path: Path,
    *,
    seed: int,
    tell: Callable[[int, int], None] | None = None,
) -> "Comparison":
    """Show the labels held out to two weights and compare what they say of each thing.

    Parameters
    ----------
    tell : told how many of the two weights are done, and of how many

    Raises
    ------
    models.errors.ModelsError
        Where a picture or weights cannot be read, or one kind of answer is missing.
    """
    import torch

    from models.label_comparison import compare_labels, score_labels

    scored = []
    for number, path in enumerate((old_path, new_path)):
        if tell is not None:
            tell(number, 2)
        pair, card = load_weights(path)
        scored.append(score_labels(pair, card.larva, held_out, device=torch.device("cpu")))
    return compare_labels(scored[0], scored[1], seed=seed)


def say_comparison(comparison: "Comparison", *, new: str, old: str) -> str:
    """Return in one sentence how two weights differ and whether that may be chance; `new` and `old` name them, in the plural."""
    c = comparison
    judged = f"{c.larvae} larvae and {c.others} dismissed things of {c.groups} trees and dates that nothing learned from"
    shares = f"{new} put the larva first in {say_percent(c.new)} of the pairs, {old} in {say_percent(c.old)}"
    limits = (
        f"the difference of {_points(c.new - c.old)} lies between {_points(c.low)} and {_points(c.high)} in "
        f"{c.level:.0%} of {c.resamples} draws of whole trees and dates"
    )
    return f"On {judged}, {shares}; {limits}, {_say_meaning(c)}."


def _say_meaning(comparison: "Comparison") -> str:
    if comparison.low > 0:
        return "so they are better"
    if comparison.high < 0:
        return "so they are worse"
    return "so it may be chance; more trees and dates held out would tell"


def say_percent(share: float) -> str:
    """Return a share in percent: "81.3 %"."""
    return f"{100 * share:.1f} %"


def _points(share: float) -> str:
    return f"{100 * share:+.1f} points"
