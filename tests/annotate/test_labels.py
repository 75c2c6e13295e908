"""The labelled image set of a logbook: it follows the verdicts, takes imports whole or not, and leaves as COCO and comes back."""

import json
import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner, Result

from annotate.commands.base import app
from annotate.commands.labels import labels
from annotate.errors import AnnotateError
from annotate.learning.labels import Exported, export_labels, import_labels, name_gaps, say_class, sum_set
from annotate.logbook import label_rows
from annotate.logbook.clips import add_stretch
from annotate.logbook.judged_places import list_dismissed
from annotate.logbook.label_rows import LabelChanges
from annotate.logbook.labels import (
    LabelCount,
    add_labels,
    count_labels,
    count_repeated,
    gather_labels,
    list_labels,
    read_version,
)
from annotate.logbook.observations import find_observation, set_details
from annotate.logbook.opening import EVIDENCE_NAME, Logbook, create_logbook, open_logbook
from annotate.logbook.outlines import correct_outline
from annotate.logbook.pictures import keep_picture, picture_path
from annotate.logbook.places import find_tree
from annotate.logbook.records import Details
from annotate.logbook.review import find_candidate
from annotate.logbook.verdicts import give_verdict, take_back
from detect.candidates import View
from detect.evidence import HeldJpeg
from models.coco import write_coco
from models.errors import ModelsError
from models.labels import LabelledImage, LabelMark, choose_split, digest_label, name_version
from models.picture_light import name_light
from tests.annotate.made_records import LATER, NOON, add_trees, film, make_candidate, make_view, search

assert labels  # imported so that the command is there

SIZE_PX = (160, 200)
BODY = np.float32([[70, 80], [70, 120], [90, 120], [90, 80]])
L4 = Details(stage="L4")

Run = Callable[..., Result]


def draw_leaves(seed: int) -> bytes:
    """A JPEG of soft patches that no other seed resembles."""
    rgb = np.random.default_rng(seed).integers(0, 255, (16, 20, 3), np.uint8).repeat(10, 0).repeat(10, 1)
    stream = BytesIO()
    Image.fromarray(rgb).save(stream, "JPEG", quality=92)
    return stream.getvalue()


