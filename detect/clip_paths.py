"""Which clips the arguments of a command mean: files, folders of clips and photos, and wildcards.

In a folder, each video is a clip, and the photos that lie directly in one folder are one clip, named by the folder; folders
inside are gone through likewise. The same file counts once, however often and by whichever name it is given. No file is read
beyond its first bytes.
"""

import glob
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from detect.errors import ClipError
from detect.file_kinds import PHOTO_KINDS, FileKind, sniff_file

VIDEO_SUFFIXES = frozenset(
    (
        ".3gp",
        ".avi",
        ".m2ts",
        ".m4v",
        ".mkv",
        ".mov",
        ".mp4",
        ".mpeg",
        ".mpg",
        ".mts",
        ".mxf",
        ".ts",
        ".webm",
        ".wmv",
    )
)
PHOTO_SUFFIXES = frozenset((".heic", ".heif", ".jpeg", ".jpg", ".png"))
"""A file so named whose bytes say otherwise may be a damaged clip, which is worth other words than a stray file."""


@dataclass(frozen=True, slots=True)
class FoundClips:
    """What the arguments came to.

    Attributes
    ----------
    paths : videos, photos and folders of photos to open, in the order given; within a folder by name
    passed_over : what lay in a folder or matched a wildcard and is no clip, in sentences
    """

    paths: tuple[Path, ...]
    passed_over: tuple[str, ...]


@dataclass(slots=True)
class _Finding:
    paths: list[Path] = field(default_factory=list)
    passed_over: list[str] = field(default_factory=list)
    seen: set[tuple[int, int]] = field(default_factory=set)

    def add(self, path: Path) -> None:
        """Take a clip unless the same file was taken before."""
        status = path.stat()
        identity = (status.st_dev, status.st_ino)
        if identity not in self.seen:
            self.seen.add(identity)
            self.paths.append(path)


def expand_paths(arguments: Sequence[str | Path]) -> FoundClips:
    """Find the clips that the arguments mean.

    Parameters
    ----------
    arguments : files, folders and wildcards. A file is taken whatever it holds, since opening it tells; what a wildcard
        matches is judged by its first bytes, and a name that exists is never read as a wildcard

    Raises
    ------
    ClipError
        Where an argument names nothing, or a folder cannot be read.
    """
    finding = _Finding()
    for argument in arguments:
        path = Path(argument).expanduser()
        try:
            if path.is_dir():
                _search_folder(path, finding)
            elif path.exists():
                finding.add(path)
            else:
                for match in _match_wildcard(path):
                    _sort_in(match, finding)
        except OSError as error:
            raise ClipError(
                f"{argument}: expected a clip, a folder or a wildcard, found that it cannot be read ({error.strerror}); "
                "check the name, the disk and your rights to it"
            ) from error
    return FoundClips(tuple(_drop_inner_photos(finding.paths)), tuple(finding.passed_over))


def _match_wildcard(pattern: Path) -> list[Path]:
    """Return what a wildcard matches, by name; not every shell does it."""
    matches: list[Path] = []
    if not pattern.is_symlink():
        # Path.glob wants its start told apart from its wildcard; glob.glob takes a whole pattern.
        matches = [Path(match) for match in glob.glob(str(pattern), recursive=True)]  # noqa: PTH207
    if not matches:
        found = "a link that leads nowhere" if pattern.is_symlink() else "nothing of that name"
        raise ClipError(
            f"{pattern}: expected a clip, a folder or a wildcard that matches some, found {found}; "
            "check the spelling and that the disk is connected"
        )
    return sorted(matches)


def _sort_in(path: Path, finding: _Finding) -> None:
    """Take a file for what its first bytes say, or say why it is passed over; go through a folder."""
    if path.is_dir():
        _search_folder(path, finding)
        return
    kind, reason = _look_at(path)
    if kind == "unknown":
        finding.passed_over.append(f"{path}: {reason}")
    else:
        finding.add(path)


def _search_folder(folder: Path, finding: _Finding) -> None:
    """Take the videos of a folder, its photos as one clip, and then go through the folders inside."""
    has_photos = False
    inner: list[Path] = []
    for path in sorted(folder.iterdir()):
        if path.name.startswith("."):
            finding.passed_over.append(f"{path}: hidden")
        elif path.is_dir():
            inner.append(path)
        elif _look_at(path)[0] in PHOTO_KINDS:
            has_photos = True
        else:
            _sort_in(path, finding)
    if has_photos:
        finding.add(folder)
    for path in inner:
        # A link to a folder could lead round in circles.
        if path.is_symlink():
            finding.passed_over.append(f"{path}: a link to a folder")
        else:
            _search_folder(path, finding)


def _look_at(path: Path) -> tuple[FileKind, str]:
    """Return what a file is by its first bytes and, where that is unknown, the reason in words."""
    try:
        if not path.is_file():
            return "unknown", "a link that leads nowhere" if path.is_symlink() else "not a file"
        if path.stat().st_size == 0:
            return "unknown", "an empty file"
        kind = sniff_file(path)
    except OSError as error:
        return "unknown", f"cannot be read ({error.strerror})"
    if path.suffix.lower() in VIDEO_SUFFIXES | PHOTO_SUFFIXES:
        return kind, "named like a clip or photo, but its bytes are of no kind that can be read"
    return kind, "neither a video nor a photo"


def _drop_inner_photos(paths: Sequence[Path]) -> Iterator[Path]:
    """Leave out single photos that also come with their folder."""
    folders = {path.resolve() for path in paths if path.is_dir()}
    for path in paths:
        is_inner = path.resolve().parent in folders and _look_at(path)[0] in PHOTO_KINDS
        if not is_inner:
            yield path
