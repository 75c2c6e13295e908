"""From pixels to millimetres: published ground sample distances, shapes and crops, and what files state of their lens."""

from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from detect.errors import DetectError
from detect.lenses import (
    AS_FILMED,
    FILM_DIAGONAL_MM,
    find_distance_m,
    find_mm_per_px,
    fit_lens,
    read_focal_length,
    reckon_plainly,
)
from models.canopy.camera import find_scale

UHD = (2160, 3840)
FOCAL_KEY = "com.apple.quicktime.camera.focal_length.35mm_equivalent"


@pytest.mark.parametrize(
    ("distance_m", "mm_per_px", "larva_px"), [(2, 0.72, 13.9), (3, 1.08, 9.2), (4, 1.44, 6.9)]
)
def test_published_lengths_of_a_larva(distance_m: float, mm_per_px: float, larva_px: float) -> None:
    """26 mm-equivalent at 3840 px: 0.72, 1.08, 1.44 mm per px at 2, 3, 4 m; 10 mm is 13.9, 9.2, 6.9 px (check-values)."""
    lens = reckon_plainly(26, frame_size_px=UHD)
    found = find_mm_per_px(lens, distance_m=distance_m, frame_size_px=UHD)
    assert found == pytest.approx(mm_per_px, abs=0.005)
    assert 10 / found == pytest.approx(larva_px, abs=0.05)


def test_published_ground_sample_distance() -> None:
    """A 13.2 mm sensor, 8.8 mm, 5472 px, 100 m: 2.741 cm per px (check-values, seen and run)."""
    frame = (3648, 5472)
    lens = reckon_plainly(8.8 * 36 / 13.2, frame_size_px=frame)
    assert find_mm_per_px(lens, distance_m=100, frame_size_px=frame) / 10 == pytest.approx(2.741, abs=0.0005)


def test_diagonal_of_35_mm_film() -> None:
    """The diagonal is 43.27 mm, and worth 36.0, 34.6, 37.7 mm along the long side for 3:2, 4:3, 16:9."""
    assert pytest.approx(43.27, abs=0.005) == FILM_DIAGONAL_MM
    whole = {(2000, 3000): 36.0, (3000, 4000): 34.6, (1080, 1920): 37.7}
    for frame, long_mm in whole.items():
        lens = fit_lens(26, frame_size_px=frame, shape=AS_FILMED, crop=1)
        assert lens.film_long_mm == pytest.approx(long_mm, abs=0.05)


def test_same_reckoning_as_the_drawn_canopy() -> None:
    """Drawn clips and measured ones agree on what a pixel covers."""
    lens = reckon_plainly(77, frame_size_px=(1080, 1920))
    assert 1 / find_mm_per_px(lens, distance_m=3, frame_size_px=(1080, 1920)) == pytest.approx(
        find_scale(77, 3, 1920)
    )


def test_portrait_and_landscape_are_alike() -> None:
    """Turning the phone changes nothing."""
    assert fit_lens(26, frame_size_px=(3840, 2160)) == fit_lens(26, frame_size_px=UHD)


def test_frames_cut_from_another_shape() -> None:
    """16:9 from a 4:3 picture keeps its long side; a square keeps its short side; steadying shortens both."""
    wide = fit_lens(26, frame_size_px=UHD, shape="4:3", crop=1).film_long_mm
    assert wide == pytest.approx(FILM_DIAGONAL_MM * 4 / 5)
    assert fit_lens(26, frame_size_px=(900, 900), shape="4:3", crop=1).film_long_mm == pytest.approx(
        FILM_DIAGONAL_MM * 3 / 5
    )
    assert fit_lens(26, frame_size_px=UHD, shape="4:3", crop=1.2).film_long_mm == pytest.approx(wide / 1.2)


def test_what_is_not_known_widens_the_error() -> None:
    """Without shape and crop the error is larger than with one of them, and that larger than with both."""
    none = fit_lens(26, frame_size_px=UHD).error_share
    one = fit_lens(26, frame_size_px=UHD, shape="4:3").error_share
    both = fit_lens(26, frame_size_px=UHD, shape="4:3", crop=1.1).error_share
    assert none > one > both > 0


def test_there_and_back() -> None:
    """A distance found from a scale gives that scale."""
    lens = fit_lens(52, frame_size_px=UHD)
    scale = find_mm_per_px(lens, distance_m=3.3, frame_size_px=UHD)
    assert find_distance_m(lens, mm_per_px=scale, frame_size_px=UHD) == pytest.approx(3.3)


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"focal_equivalent_mm": 0.0}, "expected 4 to 2000 mm"),
        ({"focal_equivalent_mm": float("nan")}, "expected 4 to 2000 mm"),
        ({"shape": "5:4"}, "expected one of 3:2, 4:3, 16:9, as filmed"),
        ({"crop": 0.5}, "expected a factor from 1 to 2"),
    ],
)
def test_lenses_that_do_not_exist(values: dict[str, object], says: str) -> None:
    """A lens that cannot be is an error that says what can."""
    given: dict[str, object] = {"focal_equivalent_mm": 26.0, "frame_size_px": UHD, **values}
    with pytest.raises(DetectError, match=says):
        fit_lens(given.pop("focal_equivalent_mm"), **given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "mm"), [("26.00mm", 26.0), ("77", 77.0), ("0", None), ("wide", None), ("9" * 40, None)]
)
def test_clip_states_its_focal_length(make_clip: Callable[..., Path], text: str, mm: float | None) -> None:
    """QuickTime's key, as text, is read from a real file; nonsense in it is nothing."""
    path = make_clip(
        "clip.mp4", times_s=2, metadata={FOCAL_KEY: text}, container_options={"movflags": "use_metadata_tags"}
    )
    assert read_focal_length(path) == mm


def test_clip_that_states_nothing(make_clip: Callable[..., Path]) -> None:
    """A clip without the key has no focal length."""
    assert read_focal_length(make_clip(times_s=2)) is None


def write_photo(path: Path, focal: int | None) -> Path:
    exif = Image.Exif()
    if focal is not None:
        exif.get_ifd(0x8769)[0xA405] = focal
    Image.new("RGB", (40, 30)).save(path, exif=exif)
    return path


def test_photos_state_their_focal_length(tmp_path: Path) -> None:
    """EXIF FocalLengthIn35mmFilm is read of one photo and of a folder that agrees; one that differs or none makes it unknown."""
    one = write_photo(tmp_path / "a.jpg", 77)
    assert read_focal_length(one) == 77
    write_photo(tmp_path / "b.jpg", 77)
    assert read_focal_length(tmp_path) == 77
    (tmp_path / "broken.jpg").write_bytes(one.read_bytes()[:300])
    write_photo(tmp_path / "c.jpg", 26)
    assert read_focal_length(tmp_path) is None
    assert read_focal_length(write_photo(tmp_path / "none.jpg", None)) is None
    assert read_focal_length(write_photo(tmp_path / "zero.jpg", 0)) is None
