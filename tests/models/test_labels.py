"""The labelled image set: out as COCO and in again unchanged, broken files refused whole, one side for each tree and date."""

import json
import os
import random
import string
import sys
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models import coco, repeated_pictures
from models.coco import CocoSet, read_coco, write_coco
from models.errors import ModelsError
from models.labels import LabelledImage, LabelMark, choose_split, find_answer
from models.repeated_pictures import Look, find_repeated, hash_look, measure_mark, see_look

NOON = datetime(2026, 5, 17, 11, 0, tzinfo=UTC)
DAY = date(2026, 5, 17)
BODY = np.float32([[10, 10], [10, 40.25], [20, 40.25], [20.1, 10]])


def make_image(number: int = 1, *marks: LabelMark, **changes: Any) -> LabelledImage:
    values: dict[str, Any] = {
        "picture": f"{number:064x}",
        "size_px": (120, 160),
        "marks": marks,
        "answer": find_answer(marks),
        "source": "verdict",
        "reviewer": "Maren",
        "labelled_at": NOON + timedelta(seconds=number, microseconds=7),
        "split": "train",
        "tree": "OTTERHOLT/OT03",
        "date": DAY,
        "clip": "c" * 64,
        "scorer": "made 1",
    }
    return LabelledImage(**(values | changes))


def make_set() -> list[LabelledImage]:
    """One of each: a larva, feeding, both, nothing with a reason, and one of which little is known."""
    larva, feeding = LabelMark(BODY, "larva", "L4"), LabelMark(BODY + np.float32(50), "feeding")
    return [
        make_image(1, larva),
        make_image(2, feeding, split="held out", licence="CC BY 4.0"),
        make_image(3, larva, feeding, source="drawn in", licence="CC0 1.0"),
        make_image(4, reason="twig"),
        make_image(5, source="import", origin="Otterholt archive", tree="", date=None, scorer=""),
    ]


@pytest.mark.parametrize("count", [0, 1, 5])
def test_out_and_in_again_is_the_same(tmp_path: Path, count: int) -> None:
    """Every field and every digit of every outline comes back."""
    images = make_set()[:count]
    write_coco(tmp_path / "set.json", images, folder="set")
    back = read_coco(tmp_path / "set.json", labelled_at=NOON)
    assert list(back.images) == images
    assert list(back.files) == [tmp_path / "set" / f"{image.picture}.jpg" for image in images]
    assert [path.name for path in tmp_path.iterdir()] == ["set.json"]


POINTS = st.lists(
    st.tuples(st.floats(-0.5, 119.5, width=32, allow_subnormal=True), st.floats(-0.5, 159.5, width=32)),
    min_size=3,
    max_size=9,
)


@settings(max_examples=200, deadline=None)
@given(
    points=POINTS,
    stage=st.none() | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20),
)
def test_any_outline_comes_back_to_the_last_digit(
    tmp_path_factory: pytest.TempPathFactory, points: list[tuple[float, float]], stage: str | None
) -> None:
    """Half a pixel added on the way out is taken off on the way in without a trace."""
    image = make_image(1, LabelMark(np.float32(points), "larva", stage))
    path = tmp_path_factory.mktemp("coco") / "set.json"
    write_coco(path, [image])
    assert read_coco(path, labelled_at=NOON).images == (image,)


@pytest.mark.filterwarnings("ignore:__array__ implementation:DeprecationWarning")
def test_pycocotools_reads_what_is_written(tmp_path: Path) -> None:
    """The reference reader finds the images, categories, boxes and areas, and fills the pixels whose centres are outlined."""
    coco = pytest.importorskip("pycocotools.coco")
    # Pixel centres in rows 10 to 19, columns 30 to 59: 300 px (analytic).
    square = np.float32([[9.5, 29.5], [9.5, 59.5], [19.5, 59.5], [19.5, 29.5]])
    write_coco(tmp_path / "set.json", [make_image(1, LabelMark(square, "larva")), make_image(2)])
    read = coco.COCO(str(tmp_path / "set.json"))
    assert sorted(read.imgs) == [1, 2] and [c["name"] for c in read.loadCats(read.getCatIds())] == [
        "larva",
        "feeding",
    ]
    (annotation,) = read.loadAnns(read.getAnnIds(imgIds=[1]))
    assert annotation["bbox"] == [30, 10, 30, 10] and annotation["area"] == 300
    mask = read.annToMask(annotation)
    wanted = np.zeros((120, 160), np.uint8)
    wanted[10:20, 30:60] = 1
    assert np.array_equal(mask, wanted)