def see(
    seed: int, time_s: float = 1.0, middle: tuple[int, int] = (500, 700), *, length_px: float = 30.0
) -> View:
    """A view whose picture is `SIZE_PX`, the thing in the middle of it."""
    origin = (middle[0] - SIZE_PX[0] // 2, middle[1] - SIZE_PX[1] // 2)
    view = make_view(time_s, middle, length_px=length_px)
    return replace(view, picture_jpeg=HeldJpeg(draw_leaves(seed)), picture_origin_px=origin)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return create_logbook(tmp_path / "book", zone="Europe/London")


@pytest.fixture
def logbook(folder: Path) -> Iterator[Logbook]:
    """OT03 filmed, four candidates in it, each at a time and place of its own; none is judged."""
    with open_logbook(folder) as opened:
        add_trees(opened, "OT03", "OT04")
        candidates = [
            make_candidate(views=[see(1, 1.0)]),
            make_candidate(views=[see(2, 2.0, (300, 300), length_px=12.0)]),
            make_candidate(views=[see(3, 3.0, (400, 900))], kind="feeding"),
            make_candidate(views=[see(4, 4.0, (800, 800))]),
        ]
        search(opened, film(opened, tree="OT03"), candidates)
        yield opened


def judge(logbook: Logbook, candidate_id: int, answer: Any, details: Details | None = None) -> None:
    give_verdict(logbook, candidate_id, answer=answer, reviewer="Maren", at=LATER, details=details)


def make_label(logbook: Logbook, seed: int = 9, **changes: Any) -> LabelledImage:
    """A label as an import has it, its picture kept."""
    values: dict[str, Any] = {
        "picture": keep_picture(logbook, draw_leaves(seed)),
        "size_px": SIZE_PX,
        "marks": (LabelMark(BODY, "larva", "L2"),),
        "answer": "larva",
        "source": "import",
        "origin": "Otterholt archive",
        "licence": "CC0 1.0",
        "reviewer": "Ines",
        "labelled_at": NOON,
        "clip": "a" * 64,
        "split": choose_split(tree="", day=None, clip="a" * 64),
    }
    return LabelledImage(**(values | changes))


def test_nothing_judged_makes_nothing(logbook: Logbook) -> None:
    """Candidates alone, and those left unsure, are in no set."""
    judge(logbook, 1, "unsure")
    assert gather_labels(logbook) == LabelChanges(0, 0, 0, 0)
    assert list_labels(logbook) == () and count_labels(logbook) == ()


def test_verdicts_become_labels_in_the_pictures_own_pixels(logbook: Logbook) -> None:
    """Confirmed larvae and feeding carry the outline, dismissed pictures nothing; asked again, all is as before."""
    judge(logbook, 1, "confirm", L4)
    judge(logbook, 3, "confirm")
    judge(logbook, 4, "dismiss")
    assert gather_labels(logbook) == LabelChanges(3, 0, 0, 0)
    larva, feeding, nothing = list_labels(logbook)
    # The view's box is 10 px by 30 px about the middle of the frame's (500, 700), and so about (80, 100) of its picture.
    outline = np.float32([[75, 85], [75, 115], [85, 115], [85, 85]])
    day = date(2026, 5, 17)
    assert larva == LabelledImage(
        picture=larva.picture,
        size_px=SIZE_PX,
        marks=(LabelMark(outline, "larva", "L4"),),
        answer="larva",
        source="verdict",
        reviewer="Maren",
        labelled_at=LATER,
        split=choose_split(tree="OTTERHOLT/OT03", day=day, clip=""),
        tree="OTTERHOLT/OT03",
        date=day,
        clip=f"{1:064x}",
        scorer="made 1",
    )
    assert picture_path(logbook, larva.picture).read_bytes() == draw_leaves(1)
    assert (feeding.answer, feeding.marks[0].kind, feeding.marks[0].stage) == ("feeding", "feeding", None)
    assert (nothing.answer, nothing.marks) == ("nothing", ())
    assert gather_labels(logbook) == LabelChanges(0, 0, 0, 3)


def test_the_newest_verdict_counts(logbook: Logbook) -> None:
    """A changed mind changes the label, an unsure or taken back verdict takes it out, a later one brings it in again."""
    judge(logbook, 1, "confirm", L4)
    judge(logbook, 2, "dismiss")
    gather_labels(logbook)
    judge(logbook, 1, "dismiss")
    judge(logbook, 2, "unsure")
    assert gather_labels(logbook) == LabelChanges(0, 1, 1, 0)
    assert [image.answer for image in list_labels(logbook)] == ["nothing"]
    take_back(logbook, reviewer="Maren", at=LATER, candidate_id=1)
    take_back(logbook, reviewer="Maren", at=LATER, candidate_id=2)
    assert gather_labels(logbook) == LabelChanges(1, 1, 0, 0)
    assert [image.answer for image in list_labels(logbook)] == ["larva", "nothing"]
    assert list_labels(logbook)[0].marks[0].stage == "L4"


def test_a_larva_beside_what_was_dismissed_is_marked(logbook: Logbook) -> None:
    """What else is confirmed in the same frame is marked where it lies in the picture: no larva is taught as nothing."""
    clip = film(logbook, number=2, tree="OT04")
    views = [see(20, 5.0), see(21, 5.0, (520, 740)), see(22, 5.0, (900, 1500)), see(23, 6.0)]
    search(logbook, clip, [make_candidate(views=[view]) for view in views])
    for candidate_id, answer in zip((5, 6, 7, 8), ("dismiss", "confirm", "confirm", "dismiss"), strict=True):
        judge(logbook, candidate_id, answer)
    gather_labels(logbook)
    beside, confirmed, far, later = list_labels(logbook)
    assert [image.answer for image in (beside, confirmed, far, later)] == [
        "larva",
        "larva",
        "larva",
        "nothing",
    ]
    assert len(beside.marks) == len(confirmed.marks) == len(far.marks) == 1
    # 20 rows and 40 columns from the middle (80, 100) of the dismissed one's picture.
    assert np.array_equal((beside.marks[0].outline.min(0) + beside.marks[0].outline.max(0)) / 2, [100, 140])


def test_what_was_dismissed_lies_where_its_corrected_outline_does(logbook: Logbook) -> None:
    """The outline that a person drew says where the thing is that was dismissed; the search's own does where none stands."""
    judge(logbook, 1, "dismiss")
    gather_labels(logbook)
    (picture,) = list_dismissed(logbook)
    moved = [[460, 700], [460, 730], [470, 730], [470, 700]]
    for outline, middle in ((moved, [45, 115]), (None, [80, 100])):
        correct_outline(logbook, 1, rank=0, outline=outline, reviewer="Maren", at=LATER)
        (mark,) = list_dismissed(logbook)[picture]
        assert np.array_equal((mark.outline.min(0) + mark.outline.max(0)) / 2, middle)


def test_an_outline_past_the_picture_is_cut_at_its_edge(logbook: Logbook) -> None:
    """The pictures of the other tests are smaller than the body: its outline ends at their edge."""
    search(logbook, film(logbook, number=2), [make_candidate(length_px=60.0)])
    judge(logbook, 5, "confirm")
    gather_labels(logbook)
    (image,) = list_labels(logbook)
    assert image.size_px == (24, 32) and image.marks[0].outline[:, 1].max() == 31.5
    assert image.answer == "larva"
    assert image.tree == "" and image.split == choose_split(tree="", day=None, clip=f"{2:064x}")


def test_what_was_confirmed_outside_its_picture_is_no_label(logbook: Logbook) -> None:
    """A larva that its picture does not show is never taught as nothing."""
    view = replace(see(31), picture_origin_px=(900, 100))
    search(logbook, film(logbook, number=2), [make_candidate(views=[view])])
    judge(logbook, 5, "confirm")
    assert gather_labels(logbook) == LabelChanges(0, 0, 0, 0)


def test_lost_pictures_are_named_and_left_out(logbook: Logbook) -> None:
    """A picture that is gone or damaged stops nothing else, and comes in when it is back."""
    for candidate_id in (1, 2, 3):
        judge(logbook, candidate_id, "dismiss")
    with logbook.reading() as session:
        names = (
            session.connection()
            .exec_driver_sql("SELECT picture FROM view ORDER BY candidate_id")
            .scalars()
            .all()
        )
    gone, damaged = picture_path(logbook, names[0]), picture_path(logbook, names[1])
    gone.rename(gone.with_suffix(".away"))
    damaged.write_bytes(damaged.read_bytes()[:-30])
    done = gather_labels(logbook)
    assert (done.new, sorted(done.lost)) == (1, sorted(names[:2]))
    gone.with_suffix(".away").rename(gone)
    assert gather_labels(logbook) == LabelChanges(1, 0, 0, 1, (names[1],))


def test_pictures_alike_stand_in_the_set_once(logbook: Logbook) -> None:
    """Of one tree and date the first stays; when it goes, the next takes its place; another tree's is another."""
    picture = Image.open(BytesIO(draw_leaves(30)))
    again = BytesIO()
    picture.save(again, "JPEG", quality=70)
    for number, tree in ((2, "OT03"), (3, "OT03"), (4, "OT04")):
        view = see(30, 1.0)
        if number > 2:
            view = replace(view, picture_jpeg=HeldJpeg(again.getvalue() + bytes(number)))
        search(logbook, film(logbook, number=number, tree=tree), [make_candidate(views=[view])])
    for candidate_id in (5, 6, 7):
        judge(logbook, candidate_id, "confirm")
    assert gather_labels(logbook).new == 3
    first, other = list_labels(logbook)
    assert (first.clip, other.tree, count_repeated(logbook)) == (f"{2:064x}", "OTTERHOLT/OT04", 1)
    assert (
        len(list_labels(logbook, with_repeated=True)) == 3
        and sum(one.number for one in count_labels(logbook)) == 2
    )
    judge(logbook, 5, "unsure")
    assert gather_labels(logbook).removed == 1
    assert [image.clip for image in list_labels(logbook)] == [f"{3:064x}", f"{4:064x}"] and count_repeated(
        logbook
    ) == 0


def test_repeats_are_the_same_however_few_rows_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Read one by one or all at once, of the same labels the same ones stand in the set: of trees, of clips, of either source."""
    rng = random.Random(3)
    trees = [
        ("OTTERHOLT/OT03", NOON.date()),
        ("OTTERHOLT/OT04", NOON.date()),
        ("OTTERHOLT/OT04", None),
        ("", None),
    ]
    steps = [
        [
            (rng.randrange(5), rng.choice(trees), rng.choice("ab") * 64, rng.choice(("import", "drawn in")))
            for _ in range(rng.randrange(1, 4))
        ]
        for _ in range(25)
    ]
    standing = []
    for few in (0, 500):
        monkeypatch.setattr(label_rows, "FEW", few)
        with open_logbook(create_logbook(tmp_path / str(few), zone="UTC")) as book:
            seen = []
            for step in steps:
                wanted = {
                    (seed, source): make_label(book, seed, tree=tree, date=day, clip=clip, source=source)
                    for seed, (tree, day), clip, source in step
                }
                add_labels(book, list(wanted.values()))
                seen.append([digest_label(one) + one.source + one.tree for one in list_labels(book)])
            standing.append((seen, count_repeated(book)))
    assert standing[0] == standing[1] and standing[0][1] > 0


def test_imports_stay_whatever_the_verdicts_say(logbook: Logbook) -> None:
    """Gathering leaves labels of other sources alone; of one picture the one from here stands in the set."""
    judge(logbook, 1, "confirm")
    gather_labels(logbook)
    (mine,) = list_labels(logbook)
    theirs = [
        make_label(logbook),
        make_label(logbook, picture=mine.picture),
        make_label(logbook, 10, source="drawn in"),
    ]
    assert add_labels(logbook, theirs) == LabelChanges(3, 0, 0, 0)
    assert add_labels(logbook, theirs) == LabelChanges(0, 0, 0, 3)
    assert list_labels(logbook) == (mine, theirs[2], theirs[0])
    judge(logbook, 1, "unsure")
    assert gather_labels(logbook) == LabelChanges(0, 0, 1, 0)
    assert set(list_labels(logbook)) == set(theirs)
    assert add_labels(logbook, [replace(theirs[0], reviewer="Maren")]) == LabelChanges(0, 1, 0, 0)
    assert list_labels(logbook, source="import", split=theirs[0].split, answer="larva")[0].reviewer == "Maren"


@pytest.mark.parametrize("fault", ["verdict", "twice", "not kept", "other size"])
def test_labels_are_added_all_or_none(logbook: Logbook, fault: str) -> None:
    """One that cannot be added keeps all others out."""
    good, bad = make_label(logbook), make_label(logbook, 10)
    bad = {
        "verdict": replace(bad, source="verdict"),
        "twice": good,
        "not kept": replace(bad, picture="0" * 64),
        "other size": replace(bad, size_px=(161, 200)),
    }[fault]
    with pytest.raises(AnnotateError):
        add_labels(logbook, [good, bad])
    assert list_labels(logbook, with_repeated=True) == ()


def fill(logbook: Logbook) -> None:
    judge(logbook, 1, "confirm", L4)
    judge(logbook, 2, "confirm")
    judge(logbook, 3, "confirm")
    judge(logbook, 4, "dismiss")
    gather_labels(logbook)


def test_a_set_goes_out_and_comes_into_another_logbook(logbook: Logbook, tmp_path: Path) -> None:
    """The same pictures, marks, stages, trees and sides, from where and under which licence beside them."""
    fill(logbook)
    assert export_labels(logbook, tmp_path / "set.json") == Exported(4, ())
    assert len(list((tmp_path / "set-pictures").iterdir())) == 4
    with open_logbook(create_logbook(tmp_path / "other")) as other:
        assert (
            import_labels(other, tmp_path / "set.json", origin=" Otterholt  Wood", licence="CC0 1.0").new == 4
        )
        wanted = [
            replace(one, source="import", origin="Otterholt Wood", licence="CC0 1.0")
            for one in list_labels(logbook)
        ]
        assert list(list_labels(other)) == wanted
        for image in wanted:
            assert (
                picture_path(other, image.picture).read_bytes()
                == picture_path(logbook, image.picture).read_bytes()
            )
        assert (
            import_labels(other, tmp_path / "set.json", origin="Otterholt Wood", licence="CC0 1.0").same == 4
        )
        assert gather_labels(other) == LabelChanges(0, 0, 0, 0) and len(list_labels(other)) == 4


def test_an_export_leaves_out_what_is_lost_and_says_so(run: Run, logbook: Logbook, tmp_path: Path) -> None:
    """One picture gone for good keeps the others from nobody; where all are, nothing is written."""
    fill(logbook)
    lost, *others = (picture_path(logbook, image.picture) for image in list_labels(logbook))
    lost.unlink()
    file = tmp_path / "set.json"
    result = run("labels", "export", str(file))
    assert f"Wrote {len(others)} labelled pictures" in result.stdout
    assert f"Note: left out 1 picture that cannot be read, first {lost.stem[:12]}" in result.stderr
    assert {path.stem for path in (tmp_path / "set-pictures").iterdir()} == {path.stem for path in others}
    before = file.read_bytes()
    for path in others:
        path.write_bytes(b"")
    with pytest.raises(AnnotateError, match=f"found all {len(others) + 1} missing or damaged"):
        run("labels", "export", str(file))
    assert file.read_bytes() == before


def test_a_folder_to_export_to_is_refused_before_anything_is_written(
    logbook: Logbook, tmp_path: Path
) -> None:
    """Nothing is left beside it, and the message names a file in it."""
    fill(logbook)
    (tmp_path / "sets").mkdir()
    with pytest.raises(AnnotateError, match=r"found a folder.*labels\.json"):
        export_labels(logbook, tmp_path / "sets")
    assert not (tmp_path / "sets-pictures").exists() and not list((tmp_path / "sets").iterdir())


def test_an_import_tells_how_far_it_is(logbook: Logbook, tmp_path: Path) -> None:
    """Thousands of photographs take many minutes: the share told rises evenly with the pictures, and ends at all."""
    fill(logbook)
    written = export_labels(logbook, tmp_path / "set.json").written
    told: list[float] = []
    with open_logbook(create_logbook(tmp_path / "other", zone="Europe/London")) as other:
        import_labels(other, tmp_path / "set.json", origin="Ines", licence="CC0 1.0", on_progress=told.append)
    assert told == pytest.approx([step / (2 * written) for step in range(1, 2 * written + 1)])


@pytest.mark.parametrize("order", [("old", "new"), ("new", "old")])
def test_labels_from_two_versions_merge(
    run: Run, logbook: Logbook, tmp_path: Path, order: tuple[str, str]
) -> None:
    """An older and a newer file of one set end in the newer labels and all pictures of both, whichever comes first."""
    judge(logbook, 1, "confirm", L4)
    judge(logbook, 2, "confirm")
    gather_labels(logbook)
    export_labels(logbook, tmp_path / "old.json")
    later = LATER + timedelta(days=1)
    give_verdict(logbook, 1, answer="dismiss", reviewer="Ines", at=later, reason="twig")
    give_verdict(logbook, 2, answer="unsure", reviewer="Ines", at=later)
    judge(logbook, 4, "confirm")
    gather_labels(logbook)
    export_labels(logbook, tmp_path / "new.json")
    asked = ["--source", "Otterholt", "--licence", "CC0 1.0", "--logbook"]
    with open_logbook(create_logbook(tmp_path / "other")) as other:
        told = [
            run("labels", "import", str(tmp_path / f"{name}.json"), *asked, str(other.folder)).stdout
            for name in order
        ]
        found = {image.picture: (image.answer, image.reason) for image in list_labels(other)}
        assert sorted(found.values()) == [("larva", ""), ("larva", ""), ("nothing", "twig")]
    kept = "1 picture left as labelled here: later than in this file." in told[1]
    assert kept == (order == ("new", "old")) and "1 picture new" in told[1]


@pytest.fixture
def other(tmp_path: Path) -> Iterator[Logbook]:
    """An empty logbook that takes in what the first one exports."""
    with open_logbook(create_logbook(tmp_path / "other")) as opened:
        yield opened


def export_two_versions(logbook: Logbook, folder: Path) -> None:
    """Write old.json and new.json: of three larvae two in one picture, then one of these and the third are withdrawn."""
    judge(logbook, 1, "confirm", L4)
    judge(logbook, 2, "confirm")
    gather_labels(logbook)
    first, *rest = list_labels(logbook)
    two = replace(first, marks=(*first.marks, LabelMark(BODY + np.float32(30), "larva")))
    write_coco(folder / "old.json", [two, *rest], folder="old-pictures")
    export_labels(logbook, folder / "new.json")
    (folder / "new-pictures").rename(folder / "old-pictures")
    later = LATER + timedelta(days=1)
    give_verdict(logbook, 2, answer="unsure", reviewer="Ines", at=later)
    give_verdict(logbook, 1, answer="confirm", reviewer="Ines", at=later)
    gather_labels(logbook)
    export_labels(logbook, folder / "new.json")


def test_what_a_newer_version_lacks_is_told_and_withdrawn_when_asked(
    run: Run, logbook: Logbook, other: Logbook, tmp_path: Path
) -> None:
    """Pictures and marks that went are counted; pictures stay until --withdraw says that the file is the whole newer version."""
    export_two_versions(logbook, tmp_path)
    asked = ["--source", "Otterholt", "--licence", "CC0 1.0", "--logbook", str(other.folder)]
    assert "not in this file" not in run("labels", "import", str(tmp_path / "old.json"), *asked).stdout
    told = run("labels", "import", str(tmp_path / "new.json"), *asked).stdout
    assert "0 pictures new, 1 changed, 0 as before." in told
    assert "1 mark that the changed ones had is no longer there." in told
    assert "1 picture from this source before, not in this file, left in the set" in told
    assert "take it out with: --withdraw" in told and len(list_labels(other)) == 2
    asked[1] = " otterholt "
    told = run("labels", "import", str(tmp_path / "new.json"), *asked, "--withdraw").stdout
    assert "1 picture withdrawn: not in this file, and from this source before." in told
    assert "left in the set" not in told
    (left,) = list_labels(other, with_repeated=True)
    assert left.picture == list_labels(logbook)[0].picture and len(left.marks) == 1
    assert "withdrawn" not in run("labels", "import", str(tmp_path / "new.json"), *asked, "--withdraw").stdout


def test_an_older_version_withdraws_nothing(
    run: Run, logbook: Logbook, other: Logbook, tmp_path: Path
) -> None:
    """What stands in a newer file only was not withdrawn: the older one is refused, and nothing of it comes in."""
    export_two_versions(logbook, tmp_path)
    asked = ["--source", "Otterholt", "--licence", "CC0 1.0", "--logbook", str(other.folder)]
    run("labels", "import", str(tmp_path / "new.json"), *asked)
    before = list_labels(other)
    with pytest.raises(AnnotateError, match="found 1 picture labelled later in a file that came before"):
        run("labels", "import", str(tmp_path / "old.json"), *asked, "--withdraw")
    assert list_labels(other) == before


def test_only_what_came_from_a_source_is_withdrawn_with_it(logbook: Logbook, tmp_path: Path) -> None:
    """One's own verdicts, what was drawn in, and what others brought stay; a picture that one judged stands as it was judged."""
    judge(logbook, 1, "confirm", L4)
    gather_labels(logbook)
    (mine,) = list_labels(logbook)
    kept = make_label(logbook, 20, origin="Ines")
    others = [
        make_label(logbook, 21, origin="archive"),
        make_label(logbook, 22, source="drawn in", origin=""),
    ]
    gone = [make_label(logbook, picture=mine.picture, origin="Ines"), make_label(logbook, 23, origin="Ines")]
    add_labels(logbook, [kept, *others, *gone])
    write_coco(tmp_path / "set.json", [kept])
    (tmp_path / f"{kept.picture}.jpg").write_bytes(draw_leaves(20))
    asked = {"origin": "Ines", "licence": "CC0 1.0"}
    assert import_labels(logbook, tmp_path / "set.json", **asked).missing == 2
    assert import_labels(logbook, tmp_path / "set.json", **asked, withdraws=True).removed == 2
    assert set(list_labels(logbook, with_repeated=True)) == {mine, kept, *others}
    gather_labels(logbook)
    assert mine in list_labels(logbook) and find_candidate(logbook, 1).answer == "confirm"


def save(path: Path, form: str, size: tuple[int, int] = (200, 160), *, turned: bool = False) -> bytes:
    stream = BytesIO()
    exif = Image.Exif()
    if turned:
        exif[0x0112] = 6
    Image.new("RGB", size, (9, 90, 9)).save(stream, form, exif=exif)
    path.write_bytes(stream.getvalue())
    return stream.getvalue()


@pytest.mark.parametrize(
    "fault", ["gone", "changed", "cut off", "png", "turned", "other size", "stage", "polygon", "no licence"]
)
def test_nothing_is_half_imported(logbook: Logbook, tmp_path: Path, fault: str) -> None:
    """One wrong picture or mark, and neither a label nor a picture comes in."""
    names = [f"{n}.jpg" for n in range(3)]
    for number, name in enumerate(names):
        (tmp_path / name).write_bytes(draw_leaves(40 + number))
    body: Any = {
        "images": [{"id": n, "file_name": name, "width": 200, "height": 160} for n, name in enumerate(names)],
        "categories": [{"id": 1, "name": "larva"}],
        "annotations": [
            {
                "id": 1,
                "image_id": 2,
                "category_id": 1,
                "bbox": [0, 0, 9, 9],
                "segmentation": [[0, 0, 9, 0, 9, 9]],
            }
        ],
    }
    last = tmp_path / names[2]
    if fault == "gone":
        last.unlink()
    elif fault == "cut off":
        last.write_bytes(last.read_bytes()[:-200])
    elif fault == "png":
        save(last, "PNG")
    elif fault == "turned":
        save(last, "JPEG", turned=True)
    elif fault == "other size":
        save(last, "JPEG", (160, 200))
    elif fault == "stage":
        body["annotations"][0]["leafshade"] = {"stage": "L9"}
    elif fault == "polygon":
        body["annotations"][0]["segmentation"][0].pop()
    (tmp_path / "set.json").write_text(json.dumps(body))
    if fault == "changed":
        fill(logbook)
        export_labels(logbook, tmp_path / "set.json")
        last = max((tmp_path / "set-pictures").iterdir())
        last.write_bytes(draw_leaves(50))
    with open_logbook(create_logbook(tmp_path / "other")) as other:
        with pytest.raises((AnnotateError, ModelsError)) as caught:
            licence = "" if fault == "no licence" else "CC0 1.0"
            import_labels(other, tmp_path / "set.json", origin="archive", licence=licence)
        assert "; found " in str(caught.value) and "\n" not in str(caught.value)
        assert list_labels(other, with_repeated=True) == ()
        assert not [path for path in (other.folder / EVIDENCE_NAME).rglob("*") if path.is_file()]


def test_gaps_are_named_in_a_sentence() -> None:
    """What the set lacks, and what one side lacks; where nothing is lacking, nothing is said."""
    larva = LabelCount("A/1", "train", "larva", "L1", 6.0, 3, "dim")
    held = replace(larva, split="held out")
    assert name_gaps([]).startswith(
        "The set has no larva of L1, L2, L3, L4 or L5, no larva of 6 to 10 px, "
    ) and ", no picture with nothing." in name_gaps([])
    full = [
        replace(larva, stage=stage, shortest_px=low, light=light, split=split)
        for split in ("train", "held out")
        for stage, low, light in zip(
            ("L1", "L2", "L3", "L4", "L5"),
            (6.0, 10.0, 16.0, 32.0, 32.0),
            ("dark", "dim", "bright", "bright", "glaring"),
            strict=True,
        )
    ]
    full += [
        LabelCount("", split, answer, None, 0.0, 1)  # type: ignore[arg-type]
        for split in ("train", "held out")
        for answer in ("feeding", "nothing")
    ]
    assert name_gaps(full) == ""
    without = [one for one in full if one != replace(held, stage="L2", shortest_px=10.0, number=3)]
    assert (
        name_gaps(without)
        == "Held out has no larva of L2, no larva of 10 to 16 px long, no larva in light that is dim (64 to 128)."
    )
    rows = {(row.by, row.name): (row.train, row.held_out) for row in sum_set(full)}
    assert rows["all", "larvae"] == (15, 15) and rows["length", "32 px and more"] == (6, 6)
    assert rows["light", "dark (under 64)"] == (3, 3) and rows["light", "bright (128 to 192)"] == (6, 6)
    assert rows["tree", "A/1"] == (15, 15) and rows["all", "pictures with nothing"] == (1, 1)
    assert say_class(0.0) == "under 6 px"


@pytest.fixture
def run(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("LEAFSHADE_LOGBOOK", str(folder))
    monkeypatch.setenv("COLUMNS", "200")
    return lambda *arguments: CliRunner().invoke(app, list(arguments), catch_exceptions=False)


def test_the_command_shows_the_set(run: Run, logbook: Logbook) -> None:
    """Without a verdict it says what to do; then the table, the gaps in a sentence, and the same as data.

    OT03 on 17 May 2026 is on the side to learn from, and stays there.
    """
    assert "leafshade review" in run("labels").stdout
    fill(logbook)
    shown = run("labels").stdout
    lines = [" ".join(line.split()) for line in shown.splitlines()]
    for line in ("stage L4 1 0", "length 10 to 16 px 1 0", "length 16 to 32 px 1 0"):
        assert line in lines
    assert "2 larvae, 1 feeding mark, 1 picture with nothing." in shown
    assert "The set has no larva of L1, L2, L3 or L5, no larva of 6 to 10 px or 32 px and more long" in shown
    data = json.loads(run("labels", "--json").stdout)
    assert {
        "tree": "OTTERHOLT/OT03",
        "split": "train",
        "answer": "larva",
        "stage": "L4",
        "length_class": "16 to 32 px",
        "light": "dim",
        "number": 1,
    } in data
    assert sum(row["number"] for row in data) == 4


def test_imports_are_named_with_their_licence(run: Run, logbook: Logbook) -> None:
    """Once pictures of others have joined, it is said whose they are, under which licence, and how many; before, nothing."""
    judge(logbook, 1, "confirm")
    assert "imported" not in run("labels").stdout
    theirs = [make_label(logbook, 20 + n, origin=f"archive {n % 7}", licence="CC0 1.0") for n in range(8)]
    add_labels(logbook, [*theirs, make_label(logbook, 40, source="drawn in", origin="", licence="")])
    said = run("labels").stdout
    assert (
        "Pictures: 1 drawn in; 1 from verdicts; 2 imported from archive 0 (CC0 1.0); 1 imported from archive 1"
        in said
    )
    assert said.count("imported from archive") == 5 and "; 2 imported from others." in said


def test_the_command_writes_and_reads_a_set(run: Run, logbook: Logbook, tmp_path: Path) -> None:
    """An empty set is refused; a full one goes out and, into the same logbook, comes in as repeats only."""
    with pytest.raises(AnnotateError, match="leafshade review"):
        run("labels", "export", str(tmp_path / "set.json"))
    judge(logbook, 1, "confirm")
    assert "1 labelled picture to" in run("labels", "export", str(tmp_path / "set.json")).stdout
    result = run(
        "labels", "import", str(tmp_path / "set.json"), "--source", "Otterholt", "--licence", "CC0 1.0"
    )
    assert result.exit_code == 0 and "1 picture new, 0 changed, 0 as before." in result.stdout
    assert "1 picture left out of the set" in result.stdout and len(list_labels(logbook)) == 1
    assert run("labels", "import", str(tmp_path / "set.json"), "--source", "Otterholt").exit_code == 2


def test_other_peoples_categories_are_named_by_options(run: Run, logbook: Logbook, tmp_path: Path) -> None:
    """`--larva` and `--feeding` say what a file's categories are; one named as both, and an unknown one, change nothing."""
    (tmp_path / "a.jpg").write_bytes(draw_leaves(40))
    outline = {"bbox": [0, 0, 9, 9], "segmentation": [[0, 0, 9, 0, 9, 9]]}
    body = {
        "images": [{"id": 1, "file_name": "a.jpg", "width": 200, "height": 160}],
        "categories": [{"id": 1, "name": "Apatura"}, {"id": 2, "name": "gnawed"}],
        "annotations": [{"id": id, "image_id": 1, "category_id": id, **outline} for id in (1, 2)],
    }
    (tmp_path / "set.json").write_text(json.dumps(body))
    asked = ["labels", "import", str(tmp_path / "set.json"), "--source", "Ines", "--licence", "CC0 1.0"]
    with pytest.raises(AnnotateError, match="name it once"):
        run(*asked, "--larva", "Apatura", "--feeding", "Apatura")
    with pytest.raises(ModelsError, match="'Apatura'"):
        run(*asked)
    assert list_labels(logbook) == ()
    assert "1 picture new" in run(*asked, "--larva", "Apatura", "--feeding", "gnawed").stdout
    (image,) = list_labels(logbook)
    assert [mark.kind for mark in image.marks] == ["larva", "feeding"] and image.origin == "Ines"


def write_foreign(path: Path, pictures: Sequence[int], wide: int = 9) -> list[str]:
    """Write a file as another program does, a larva in each picture; return the command that imports it."""
    images, annotations = [], []
    for id in pictures:
        (path.parent / f"{id}.jpg").write_bytes(draw_leaves(60 + id))
        images.append({"id": id, "file_name": f"{id}.jpg", "width": 200, "height": 160})
        outline = {"bbox": [0, 0, wide, 9], "segmentation": [[0, 0, wide, 0, wide, 9]]}
        annotations.append({"id": id, "image_id": id, "category_id": 1, **outline})
    body = {
        "images": images,
        "categories": [{"id": 1, "name": "larva"}],
        "annotations": annotations,
        "info": {"description": path.name},
    }
    path.write_text(json.dumps(body))
    return ["labels", "import", str(path), "--source", "Ines", "--licence", "CC0 1.0"]


def test_a_newer_version_without_an_old_picture_stays_on_its_side(
    run: Run, logbook: Logbook, tmp_path: Path
) -> None:
    """Where pictures were withdrawn and come again, they are on the side that they were on: learned from, none tests later."""
    run(*write_foreign(tmp_path / "first.json", [0]))
    (first,) = list_labels(logbook)
    # As many versions as are sure to have some whose own sha256 would lie on the other side.
    for number in range(1, 20):
        told = run(*write_foreign(tmp_path / f"{number}.json", [number]), "--withdraw").stdout
        assert "1 picture new" in told and "1 picture withdrawn" in told
        (now,) = list_labels(logbook, with_repeated=True)
        assert (now.clip, now.split) == (first.clip, first.split)


def test_a_file_of_another_program_read_again_changes_nothing_and_corrected_stays_on_its_side(
    run: Run, logbook: Logbook, tmp_path: Path
) -> None:
    """It says not when it was labelled; with an outline corrected and a picture more it is another file, and the same set."""

    def write(name: str, pictures: int, wide: int) -> list[str]:
        return write_foreign(tmp_path / name, range(pictures), wide)

    first = write("first.json", 2, 9)
    assert "2 pictures new" in run(*first).stdout
    assert "0 pictures new, 0 changed, 2 as before." in run(*first).stdout
    before = {image.picture: image.split for image in list_labels(logbook)}
    # As many versions of the file as are sure to have one whose own sha256 would lie on the other side.
    for wide in range(10, 30):
        assert "changed" in run(*write(f"{wide}.json", 3, wide)).stdout
        after = {image.picture: image.split for image in list_labels(logbook)}
        assert len(after) == 3 and set(after.values()) == set(before.values())
    assert max(mark.outline[:, 1].max() for image in list_labels(logbook) for mark in image.marks) == 28.5


def test_a_dismissed_picture_carries_its_reason(logbook: Logbook, tmp_path: Path) -> None:
    """The newest verdict's reason is the hard negative's, goes into the COCO file, and a picture with a larva has none."""
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=LATER, reason="leaf shadow")
    judge(logbook, 4, "confirm")
    gather_labels(logbook)
    nothing, larva = list_labels(logbook)
    assert (nothing.reason, larva.reason) == ("leaf shadow", "")
    export_labels(logbook, tmp_path / "set.json")
    written = json.loads((tmp_path / "set.json").read_text())
    assert [image["leafshade"]["reason"] for image in written["images"]] == ["leaf shadow", ""]
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=LATER, reason="gall")
    assert gather_labels(logbook).changed == 1 and list_labels(logbook)[0].reason == "gall"


