"""The labelled image set as data: pictures with outlines, what a person said of them, and the side of the set each stands on.

Pixels are (row, column) of the picture, the origin at the centre of the top left pixel. Nothing here knows a database, trains
anything or judges a picture; how a set is written stands in `models.coco`.
"""

import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from models.errors import ModelsError

Outline = NDArray[np.float32]
Day = date
MarkKind = Literal["larva", "feeding"]
LabelAnswer = Literal["larva", "feeding", "nothing"]
LabelSource = Literal["verdict", "drawn in", "import"]
Split = Literal["train", "held out"]

MARK_KINDS: tuple[MarkKind, ...] = get_args(MarkKind)
LABEL_ANSWERS: tuple[LabelAnswer, ...] = get_args(LabelAnswer)
LABEL_SOURCES: tuple[LabelSource, ...] = get_args(LabelSource)
SPLITS: tuple[Split, ...] = get_args(Split)


LARGEST_PX = 100_000
MOST_POINTS = 10_000
LONGEST_TEXT = 2000

NEARLY_ZERO_PX = 1e-6
"""What lies nearer to a pixel's centre line lies on it: half a pixel can then be added and taken off without a trace."""

SPLIT_SALT = "leafshade labels 1"
HELD_OUT_OF = 5
"""One tree and date of so many is held out. Salt and share never change: a picture once learned from must not test later."""


@dataclass(frozen=True, slots=True, eq=False)
class LabelMark:
    """One outlined thing in a picture; equal where kind, stage and every point are.

    Attributes
    ----------
    outline : closed polygon, float32 (N, 2) of (row, column) px, N at least 3; it cannot be changed
    kind : "larva" or "feeding"
    stage : None where nobody said
    """

    outline: Outline
    kind: MarkKind
    stage: str | None = None

    def __post_init__(self) -> None:
        outline = np.array(self.outline, np.float32)
        if outline.ndim != 2 or outline.shape[1] != 2 or not 3 <= len(outline) <= MOST_POINTS:
            raise ModelsError(
                f"outline: expected 3 to {MOST_POINTS} pairs of row and column; found an array of {outline.shape}; "
                "draw it again"
            )
        if not np.isfinite(outline).all():
            raise ModelsError("outline: expected numbers; found one that is not finite; draw it again")
        outline[np.abs(outline) < NEARLY_ZERO_PX] = 0.0
        outline.flags.writeable = False
        object.__setattr__(self, "outline", outline)
        _check_word(self.kind, MARK_KINDS, "kind of a mark")

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, LabelMark):
            return NotImplemented
        return (self.kind, self.stage) == (other.kind, other.stage) and np.array_equal(
            self.outline, other.outline
        )

    def __hash__(self) -> int:
        return hash((self.kind, self.stage, self.outline.tobytes()))


@dataclass(frozen=True, slots=True)
class LabelledImage:
    """A picture and what a person said is in it.

    Attributes
    ----------
    picture : sha256 of its bytes, by which it is found
    size_px : (rows, columns)
    marks : what was outlined, within the picture
    answer : "larva" where any mark is one, "feeding" where all are, "nothing" where there is none: a hard negative
    reason : why it was dismissed; empty where nobody said
    source, origin : how it came here; for an import, from where in words, else empty
    licence : under which the picture may be used; empty where it is the recorder's own and nothing was said
    labelled_at : aware moment
    tree : "SITE/TREE", empty where unknown
    date : local date of the picture, None where unknown
    clip : sha256 of the clip, or of the file it was imported from
    scorer : name of the weights that found it, or empty
    split : which side of the set it stands on (`choose_split`)

    Raises
    ------
    models.errors.ModelsError
        Where the values do not go together.
    """

    picture: str
    size_px: tuple[int, int]
    marks: tuple[LabelMark, ...]
    answer: LabelAnswer
    source: LabelSource
    reviewer: str
    labelled_at: datetime
    split: Split
    reason: str = ""
    origin: str = ""
    licence: str = ""
    tree: str = ""
    date: Day | None = None
    clip: str = ""
    scorer: str = ""

    def __post_init__(self) -> None:
        _check_sha256(self.picture, "picture")
        if self.clip:
            _check_sha256(self.clip, "clip")
        _check_word(self.source, LABEL_SOURCES, "source")
        _check_word(self.split, SPLITS, "split")
        if self.labelled_at.tzinfo is None:
            raise ModelsError(
                f"labelled_at: expected a moment with a zone; found {self.labelled_at}; add the zone"
            )
        wanted = find_answer(self.marks)
        if self.answer != wanted:
            raise ModelsError(
                f"picture {self.picture[:12]}: expected the answer {wanted!r}, which its marks give; found {self.answer!r}; "
                "correct the answer or the marks"
            )
        rows, columns = self.size_px
        for mark in self.marks:
            low, high = mark.outline.min(axis=0), mark.outline.max(axis=0)
            if low.min() < -0.5 or high[0] > rows - 0.5 or high[1] > columns - 0.5:
                raise ModelsError(
                    f"picture {self.picture[:12]}: expected marks within {rows} x {columns} px; found one that reaches from "
                    f"row {low[0]:g}, column {low[1]:g} to row {high[0]:g}, column {high[1]:g}; cut it at the picture's edge"
                )