def test_a_file_of_another_program_is_read(tmp_path: Path) -> None:
    """Without any field of ours: known by its bytes, its answer from its marks, on one side with the whole file."""
    (tmp_path / "a.jpg").write_bytes(b"a")
    (tmp_path / "b.jpg").write_bytes(b"b")
    body = {
        "images": [
            {"id": 7, "file_name": "a.jpg", "width": 50, "height": 40, "license": 3},
            {"id": 8, "file_name": "./b.jpg", "width": 50, "height": 40},
        ],
        "categories": [{"id": 0, "name": "larva"}, {"id": 5, "name": "bird"}],
        "licenses": [{"id": 3, "name": "CC0 1.0"}],
        "annotations": [
            {
                "id": 1,
                "image_id": 7,
                "category_id": 0,
                "bbox": [0, 0, 50, 40],
                "segmentation": [[0, 0, 50, 0, 50, 40]],
            }
        ],
    }
    (tmp_path / "set.json").write_text("\ufeff" + json.dumps(body), encoding="utf-8")
    back = read_coco(tmp_path / "set.json", labelled_at=NOON)
    first, second = back.images
    # sha256 of the letter a (common knowledge; from memory).
    assert first.picture == "ca978112ca1bbdcafac231b39a23dc4da786eff8147c4e72b9807785afee48bb"
    assert (first.answer, first.licence, first.source, first.labelled_at) == (
        "larva",
        "CC0 1.0",
        "import",
        NOON,
    )
    assert np.array_equal(first.marks[0].outline, np.float32([[-0.5, -0.5], [-0.5, 49.5], [39.5, 49.5]]))
    assert second.answer == "nothing" and second.split == first.split and back.files[1] == tmp_path / "b.jpg"


def test_categories_called_otherwise_are_what_was_said(tmp_path: Path) -> None:
    """Another program's names are taken for what the person says; a name the file lacks is refused, and one nobody named."""
    (tmp_path / "a.jpg").write_bytes(b"a")
    box, outline = [0, 0, 50, 40], [[0, 0, 50, 0, 50, 40]]
    body = {
        "images": [{"id": 1, "file_name": "a.jpg", "width": 50, "height": 40}],
        "categories": [{"id": 2, "name": "Apatura"}, {"id": 3, "name": "edge"}],
        "annotations": [
            {"id": id, "image_id": 1, "category_id": id, "bbox": box, "segmentation": outline}
            for id in (2, 3)
        ],
    }
    path = tmp_path / "set.json"
    path.write_text(json.dumps(body))
    (image,) = read_coco(path, labelled_at=NOON, called={"Apatura": "larva", "edge": "feeding"}).images
    assert [mark.kind for mark in image.marks] == ["larva", "feeding"]
    with pytest.raises(ModelsError, match=r"annotations\[1\].*'edge'"):
        read_coco(path, labelled_at=NOON, called={"Apatura": "larva"})
    with pytest.raises(
        ModelsError, match=r"named 'apatura', as was said; found those named 'Apatura', 'edge'"
    ):
        read_coco(path, labelled_at=NOON, called={"apatura": "larva"})


@pytest.mark.parametrize(
    "corners", [[10, 10] * 3, [10, 10, 30, 30, 30, 10, 10, 30], [10, 10, 12, 10, 12, 12]]
)
def test_outlines_of_next_to_no_area_are_refused(tmp_path: Path, corners: list[int]) -> None:
    """A point, a bow and a speck that another program wrote are no bodies; what this program wrote comes back as it was."""
    speck = LabelMark(np.float32(corners).reshape(-1, 2), "larva")
    write_coco(tmp_path / "set.json", [make_image(1, speck)])
    assert read_coco(tmp_path / "set.json", labelled_at=NOON).images[0].marks == (speck,)
    body = json.loads((tmp_path / "set.json").read_text())
    del body["annotations"][0]["leafshade"]
    (tmp_path / "set.json").write_text(json.dumps(body))
    with pytest.raises(ModelsError, match="a body of at least 4 px"):
        read_coco(tmp_path / "set.json", labelled_at=NOON)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no named pipes in folders")
