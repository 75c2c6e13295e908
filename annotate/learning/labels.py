"""The labelled image set for people and other programs: counted, its gaps named, written to a folder and read from one.

A set leaves as one COCO file with its pictures in a folder beside it, named by their sha256, and comes in the same way, or as
another program wrote it. What is counted and kept stands in `annotate.logbook.labels`, the file's form in `models.coco`.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from hashlib import sha256
from io import BytesIO
from pathlib import Path

from annotate.errors import AnnotateError
from annotate.logbook.label_rows import LabelChanges, decode_picture
from annotate.logbook.labels import LabelCount, LabelOrigin, add_labels, is_from, list_labels
from annotate.logbook.opening import Logbook
from annotate.logbook.pictures import keep_picture, read_picture
from annotate.numbers import say_count
from annotate.sheets import Cell
from annotate.words import STAGES, read_word
from models.coco import read_coco, write_coco
from models.labels import LONGEST_TEXT, LabelledImage, MarkKind, choose_split
from models.metrics import LENGTH_CLASSES_PX
from models.picture_light import LIGHT_BOUNDS, LIGHT_CLASSES
from models.whole_files import write_whole

LARVAL_STAGES = tuple(stage for stage in STAGES if stage.startswith("L"))
"""The stages a search is for; eggs and pupae are welcome in a set, and no gap where missing."""

NO_STAGE = "stage not given"
NO_TREE = "no tree given"
NO_LIGHT = "light not measured"
FOLDER_ENDING = "-pictures"
"""The pictures of NAME.json stand in NAME-pictures."""

LARGEST_PICTURE = 64 * 2**20
"""Bytes of one picture: a phone's JPEG has about 10 MiB at most (common practice, no source)."""

CHECKING_SHARE = 0.5
"""Of the time an import takes, about what goes into checking pictures; the rest goes into looking at those kept (measured)."""

OnProgress = Callable[[float], None]

UPRIGHT = 1
ORIENTATION_TAG = 0x0112
"""How a camera was held when a JPEG was taken, and the value that means upright (Exif 2.3, table 4)."""


@dataclass(frozen=True, slots=True)
class SetRow:
    """One line of the table: what is counted, and how much of it stands on each side of the set."""

    by: str
    name: str
    train: int
    held_out: int


def say_class(shortest_px: float) -> str:
    """Return a class of length in words, from its lower end: "6 to 10 px", "32 px and more"."""
    for low, high in LENGTH_CLASSES_PX:
        if low == shortest_px:
            return f"{low:.0f} px and more" if high == float("inf") else f"{low:.0f} to {high:.0f} px"
    return f"under {LENGTH_CLASSES_PX[0][0]:.0f} px"


def say_light(name: str) -> str:
    """Return a class of light in words, with its bounds in code values of 0 to 255: "dim (64 to 128)"."""
    if name not in LIGHT_CLASSES:
        return NO_LIGHT
    place = LIGHT_CLASSES.index(name)
    if place == 0:
        return f"{name} (under {LIGHT_BOUNDS[0]:.0f})"
    if name == LIGHT_CLASSES[-1]:
        return f"{name} ({LIGHT_BOUNDS[-1]:.0f} and more)"
    return f"{name} ({LIGHT_BOUNDS[place - 1]:.0f} to {LIGHT_BOUNDS[place]:.0f})"


def sum_set(counts: Sequence[LabelCount]) -> tuple[SetRow, ...]:
    """Return the lines of the table: larvae by stage, length, light and tree, feeding marks, and pictures with nothing."""
    larvae = [count for count in counts if count.answer == "larva"]
    rows = [_sum_row("all", "larvae", larvae)]
    stages = [*STAGES, *sorted({count.stage for count in larvae if count.stage} - set(STAGES)), None]
    rows += _sum_rows(
        "stage", larvae, [(stage or NO_STAGE, stage) for stage in stages], lambda one: one.stage
    )
    lows = [0.0, *(low for low, _ in LENGTH_CLASSES_PX)]
    rows += _sum_rows("length", larvae, [(say_class(low), low) for low in lows], lambda one: one.shortest_px)
    lights = [(say_light(name), name) for name in (*LIGHT_CLASSES, "")]
    rows += _sum_rows("light", larvae, lights, lambda one: one.light)
    trees = sorted({count.tree for count in larvae}, key=lambda tree: (not tree, tree))
    rows += _sum_rows("tree", larvae, [(tree or NO_TREE, tree) for tree in trees], lambda one: one.tree)
    rows.append(_sum_row("all", "feeding marks", [one for one in counts if one.answer == "feeding"]))
    rows.append(_sum_row("all", "pictures with nothing", [one for one in counts if one.answer == "nothing"]))
    return tuple(rows)


