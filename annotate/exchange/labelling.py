"""What stands in a task: the choices people have, the evidence with its suggestion, and what an answer says in our words.

The choices are ours: larva, feeding, nothing or doubtful, and for nothing what it is instead. The picture stands in the task
itself, as data in its address. A suggestion is the outline and its box, never an answer: a person has to give that. Nothing here
asks a server anything or knows a logbook.
"""

from base64 import b64encode
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any
from xml.sax.saxutils import quoteattr

import numpy as np

from annotate.errors import AnnotateError
from annotate.exchange.percentages import read_points, write_box, write_points
from annotate.logbook.exchange import OfferedCandidate
from annotate.logbook.outlines import Outline
from annotate.words import REASONS, Answer
from annotate.zones import find_local_date, write_clock, write_date

PICTURE, OUTLINE, BOX, ANSWER, REASON, ABOUT, KEY = (
    "picture",
    "outline",
    "box",
    "answer",
    "reason",
    "about",
    "candidate",
)
"""The names of the parts of a task: the same in the labelling configuration, in a task's data and in answers."""

THINGS = {"silhouette": "larva", "feeding": "feeding"}
"""What a candidate of each kind is when it is confirmed."""

NOTHING, DOUBTFUL = "nothing", "doubtful"
CHOICES = (*THINGS.values(), NOTHING, DOUBTFUL)

SAME_PX = 0.05
"""An outline whose points moved less was not changed: servers round numbers."""

KEY_LETTERS = 32
"""Of a sha256: 128 bits, more than enough to tell candidates apart."""

LONGEST_CONFIGURATION = 100_000
"""Letters; ours has about 1,200."""

MOST_RESULTS = 1000
"""Parts of one answer; people draw a few."""


@dataclass(frozen=True, slots=True, eq=False)
class Said:
    """What one answer says.

    Attributes
    ----------
    answer, reason : as a verdict has them
    outline : as it was drawn, (row, column) px of the picture; None where none was, or none can be used
    notes : what of the answer cannot be used, in words
    """

    answer: Answer
    reason: str
    outline: Outline | None
    notes: tuple[str, ...]


def write_configuration() -> str:
    """Return the labelling configuration: the picture, outline and box, the answer, and for nothing what it is instead."""
    labels = "".join(f"<Label value={quoteattr(word)}/>" for word in THINGS.values())
    choices = "".join(f"<Choice value={quoteattr(word)}/>" for word in CHOICES)
    reasons = "".join(f"<Choice value={quoteattr(word)}/>" for word in REASONS)
    return (
        f'<View><Text name="{ABOUT}" value="${ABOUT}"/><Image name="{PICTURE}" value="${PICTURE}" zoom="true"/>'
        f'<Choices name="{ANSWER}" toName="{PICTURE}" choice="single" required="true">{choices}</Choices>'
        f'<Choices name="{REASON}" toName="{PICTURE}" choice="single" visibleWhen="choice-selected" '
        f'whenTagName="{ANSWER}" whenChoiceValue="{NOTHING}">{reasons}</Choices>'
        f'<PolygonLabels name="{OUTLINE}" toName="{PICTURE}">{labels}</PolygonLabels>'
        f'<RectangleLabels name="{BOX}" toName="{PICTURE}">{labels}</RectangleLabels></View>'
    )


def find_missing(configuration: str) -> list[str]:
    """Return what of ours a labelling configuration lacks, in words; all of it where it cannot be read.

    A project that a person completed, or laid out otherwise, is welcome as long as our parts are there.
    """
    from label_studio_sdk.label_interface import LabelInterface

    wanted = LabelInterface(write_configuration())
    if len(configuration) > LONGEST_CONFIGURATION:
        return ["a labelling configuration"]
    try:
        theirs = LabelInterface(configuration)
        theirs.validate()
        controls = {control.name: control for control in theirs.controls or ()}
        objects = {thing.name: thing for thing in theirs.objects or ()}
    except Exception:  # The SDK raises bare exceptions of its own on what it cannot read.
        return ["a labelling configuration"]
    missing = [name for name in (PICTURE,) if name not in objects or objects[name].value != f"${name}"]
    for control in wanted.controls:
        found = controls.get(control.name)
        if found is None or found.tag != control.tag or not set(control.labels) <= set(found.labels):
            missing.append(control.name)
    return sorted(missing)


def write_key(candidate: OfferedCandidate) -> str:
    """Return what a candidate is known by in its task: it tells nobody anything, and stays when the logbook is moved."""
    said = (candidate.clip_sha256, candidate.kind, candidate.frame_index, candidate.picture, *candidate.box)
    return sha256("\n".join(map(str, said)).encode()).hexdigest()[:KEY_LETTERS]