def test_a_pipe_in_place_of_a_picture_is_not_waited_for(tmp_path: Path) -> None:
    """Whatever lies beside a file that another program wrote, it is a picture or refused at once."""
    os.mkfifo(tmp_path / "a.jpg")
    body = {
        "images": [{"id": 1, "file_name": "a.jpg", "width": 50, "height": 40}],
        "categories": [],
        "annotations": [],
    }
    (tmp_path / "set.json").write_text(json.dumps(body))
    with pytest.raises(ModelsError, match="stands beside the file and can be read"):
        read_coco(tmp_path / "set.json", labelled_at=NOON)


def read_changed(folder: Path, change: Any) -> CocoSet:
    write_coco(folder / "set.json", make_set())
    body = json.loads((folder / "set.json").read_text())
    change(body)
    (folder / "set.json").write_text(json.dumps(body))
    return read_coco(folder / "set.json", labelled_at=NOON)


def put(*keys: Any) -> Any:
    """A change that sets the value at a path of keys, the last argument."""

    def change(body: Any) -> None:
        for key in keys[:-2]:
            body = body[key]
        body[keys[-2]] = keys[-1]

    return change


def drop(*keys: Any) -> Any:
    def change(body: Any) -> None:
        for key in keys[:-1]:
            body = body[key]
        del body[keys[-1]]

    return change


