"""Light about a label is that of its surroundings, in classes by quarters of the code values."""

from datetime import UTC, datetime

import numpy as np
import pytest

from models.labels import LabelledImage, LabelMark, choose_split
from models.picture_light import LIGHT_CLASSES, measure_light, name_light

SIZE_PX = (60, 90)
BODY = np.float32([[20, 30], [20, 49], [29, 49], [29, 30]])
"""Pixels of rows 20 to 29 and columns 30 to 49."""


def label(*outlines: np.ndarray) -> LabelledImage:
    marks = tuple(LabelMark(outline, "larva") for outline in outlines)
    return LabelledImage(
        picture="a" * 64,
        size_px=SIZE_PX,
        marks=marks,
        answer="larva" if marks else "nothing",
        source="import",
        reviewer="Ines",
        labelled_at=datetime(2026, 5, 17, tzinfo=UTC),
        split=choose_split(tree="", day=None, clip="b" * 64),
        clip="b" * 64,
    )


def test_the_body_itself_is_left_out() -> None:
    """A black body on a leaf of 150 has light 150, whatever is in it."""
    rgb = np.full((*SIZE_PX, 3), 150, np.uint8)
    rgb[20:30, 30:50] = 0
    assert measure_light(rgb, label(BODY)) == 150.0


def test_what_is_far_does_not_count() -> None:
    """More than a length away, the sky says nothing of the leaf under the body."""
    rgb = np.full((*SIZE_PX, 3), 90, np.uint8)
    rgb[20:30, 30:50] = 0
    rgb[:, 72:] = 255
    assert measure_light(rgb, label(BODY)) == 90.0


def test_a_picture_with_nothing_is_measured_in_its_middle() -> None:
    """Half a picture about its middle counts: 3 x 15 px there, and once as much on each side."""
    rgb = np.zeros((*SIZE_PX, 3), np.uint8)
    rgb[8:52, 20:70] = 200
    assert measure_light(rgb, label()) == 200.0


def test_a_body_that_fills_the_picture_is_its_own_light() -> None:
    """Where no surroundings are left, the picture is taken whole."""
    whole = np.float32([[-0.5, -0.5], [-0.5, 89.5], [59.5, 89.5], [59.5, -0.5]])
    assert measure_light(np.full((*SIZE_PX, 3), 70, np.uint8), label(whole)) == 70.0


@pytest.mark.parametrize(
    ("light", "name"),
    [(0.0, "dark"), (63.9, "dark"), (64.0, "dim"), (128.0, "bright"), (192.0, "glaring"), (255.0, "glaring")],
)
def test_classes_are_quarters(light: float, name: str) -> None:
    """Each class begins at its bound."""
    assert name_light(light) == name and name in LIGHT_CLASSES