def write_data(candidate: OfferedCandidate, jpeg: bytes, *, with_tree: bool) -> dict[str, str]:
    """Return the data of a task: the picture, what it is about in a line, and the candidate's key.

    The picture travels within: one request carries a whole task, which is then there or not, nothing has to be opened to let
    the server fetch pictures from here, and a task that is removed takes its picture along.
    """
    about = f"{candidate.kind}, {candidate.length_px:.0f} px long"
    if with_tree:
        where = f"tree {candidate.site} {candidate.tree}" if candidate.tree else "no tree known"
        day = write_date(find_local_date(candidate.at, candidate.zone))
        about += f"; {where}, {day}, {write_clock(candidate.at, candidate.zone)}"
    picture = f"data:image/jpeg;base64,{b64encode(jpeg).decode('ascii')}"
    return {PICTURE: picture, ABOUT: about, KEY: write_key(candidate)}


def write_suggestion(candidate: OfferedCandidate) -> list[dict[str, Any]]:
    """Return the outline and its box as the results of a suggestion."""
    size = candidate.size_px
    word = THINGS[candidate.kind]
    rows, columns = size
    origin = candidate.origin_px
    outline = candidate.outlines[-1] - np.asarray(origin, np.float32)
    top, left, bottom, right = candidate.box
    box = (top - origin[0], left - origin[1], bottom - origin[0], right - origin[1])
    shared = {"to_name": PICTURE, "original_width": columns, "original_height": rows, "image_rotation": 0}
    return [
        {
            "id": OUTLINE,
            "from_name": OUTLINE,
            "type": "polygonlabels",
            "value": {"points": write_points(outline, size), "closed": True, "polygonlabels": [word]},
            **shared,
        },
        {
            "id": BOX,
            "from_name": BOX,
            "type": "rectanglelabels",
            "value": {**write_box(box, size), "rotation": 0, "rectanglelabels": [word]},
            **shared,
        },
    ]


def read_answer(results: object, candidate: OfferedCandidate) -> Said:
    """Return what the results of an answer say of a candidate.

    Raises
    ------
    annotate.errors.AnnotateError
        Where they give no answer, more than one, or one about something else than the candidate.
    """
    if not isinstance(results, Sequence) or isinstance(results, str) or len(results) > MOST_RESULTS:
        raise _say_wrong(f"a list of at most {MOST_RESULTS} parts", type(results).__name__)
    parts = [part for part in results if isinstance(part, Mapping)]
    chosen = set(_read_choices(parts, ANSWER))
    if len(chosen) != 1:
        raise _say_wrong("one answer", "none" if not chosen else f"{len(chosen)} of them")
    word = chosen.pop()
    if word not in CHOICES:
        raise _say_wrong(f"one of {', '.join(CHOICES)}", ascii(word)[:40])
    wanted = THINGS[candidate.kind]
    if word in THINGS.values() and word != wanted:
        raise _say_wrong(f"{wanted}, {NOTHING} or {DOUBTFUL} of a {candidate.kind}", word)
    if word == wanted:
        outline, notes = _read_outline(parts, candidate)
        return Said("confirm", "", outline, notes)
    if word == DOUBTFUL:
        return Said("unsure", "", None, ())
    reasons = {reason for reason in _read_choices(parts, REASON) if reason in REASONS}
    return Said("dismiss", reasons.pop() if len(reasons) == 1 else "", None, ())


def is_same(first: Outline, second: Outline) -> bool:
    """Tell whether two outlines have the same points, but for rounding."""
    return first.shape == second.shape and bool(np.abs(first - second).max() < SAME_PX)


def _read_choices(parts: Sequence[Mapping[str, Any]], name: str) -> Iterator[str]:
    for part in parts:
        value = part.get("value")
        if part.get("from_name") == name and isinstance(value, Mapping):
            words = value.get("choices")
            if isinstance(words, list):
                yield from (word for word in words if isinstance(word, str))


def _read_outline(
    parts: Sequence[Mapping[str, Any]], candidate: OfferedCandidate
) -> tuple[Outline | None, tuple[str, ...]]:
    """Return the outline of the candidate among those drawn, and what cannot be used of them."""
    drawn = [part for part in parts if part.get("from_name") == OUTLINE]
    # The suggested one keeps its name when it is changed; without it, a single one is meant.
    ours = [part for part in drawn if part.get("id") == OUTLINE] or (drawn if len(drawn) == 1 else [])
    beside = len(drawn) - len(ours)
    notes = (
        [f"{beside} more drawn beside it, not taken: draw what the search missed in here"] if beside else []
    )
    if not ours:
        return None, tuple(notes)
    part = ours[0]
    value = part.get("value")
    try:
        if part.get("image_rotation") not in (None, 0):
            raise _say_wrong("an upright picture", "one that was turned for drawing")
        points = value.get("points") if isinstance(value, Mapping) else None
        outline = read_points(points, candidate.size_px)
    except AnnotateError as error:
        return None, (*notes, str(error))
    return outline, tuple(notes)


def _say_wrong(expected: str, found: str) -> AnnotateError:
    return AnnotateError(
        f"answer on the label server: expected {expected}; found {found}; answer it again there, or judge it here"
    )