def find_answer(marks: Sequence[LabelMark]) -> LabelAnswer:
    """Return the answer that marks give: a larva counts before feeding, no mark is "nothing"."""
    kinds = {mark.kind for mark in marks}
    return "larva" if "larva" in kinds else "feeding" if kinds else "nothing"


def digest_label(image: LabelledImage) -> str:
    """Return the sha256 of what a label says: picture, size, marks with their stages, reason, and side of the set.

    Who said it, when, and by which way it came is left out: the same labels have one digest in every logbook.
    """
    parts: list[object] = [image.picture, image.size_px, image.answer, image.reason, image.split]
    parts += [(mark.kind, mark.stage, len(mark.outline)) for mark in image.marks]
    digest = hashlib.sha256(repr(parts).encode("utf-8"))
    for mark in image.marks:
        digest.update(mark.outline.astype("<f4").tobytes())
    return digest.hexdigest()


def name_version(digests: Iterable[str]) -> str:
    """Return the version of a set from the digests of its labels, in whatever order: the sha256 of them all."""
    return hashlib.sha256("".join(sorted(digests)).encode("ascii")).hexdigest()


def choose_split(*, tree: str, day: date | None, clip: str) -> Split:
    """Return the side of the set on which everything of a tree and date stands, or of a clip where one of them is unknown.

    It depends on nothing else, so that it stays as pictures come in; about one tree and date in `HELD_OUT_OF` is held out.

    Raises
    ------
    models.errors.ModelsError
        Where neither is known: then pictures of one moment could stand on both sides.
    """
    if tree and day is not None:
        key = f"{SPLIT_SALT}\ntree\n{tree}\n{day.isoformat()}"
    elif clip:
        key = f"{SPLIT_SALT}\nclip\n{clip}"
    else:
        raise ModelsError(
            "split: expected a tree and date, or a clip; found neither; name the tree or where the picture came from"
        )
    number = int.from_bytes(hashlib.sha256(key.encode("utf-8")).digest()[:8], "big")
    return "held out" if number % HELD_OUT_OF == 0 else "train"


def _check_word(word: object, allowed: Sequence[str], what: str) -> None:
    if word not in allowed:
        raise ModelsError(
            f"{what}: expected one of {', '.join(allowed)}; found {show_short(word)}; use one of these"
        )


SHA256 = re.compile("[0-9a-f]{64}")


def is_sha256(text: str) -> bool:
    """Tell whether a text is a sha256 in small hexadecimal letters."""
    return SHA256.fullmatch(text) is not None


def _check_sha256(text: str, what: str) -> None:
    if not is_sha256(text):
        raise ModelsError(
            f"{what}: expected a sha256 of 64 small hexadecimal letters; found {show_short(text)}; hash the file's bytes"
        )


def show_short(value: object) -> str:
    """Return a value as a message shows it: plain letters, not many."""
    shown = ascii(value)
    return shown if len(shown) <= 60 else shown[:57] + "..."