BROKEN = {
    "images no list": (put("images", {}), "images is wrong; expected a list"),
    "no annotations": (drop("annotations"), "annotations is wrong; expected a value"),
    "no id": (drop("images", 0, "id"), r"images\[0\].id is wrong"),
    "id a text": (put("images", 0, "id", "1"), "expected a whole number"),
    "id true": (put("images", 0, "id", True), "expected a whole number"),
    "same image id": (put("images", 1, "id", 1), "an id that no other image has"),
    "same picture": (put("images", 1, "leafshade", "picture", f"{1:064x}"), "stands in the file once"),
    "same annotation id": (put("annotations", 1, "id", 1), "an id that no other annotation has"),
    "no such image": (put("annotations", 0, "image_id", 99), "the id of an image of this file"),
    "no such category": (put("annotations", 0, "category_id", 99), "a category named"),
    "no such licence": (put("images", 1, "license", 99), "the id of a licence of this file"),
    "a box alone": (
        drop("annotations", 0, "segmentation"),
        r"\[0\].segmentation is wrong.*a box alone says not",
    ),
    "odd polygon": (put("annotations", 0, "segmentation", [[1, 2, 3, 4, 5, 6, 7]]), "x and y of 3"),
    "two corners": (put("annotations", 0, "segmentation", [[1, 2, 3, 4]]), "x and y of 3"),
    "two polygons": (
        put("annotations", 0, "segmentation", [[1, 2, 3, 4, 5, 6]] * 2),
        "one polygon, and not 2 parts",
    ),
    "run lengths": (
        put("annotations", 0, "segmentation", {"counts": [1], "size": [2, 2]}),
        "no mask of run lengths",
    ),
    "not a number": (
        put("annotations", 0, "segmentation", 0, 2, float("nan")),
        r"segmentation\[0\]\[2\].*found nan",
    ),
    "endless": (put("annotations", 0, "segmentation", 0, 2, float("inf")), "found inf"),
    "outline outside": (put("annotations", 0, "segmentation", 0, 0, 160.5), "a number from 0 to 160"),
    "box outside": (put("annotations", 0, "bbox", [150, 0, 11, 5]), "a box within 160 x 120 px"),
    "box of three": (put("annotations", 0, "bbox", [1, 2, 3]), "four numbers"),
    "box not a number": (put("annotations", 0, "bbox", 0, float("nan")), "found nan"),
    "a crowd": (put("annotations", 0, "iscrowd", 1), "each larva outlined by itself"),
    "height none": (put("images", 0, "height", 0), "height is wrong"),
    "height huge": (put("images", 0, "height", 10**400), "height is wrong"),
    "answer against marks": (
        put("images", 0, "leafshade", "answer", "nothing"),
        "'larva', which its marks give",
    ),
    "split unknown": (put("images", 0, "leafshade", "split", "test"), "one of train, held out"),
    "date no date": (put("images", 0, "leafshade", "date", "17 May"), "a date such as"),
    "moment without zone": (
        put("images", 0, "leafshade", "labelled_at", "2026-05-17T11:00:00"),
        "with its zone",
    ),
    "moment before all": (
        put("images", 0, "leafshade", "labelled_at", "0001-01-01T00:00:00+14:00"),
        "a moment",
    ),
    "broken letters": (put("images", 0, "leafshade", "reviewer", "\ud800"), "without broken letters"),
    "file above": (put("images", 0, "file_name", "../a.jpg"), "beside the file"),
    "file elsewhere": (put("images", 0, "file_name", "/etc/a.jpg"), "beside the file"),
    "file on a drive": (put("images", 0, "file_name", "C:a.jpg"), "beside the file"),
    "picture no sha256": (put("images", 0, "leafshade", "picture", "../x"), "a sha256"),
    "picture missing": (drop("images", 4, "leafshade"), "stands beside the file and can be read"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_is_refused_with_its_place(tmp_path: Path, name: str) -> None:
    """Each mistake is named in one line with the place, what was expected, what was found and what to do."""
    change, message = BROKEN[name]
    with pytest.raises(ModelsError, match=message) as caught:
        read_changed(tmp_path, change)
    assert "\n" not in str(caught.value) and "; found " in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [b"", b"{", b"[]", b"null", b"\xff\xfe", b'{"images":' + b"[" * 200_000, b"9" * 10_000, b'{"a":1}'],
)
def test_what_is_no_coco_file_is_refused(tmp_path: Path, text: bytes) -> None:
    """Nothing, half a file, other data, other letters, endless nesting and endless numbers."""
    (tmp_path / "set.json").write_bytes(text)
    with pytest.raises(ModelsError):
        read_coco(tmp_path / "set.json", labelled_at=NOON)


def test_missing_and_too_large_files_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No file, a folder, and one past the stated limit."""
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(ModelsError, match="can be read"):
            read_coco(path, labelled_at=NOON)
    write_coco(tmp_path / "set.json", make_set())
    monkeypatch.setattr(coco, "MOST_BYTES", 100)
    with pytest.raises(ModelsError, match="larger one"):
        read_coco(tmp_path / "set.json", labelled_at=NOON)


def test_a_failed_write_leaves_the_older_file(tmp_path: Path) -> None:
    """A picture that comes twice is refused before anything is written."""
    write_coco(tmp_path / "set.json", make_set())
    before = (tmp_path / "set.json").read_bytes()
    with pytest.raises(ModelsError, match="each picture once"):
        write_coco(tmp_path / "set.json", [make_image(1), make_image(1)])
    assert (tmp_path / "set.json").read_bytes() == before
    with pytest.raises(ModelsError, match="a place to write"):
        write_coco(tmp_path / "none" / "set.json", make_set())


MUTATIONS = 10_000
ODD_VALUES = (
    None, True, -1, 0, 1, 2**63, 10**400, 0.5, -0.0, 1e308, float("nan"), float("inf"), "", "a", "\0", "\ud800", "..", "/",
    "larva", [], {}, [[]], [[1, 2, 3]], {"id": 1}, "9999-12-31T23:59:59-14:00", "x" * 3000,
)  # fmt: skip


def mutate_value(body: Any, rng: random.Random) -> Any:
    """Change, drop, double or swap something anywhere in the data."""
    places = list(walk(body))
    holder, key = rng.choice(places)
    how = rng.randrange(4)
    if how == 0:
        holder[key] = rng.choice(ODD_VALUES)
    elif how == 1:
        del holder[key]
    elif how == 2 and isinstance(holder, list):
        holder.insert(key, holder[key])
    else:
        other, other_key = rng.choice(places)
        # Through text, so that nothing comes to hold itself.
        holder[key] = json.loads(json.dumps(other[other_key]))
    return body


def walk(value: Any) -> Any:
    keys = list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        yield value, key
        yield from walk(value[key])


def mutate_bytes(text: bytes, rng: random.Random) -> bytes:
    """Cut, overwrite or repeat some bytes."""
    start, size = rng.randrange(len(text)), rng.randrange(1, 40)
    new = rng.choice(
        [
            b"",
            bytes(rng.choices(string.printable.encode(), k=size)),
            rng.randbytes(size),
            text[start : start + size] * 2,
        ]
    )
    return text[:start] + new + text[start + size :]


def test_thousands_of_broken_files_are_read_or_refused(tmp_path: Path) -> None:
    """Whatever is broken in a file, it is refused with a ModelsError, or what is read is whole and can be written again."""
    rng = random.Random(5)
    path, again = tmp_path / "set.json", tmp_path / "again.json"
    write_coco(path, make_set())
    text = path.read_bytes()
    refused = 0
    for number in range(MUTATIONS):
        broken = text
        if number % 2:
            body = json.loads(text)
            for _ in range(rng.randrange(1, 4)):
                body = mutate_value(body, rng)
            broken = json.dumps(body).encode()
        else:
            broken = mutate_bytes(text, rng)
        path.write_bytes(broken)
        try:
            read = read_coco(path, labelled_at=NOON)
        except ModelsError:
            refused += 1
            continue
        assert len(read.images) == len(read.files) == len(json.loads(broken)["images"])
        assert sum(len(image.marks) for image in read.images) == len(json.loads(broken)["annotations"])
        if number % 10 == 0:
            write_coco(again, read.images)
            assert read_coco(again, labelled_at=NOON).images == read.images
    assert MUTATIONS / 2 < refused < MUTATIONS


def test_values_that_do_not_go_together_are_refused() -> None:
    """Marks outside, answers against the marks, broken outlines and moments without a zone never become data."""
    body = LabelMark(BODY, "larva")
    for changes in (
        {"size_px": (20, 160)},
        {"answer": "nothing"},
        {"picture": "A" * 64},
        {"labelled_at": datetime(2026, 5, 17)},  # noqa: DTZ001
        {"split": "test"},
        {"source": "guess"},
    ):
        with pytest.raises(ModelsError):
            make_image(1, body, **changes)
    for outline in (BODY[:2], BODY.ravel(), BODY * np.float32(np.nan)):
        with pytest.raises(ModelsError):
            LabelMark(outline, "larva")
    with pytest.raises(ValueError, match="read-only"):
        body.outline[0] = 0


def test_marks_are_equal_by_their_points() -> None:
    """Equal arrays make equal marks with equal hashes; one point, the kind or the stage makes them differ."""
    one, other = LabelMark(BODY, "larva"), LabelMark(BODY.copy(), "larva")
    assert one == other and hash(one) == hash(other) and one != "larva"
    assert one != LabelMark(BODY + np.float32(1), "larva") and one != replace(one, stage="L1")
    assert measure_mark(LabelMark(np.float32([[0, 0], [0, 30], [40, 30], [40, 0]]), "larva")) == 40


def test_one_tree_and_date_stands_on_one_side_for_ever() -> None:
    """The side depends on tree and date alone, else on the clip; these sides were found once and must never change."""
    days = [date(2026, 5, day) for day in range(1, 31)]
    sides = "".join(choose_split(tree="OTTERHOLT/OT03", day=day, clip="")[0] for day in days)
    assert sides == FIRST_SIDES
    assert all(
        choose_split(tree="OTTERHOLT/OT03", day=DAY, clip=c * 64)
        == choose_split(tree="OTTERHOLT/OT03", day=DAY, clip="")
        for c in "abc"
    )
    assert choose_split(tree="", day=DAY, clip="a" * 64) == choose_split(
        tree="OTTERHOLT/OT03", day=None, clip="a" * 64
    )
    with pytest.raises(ModelsError, match="neither"):
        choose_split(tree="", day=DAY, clip="")


FIRST_SIDES = "tttttthtttththtttttttttttthttt"


def test_about_one_in_five_is_held_out() -> None:
    """Of 20,000 trees and dates 20 % within 1 % (3.5 deviations of a binomial)."""
    held = sum(
        choose_split(tree=f"OTTERHOLT/OT{tree:02d}", day=date(2000, 1, 1) + timedelta(days=day), clip="")
        == "held out"
        for tree in range(20)
        for day in range(1000)
    )
    assert 0.19 < held / 20_000 < 0.21


def test_the_hash_is_that_of_the_definition() -> None:
    """Brighter to the right gives ones, darker zeros, whatever the size; the first bit is the top left (analytic)."""
    ramp = np.repeat(np.arange(0, 180, 2, np.uint8)[None, :, None], 80, 0).repeat(3, 2)
    assert hash_look(ramp) == 2**64 - 1 and hash_look(ramp[:, ::-1]) == 0
    assert hash_look(np.full((80, 90, 3), 7, np.uint8)) == 0
    spot = np.zeros((8, 9, 3), np.uint8)
    spot[0, 1] = 255
    assert hash_look(spot) == 1 << 63
    assert hash_look(np.zeros((1, 1, 3), np.uint8)) == 0
    for rows, columns in ((3, 5), (8, 9), (17, 23), (200, 160)):
        noise = np.random.default_rng(rows).integers(0, 256, (rows, columns, 3), np.uint8)
        down, across = np.arange(8) * rows // 8, np.arange(9) * columns // 9
        means = [
            [noise[a : max(a + 1, b), c : max(c + 1, d)].mean() for c, d in pairwise([*across, columns])]
            for a, b in pairwise([*down, rows])
        ]
        brighter = np.diff(means, axis=1) > 0
        assert hash_look(noise) == int.from_bytes(np.packbits(brighter).tobytes(), "big")
    assert hash_look(spot.repeat(10, 0).repeat(11, 1)) == 1 << 63


def test_pictures_alike_are_one_and_the_first_stays() -> None:
    """Less than the stated bits apart with agreeing marks: the first stays; one bit more, another place or answer: both stay."""
    near, far = (1 << (repeated_pictures.FEWEST_BITS - 1)) - 1, (1 << repeated_pictures.FEWEST_BITS) - 1
    first = Look(0, "larva", (0.0, 0.0), 20.0)
    others = [
        replace(first, look=near),
        replace(first, look=far),
        replace(first, offset_px=(0.0, 10.0)),
        replace(first, offset_px=(0.0, 10.5)),
        replace(first, length_px=31.0),
        replace(first, answer="nothing"),
    ]
    assert [find_repeated([first, other])[1] for other in others] == [0, None, 0, None, None, None]
    assert find_repeated([]) == [] and find_repeated([first]) == [None]
    # Each is near its neighbour, the third is not near the first: it is a first one itself.
    step = (1 << 5) - 1
    assert find_repeated([first, replace(first, look=step), replace(first, look=step | step << 5)]) == [
        None,
        0,
        None,
    ]


def test_a_picture_compressed_again_is_the_same_and_another_is_not() -> None:
    """Noise of a few grey values leaves a picture one with itself; drawn anew it is another."""
    rng = np.random.default_rng(3)
    soft = rng.integers(0, 200, (12, 12, 3), np.uint8).repeat(14, 0).repeat(14, 1)
    noisy = (soft + rng.integers(0, 4, soft.shape)).astype(np.uint8)
    other = rng.integers(0, 200, (12, 12, 3), np.uint8).repeat(14, 0).repeat(14, 1)
    marks = (LabelMark(BODY, "larva"),)
    looks = [
        see_look(make_image(1, *marks, size_px=(168, 168)), hash_look(rgb)) for rgb in (soft, noisy, other)
    ]
    assert find_repeated(looks) == [None, 0, None]
