"""The labelled image set: pictures with outlines and what a person said of them, as data and as COCO JSON.

Pixels are (row, column) of the picture, the origin at the centre of the top left pixel; COCO counts x and y from that pixel's
corner, half a pixel further, and the step between them is taken here and nowhere else. What COCO has no word for stands under
the one key "leafshade" of an image or annotation, which other readers pass over. A file is read as a whole or refused as a
whole. Nothing here knows a database, trains anything or judges a picture.
"""

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path, PurePosixPath
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from models.errors import ModelsError

Outline = NDArray[np.float32]
Day = date
MarkKind = Literal["larva", "feeding"]
LabelAnswer = Literal["larva", "feeding", "nothing"]
LabelSource = Literal["verdict", "drawn in", "import"]
Split = Literal["train", "held out"]

MARK_KINDS: tuple[MarkKind, ...] = get_args(MarkKind)
LABEL_ANSWERS: tuple[LabelAnswer, ...] = get_args(LabelAnswer)
LABEL_SOURCES: tuple[LabelSource, ...] = get_args(LabelSource)
SPLITS: tuple[Split, ...] = get_args(Split)

OUR_KEY = "leafshade"

LARGEST_PX = 100_000
MOST_POINTS = 10_000
LONGEST_TEXT = 2000
MOST_BYTES = 256 * 2**20
"""Of a COCO file. 100,000 labelled pictures, outlines of 32 corners on half, took 70 MiB."""

NEARLY_ZERO_PX = 1e-6
"""What lies nearer to a pixel's centre line lies on it: half a pixel can then be added and taken off without a trace."""

SPLIT_SALT = "leafshade labels 1"
HELD_OUT_OF = 5
"""One tree and date of so many is held out. Salt and share never change: a picture once learned from must not test later."""


@dataclass(frozen=True, slots=True, eq=False)
class LabelMark:
    """One outlined thing in a picture; equal where kind, stage and every point are.

    Attributes
    ----------
    outline : closed polygon, float32 (N, 2) of (row, column) px, N at least 3; it cannot be changed
    kind : "larva" or "feeding"
    stage : None where nobody said
    """

    outline: Outline
    kind: MarkKind
    stage: str | None = None

    def __post_init__(self) -> None:
        outline = np.array(self.outline, np.float32)
        if outline.ndim != 2 or outline.shape[1] != 2 or not 3 <= len(outline) <= MOST_POINTS:
            raise ModelsError(
                f"outline: expected 3 to {MOST_POINTS} pairs of row and column; found an array of {outline.shape}; "
                "draw it again"
            )
        if not np.isfinite(outline).all():
            raise ModelsError("outline: expected numbers; found one that is not finite; draw it again")
        outline[np.abs(outline) < NEARLY_ZERO_PX] = 0.0
        outline.flags.writeable = False
        object.__setattr__(self, "outline", outline)
        _check_word(self.kind, MARK_KINDS, "kind of a mark")

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, LabelMark):
            return NotImplemented
        return (self.kind, self.stage) == (other.kind, other.stage) and np.array_equal(
            self.outline, other.outline
        )

    def __hash__(self) -> int:
        return hash((self.kind, self.stage, self.outline.tobytes()))