def _sum_rows(
    by: str,
    counts: Sequence[LabelCount],
    choices: Sequence[tuple[str, str | float | None]],
    find: Callable[[LabelCount], str | float | None],
) -> list[SetRow]:
    rows = [_sum_row(by, name, [one for one in counts if find(one) == value]) for name, value in choices]
    return [row for row in rows if row.train or row.held_out]


def _sum_row(by: str, name: str, counts: Sequence[LabelCount]) -> SetRow:
    train = sum(count.number for count in counts if count.split == "train")
    return SetRow(by, name, train, sum(count.number for count in counts) - train)


def name_gaps(counts: Sequence[LabelCount]) -> str:
    """Return in one sentence what the set lacks, empty where it lacks nothing of what is asked for."""
    rows = {(row.by, row.name): (row.train, row.held_out) for row in sum_set(counts)}
    parts = []
    for where, is_gap in GAPS:
        missing = [
            _say_missing([name for name in names if is_gap(*rows.get((by, name), (0, 0)))], words)
            for by, names, words in ASKED_FOR
        ]
        if any(missing):
            parts.append(f"{where} {', '.join(f'no {words}' for words in missing if words)}")
    sentence = "; ".join(parts)
    return f"{sentence[0].upper()}{sentence[1:]}." if sentence else ""


def _say_missing(names: Sequence[str], words: str) -> str:
    return words.format(_join(names)) if names else ""


