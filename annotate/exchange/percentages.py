"""Outlines and boxes as shares of a picture, as a label server wants them, and back.

Ours are (row, column) px with the origin at the centre of the top left pixel. A label server's are (x, y) in per cent of the
picture's width and height, from the picture's top left corner: the centre of the first pixel lies half a pixel from it. Boxes
count whole pixels, ends excluded, so that theirs begin at the pixel's corner. Whether a line
goes round something is asked in `annotate.logbook.outlines`.
"""

from collections.abc import Sequence

import numpy as np

from annotate.errors import AnnotateError
from annotate.logbook.outlines import Outline
from annotate.logbook.records import Box

Size = tuple[int, int]

HALF_PX = 0.5
WHOLE_PERCENT = 100.0
DECIMALS = 5
"""Of a per cent: 0.0005 px in a picture of 10,000 px."""

SLACK_PERCENT = 0.5
"""So far beyond the picture's edge a point may lie: a hand that draws along the edge, and numbers that were rounded."""

LEAST_POINTS = 3
MOST_POINTS = 10_000


def write_points(outline: Outline, size_px: Size) -> list[list[float]]:
    """Return an outline (N, 2) of (row, column) px as [x, y] in per cent, what lies outside the picture drawn to its edge."""
    rows, columns = size_px
    places = np.asarray(outline, np.float64) + HALF_PX
    x = np.clip(places[:, 1] / columns, 0.0, 1.0) * WHOLE_PERCENT
    y = np.clip(places[:, 0] / rows, 0.0, 1.0) * WHOLE_PERCENT
    return [
        [round(float(a), DECIMALS), round(float(b), DECIMALS)]
        for a, b in zip(x.tolist(), y.tolist(), strict=True)
    ]


def read_points(points: object, size_px: Size) -> Outline:
    """Return [x, y] in per cent as an outline, float32 (N, 2) of (row, column) px.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is no list of pairs of numbers, or lies outside the picture.
    """
    if not isinstance(points, Sequence) or isinstance(points, str):
        raise _say_wrong(f"{type(points).__name__} in place of a list")
    if not LEAST_POINTS <= len(points) <= MOST_POINTS:
        raise _say_wrong(f"{len(points)} points")
    places = np.array([_read_pair(point) for point in points], np.float64)
    low, high = places.min(), places.max()
    if not (low >= -SLACK_PERCENT and high <= WHOLE_PERCENT + SLACK_PERCENT):
        raise _say_wrong(f"one that reaches from {low:g} to {high:g} per cent")
    places = np.clip(places, 0.0, WHOLE_PERCENT) / WHOLE_PERCENT
    rows, columns = size_px
    outline = np.column_stack((places[:, 1] * rows, places[:, 0] * columns)) - HALF_PX
    return outline.astype(np.float32)


def write_box(box: Box, size_px: Size) -> dict[str, float]:
    """Return a box (first row, first column, end row, end column) as x, y, width and height in per cent."""
    rows, columns = size_px
    top, left, bottom, right = (
        min(max(edge / whole, 0.0), 1.0) * WHOLE_PERCENT
        for edge, whole in zip(box, (rows, columns, rows, columns), strict=True)
    )
    values = {"x": left, "y": top, "width": right - left, "height": bottom - top}
    return {name: round(value, DECIMALS) for name, value in values.items()}


def read_box(value: dict[str, float], size_px: Size) -> tuple[float, float, float, float]:
    """Return x, y, width and height in per cent as (first row, first column, end row, end column) px."""
    rows, columns = size_px
    top, left = value["y"] / WHOLE_PERCENT * rows, value["x"] / WHOLE_PERCENT * columns
    height, width = value["height"] / WHOLE_PERCENT * rows, value["width"] / WHOLE_PERCENT * columns
    return (top, left, top + height, left + width)


def _read_pair(point: object) -> tuple[float, float]:
    if not isinstance(point, Sequence) or isinstance(point, str) or len(point) != 2:
        raise _say_wrong("a point that is no pair of numbers")
    x, y = point
    if not all(isinstance(one, int | float) and not isinstance(one, bool) for one in (x, y)):
        raise _say_wrong("a point that is no pair of numbers")
    try:
        return float(x), float(y)
    except OverflowError:
        raise _say_wrong("a number without bounds") from None


def _say_wrong(found: str) -> AnnotateError:
    return AnnotateError(
        f"outline from the label server: expected {LEAST_POINTS} to {MOST_POINTS} pairs of numbers from 0 to 100; "
        f"found {found}; draw it again there"
    )
