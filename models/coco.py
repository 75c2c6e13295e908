"""The labelled image set as COCO JSON, written and read.

COCO counts x and y from the top left pixel's corner, half a pixel further than our rows and columns, and the step between them is
taken here and nowhere else. What COCO has no word for stands under the one key "leafshade" of an image or annotation, which other
readers pass over. A file is read as a whole or refused as a whole.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from models.errors import ModelsError
from models.json_places import Place
from models.labels import (
    LABEL_ANSWERS,
    LABEL_SOURCES,
    LARGEST_PX,
    LONGEST_TEXT,
    MARK_KINDS,
    MOST_POINTS,
    SPLITS,
    LabelledImage,
    LabelMark,
    MarkKind,
    Outline,
    choose_split,
    digest_label,
    find_answer,
    is_sha256,
    name_version,
    show_short,
)
from models.whole_files import write_whole

OUR_KEY = "leafshade"
MOST_BYTES = 256 * 2**20
"""Of a COCO file. 100,000 labelled pictures, outlines of 32 corners on half, took 70 MiB."""


CATEGORY_IDS = {"larva": 1, "feeding": 2}
MOST_NAMED = 20
"""Categories of a file that a message names."""

HALF_PX = 0.5
SHORTEST_OUTLINE = 6
"""Numbers of a polygon with three corners."""
LEAST_AREA_PX = 4.0
"""Of an outline that another program wrote: two pixels each way, as of those drawn here; less is a slip of the hand. What this
program wrote comes back as it is."""


@dataclass(frozen=True, slots=True)
class CocoSet:
    """What a COCO file holds: `images`, and where the picture of each should stand; the same number of both."""

    images: tuple[LabelledImage, ...]
    files: tuple[Path, ...]


def write_coco(path: Path, images: Sequence[LabelledImage], *, folder: str = "") -> None:
    """Write labelled images as a COCO file, under a temporary name that is then moved; its version is that of the set.

    Parameters
    ----------
    folder : name of a folder beside the file in which the pictures stand, as SHA256.jpg; empty where they stand beside the file

    Raises
    ------
    models.errors.ModelsError
        Where a picture comes twice, or the file cannot be written.
    """
    if len({image.picture for image in images}) != len(images):
        raise ModelsError(f"{path}: expected each picture once; found one twice; leave one of them out")
    licences = sorted({image.licence for image in images if image.licence})
    body = {
        "info": {
            "description": "Labelled pictures of larvae and feeding",
            "version": name_version(digest_label(image) for image in images),
        },
        "licenses": [{"id": number, "name": name, "url": ""} for number, name in enumerate(licences, 1)],
        "categories": [{"id": number, "name": name} for name, number in CATEGORY_IDS.items()],
        "images": [_dump_image(number, image, folder, licences) for number, image in enumerate(images, 1)],
        "annotations": _dump_annotations(images),
    }
    try:
        write_whole(path, json.dumps(body, separators=(",", ":"), allow_nan=False).encode())
    except OSError as error:
        raise ModelsError(
            f"{path}: expected a place to write a COCO file; found: {error.strerror}; choose another place or free some space"
        ) from error


def _dump_image(number: int, image: LabelledImage, folder: str, licences: Sequence[str]) -> dict[str, object]:
    name = f"{image.picture}.jpg"
    body: dict[str, object] = {
        "id": number,
        "file_name": f"{folder}/{name}" if folder else name,
        "height": image.size_px[0],
        "width": image.size_px[1],
        OUR_KEY: {
            "picture": image.picture,
            "answer": image.answer,
            "reason": image.reason,
            "source": image.source,
            "origin": image.origin,
            "reviewer": image.reviewer,
            "labelled_at": image.labelled_at.astimezone(UTC).isoformat(),
            "tree": image.tree,
            "date": None if image.date is None else image.date.isoformat(),
            "clip": image.clip,
            "scorer": image.scorer,
            "split": image.split,
        },
    }
    if image.licence:
        body["license"] = licences.index(image.licence) + 1
    return body


def _dump_annotations(images: Sequence[LabelledImage]) -> list[dict[str, object]]:
    marked = [(number, mark) for number, image in enumerate(images, 1) for mark in image.marks]
    return [
        {
            "id": number,
            "image_id": image_id,
            "category_id": CATEGORY_IDS[mark.kind],
            **_dump_outline(mark.outline),
            "iscrowd": 0,
            OUR_KEY: {"stage": mark.stage},
        }
        for number, (image_id, mark) in enumerate(marked, 1)
    ]


def _dump_outline(outline: Outline) -> dict[str, object]:
    """Return polygon, box and area in COCO's (x, y); doubles hold a single's value and half a pixel without loss."""
    x, y = (outline[:, axis].astype(np.float64) + HALF_PX for axis in (1, 0))
    corner = (float(x.min()), float(y.min()))
    return {
        "segmentation": [np.stack([x, y], axis=1).ravel().tolist()],
        "bbox": [*corner, float(x.max()) - corner[0], float(y.max()) - corner[1]],
        "area": _measure_area(outline),
    }


def _measure_area(outline: Outline) -> float:
    """Return the area of a closed polygon in px, by the shoelace formula."""
    y, x = outline.astype(np.float64).T + HALF_PX
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def read_coco(path: Path, *, labelled_at: datetime, called: Mapping[str, MarkKind] | None = None) -> CocoSet:
    """Read and check a COCO file, whoever wrote it; everything is checked before anything is returned.

    Categories must be named "larva" and "feeding", or be among those `called` so; each annotation is one polygon. A picture of a
    file that another program wrote is read for its sha256, has no tree, and stands on one side of the split with the whole file.

    Parameters
    ----------
    labelled_at : aware moment for images that say none
    called : names of further categories of this file -> what they are

    Raises
    ------
    models.errors.ModelsError
        Where anything in the file is wrong, or it is larger than `MOST_BYTES`; the message names the first place.
    """
    data = _read_bytes(path)
    try:
        body = json.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise ModelsError(
            f"{path}: expected a COCO file in UTF-8 JSON; found: {show_short(str(error))}; write it again"
        ) from error
    root = _Place(path, "", body)
    licences = _read_named(root, "licenses") if _has(root, "licenses") else {}
    categories = _read_categories(root, called or {})
    marks = _read_annotations(root, categories)
    unsaid = _Unsaid(labelled_at, hashlib.sha256(data).hexdigest())
    images, files, pictures = [], [], set()
    for place in root.key("images").items():
        image_id = place.key("id").whole(0, MOST_ID)
        file = _find_file(place)
        image = _read_image(place, tuple(marks[image_id]), file=file, licences=licences, unsaid=unsaid)
        if image.picture in pictures:
            raise place.fail("a picture that stands in the file once")
        pictures.add(image.picture)
        images.append(image)
        files.append(file)
    return CocoSet(tuple(images), tuple(files))


MOST_ID = 2**63 - 1
LARGEST_AREA_PX = float(LARGEST_PX) ** 2


@dataclass(frozen=True, slots=True)
class _Unsaid:
    """What images get that say nothing of it."""

    labelled_at: datetime
    clip: str


@dataclass(frozen=True, slots=True, eq=False)
class _Place(Place):
    """A value in a COCO file and where it stands, for messages."""

    def fail(self, expected: str) -> ModelsError:
        """Return the error that this value is not what was expected."""
        return ModelsError(
            f"{self.path}: {self.where or 'the whole'} is wrong; expected {expected}; found {show_short(self.value)}; "
            "correct the file, or leave this out and write it again"
        )

    def text(self) -> str:
        """Return a text that any file and database can hold."""
        if not isinstance(self.value, str) or len(self.value) > LONGEST_TEXT:
            raise self.fail(f"a text of at most {LONGEST_TEXT} letters")
        if any(letter == "\0" or "\ud800" <= letter <= "\udfff" for letter in self.value):
            raise self.fail("a text without broken letters")
        return self.value

    def word(self, allowed: Sequence[str]) -> Any:
        """Return one of the words allowed."""
        if self.text() not in allowed:
            raise self.fail(f"one of {', '.join(allowed)}")
        return self.value


def _read_bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise ModelsError(
            f"{path}: expected a COCO file that can be read; found: {error.strerror}; check the path"
        ) from error
    if len(data) > MOST_BYTES:
        raise ModelsError(
            f"{path}: expected a COCO file of at most {MOST_BYTES // 2**20} MiB; found a larger one; part it into several"
        )
    return data


def _has(place: _Place, name: str) -> bool:
    return isinstance(place.value, Mapping) and place.value.get(name) is not None


def _read_named(root: _Place, name: str) -> dict[int, str]:
    """Return id -> name of the licences or categories."""
    named: dict[int, str] = {}
    for place in root.key(name).items():
        number = place.key("id").whole(0, MOST_ID)
        if number in named:
            raise place.key("id").fail("an id that comes once")
        named[number] = place.key("name").text()
    return named


def _read_categories(root: _Place, called: Mapping[str, MarkKind]) -> dict[int, str]:
    """Return id -> name of the categories, those of `called` under our names; each of them must be there."""
    named = _read_named(root, "categories")
    for name in called:
        if name not in named.values():
            names = ", ".join(show_short(one) for one in sorted(set(named.values()))[:MOST_NAMED]) or "none"
            raise ModelsError(
                f"{root.path}: expected a category named {show_short(name)}, as was said; found those named {names}; "
                "write the name as the file does"
            )
    return {number: called.get(name, name) for number, name in named.items()}


def _read_annotations(root: _Place, categories: Mapping[int, str]) -> dict[int, list[LabelMark]]:
    """Return image id -> its marks, for every image of the file."""
    sizes: dict[int, tuple[int, int]] = {}
    for image in root.key("images").items():
        number = image.key("id").whole(0, MOST_ID)
        if number in sizes:
            raise image.key("id").fail("an id that no other image has")
        sizes[number] = (image.key("height").whole(1, LARGEST_PX), image.key("width").whole(1, LARGEST_PX))
    marks: dict[int, list[LabelMark]] = {number: [] for number in sizes}
    seen: set[int] = set()
    for place in root.key("annotations").items():
        number = place.key("id").whole(0, MOST_ID)
        if number in seen:
            raise place.key("id").fail("an id that no other annotation has")
        seen.add(number)
        image_id = place.key("image_id")
        if image_id.whole(0, MOST_ID) not in sizes:
            raise image_id.fail("the id of an image of this file")
        marks[image_id.value].append(_read_mark(place, sizes[image_id.value], categories))
    return marks


def _read_mark(place: _Place, size_px: tuple[int, int], categories: Mapping[int, str]) -> LabelMark:
    category = place.key("category_id")
    kind = categories.get(category.whole(0, MOST_ID))
    if kind not in MARK_KINDS:
        raise _Place(place.path, category.where, kind).fail(
            'the id of a category named "larva" or "feeding", or said to be one of them'
        )
    if _has(place, "iscrowd") and place.key("iscrowd").value not in (0, False):
        raise place.key("iscrowd").fail(
            "0: each larva outlined by itself, since a crowd says not how many there are"
        )
    if _has(place, "area"):
        place.key("area").number(0, LARGEST_AREA_PX)
    _check_box(place.key("bbox"), size_px)
    stage = None
    if _has(place, OUR_KEY) and _has(place.key(OUR_KEY), "stage"):
        stage = place.key(OUR_KEY).key("stage").text()
    if not _has(place, "segmentation"):
        raise _Place(place.path, f"{place.where}.segmentation", None).fail(
            "one polygon round the body: a box alone says not what in it is the body"
        )
    outline = _read_outline(place.key("segmentation"), size_px)
    if not _has(place, OUR_KEY) and _measure_area(outline) < LEAST_AREA_PX:
        raise place.key("segmentation").fail(
            f"a line that goes once round a body of at least {LEAST_AREA_PX:g} px in area"
        )
    return LabelMark(outline, kind, stage)


def _check_box(place: _Place, size_px: tuple[int, int]) -> None:
    values = place.items()
    if len(values) != 4:
        raise place.fail("four numbers: x, y, width, height")
    rows, columns = size_px
    x, y = values[0].number(0, columns), values[1].number(0, rows)
    width, height = values[2].number(0, columns), values[3].number(0, rows)
    # Programs round a box's parts one by one; a pixel's hundredth outside is not a box outside.
    if x + width > columns + 0.01 or y + height > rows + 0.01:
        raise place.fail(f"a box within {columns} x {rows} px (width x height)")


def _read_outline(place: _Place, size_px: tuple[int, int]) -> Outline:
    if isinstance(place.value, Mapping):
        raise place.fail("a list of one polygon, and no mask of run lengths")
    polygons = place.items()
    if len(polygons) != 1:
        raise place.fail(f"one polygon, and not {len(polygons)} parts")
    numbers = polygons[0].items()
    if len(numbers) % 2 or not SHORTEST_OUTLINE <= len(numbers) <= 2 * MOST_POINTS:
        raise polygons[0].fail(f"x and y of 3 to {MOST_POINTS} corners")
    rows, columns = size_px
    pairs = [
        (y.number(0, rows) - HALF_PX, x.number(0, columns) - HALF_PX)
        for x, y in zip(numbers[::2], numbers[1::2], strict=True)
    ]
    return np.asarray(pairs, np.float32)


def _find_file(place: _Place) -> Path:
    """Return where the picture should stand: below the file's own folder and nowhere else."""
    name = place.key("file_name")
    relative = PurePosixPath(name.text())
    if not relative.parts or relative.is_absolute() or ".." in relative.parts or set(name.value) & set("\\:"):
        raise name.fail("the name of a picture beside the file or in a folder beside it")
    return place.path.parent / relative


