"""Arguments of a command are found to mean the clips that a person would expect."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from detect.clips import expand_paths, open_clip
from detect.errors import ClipError
from detect.file_kinds import sniff_bytes, sniff_file

Maker = Callable[..., Path]


@pytest.fixture
def visit(make_clip: Maker, tmp_path: Path) -> Path:
    """A visit's folder: two clips, photos, strays, and a camera's folder inside."""
    folder = tmp_path / "Besuch im März"
    inner = folder / "DCIM" / "100 Wald"
    inner.mkdir(parents=True)
    clip = make_clip(times_s=2)
    for name in ("b.mp4", "a clip.MOV", "DCIM/100 Wald/c.mp4", ".hidden.mp4"):
        shutil.copy(clip, folder / name)
    for name in ("p1.jpg", "p2.JPG", "DCIM/100 Wald/q.png"):
        Image.new("RGB", (8, 6), (9, 99, 9)).save(folder / name)
    (folder / "notes.txt").write_text("aspen OT03, wind")
    (folder / "broken.mp4").write_bytes(b"no clip at all" * 50)
    (folder / "empty.mov").touch()
    return folder


def test_folder_gives_its_clips_and_its_photos_as_one(visit: Path) -> None:
    """Each video is a clip, the photos of one folder are one clip, and the rest is told."""
    found = expand_paths([visit])
    inner = visit / "DCIM" / "100 Wald"
    assert found.paths == (visit / "a clip.MOV", visit / "b.mp4", visit, inner / "c.mp4", inner)
    assert found.passed_over == (
        f"{visit / '.hidden.mp4'}: hidden",
        f"{visit / 'broken.mp4'}: named like a clip or photo, but its bytes are of no kind that can be read",
        f"{visit / 'empty.mov'}: an empty file",
        f"{visit / 'notes.txt'}: neither a video nor a photo",
    )
    kinds = [(open_clip(path).kind, open_clip(path).claimed_frames) for path in found.paths]
    assert kinds == [("video", 2), ("video", 2), ("photos", 2), ("video", 2), ("photos", 1)]


def test_same_file_counts_once(visit: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By whichever name, link or wildcard a file is given, it is one clip; a photo goes with its folder."""
    link, hard = visit.parent / "link.mp4", visit.parent / "hard.mp4"
    link.symlink_to(visit / "b.mp4")
    os.link(visit / "b.mp4", hard)
    monkeypatch.chdir(visit)
    found = expand_paths([link, hard, "b.mp4", visit / "b.mp4", "./../" + visit.name + "/b.mp4", "b*.mp4"])
    assert found.paths == (link,)
    assert expand_paths(["b.mp4", visit]).paths[0] == Path("b.mp4")
    assert len(expand_paths(["b.mp4", visit, visit]).paths) == 5
    with_photo = expand_paths([visit / "p1.jpg", visit])
    assert visit / "p1.jpg" not in with_photo.paths and len(with_photo.paths) == 5


def test_single_photo_is_a_clip(visit: Path) -> None:
    assert expand_paths([visit / "p2.JPG"]).paths == (visit / "p2.JPG",)


def test_wildcards_work_without_the_shell(visit: Path) -> None:
    """What matches is taken by its bytes; what is no clip is told."""
    found = expand_paths([f"{visit}/*.m*", f"{visit}/**/c.*"])
    assert found.paths == (visit / "b.mp4", visit / "DCIM" / "100 Wald" / "c.mp4")
    assert [text.split(": ")[1][:5] for text in found.passed_over] == ["named", "an em"]


def test_name_that_exists_is_no_wildcard(visit: Path) -> None:
    odd = visit / "clip [1].mp4"
    shutil.copy(visit / "b.mp4", odd)
    assert expand_paths([str(odd)]).paths == (odd,)


def test_file_is_taken_whatever_it_holds(visit: Path) -> None:
    """A file that a person names is not passed over in silence; opening it tells what is wrong."""
    assert expand_paths([visit / "broken.mp4"]).paths == (visit / "broken.mp4",)
    with pytest.raises(ClipError):
        open_clip(visit / "broken.mp4")


@pytest.mark.parametrize("name", ["none.mp4", "*.nothing", "none/*"])
def test_argument_that_names_nothing_is_told(tmp_path: Path, name: str) -> None:
    with pytest.raises(ClipError, match="nothing of that name; check the spelling"):
        expand_paths([tmp_path / name])


def test_links_that_lead_nowhere_or_round(visit: Path) -> None:
    """A broken link named by a person is an error; in a folder it is told; a link to a folder is not followed."""
    gone, round_about = visit / "gone.mp4", visit / "round"
    gone.symlink_to(visit / "nowhere")
    round_about.symlink_to(visit)
    with pytest.raises(ClipError, match="a link that leads nowhere"):
        expand_paths([gone])
    found = expand_paths([visit])
    assert len(found.paths) == 5
    assert f"{gone}: a link that leads nowhere" in found.passed_over
    assert f"{round_about}: a link to a folder" in found.passed_over


def test_nothing_asked_nothing_found(tmp_path: Path) -> None:
    assert expand_paths([]).paths == ()
    assert expand_paths([tmp_path]).paths == ()


@pytest.mark.parametrize(
    "name", ["c.mp4", "c.mov", "c.mkv", "c.webm", "c.avi", "c.ts", "c.mpg", "c.flv", "c.ogv", "c.wmv"]
)
def test_videos_are_known_by_their_bytes(run_ffmpeg: Callable[..., bytes], tmp_path: Path, name: str) -> None:
    """Reference: files as the ffmpeg program writes them."""
    run_ffmpeg("ffmpeg", "-f", "lavfi", "-i", "testsrc=s=64x48:r=25:d=0.2", tmp_path / name)
    assert sniff_file(tmp_path / name) == "video"
    assert open_clip(tmp_path / name).width_px == 64


@pytest.mark.parametrize(
    "head",
    [
        b"",
        b"\xff\xd8",
        b"RIFF\0\0\0\0WAVE",
        b"ID3\x03",
        b"\0\0\0\x20ftypM4A ",
        b"\0\0\0\x1cftypavif\0\0\0\0",
        b"\0\0\0\x1cftypmif1\0\0\0\0mif1avif",
        b"%PDF-1.7",
        b"II*\0",
        b"G" + bytes(300),
        bytes(400),
    ],
)
def test_other_bytes_are_no_clip(head: bytes) -> None:
    assert sniff_bytes(head) == "unknown"
