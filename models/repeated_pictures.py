"""Pictures that show the same thing at nearly the same moment: of one tree and date they count once.

Two pictures are one where their difference hashes are alike and their middle marks agree; the first stays.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.labels import LABEL_ANSWERS, LabelAnswer, LabelledImage, LabelMark

HASH_ROWS, HASH_COLUMNS = 8, 9
"""A difference hash: 8 x 9 mean greys, 64 comparisons of neighbours in a row (common practice; from memory)."""

FEWEST_BITS = 8
"""Pictures of one tree and date whose hashes differ in fewer bits may be one. Unrelated ones differ in 32 of 64 on average. In
the sample clip, pictures of different things differed in 22 and more, a sixth of the pairs of one thing in fewer than 8."""

NEAR_LENGTHS = 0.5
MOST_LENGTH_RATIO = 1.5
"""Marks agree where they lie within half a length of each other, seen from the pictures' middles, and are about as long."""


def hash_look(rgb: NDArray[np.uint8]) -> int:
    """Return the 64-bit difference hash of a picture, uint8 (H, W, 3): of each part, whether it is brighter than its left one."""
    edges = [
        np.arange(parts) * side // parts
        for parts, side in zip((HASH_ROWS, HASH_COLUMNS), rgb.shape[:2], strict=True)
    ]
    # Weighing the colours equally is enough to tell pictures apart, and sums stay whole numbers. Rows first, which lie together,
    # and part by part: of a photograph of 12 megapixels that takes a fifteenth of the time of one call of reduceat.
    ends = np.maximum(edges[0] + 1, np.append(edges[0][1:], rgb.shape[0]))
    sums = np.stack([rgb[a:b].sum(axis=0, dtype=np.int64) for a, b in zip(edges[0], ends, strict=True)])
    sums = np.add.reduceat(sums, edges[1], axis=1).sum(axis=2)
    sides = [
        np.maximum(1, np.diff(np.append(edge, side))) for edge, side in zip(edges, rgb.shape[:2], strict=True)
    ]
    means = sums / np.multiply.outer(sides[0], sides[1])
    bits = means[:, 1:] > means[:, :-1]
    return int.from_bytes(np.packbits(bits).tobytes(), "big")


@dataclass(frozen=True, slots=True)
class Look:
    """How a labelled picture looks: its hash, its answer, and its middle mark.

    Attributes
    ----------
    offset_px : (row, column) of the middle mark from the picture's middle; (0, 0) without one
    length_px : of the middle mark; 0 without one
    """

    look: int
    answer: LabelAnswer
    offset_px: tuple[float, float]
    length_px: float


def find_middle_mark(image: LabelledImage) -> LabelMark | None:
    """Return the mark nearest the picture's middle, None where there is none; of two alike, the first."""
    if not image.marks:
        return None
    return min(image.marks, key=lambda mark: math.hypot(*_find_offset(mark, image.size_px)))


def see_look(image: LabelledImage, look: int) -> Look:
    """Return how a picture looks, from its hash and marks."""
    mark = find_middle_mark(image)
    if mark is None:
        return Look(look, image.answer, (0.0, 0.0), 0.0)
    return Look(look, image.answer, _find_offset(mark, image.size_px), measure_mark(mark))


def measure_mark(mark: LabelMark) -> float:
    """Return the long side of the smallest rectangle round a mark, px."""
    import cv2

    return float(max(cv2.minAreaRect(mark.outline[:, ::-1].copy())[1]))


def _find_offset(mark: LabelMark, size_px: tuple[int, int]) -> tuple[float, float]:
    low, high = mark.outline.min(axis=0), mark.outline.max(axis=0)
    row, column = (low + high) / 2 - (np.asarray(size_px) - 1) / 2
    return float(row), float(column)


def find_repeated(looks: Sequence[Look]) -> list[int | None]:
    """Return for each picture of one tree and date the index of the earlier one that it repeats, None where it is the first.

    Only first ones are compared with, so that a slow pan does not end as one picture.
    """
    hashes = np.asarray([look.look for look in looks], np.uint64)
    places = np.asarray([look.offset_px for look in looks], np.float64).reshape(-1, 2)
    lengths = np.asarray([look.length_px for look in looks], np.float64)
    answers = np.asarray([LABEL_ANSWERS.index(look.answer) for look in looks], np.int64)
    first = np.full(len(looks), -1, np.int64)
    for here in range(len(looks)):
        if first[here] >= 0:
            continue
        later = slice(here + 1, None)
        longer = np.maximum(lengths[later], lengths[here])
        shorter = np.minimum(lengths[later], lengths[here])
        apart = np.hypot(*(places[later] - places[here]).T)
        same = (
            (first[later] < 0)
            & (answers[later] == answers[here])
            & (np.bitwise_count(hashes[later] ^ hashes[here]) < FEWEST_BITS)
            & (apart <= NEAR_LENGTHS * longer)
            & (longer <= MOST_LENGTH_RATIO * shorter)
        )
        first[later][same] = here
    return [None if index < 0 else int(index) for index in first]