def test_a_corrected_outline_is_the_mark(logbook: Logbook) -> None:
    """The set has the outline that a person drew, and the search's again after the way back."""
    judge(logbook, 1, "confirm")
    gather_labels(logbook)
    (before,) = list_labels(logbook)
    drawn = [(490, 690), (490, 712), (503, 712), (503, 690)]
    correct_outline(logbook, 1, rank=0, outline=drawn, reviewer="Maren", at=LATER)
    assert gather_labels(logbook) == LabelChanges(0, 1, 0, 0)
    (after,) = list_labels(logbook)
    assert after.marks[0].outline.tolist() == [[70, 90], [70, 112], [83, 112], [83, 90]]
    correct_outline(logbook, 1, rank=0, outline=None, reviewer="Maren", at=LATER)
    gather_labels(logbook)
    assert list_labels(logbook) == (before,)


def test_what_was_planted_is_no_label(logbook: Logbook) -> None:
    """A larva drawn into footage to measure with teaches nothing, whatever was said of it."""
    judge(logbook, 1, "dismiss")
    judge(logbook, 2, "dismiss")
    with logbook.writing() as session:
        session.connection().exec_driver_sql("UPDATE candidate SET found_by = 'planted' WHERE id = 2")
    assert gather_labels(logbook).new == 1


