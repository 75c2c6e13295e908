"""Finders are shown the same pictures and counted by one rule; what they are compared with is real and finds things."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from models.alternatives import CLASSICAL, NO_OUTLINE, Found
from models.canopy.truth import FrameTruth, LarvaMark
from models.evaluate import Picture, compare_outlines, evaluate_finders, list_class_names, stands_out

ROWS, COLUMNS = 160, 240
PLACES = ((40, 60, 24), (110, 170, 12))
"""(row, column, length in px) of the drawn bodies."""


def draw_picture() -> np.ndarray:
    rgb = np.full((ROWS, COLUMNS, 3), (110, 185, 60), np.uint8)
    for row, column, length in PLACES:
        cv2.ellipse(rgb, ((column, row), (length, length / 4), 30.0), (20, 24, 18), -1, cv2.LINE_AA)
    return cv2.GaussianBlur(rgb, (0, 0), 0.7)


def mark(row: int, column: int, length: int, *, visible: float = 1.0) -> LarvaMark:
    half = length // 2
    box = (row - half, column - half, row + half + 1, column + half + 1)
    outline = np.float32(
        [
            [row - 2, column - half],
            [row - 2, column + half],
            [row + 2, column + half],
            [row + 2, column - half],
        ]
    )
    return LarvaMark(f"A{length}", box, outline, float(length), visible, 1.0)


def make_picture(*marks: LarvaMark) -> Picture:
    return Picture("drawn", draw_picture, FrameTruth(0, 0.0, tuple(marks), ()))


def find_both(_: np.ndarray) -> list[Found]:
    """A finder by hand: one larva exactly, one lost, one false mark."""
    row, column, length = PLACES[0]
    outline = mark(row, column, length).outline
    return [Found(row, column, length * 1.1, 0.9, outline), Found(10, 200, 9.0, 0.4, NO_OUTLINE)]


def test_a_finder_is_counted_by_hand() -> None:
    """One of two found, one false: recall by class, false marks, overlap, length error and precision as worked out by hand."""
    picture = make_picture(*(mark(*place) for place in PLACES))
    report = evaluate_finders({"by hand": find_both}, [picture, picture])["by hand"]
    figures = report.summarise(threshold=0.5)
    assert figures["larvae"] == 4 and figures["pictures"] == 2
    assert figures["recall_by_length_px"] == {
        "6-10": {"found": 0, "of": 0},
        "10-16": {"found": 0, "of": 2},
        "16-32": {"found": 2, "of": 2},
        "32 and over": {"found": 0, "of": 0},
    }
    assert figures["false_per_picture"] == 0.0
    assert report.summarise(threshold=0.3)["false_per_picture"] == 1.0
    assert figures["outline_iou_median"] == 1.0
    assert figures["length_error_median_percent"] == pytest.approx(10)
    # Half of the larvae at full precision, the rest never: 51 of 101 recall points at precision 1.
    assert figures["average_precision"] == pytest.approx(51 / 101)
    assert figures["froc"] == [
        {"threshold": 0.9, "false_per_picture": 0.0, "recall": 0.5},
        {"threshold": 0.4, "false_per_picture": 1.0, "recall": 0.5},
    ]
    assert report.find_threshold(1.0) == 0.0 and 0.4 < report.find_threshold(0.5) < 0.4001
    assert figures["at_1_false_per_picture"]["false_per_picture"] == 1.0
    assert report.find_recall_at(0.0) == 0.5 and report.find_false_at(0.5) == 0.0
    assert report.find_false_at(0.6) == float("inf")
    assert list_class_names()[-1] == "32 and over"


def test_hidden_larvae_are_not_asked_for_and_marks_on_them_are_not_false() -> None:
    """A larva mostly covered, or shorter than 6 px, counts neither way."""
    short = replace(mark(*PLACES[0]), length_px=5.9)
    for picture in (make_picture(mark(*PLACES[0], visible=0.2)), make_picture(short)):
        figures = evaluate_finders({"by hand": find_both}, [picture])["by hand"].summarise(threshold=0.5)
        assert figures["larvae"] == 0 and figures["false_per_picture"] == 0.0


def test_nothing_to_see_is_reported_as_such() -> None:
    """No pictures and no places give empty figures, not an error."""
    report = evaluate_finders({"blind": lambda rgb: []}, [])["blind"]
    assert report.summarise(threshold=0.5)["larvae"] == 0 and np.isnan(report.seconds)


@pytest.mark.parametrize("name", CLASSICAL)
def test_every_alternative_really_finds_dark_bodies(name: str) -> None:
    """On an easy picture each general blob finder finds both bodies: it is a fair rival, not a straw man."""
    picture = make_picture(*(mark(*place) for place in PLACES))
    report = evaluate_finders({name: CLASSICAL[name]}, [picture])[name]
    assert report.find_recall_at(5.0) == 1.0
    assert CLASSICAL[name](np.full((60, 80, 3), 128, np.uint8)) == []


def test_overlap_of_outlines_is_that_of_their_areas() -> None:
    """Two squares that share half of each have an IoU of a third; the same square has 1."""
    square = np.float32([[0, 0], [0, 40], [40, 40], [40, 0]])
    assert compare_outlines(square, square) == 1.0
    assert compare_outlines(square, square + np.float32([0, 20])) == pytest.approx(1 / 3, abs=0.02)


def test_larvae_that_stand_out_are_counted_beside_all() -> None:
    """A mark on the drawn body stands out, one on plain leaf does not: counted of both, and of the first alone."""
    plain = replace(mark(130, 40, 20), larva_id="plain")
    picture = make_picture(mark(*PLACES[0]), plain)
    figures = evaluate_finders({"by hand": find_both}, [picture])["by hand"].summarise(threshold=0.5)
    assert (figures["larvae"], figures["larvae_that_stand_out"]) == (2, 1)
    assert figures["recall_by_length_px"]["16-32"] == {"found": 1, "of": 2}
    assert figures["recall_by_length_px_of_those_that_stand_out"]["16-32"] == {"found": 1, "of": 1}
    assert stands_out([0.0, 1.0, 1.0]) and not stands_out([0.0, 0.0, 1.0]) and not stands_out([])