@dataclass(frozen=True, slots=True)
class LabelledImage:
    """A picture and what a person said is in it.

    Attributes
    ----------
    picture : sha256 of its bytes, by which it is found
    size_px : (rows, columns)
    marks : what was outlined, within the picture
    answer : "larva" where any mark is one, "feeding" where all are, "nothing" where there is none: a hard negative
    reason : why it was dismissed; empty where nobody said
    source, origin : how it came here; for an import, from where in words, else empty
    licence : under which the picture may be used; empty where it is the recorder's own and nothing was said
    labelled_at : aware moment
    tree : "SITE/TREE", empty where unknown
    date : local date of the picture, None where unknown
    clip : sha256 of the clip, or of the file it was imported from
    scorer : name of the weights that found it, or empty
    split : which side of the set it stands on (`choose_split`)

    Raises
    ------
    models.errors.ModelsError
        Where the values do not go together.
    """

    picture: str
    size_px: tuple[int, int]
    marks: tuple[LabelMark, ...]
    answer: LabelAnswer
    source: LabelSource
    reviewer: str
    labelled_at: datetime
    split: Split
    reason: str = ""
    origin: str = ""
    licence: str = ""
    tree: str = ""
    date: Day | None = None
    clip: str = ""
    scorer: str = ""

    def __post_init__(self) -> None:
        _check_sha256(self.picture, "picture")
        if self.clip:
            _check_sha256(self.clip, "clip")
        _check_word(self.source, LABEL_SOURCES, "source")
        _check_word(self.split, SPLITS, "split")
        if self.labelled_at.tzinfo is None:
            raise ModelsError(
                f"labelled_at: expected a moment with a zone; found {self.labelled_at}; add the zone"
            )
        wanted = find_answer(self.marks)
        if self.answer != wanted:
            raise ModelsError(
                f"picture {self.picture[:12]}: expected the answer {wanted!r}, which its marks give; found {self.answer!r}; "
                "correct the answer or the marks"
            )
        rows, columns = self.size_px
        for mark in self.marks:
            low, high = mark.outline.min(axis=0), mark.outline.max(axis=0)
            if low.min() < -0.5 or high[0] > rows - 0.5 or high[1] > columns - 0.5:
                raise ModelsError(
                    f"picture {self.picture[:12]}: expected marks within {rows} x {columns} px; found one that reaches from "
                    f"row {low[0]:g}, column {low[1]:g} to row {high[0]:g}, column {high[1]:g}; cut it at the picture's edge"
                )


def find_answer(marks: Sequence[LabelMark]) -> LabelAnswer:
    """Return the answer that marks give: a larva counts before feeding, no mark is "nothing"."""
    kinds = {mark.kind for mark in marks}
    return "larva" if "larva" in kinds else "feeding" if kinds else "nothing"


def choose_split(*, tree: str, day: date | None, clip: str) -> Split:
    """Return the side of the set on which everything of a tree and date stands, or of a clip where one of them is unknown.

    It depends on nothing else, so that it stays as pictures come in; about one tree and date in `HELD_OUT_OF` is held out.

    Raises
    ------
    models.errors.ModelsError
        Where neither is known: then pictures of one moment could stand on both sides.
    """
    if tree and day is not None:
        key = f"{SPLIT_SALT}\ntree\n{tree}\n{day.isoformat()}"
    elif clip:
        key = f"{SPLIT_SALT}\nclip\n{clip}"
    else:
        raise ModelsError(
            "split: expected a tree and date, or a clip; found neither; name the tree or where the picture came from"
        )
    number = int.from_bytes(hashlib.sha256(key.encode("utf-8")).digest()[:8], "big")
    return "held out" if number % HELD_OUT_OF == 0 else "train"


def _check_word(word: object, allowed: Sequence[str], what: str) -> None:
    if word not in allowed:
        raise ModelsError(
            f"{what}: expected one of {', '.join(allowed)}; found {_show(word)}; use one of these"
        )


def _is_sha256(text: str) -> bool:
    return len(text) == 64 and set(text) <= set("0123456789abcdef")


def _check_sha256(text: str, what: str) -> None:
    if not _is_sha256(text):
        raise ModelsError(
            f"{what}: expected a sha256 of 64 small hexadecimal letters; found {_show(text)}; hash the file's bytes"
        )


def _show(value: object) -> str:
    shown = ascii(value)
    return shown if len(shown) <= 60 else shown[:57] + "..."


HASH_ROWS, HASH_COLUMNS = 8, 9
"""A difference hash: 8 x 9 mean greys, 64 comparisons of neighbours in a row (common practice; from memory)."""

FEWEST_BITS = 8
"""Pictures of one tree and date whose hashes differ in fewer bits may be one. Unrelated ones differ in 32 of 64 on average. In
the sample clip, pictures of different things differed in 22 and more, a sixth of the pairs of one thing in fewer than 8."""

NEAR_LENGTHS = 0.5
MOST_LENGTH_RATIO = 1.5
"""Marks agree where they lie within half a length of each other, seen from the pictures' middles, and are about as long."""