def read_lights(logbook: Logbook) -> list[float]:
    with logbook.reading() as session:
        rows = session.connection().exec_driver_sql("SELECT light FROM label ORDER BY id")
        return [light for (light,) in rows]


def test_light_is_kept_with_the_label(logbook: Logbook) -> None:
    """It is measured when the picture is first looked at and again when the outline moves, and counted in classes."""
    judge(logbook, 1, "confirm")
    judge(logbook, 4, "dismiss")
    gather_labels(logbook)
    first = read_lights(logbook)
    assert [count.light for count in count_labels(logbook)] == [name_light(light) for light in first]
    drawn = [(440, 610), (440, 625), (448, 625), (448, 610)]
    correct_outline(logbook, 1, rank=0, outline=drawn, reviewer="Maren", at=LATER)
    gather_labels(logbook)
    assert read_lights(logbook)[0] != first[0] and read_lights(logbook)[1] == first[1]


def test_labels_of_an_older_logbook_get_their_light(logbook: Logbook) -> None:
    """Rows without light and digest, as they were before, are completed by the next gathering, imports with them."""
    judge(logbook, 1, "confirm")
    gather_labels(logbook)
    add_labels(logbook, [make_label(logbook)])
    lights, version = read_lights(logbook), read_version(logbook)
    with logbook.writing() as session:
        session.connection().exec_driver_sql("UPDATE label SET light = NULL, digest = ''")
        session.connection().exec_driver_sql("DELETE FROM label_gathering")
    assert [count.light for count in count_labels(logbook)] == ["", ""]
    gather_labels(logbook)
    assert (read_lights(logbook), read_version(logbook)) == (lights, version)


