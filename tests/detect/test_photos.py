"""Photos are a clip like any other: upright, in order of the time taken, the broken ones told."""

import hashlib
import io
import struct
import time
import zlib
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageOps

from detect.clips import ReadReport, open_clip, read_frames, read_luma, read_planes, read_rgb, reopen_clip
from detect.errors import ClipError

SUFFIXES = ("jpg", "png", "heic")


def draw_photo(size_px: tuple[int, int] = (40, 56)) -> NDArray[np.uint8]:
    """No two of its turned or mirrored selves look alike: white at the top left, blue at the bottom left."""
    picture = np.full((*size_px, 3), (40, 140, 60), np.uint8)
    picture[: size_px[0] // 2, : size_px[1] // 2] = 250
    picture[size_px[0] // 2 :, : size_px[1] // 4] = (30, 30, 200)
    return picture


def save_photo(
    path: Path,
    *,
    orientation: int = 1,
    taken: str | None = None,
    fraction: str | None = None,
    offset: str | None = None,
    picture: NDArray[np.uint8] | None = None,
) -> Path:
    exif = Image.Exif()
    exif[0x0112] = orientation
    block = exif.get_ifd(0x8769)
    for tag, value in ((0x9003, taken), (0x9291, fraction), (0x9011, offset)):
        if value is not None:
            block[tag] = value
    image = Image.fromarray(draw_photo() if picture is None else picture)
    if path.suffix == ".heic":
        import pillow_heif

        pillow_heif.from_pillow(image).save(path, exif=exif.tobytes(), quality=95)
    elif path.suffix == ".png":
        image.save(path, "PNG", exif=exif)
    else:
        image.save(path, "JPEG", exif=exif, quality=95, subsampling=0)
    return path


@pytest.mark.parametrize("suffix", SUFFIXES)
@pytest.mark.parametrize("orientation", range(1, 9))
def test_photo_stands_as_pillow_stands_it(tmp_path: Path, suffix: str, orientation: int) -> None:
    """Reference for all eight EXIF orientations: Pillow's ImageOps.exif_transpose of the same picture as PNG."""
    path = save_photo(tmp_path / f"p.{suffix}", orientation=orientation)
    reference = save_photo(tmp_path / "reference.png", orientation=orientation)
    with Image.open(reference) as image:
        expected = np.asarray(ImageOps.exif_transpose(image)).astype(int)
    info = open_clip(path)
    (frame,) = read_frames(info)
    rgb = read_rgb(frame)
    assert (info.height_px, info.width_px, 3) == rgb.shape == expected.shape
    assert np.abs(rgb - expected).mean() < 4
    assert (info.kind, info.rotation_deg, info.claimed_frames) == ("photos", 0, 1)
    assert info.codec == {"jpg": "jpeg", "png": "png", "heic": "heic"}[suffix]


def test_heic_is_turned_by_its_own_turn_only(tmp_path: Path) -> None:
    """A HEIC whose EXIF repeats the turn is not turned twice."""
    import pillow_heif

    exif = Image.Exif()
    exif[0x0112] = 6
    path = tmp_path / "p.heic"
    pillow_heif.from_pillow(Image.fromarray(draw_photo())).save(path, exif=exif.tobytes(), quality=95)
    assert pillow_heif.open_heif(path).size == (40, 56)
    assert open_clip(path).height_px == 56


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_orientation_that_means_nothing_is_upright(tmp_path: Path, orientation: int) -> None:
    info = open_clip(save_photo(tmp_path / "p.jpg", orientation=orientation))
    assert (info.height_px, info.width_px) == (40, 56)


def test_pixels_mean_the_same_as_in_video(tmp_path: Path) -> None:
    """Luma of a photo is 16 + 219/255 grey, chroma of grey is 128, of blue high in Cb and low in Cr."""
    (frame,) = read_frames(open_clip(save_photo(tmp_path / "p.png")))
    luma, cb, cr = read_planes(frame)
    np.testing.assert_array_equal(luma, read_luma(frame))
    assert luma.shape == cb.shape == cr.shape == (40, 56)
    assert (luma[5, 5], cb[5, 5], cr[5, 5]) == (round(16 + 219 * 250 / 255), 128, 128)
    assert cb[35, 3] > 190 and cr[35, 3] < 128


@pytest.mark.parametrize("mode", ["L", "LA", "P", "RGBA", "1", "CMYK", "I;16"])
def test_every_mode_becomes_rgb(tmp_path: Path, mode: str) -> None:
    """Grey, palette, transparent, print colours and 16-bit grey come out as the same picture."""
    grey = np.repeat(np.arange(0, 250, 10, dtype=np.uint8)[None, :], 12, axis=0)
    path = tmp_path / ("p.jpg" if mode == "CMYK" else "p.png")
    if mode == "I;16":
        Image.fromarray(grey.astype(np.uint16) * 257).save(path)
    elif mode == "1":
        Image.fromarray(grey).point(lambda v: 255 * (v > 120), "1").save(path)
    elif mode == "P":
        Image.fromarray(grey).convert("RGB").quantize(64).save(path)
    else:
        Image.fromarray(grey).convert("RGB").convert(mode).save(path)
    info = open_clip(path)
    (frame,) = read_frames(info)
    expected = np.where(grey > 120, 255, 0) if mode == "1" else grey.astype(int)
    assert np.abs(read_rgb(frame).astype(int) - expected[..., None]).max() <= (
        8 if mode in ("CMYK", "P") else 1
    )
    assert info.bit_depth == (16 if mode == "I;16" else 8)


def test_folder_is_ordered_by_time_taken_then_name(tmp_path: Path) -> None:
    """Times in the clip are those between the photos; two of one second stand a second apart; a dateless one comes last."""
    taken = {
        "c.jpg": "2024:07:06 10:00:00",
        "b.jpg": "2024:07:06 10:00:00",
        "a.jpg": "2024:07:06 10:00:30",
        "d.png": "2024:07:06 10:02:00",
        "0.jpg": None,
    }
    for shade, (name, moment) in enumerate(taken.items()):
        save_photo(tmp_path / name, taken=moment, picture=np.full((8, 8, 3), 40 * shade, np.uint8))
    info, report = open_clip(tmp_path), ReadReport()
    frames = list(read_frames(info, report=report))
    assert [round(read_rgb(frame).mean() / 40) for frame in frames] == [1, 0, 2, 3, 4]
    assert [frame.time_s for frame in frames] == [0.0, 1.0, 30.0, 120.0, 121.0]
    assert [frame.index for frame in frames] == [0, 1, 2, 3, 4]
    assert (info.claimed_frames, info.claimed_duration_s, report.duration_s) == (5, 122.0, 5.0)
    assert report.problems == []


def test_offsets_put_two_cameras_on_one_clock(tmp_path: Path) -> None:
    """Where every photo says its offset, the order is by UTC; where one does not, by the clocks as they stand."""
    save_photo(tmp_path / "a.jpg", taken="2024:07:06 12:00:00", offset="+02:00")
    save_photo(tmp_path / "b.jpg", taken="2024:07:06 11:00:10", offset="+01:00", fraction="5")
    assert [frame.time_s for frame in read_frames(open_clip(tmp_path))] == [0.0, 10.5]
    save_photo(tmp_path / "c.jpg", taken="2024:07:06 11:30:00")
    assert [frame.time_s for frame in read_frames(open_clip(tmp_path))] == [0.0, 1789.5, 3589.5 + 0.0]


def test_photos_without_dates_are_a_second_apart_by_name(tmp_path: Path) -> None:
    for name in ("b.png", "a.png", "c.png"):
        save_photo(tmp_path / name)
    assert [frame.time_s for frame in read_frames(open_clip(tmp_path))] == [0.0, 1.0, 2.0]


def test_a_later_start_gives_the_later_photos(tmp_path: Path) -> None:
    for number in range(5):
        save_photo(tmp_path / f"{number}.jpg", taken=f"2024:07:06 10:00:{number * 7:02}")
    info, report = open_clip(tmp_path), ReadReport()
    later = list(read_frames(info, start_after_s=7.0, first_index=2, report=report))
    assert [(frame.index, frame.time_s) for frame in later] == [(2, 14.0), (3, 21.0), (4, 28.0)]
    assert (report.frames, report.duration_s) == (5, 5.0)


def test_digest_is_of_the_photos_and_nothing_else(tmp_path: Path) -> None:
    """A single photo has the digest of its bytes; a folder's changes with a photo's bytes or name, not with other files."""
    folder = tmp_path / "visit"
    folder.mkdir()
    one = save_photo(folder / "a.jpg")
    assert open_clip(one).sha256 == hashlib.sha256(one.read_bytes()).hexdigest()
    save_photo(folder / "b.jpg", orientation=3)
    first = open_clip(folder).sha256
    (folder / "notes.txt").write_text("wind")
    (folder / "inner").mkdir()
    save_photo(folder / "inner" / "c.jpg")
    assert open_clip(folder).sha256 == first == reopen_clip(folder, first).sha256
    (folder / "b.jpg").rename(folder / "c.jpg")
    renamed = open_clip(folder).sha256
    save_photo(folder / "c.jpg", orientation=1)
    assert len({first, renamed, open_clip(folder).sha256}) == 3


# What is wrong with a photo


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_cut_off_photo_is_told_and_the_others_read(tmp_path: Path, suffix: str) -> None:
    for name in ("a", "b", "c"):
        save_photo(
            tmp_path / f"{name}.{suffix}",
            picture=np.random.default_rng(3).integers(0, 255, (64, 64, 3), np.uint8),
        )
    broken = tmp_path / f"b.{suffix}"
    broken.write_bytes(broken.read_bytes()[:-1500])
    report = ReadReport()
    frames = list(read_frames(open_clip(tmp_path), report=report))
    assert [frame.index for frame in frames] == [0, 1]
    (problem,) = report.problems
    assert problem.startswith(f"{broken}: expected a whole photo, found it cut off or damaged")


def test_single_photo_whose_header_is_broken_is_told(tmp_path: Path) -> None:
    path = tmp_path / "p.jpg"
    path.write_bytes(b"\xff\xd8\xff\xe0\x00\x10JFIF" + bytes(100))
    with pytest.raises(ClipError, match="cut off or damaged"):
        open_clip(path)
    with pytest.raises(ClipError, match="cut off or damaged"):
        open_clip(tmp_path)


def test_picture_that_claims_too_much_is_refused(tmp_path: Path) -> None:
    """A small file that would unpack to billions of pixels is refused by its header; a sound neighbour is read."""
    header = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    chunk = struct.pack(">I", 13) + b"IHDR" + header + struct.pack(">I", zlib.crc32(b"IHDR" + header))
    bomb = tmp_path / "bomb.png"
    bomb.write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk + struct.pack(">I", 0) + b"IDAT" + struct.pack(">I", zlib.crc32(b"IDAT"))
    )
    with pytest.raises(ClipError, match="at most 120 million pixels, found one that claims 60000 x 60000"):
        open_clip(bomb)
    save_photo(tmp_path / "sound.jpg")
    report = ReadReport()
    assert len(list(read_frames(open_clip(tmp_path), report=report))) == 1
    assert "bomb.png" in report.problems[0]


def test_photo_gone_between_opening_and_reading_is_told(tmp_path: Path) -> None:
    path = save_photo(tmp_path / "p.jpg")
    info = open_clip(path)
    path.unlink()
    report = ReadReport()
    assert list(read_frames(info, report=report)) == []
    assert "No such file" in report.problems[0]


def test_photos_are_read_from_several_threads(tmp_path: Path) -> None:
    from concurrent.futures import ThreadPoolExecutor

    for number in range(4):
        save_photo(tmp_path / f"{number}.jpg", picture=np.full((32, 32, 3), 50 * number, np.uint8))
    info = open_clip(tmp_path)
    with ThreadPoolExecutor(4) as pool:
        sums = pool.map(lambda _: [int(read_rgb(frame).sum()) for frame in read_frames(info)], range(8))
    assert len({tuple(values) for values in sums}) == 1


@pytest.fixture(scope="module")
def sound_photos(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("photos")
    settings = {"orientation": 6, "taken": "2024:07:06 10:00:00", "offset": "+02:00"}
    return {suffix: save_photo(folder / f"p.{suffix}", **settings).read_bytes() for suffix in SUFFIXES}  # type: ignore[arg-type]


BROKEN = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def check_broken(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    began_s = time.monotonic()
    report = ReadReport()
    try:
        info = open_clip(path)
        frames = list(read_frames(info, report=report))
    except ClipError as error:
        assert str(error).startswith(f"{path}: expected ")
    else:
        assert frames or report.problems
        assert all(read_rgb(frame).shape == (info.height_px, info.width_px, 3) for frame in frames)
        assert all(before.time_s < after.time_s for before, after in pairwise(frames))
    assert time.monotonic() - began_s < 20


@pytest.mark.parametrize("suffix", SUFFIXES)
@BROKEN
@given(data=st.data())
def test_photo_with_any_bytes_changed_or_cut(
    tmp_path: Path, sound_photos: dict[str, bytes], suffix: str, data: st.DataObject
) -> None:
    """A valid photo, changed or cut anywhere: a picture of the size it claims, or one line on what is wrong."""
    content = bytearray(sound_photos[suffix])
    places = st.tuples(st.integers(0, len(content) - 1), st.integers(0, 255))
    for place, value in data.draw(st.lists(places, max_size=12)):
        content[place] = value
    check_broken(tmp_path / "p", bytes(content[: data.draw(st.integers(1, len(content)))]))


def test_pillow_finds_our_made_photos_sound(sound_photos: dict[str, bytes]) -> None:
    """The photos that are broken above are whole before: another reader says so."""
    with Image.open(io.BytesIO(sound_photos["jpg"])) as image:
        image.load()
        assert image.getexif()[0x0112] == 6


Maker = Callable[..., Path]


def test_video_among_photos_is_none_of_them(tmp_path: Path, make_clip: Maker) -> None:
    make_clip("clip.jpg", times_s=2, container_format="mp4")
    save_photo(tmp_path / "photo.mp4")
    assert open_clip(tmp_path).claimed_frames == 1
    assert open_clip(tmp_path / "clip.jpg").kind == "video"
    assert open_clip(tmp_path / "photo.mp4").kind == "photos"