def hash_look(rgb: NDArray[np.uint8]) -> int:
    """Return the 64-bit difference hash of a picture, uint8 (H, W, 3): of each part, whether it is brighter than its left one."""
    edges = [
        np.arange(parts) * side // parts
        for parts, side in zip((HASH_ROWS, HASH_COLUMNS), rgb.shape[:2], strict=True)
    ]
    # Weighing the colours equally is enough to tell pictures apart, and sums stay whole numbers. Rows first, which lie together.
    sums = np.add.reduceat(rgb, edges[0], axis=0, dtype=np.int64)
    sums = np.add.reduceat(sums, edges[1], axis=1).sum(axis=2)
    sides = [
        np.maximum(1, np.diff(np.append(edge, side))) for edge, side in zip(edges, rgb.shape[:2], strict=True)
    ]
    means = sums / np.multiply.outer(sides[0], sides[1])
    bits = means[:, 1:] > means[:, :-1]
    return int.from_bytes(np.packbits(bits).tobytes(), "big")


@dataclass(frozen=True, slots=True)
class Look:
    """How a labelled picture looks: its hash, its answer, and its middle mark.

    Attributes
    ----------
    offset_px : (row, column) of the middle mark from the picture's middle; (0, 0) without one
    length_px : of the middle mark; 0 without one
    """

    look: int
    answer: LabelAnswer
    offset_px: tuple[float, float]
    length_px: float


def find_middle_mark(image: LabelledImage) -> LabelMark | None:
    """Return the mark nearest the picture's middle, None where there is none; of two alike, the first."""
    if not image.marks:
        return None
    return min(image.marks, key=lambda mark: math.hypot(*_find_offset(mark, image.size_px)))


def see_look(image: LabelledImage, look: int) -> Look:
    """Return how a picture looks, from its hash and marks."""
    mark = find_middle_mark(image)
    if mark is None:
        return Look(look, image.answer, (0.0, 0.0), 0.0)
    return Look(look, image.answer, _find_offset(mark, image.size_px), measure_mark(mark))


def measure_mark(mark: LabelMark) -> float:
    """Return the long side of the smallest rectangle round a mark, px."""
    import cv2

    return float(max(cv2.minAreaRect(mark.outline[:, ::-1].copy())[1]))


def _find_offset(mark: LabelMark, size_px: tuple[int, int]) -> tuple[float, float]:
    low, high = mark.outline.min(axis=0), mark.outline.max(axis=0)
    row, column = (low + high) / 2 - (np.asarray(size_px) - 1) / 2
    return float(row), float(column)


def find_repeated(looks: Sequence[Look]) -> list[int | None]:
    """Return for each picture of one tree and date the index of the earlier one that it repeats, None where it is the first.

    Only first ones are compared with, so that a slow pan does not end as one picture.
    """
    hashes = np.asarray([look.look for look in looks], np.uint64)
    places = np.asarray([look.offset_px for look in looks], np.float64).reshape(-1, 2)
    lengths = np.asarray([look.length_px for look in looks], np.float64)
    answers = np.asarray([LABEL_ANSWERS.index(look.answer) for look in looks], np.int64)
    first = np.full(len(looks), -1, np.int64)
    for here in range(len(looks)):
        if first[here] >= 0:
            continue
        later = slice(here + 1, None)
        longer = np.maximum(lengths[later], lengths[here])
        shorter = np.minimum(lengths[later], lengths[here])
        apart = np.hypot(*(places[later] - places[here]).T)
        same = (
            (first[later] < 0)
            & (answers[later] == answers[here])
            & (np.bitwise_count(hashes[later] ^ hashes[here]) < FEWEST_BITS)
            & (apart <= NEAR_LENGTHS * longer)
            & (longer <= MOST_LENGTH_RATIO * shorter)
        )
        first[later][same] = here
    return [None if index < 0 else int(index) for index in first]


CATEGORY_IDS = {"larva": 1, "feeding": 2}
HALF_PX = 0.5
SHORTEST_OUTLINE = 6
"""Numbers of a polygon with three corners."""


@dataclass(frozen=True, slots=True)
class CocoSet:
    """What a COCO file holds: `images`, and where the picture of each should stand; the same number of both."""

    images: tuple[LabelledImage, ...]
    files: tuple[Path, ...]