def test_the_version_names_what_the_set_holds(logbook: Logbook, tmp_path: Path) -> None:
    """The same labels have one version, in another logbook too and in the COCO file; any other label has another."""
    assert read_version(logbook) == name_version([])
    judge(logbook, 1, "confirm", L4)
    judge(logbook, 4, "dismiss")
    gather_labels(logbook)
    version = read_version(logbook)
    assert version == name_version(digest_label(image) for image in reversed(list_labels(logbook)))
    export_labels(logbook, tmp_path / "set.json")
    assert json.loads((tmp_path / "set.json").read_text())["info"]["version"] == version
    with open_logbook(create_logbook(tmp_path / "other")) as other:
        import_labels(other, tmp_path / "set.json", origin="Otterholt archive", licence="CC0 1.0")
        assert read_version(other) == version
    judge(logbook, 1, "confirm", Details(stage="L3"))
    gather_labels(logbook)
    assert read_version(logbook) != version


def test_gathering_again_sees_whatever_changed(logbook: Logbook) -> None:
    """Nothing is read again in vain, yet a tree named later, a moment put right and a stage said later are all seen."""
    judge(logbook, 1, "confirm", L4)
    gather_labels(logbook)
    assert gather_labels(logbook) == LabelChanges(0, 0, 0, 1)
    add_stretch(logbook, 1, tree_id=find_tree(logbook, "OT04").id, start_s=0.0, end_s=60.0)
    assert gather_labels(logbook).changed == 1 and list_labels(logbook)[0].tree == "OTTERHOLT/OT04"
    film(logbook, recorded_at=NOON - timedelta(days=2), recorded_from="given")
    assert gather_labels(logbook).changed == 1 and list_labels(logbook)[0].date == date(2026, 5, 15)
    observation = find_observation(logbook, candidate_id=1)
    assert observation is not None
    set_details(
        logbook, observation.id, stage="L5", condition=None, behaviour=None, note=None, who="Maren", at=LATER
    )
    assert gather_labels(logbook).changed == 1 and list_labels(logbook)[0].marks[0].stage == "L5"


