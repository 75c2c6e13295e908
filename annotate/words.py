"""The words a record may use for an answer, its reason, a stage, a condition and a behaviour, and how a typed word is read.

The words are what a person picks on the page and what stands in the logbook. Translations into the words of a sharing
standard belong where records are shared, not here.
"""

from difflib import get_close_matches
from typing import Literal, get_args

from annotate.errors import AnnotateError

Answer = Literal["confirm", "dismiss", "unsure", "open"]
Stage = Literal["egg", "L1", "L2", "L3", "L4", "L5", "pre-pupa", "pupa", "adult"]
Condition = Literal["alive", "sluggish", "shrunken", "parasitised?", "half-eaten", "dead"]
Behaviour = Literal["resting", "feeding", "walking", "moulting", "spinning"]
Aspect = Literal["N", "NE", "E", "SE", "S", "SW", "W", "NW"]
Reason = Literal[
    "leaf shadow",
    "stalk",
    "twig",
    "bud or catkin",
    "gall",
    "rolled edge",
    "dead scrap",
    "other animal",
    "blur",
]

ANSWERS: tuple[Answer, ...] = get_args(Answer)
STAGES: tuple[Stage, ...] = get_args(Stage)
CONDITIONS: tuple[Condition, ...] = get_args(Condition)
BEHAVIOURS: tuple[Behaviour, ...] = get_args(Behaviour)
ASPECTS: tuple[Aspect, ...] = get_args(Aspect)
"""The side of the tree, by the compass, clockwise from north."""

REASONS: tuple[Reason, ...] = get_args(Reason)
"""Why something is dismissed; their order is that of the number keys on the page."""


def read_word(typed: str | None, allowed: tuple[str, ...], *, what: str) -> str | None:
    """Return the allowed word that was typed, whatever its case and outer blanks; nothing typed gives None.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the word is none of those allowed; the message names the nearest.
    """
    plain = (typed or "").strip()
    if not plain:
        return None
    by_lower = {word.lower(): word for word in allowed}
    if plain.lower() in by_lower:
        return by_lower[plain.lower()]
    nearest = get_close_matches(plain.lower(), by_lower, n=1)
    advice = f"did you mean {by_lower[nearest[0]]!r}?" if nearest else "use one of these, or leave it empty"
    raise AnnotateError(f"{what}: expected one of {', '.join(allowed)}; found {plain!r}; {advice}")