def write_coco(path: Path, images: Sequence[LabelledImage], *, folder: str = "") -> None:
    """Write labelled images as a COCO file, under a temporary name that is then moved.

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
        "info": {"description": "Labelled pictures of larvae and feeding", "version": "1"},
        "licenses": [{"id": number, "name": name, "url": ""} for number, name in enumerate(licences, 1)],
        "categories": [{"id": number, "name": name} for name, number in CATEGORY_IDS.items()],
        "images": [_dump_image(number, image, folder, licences) for number, image in enumerate(images, 1)],
        "annotations": _dump_annotations(images),
    }
    draft = path.with_name(path.name + ".part")
    try:
        draft.write_text(json.dumps(body, separators=(",", ":"), allow_nan=False), encoding="utf-8")
        draft.replace(path)
    except OSError as error:
        raise ModelsError(
            f"{path}: expected a place to write a COCO file; found: {error.strerror}; choose another place or free some space"
        ) from error
    finally:
        draft.unlink(missing_ok=True)


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
    area = abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2
    corner = (float(x.min()), float(y.min()))
    return {
        "segmentation": [np.stack([x, y], axis=1).ravel().tolist()],
        "bbox": [*corner, float(x.max()) - corner[0], float(y.max()) - corner[1]],
        "area": area,
    }


def read_coco(path: Path, *, labelled_at: datetime) -> CocoSet:
    """Read and check a COCO file, whoever wrote it; everything is checked before anything is returned.

    Categories must be named "larva" and "feeding"; each annotation is one polygon. A picture of a file that another program
    wrote is read for its sha256, has no tree, and stands on one side of the split with the whole file.

    Parameters
    ----------
    labelled_at : aware moment for images that say none

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
            f"{path}: expected a COCO file in UTF-8 JSON; found: {_show(str(error))}; write it again"
        ) from error
    root = _Place(path, "", body)
    licences = _read_named(root, "licenses") if _has(root, "licenses") else {}
    categories = _read_named(root, "categories")
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
class _Place:
    """A value in a COCO file and where it stands, for messages."""

    path: Path
    where: str
    value: Any

    def fail(self, expected: str) -> ModelsError:
        """Return the error that this value is not what was expected."""
        return ModelsError(
            f"{self.path}: {self.where or 'the whole'} is wrong; expected {expected}; found {_show(self.value)}; "
            "correct the file, or leave this out and write it again"
        )

    def key(self, name: str) -> "_Place":
        """Return the value under a key."""
        where = f"{self.where}.{name}" if self.where else name
        if not isinstance(self.value, Mapping):
            raise self.fail("an object")
        if name not in self.value:
            raise _Place(self.path, where, None).fail("a value")
        return _Place(self.path, where, self.value[name])

    def items(self) -> "list[_Place]":
        """Return the elements of a list."""
        if not isinstance(self.value, list):
            raise self.fail("a list")
        return [_Place(self.path, f"{self.where}[{n}]", item) for n, item in enumerate(self.value)]

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

    def whole(self, low: int, high: int) -> int:
        """Return a whole number between two bounds."""
        if isinstance(self.value, bool) or not isinstance(self.value, int) or not low <= self.value <= high:
            raise self.fail(f"a whole number from {low} to {high}")
        return self.value

    def number(self, low: float, high: float) -> float:
        """Return a number between two bounds."""
        if (
            isinstance(self.value, bool)
            or not isinstance(self.value, int | float)
            or not low <= self.value <= high
        ):
            raise self.fail(f"a number from {low:g} to {high:g}")
        return float(self.value)


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
        raise _Place(place.path, category.where, kind).fail('the id of a category named "larva" or "feeding"')
    if _has(place, "iscrowd"):
        place.key("iscrowd").whole(0, 0)
    if _has(place, "area"):
        place.key("area").number(0, LARGEST_AREA_PX)
    _check_box(place.key("bbox"), size_px)
    stage = None
    if _has(place, OUR_KEY) and _has(place.key(OUR_KEY), "stage"):
        stage = place.key(OUR_KEY).key("stage").text()
    return LabelMark(_read_outline(place.key("segmentation"), size_px), kind, stage)


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
    polygons = place.items()
    if len(polygons) != 1:
        raise place.fail("one polygon")
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
        if not _is_sha256(value.text()) and (name == "picture" or value.value):
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
        with file.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        raise place.key("file_name").fail("a picture that stands beside the file and can be read") from error