def _read_image(
    place: _Place,
    marks: tuple[LabelMark, ...],
    *,
    file: Path,
    licences: Mapping[int, str],
    unsaid: _Unsaid,
) -> LabelledImage:
    size_px = (place.key("height").whole(1, LARGEST_PX), place.key("width").whole(1, LARGEST_PX))
    licence = ""
    if _has(place, "license"):
        number = place.key("license")
        if number.whole(0, MOST_ID) not in licences:
            raise number.fail("the id of a licence of this file")
        licence = licences[number.value]
    if _has(place, OUR_KEY):
        return _read_ours(place.key(OUR_KEY), marks, size_px=size_px, licence=licence)
    return LabelledImage(
        picture=_hash_file(place, file),
        size_px=size_px,
        marks=marks,
        answer=find_answer(marks),
        source="import",
        reviewer="",
        labelled_at=unsaid.labelled_at,
        split=choose_split(tree="", day=None, clip=unsaid.clip),
        licence=licence,
        clip=unsaid.clip,
    )


def _read_ours(
    ours: _Place, marks: tuple[LabelMark, ...], *, size_px: tuple[int, int], licence: str
) -> LabelledImage:
    for name in ("picture", "clip"):
        value = ours.key(name)
        if not is_sha256(value.text()) and (name == "picture" or value.value):
            raise value.fail("a sha256 of 64 small hexadecimal letters")
    if ours.key("answer").word(LABEL_ANSWERS) != find_answer(marks):
        raise ours.key("answer").fail(f"{find_answer(marks)!r}, which its marks give")
    return LabelledImage(
        picture=ours.key("picture").text(),
        size_px=size_px,
        marks=marks,
        answer=find_answer(marks),
        source=ours.key("source").word(LABEL_SOURCES),
        reviewer=ours.key("reviewer").text(),
        labelled_at=_read_moment(ours.key("labelled_at")),
        split=ours.key("split").word(SPLITS),
        reason=ours.key("reason").text(),
        origin=ours.key("origin").text(),
        licence=licence,
        tree=ours.key("tree").text(),
        date=_read_date(ours.key("date")) if _has(ours, "date") else None,
        clip=ours.key("clip").text(),
        scorer=ours.key("scorer").text(),
    )


def _read_moment(place: _Place) -> datetime:
    try:
        moment = datetime.fromisoformat(place.text())
        if moment.tzinfo is not None:
            return moment.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise place.fail("a moment such as 2026-05-17T11:00:00+00:00") from error
    raise place.fail("a moment with its zone, such as 2026-05-17T11:00:00+00:00")


def _read_date(place: _Place) -> date:
    try:
        return date.fromisoformat(place.text())
    except ValueError as error:
        raise place.fail("a date such as 2026-05-17") from error


def _hash_file(place: _Place, file: Path) -> str:
    try:
        if not file.is_file():  # a pipe would be waited for
            raise FileNotFoundError
        with file.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        raise place.key("file_name").fail("a picture that stands beside the file and can be read") from error