def test_gathering_in_steps_ends_where_gathering_at_once_does(logbook: Logbook) -> None:
    """Whatever was said in between, of whichever of several bodies in one frame, no label is forgotten and none is stale."""
    rng = random.Random(7)
    clip = film(logbook, number=2, tree="OT04")
    places = [(500, 700), (520, 740), (540, 700), (900, 1500)]
    views = [see(40 + number, 5.0 + number // 4, places[number % 4]) for number in range(8)]
    search(logbook, clip, [make_candidate(views=[view]) for view in views])
    for step in range(40):
        number = rng.randint(1, 12)
        act = rng.choice(("confirm", "dismiss", "unsure", "outline", "stage", "undo"))
        with suppress(AnnotateError):
            if act == "outline":
                row, column = find_candidate(logbook, number).views[0].box[:2]
                drawn = [(row, column), (row, column + 9 + step % 5), (row + 6, column + 4)]
                correct_outline(logbook, number, rank=0, outline=drawn, reviewer="Maren", at=LATER)
            elif act == "stage":
                judge(logbook, number, "confirm", Details(stage=f"L{1 + step % 5}"))
            elif act == "undo":
                take_back(logbook, reviewer="Maren", at=LATER)
            else:
                judge(logbook, number, act)
        if rng.random() < 0.5:
            gather_labels(logbook)
    done = gather_labels(logbook)
    in_steps = list_labels(logbook, with_repeated=True)
    assert len(in_steps) > 4 and done.new + done.changed + done.same == len(in_steps)
    with logbook.writing() as session:
        session.connection().exec_driver_sql("DELETE FROM label_gathering")
    assert gather_labels(logbook) == LabelChanges(0, 0, 0, len(in_steps))
    assert list_labels(logbook, with_repeated=True) == in_steps