def _join(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


GAPS: tuple[tuple[str, Callable[[int, int], bool]], ...] = (
    ("the set has", lambda train, held_out: not train and not held_out),
    ("train has", lambda train, held_out: not train and held_out > 0),
    ("held out has", lambda train, held_out: train > 0 and not held_out),
)
"""Where something may be missing, and whether it is, from its numbers on both sides."""

ASKED_FOR = (
    ("stage", LARVAL_STAGES, "larva of {}"),
    ("length", tuple(say_class(low) for low, _ in LENGTH_CLASSES_PX), "larva of {} long"),
    ("light", tuple(say_light(name) for name in LIGHT_CLASSES), "larva in light that is {}"),
    ("all", ("feeding marks",), "feeding"),
    ("all", ("pictures with nothing",), "picture with nothing"),
)
"""What a set should have on both sides: lines of the table, and how they are named where missing."""


MOST_ORIGINS = 5
"""Imports that are named one by one; of more, only how many pictures they hold."""

OWN_WORDS = {"verdict": "from verdicts", "drawn in": "drawn in"}


def say_origins(origins: Sequence[LabelOrigin]) -> str:
    """Return in one sentence whence the pictures came, imports with their licence; empty where all are from verdicts."""
    imports = [one for one in origins if one.source == "import"]
    if not imports:
        return ""
    parts = [f"{one.pictures:,} {OWN_WORDS[one.source]}" for one in origins if one.source != "import"]
    parts += [
        f"{one.pictures:,} imported from {one.origin or 'nowhere named'} ({one.licence or 'no licence named'})"
        for one in imports[:MOST_ORIGINS]
    ]
    if rest := sum(one.pictures for one in imports[MOST_ORIGINS:]):
        parts.append(f"{rest:,} imported from others")
    return f"Pictures: {'; '.join(parts)}."


def describe_count(count: LabelCount) -> dict[str, Cell]:
    """Return a count as data with stable names; the class of length is None where nothing is measured."""
    is_larva = count.answer == "larva"
    return {
        "tree": count.tree,
        "split": count.split,
        "answer": count.answer,
        "stage": count.stage,
        "length_class": say_class(count.shortest_px) if is_larva else None,
        "light": count.light or None,
        "number": count.number,
    }


@dataclass(frozen=True, slots=True)
class Exported:
    """How many labelled pictures were written, and the sha256s of those left out, which are gone or damaged."""

    written: int
    lost: tuple[str, ...]


def export_labels(logbook: Logbook, path: Path) -> Exported:
    """Write the set as a COCO file, its pictures first into a folder beside it; pictures that are lost are left out.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the set is empty, or every picture of it lost, the path is a folder, or a picture cannot be written; an older file
        is then as before.
    models.errors.ModelsError
        Where the file cannot be written.
    """
    images = list_labels(logbook)
    if not images:
        raise AnnotateError(
            "labels: expected at least one labelled picture to export; found none; judge candidates with: leafshade review"
        )
    if path.is_dir():
        raise AnnotateError(
            f"{path}: expected the name of a file to write; found a folder, and wrote nothing; name a file in it, such as "
            f"{path / 'labels.json'}"
        )
    folder = path.parent / f"{path.stem}{FOLDER_ENDING}"
    written: list[LabelledImage] = []
    lost: list[str] = []
    for image in images:
        try:
            data = read_picture(logbook, image.picture)
        except AnnotateError:
            lost.append(image.picture)
            continue
        _write_picture(folder / f"{image.picture}.jpg", data)
        written.append(image)
    if not written:
        raise AnnotateError(
            f"labels: expected labelled pictures to export; found all {len(lost)} missing or damaged; put back a copy of the "
            "logbook's folder of evidence"
        )
    write_coco(path, written, folder=folder.name)
    return Exported(len(written), tuple(lost))


def _write_picture(path: Path, data: bytes) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.is_file() and path.read_bytes() == data:
            return
        write_whole(path, data)
    except OSError as error:
        raise AnnotateError(
            f"{path}: expected a place to write a picture; found '{error.strerror}'; choose another place or free some space"
        ) from error


def import_labels(
    logbook: Logbook,
    path: Path,
    *,
    origin: str,
    licence: str,
    called: Mapping[str, MarkKind] | None = None,
    withdraws: bool = False,
    on_progress: OnProgress = lambda share: None,
) -> LabelChanges:
    """Read a COCO file with its pictures into the set: all of it, or nothing where anything is wrong.

    Every picture is read and checked before the first is kept, and its bytes again as it is kept. The file's own licence of a
    picture is left as it is, `licence` is that of the others; `called` says what further categories of the file are.

    Parameters
    ----------
    withdraws : whether what came from this origin before and does not stand in the file goes, as in a newer and whole version of
        the same set; else it is counted as missing and stays. What was judged or drawn in here stays in any case
    on_progress : called with the share done, 0 to 1

    Raises
    ------
    annotate.errors.AnnotateError
        Where origin or licence are empty, a stage is none of `annotate.words`, or a picture is missing, no whole JPEG, turned,
        or not the one that was labelled; and where the file is to withdraw, but something in it is older than what came before.
    models.errors.ModelsError
        Where the file is no COCO file of larvae and feeding.
    """
    origin, licence = _read_text(origin, "source"), _read_text(licence, "licence")
    read = read_coco(path, labelled_at=datetime.now(UTC), called=called)
    images = [_adopt(image, origin=origin, licence=licence) for image in read.images]
    kept = list_labels(logbook, source="import", with_repeated=True)
    if withdraws:
        _refuse_older(path, images, kept, origin=origin)
    images = _keep_known(images, kept, newer_of=origin if withdraws else "")
    pictures = list(zip(read.images, read.files, strict=True))
    for done, (image, file) in enumerate(pictures, 1):
        _check_whole(image, file)
        on_progress(CHECKING_SHARE * done / len(pictures))
    for image, file in pictures:
        keep_picture(logbook, _read_labelled(image, file))
    return add_labels(
        logbook,
        images,
        origin=origin,
        withdraws=withdraws,
        on_seen=lambda share: on_progress(CHECKING_SHARE + (1 - CHECKING_SHARE) * share),
    )


def _refuse_older(
    path: Path, images: Sequence[LabelledImage], kept: Sequence[LabelledImage], *, origin: str
) -> None:
    """Raise where an earlier file of the same origin says something later: what is not in this one may only be newer."""
    last = {image.picture: image.labelled_at for image in kept if is_from(image, origin)}
    older = sum(image.picture in last and last[image.picture] > image.labelled_at for image in images)
    if older:
        raise AnnotateError(
            f"{path}: expected the newest version of what came from {origin}, to withdraw what it lacks; found "
            f"{say_count(older, 'picture')} labelled later in a file that came before, and changed nothing; import the newest "
            "version, or leave --withdraw out"
        )


def _keep_known(
    images: Sequence[LabelledImage], kept: Sequence[LabelledImage], *, newer_of: str
) -> list[LabelledImage]:
    """Return labels of a file so that of another program's pictures those known stay where they stand.

    Such a file says neither tree nor moment: read at another time it would seem to change everything, and corrected it would be
    another file and might come to the other side of the set. It goes where its pictures went before, all of it.

    Parameters
    ----------
    newer_of : origin of which the file is a newer version, though it may have none of the pictures; empty for a file of its own
    """
    known = {one.picture: one for one in kept if _is_foreign(one)}
    before = [known[one.picture] for one in images if _is_foreign(one) and one.picture in known]
    before += [one for one in known.values() if is_from(one, newer_of)]
    clip = before[0].clip if before else ""
    return [_keep_one(one, known.get(one.picture), clip) if _is_foreign(one) else one for one in images]


def _keep_one(image: LabelledImage, before: LabelledImage | None, clip: str) -> LabelledImage:
    split = choose_split(tree="", day=None, clip=clip) if clip else image.split
    moved = replace(image, clip=clip or image.clip, split=split)
    if before is not None and replace(moved, labelled_at=before.labelled_at) == before:
        return before
    return moved


def _is_foreign(image: LabelledImage) -> bool:
    """Whether another program wrote it: nobody is named, and neither tree nor date."""
    return not image.reviewer and not image.tree and image.date is None


def _adopt(image: LabelledImage, *, origin: str, licence: str) -> LabelledImage:
    """Return a label as an import, its stages as `annotate.words` writes them."""
    marks = tuple(
        replace(mark, stage=read_word(mark.stage, STAGES, what=f"stage in picture {image.picture[:12]}"))
        for mark in image.marks
    )
    return replace(image, marks=marks, source="import", origin=origin, licence=image.licence or licence)


def _read_text(text: str, what: str) -> str:
    plain = " ".join(text.split())
    if not plain or len(plain) > LONGEST_TEXT or not plain.isprintable():
        raise AnnotateError(
            f"{what}: expected some words, at most {LONGEST_TEXT} letters; found {plain[:60]!r}; say where the pictures come "
            "from and under which licence they may be used"
        )
    return plain


def _check_whole(image: LabelledImage, file: Path) -> None:
    """Refuse a file that is not the whole, upright picture that was labelled."""
    found = find_fault(image, _read_labelled(image, file))
    if found:
        raise _say_other(image, file, found)


def _read_labelled(image: LabelledImage, file: Path) -> bytes:
    """Return the bytes of the picture that was labelled, known by their sha256."""
    try:
        if file.exists() and not file.is_file():  # a pipe would be waited for
            raise OSError(0, "no file")
        with file.open("rb") as stream:
            data = stream.read(LARGEST_PICTURE + 1)
    except OSError as error:
        raise AnnotateError(
            f"{file}: expected the picture that was labelled; found '{error.strerror}'; put it there, or leave it out of the file"
        ) from error
    if len(data) > LARGEST_PICTURE or sha256(data).hexdigest() != image.picture:
        raise _say_other(image, file, find_fault(image, data))
    return data


def _say_other(image: LabelledImage, file: Path, found: str) -> AnnotateError:
    return AnnotateError(
        f"{file}: expected the JPEG picture that was labelled, upright, {image.size_px[0]} x {image.size_px[1]} px; "
        f"found {found}; put the right one there, or leave it out of the file"
    )


def find_fault(image: LabelledImage, data: bytes) -> str:
    """Return in words why bytes are not the whole, upright JPEG that was labelled; empty where they are."""
    from PIL import Image

    if len(data) > LARGEST_PICTURE:
        return f"one of more than {LARGEST_PICTURE // 2**20} MiB"
    if sha256(data).hexdigest() != image.picture:
        return "another one (its sha256 differs)"
    try:
        with Image.open(BytesIO(data), formats=["JPEG"]) as picture:
            turned = picture.getexif().get(ORIENTATION_TAG, UPRIGHT) != UPRIGHT
            size_px = (picture.height, picture.width)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return "no JPEG"
    if turned:
        return "one that its Exif data turn"
    if size_px != image.size_px:
        return f"one of {size_px[0]} x {size_px[1]} px"
    try:
        decode_picture(data)
    except AnnotateError:
        return "part of one"
    return ""
