"""A field sheet tells of every tree once, in walking order, with what is known, cautions and room to write; it reads in grey."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path

import numpy as np
import pypdfium2
import pypdfium2.raw
import pytest

from annotate.errors import AnnotateError
from annotate.field.field_sheet import FieldSheet, choose_site, gather_sheet, tell_expected, tell_season
from annotate.field.field_sheet_pages import (
    CAUTIONS,
    SENSITIVE,
    draw_field_sheet,
    list_lacking_letters,
    write_field_sheet,
)
from annotate.field.pdf_pages import PAPERS_MM, load_fonts, load_wide_fonts, write_known
from annotate.lengths.taxon_profiles import list_profiles
from annotate.logbook.by_eye import SeenEntry, add_seen
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.pictures import picture_path
from annotate.logbook.places import TreeEntry, add_site, find_tree, write_trees
from annotate.logbook.records import Details
from annotate.logbook.verdicts import give_verdict
from tests.annotate import asking
from tests.annotate.conftest import Served
from tests.annotate.made_pages import RECORDED_AT, fill_logbook
from tests.annotate.typed import run_typed

DAY = date(2026, 5, 20)
DOTS_PER_POINT = 3
TAIL = "Branch, marker, note"
"""Stands once in the form of each tree, which ends its part of the sheet."""


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory, film: Path) -> Iterator[Logbook]:
    """Otterholt Wood with a walk, finds from footage and by eye, and searches in vain."""
    folder = fill_logbook(tmp_path_factory.mktemp("sheet") / "Otterholt", film, has_clip=False)
    with open_logbook(folder) as logbook:
        fill_records(logbook)
        yield logbook


def fill_records(logbook: Logbook) -> None:
    trees: dict[str, dict[str, str | float | int | None]] = {
        "OT01": {"walk_order": 3, "height_m": 12.0, "cautions": "Dead limb over the ride.", "marker": 4},
        "OT02": {"walk_order": 2, "notes": "Reached from the bank."},
        "OT03": {"walk_order": 1, "height_m": 9.5},
        "OT04": {"host_taxon": "Salix caprea", "expected_taxon": "Apatura iris"},
    }
    write_trees(logbook, [TreeEntry("OTTERHOLT", code, values) for code, values in trees.items()])
    said = Details("L4", "alive", "resting", "On the third leaf.")
    give_verdict(logbook, 2, answer="confirm", reviewer="Maren", at=RECORDED_AT, details=said)
    three, two = find_tree(logbook, "OT03").id, find_tree(logbook, "OT02").id
    last = SeenEntry(
        three,
        RECORDED_AT + timedelta(days=2),
        "Maren",
        stage="L5",
        condition="sluggish",
        height_m=2.5,
        aspect="NE",
        branch="low twig",
        marker="red thread 7",
        length_mm=31,
    )
    before = SeenEntry(three, RECORDED_AT - timedelta(days=9), "Maren", stage="L4", marker="Red thread 7")
    vain = SeenEntry(two, RECORDED_AT, "Maren", count=0, searched_min=12)
    add_seen(
        logbook, [last, before, vain, replace(vain, at=RECORDED_AT - timedelta(days=5), searched_min=None)]
    )


@contextmanager
def make_book(folder: Path, *entries: TreeEntry) -> Iterator[Logbook]:
    """A small logbook of its own."""
    with open_logbook(create_logbook(folder, zone="Europe/London")) as logbook:
        add_site(logbook, "OTTERHOLT", name="Otterholt Wood")
        write_trees(logbook, list(entries))
        yield logbook


def gather(logbook: Logbook, *codes: str, day: date = DAY) -> FieldSheet:
    return gather_sheet(logbook, choose_site(logbook), day=day, codes=codes)


@contextmanager
def open_pages(data: bytes) -> Iterator[list[pypdfium2.PdfPage]]:
    document = pypdfium2.PdfDocument(data)
    try:
        yield list(document)
    finally:
        document.close()


def read_pages(data: bytes) -> list[str]:
    """The text of each page, lines joined."""
    with open_pages(data) as pages:
        return [" ".join(page.get_textpage().get_text_bounded().split()) for page in pages]


def write_many(folder: Path, count: int, **values: str) -> bytes:
    entries = [
        TreeEntry("OTTERHOLT", f"OT{at:02}", {"walk_order": count - at, **values}) for at in range(count)
    ]
    with make_book(folder, *entries) as logbook:
        return draw_field_sheet(gather(logbook))


@pytest.mark.parametrize("paper", list(PAPERS_MM))
def test_every_tree_stands_once_in_walking_order(book: Logbook, paper: str) -> None:
    """Numbered headings follow the walk, trees without a place in it come last; the paper is the one asked for."""
    data = draw_field_sheet(gather(book), paper=paper)
    text = " ".join(read_pages(data))
    headings = [f"{number}. OT{code:02}" for number, code in ((1, 3), (2, 2), (3, 1), (4, 4))]
    assert [text.count(f"{heading} ") for heading in headings] == [1, 1, 1, 1]
    places = [text.index(heading) for heading in headings]
    assert places == sorted(places) and text.count(TAIL) == 4 and "in walking order" in text
    with open_pages(data) as pages:
        size_mm = [side * 25.4 / 72 for side in pages[0].get_size()]
    assert size_mm == pytest.approx(PAPERS_MM[paper], abs=0.1)


def test_each_page_has_its_number_the_site_and_the_day(book: Logbook) -> None:
    """And the word on places that are not to be seen by everybody."""
    pages = read_pages(draw_field_sheet(gather(book)))
    assert len(pages) >= 2
    for number, text in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in text and SENSITIVE in text
        assert "20 May 2026 · Otterholt Wood (OTTERHOLT)" in text


def test_the_cautions_stand_in_full_before_the_trees(book: Logbook) -> None:
    """All that can hurt people or animals, and who decides; those of a tree with the tree."""
    text = " ".join(read_pages(draw_field_sheet(gather(book))))
    first = text.index("1. OT03")
    for lead, caution in CAUTIONS:
        assert 0 <= text.find(f"{lead} {caution}") < first
    said = " ".join(f"{lead} {caution}" for lead, caution in CAUTIONS).casefold()
    for word in (
        "dead",
        "wind",
        "sun",
        "lens",
        "ladder",
        "tick",
        "licence",
        "not cut",
        "handle",
        "licensed people decide",
    ):
        assert word in said
    assert text.index("CAUTION: Dead limb over the ride.") > text.index("3. OT01")


def test_known_finds_are_told_newest_first_with_place_and_picture(book: Logbook) -> None:
    """Date, source, stage, condition, place and marker of each; two records of one marker are one find; one has its picture."""
    (tree,) = gather(book, "OT03").trees
    assert [find.what for find in tree.finds] == [
        "Apatura: L5, sluggish, 31 mm long",
        "Apatura: L4, alive, resting",
    ]
    assert tree.finds[0].place == "2.5 m up, NE side, low twig; marker red thread 7"
    assert tree.finds[0].when == "19 May 2026, 13:42 BST, by eye, 2 records of it"
    assert tree.finds[1].when.endswith("from footage") and tree.finds[1].note == "On the third leaf."
    assert "4 of its candidates from footage not judged yet." in tree.looked
    data = draw_field_sheet(gather(book, "OT03"))
    text = " ".join(read_pages(data))
    for find in tree.finds:
        assert find.what in text and find.when in text and find.place in text
    with open_pages(data) as pages:
        images = [one for page in pages for one in page.get_objects([pypdfium2.raw.FPDF_PAGEOBJ_IMAGE])]
        wide, high = (images[0].get_bounds()[at + 2] - images[0].get_bounds()[at] for at in (0, 1))
        assert len(images) == 1 and max(wide, high) * 25.4 / 72 == pytest.approx(30, abs=0.1)


def test_the_corners_stand_around_the_animal(book: Logbook) -> None:
    """The box handed to the page holds the darkest part of the leaf in the picture, which is the larva drawn there."""
    from PIL import Image

    picture = gather(book, "OT03").trees[0].finds[1].picture
    assert picture is not None and picture.box is not None
    grey = np.asarray(Image.open(BytesIO(picture.data)).convert("L")).astype(float)
    top, left, bottom, right = picture.box
    around = grey[max(0, top - 4) : bottom + 4, max(0, left - 4) : right + 4]
    assert grey[top:bottom, left:right].min() == around.min() and bottom - top < right - left < 40


def test_a_picture_that_is_gone_leaves_the_sheet_whole(tmp_path: Path, film: Path) -> None:
    """The find is told with what is wrong with its picture."""
    folder = fill_logbook(tmp_path / "Otterholt", film, has_clip=False)
    with open_logbook(folder) as logbook:
        give_verdict(logbook, 2, answer="confirm", reviewer="Maren", at=RECORDED_AT)
        from annotate.logbook.observations import list_observations

        (one,) = list_observations(logbook)
        assert one.evidence
        picture_path(logbook, one.evidence).write_bytes(b"no picture")
        text = " ".join(read_pages(draw_field_sheet(gather(logbook))))
    assert "Picture: its picture is missing or damaged." in text and "seen again" in text


def test_what_was_searched_in_vain_is_told(book: Logbook) -> None:
    """When last and how long, each search that found none; and which trees nobody has looked at."""
    by_code = {one.tree.code: one for one in gather(book).trees}
    assert by_code["OT02"].looked == (
        "Last looked at on 17 May 2026 (12 min by eye).",
        "Searched and nothing found: 17 May 2026 (12 min by eye); 12 May 2026.",
    )
    assert by_code["OT01"].looked == ("Not looked at yet.",)
    text = " ".join(read_pages(draw_field_sheet(gather(book, "OT02"))))
    assert "12 May 2026." in text and "No finds known." in text


def test_only_the_newest_finds_are_shown_and_the_rest_is_counted(tmp_path: Path) -> None:
    """Of seven finds four, and that three more are in the logbook."""
    with make_book(tmp_path / "book", TreeEntry("OTTERHOLT", "OT01", {})) as logbook:
        tree = find_tree(logbook, "OT01").id
        add_seen(logbook, [SeenEntry(tree, RECORDED_AT + timedelta(hours=at), "Maren") for at in range(7)])
        text = " ".join(read_pages(draw_field_sheet(gather(logbook))))
    assert text.count("seen again") == 4 and "Older finds not shown: 3." in text


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        # Seasons of the profile that comes with the program (annotate/lengths/taxa/apatura-iris.toml; mostly from memory).
        (date(2026, 5, 20), "Apatura iris: L4, L5; perhaps none"),
        (date(2026, 1, 1), "Apatura iris: L3"),
        (date(2026, 4, 14), "Apatura iris: L3; perhaps L4, L5"),
        (date(2026, 7, 2), "Apatura iris: perhaps L1, L5"),
        (date(2028, 2, 29), "Apatura iris: L3"),
    ],
)
def test_what_to_look_for_follows_the_season(day: date, expected: str) -> None:
    """Stages in season on the day, and those near it as perhaps; a season may cross the new year."""
    profiles = [one for one in list_profiles() if one.taxon == "Apatura iris"]
    assert tell_expected(profiles, "Apatura iris", day=day) == expected.removesuffix("; perhaps none")


def test_an_animal_without_a_profile_has_no_season() -> None:
    """That is said, and how to write one."""
    assert (
        tell_expected([], "Fabulosa ficta", day=DAY)
        == "Fabulosa ficta: no profile, so the season says nothing"
    )
    assert "leafshade taxa --example" in tell_season([], "Fabulosa ficta", day=DAY)[0]


def test_lengths_and_plants_of_the_season_stand_on_the_sheet(book: Logbook) -> None:
    """For each animal looked for on the site, once."""
    text = " ".join(read_pages(draw_field_sheet(gather(book))))
    assert (
        "Apatura iris: L4 (14 to 26 mm), L5 (26 to 50 mm). Usual plants: Salix caprea, Salix cinerea." in text
    )
    assert "What to look for on 20 May 2026" in text and "no promise" in text


def test_the_room_to_write_is_there(book: Logbook) -> None:
    """Date, time, stage, condition, height, minutes, leaf stage, and boxes to tick, for each tree."""
    text = " ".join(read_pages(draw_field_sheet(gather(book, "OT02")))).partition("1. OT02")[2]
    for label in (
        "Date",
        "Time",
        "Stage",
        "Condition",
        "Height m",
        "Minutes by eye",
        "BBCH leaf stage",
        "none found",
    ):
        assert label in text


def test_the_plan_has_every_placed_tree_and_names_the_others(book: Logbook) -> None:
    """Numbers as on the sheet, in the walk's order; a tree without a position is named beside it."""
    sheet = gather(book)
    assert [(one.code, one.step) for one in sheet.plan.trees] == [("OT03", 1), ("OT02", 2), ("OT01", 3)]
    assert len(sheet.plan.walk) == 3 and sheet.plan.unplaced == ("OT04",)
    text = " ".join(read_pages(draw_field_sheet(sheet)))
    assert "not on the plan: OT04." in text and "20 m" in text and "The thin line is the way." in text


def test_without_a_walk_trees_stand_by_code_and_no_way_is_drawn(tmp_path: Path) -> None:
    """And without any position that is said in place of the plan."""
    places = {"OT02": 51.2001, "OT01": 51.2004}
    entries = [
        TreeEntry("OTTERHOLT", code, {"latitude_deg": at, "longitude_deg": -1.1})
        for code, at in places.items()
    ]
    with make_book(tmp_path / "book", *entries) as logbook:
        sheet = gather(logbook)
        assert [one.tree.code for one in sheet.trees] == ["OT01", "OT02"] and sheet.plan.walk == ()
        assert "no walking order is given" in read_pages(draw_field_sheet(sheet))[0]
    bare = write_many(tmp_path / "bare", 1)
    assert "none of these trees has a position" in " ".join(read_pages(bare))


def test_sixty_trees_are_never_parted_from_their_headings(tmp_path: Path) -> None:
    """Each stands once, in walking order, and the part of each ends on the page of its heading."""
    pages = read_pages(write_many(tmp_path / "book", 60, notes="Two stems, the north one leans. " * 4))
    assert 15 < len(pages) < 45
    found = []
    for text in pages:
        parts = text.split(TAIL)
        for part in parts[:-1]:
            headings = [
                at
                for at in range(1, 61)
                if f"{at}. OT{60 - at:02} Populus" in part or f"{at}. OT{60 - at:02} plant" in part
            ]
            assert len(headings) == 1
            found += headings
    assert found == list(range(1, 61)) and "continued" not in " ".join(pages)


def test_a_tree_longer_than_a_page_goes_on_under_its_heading(tmp_path: Path) -> None:
    """Every page of it has the heading; nothing of its long notes is lost; the ink stays within the edges."""
    words = [f"word{at:04}" for at in range(220)]
    with make_book(
        tmp_path / "book",
        TreeEntry("OTTERHOLT", "OT01", {"notes": " ".join(words), "cautions": " ".join(words)}),
    ) as logbook:
        tree = find_tree(logbook, "OT01").id
        note = " ".join(words)[:1990]
        entries = [SeenEntry(tree, RECORDED_AT + timedelta(hours=at), "Maren", note=note) for at in range(4)]
        add_seen(logbook, entries)
        data = draw_field_sheet(gather(logbook))
    pages = [text for text in read_pages(data) if "word0" in text or TAIL in text]
    assert len(pages) >= 2 and all("1. OT01" in text for text in pages)
    assert sum("1. OT01 (continued)" in text for text in pages) == len(pages) - 1
    assert all(" ".join(pages).count(word) == 6 for word in words)
    check_edges(data)


def check_edges(data: bytes) -> None:
    """Nothing is drawn beyond the edges, nor over the line at the foot."""
    with open_pages(data) as pages:
        for page in pages:
            inked = np.asarray(page.render(scale=1).to_pil().convert("L")) < 200
            rows, columns = np.nonzero(inked)
            edge = round(13 * 72 / 25.4)
            assert columns.min() >= edge and columns.max() < inked.shape[1] - edge
            assert rows.min() >= 18 and rows.max() < inked.shape[0] - 18
            # Between what is told and the line at the foot stands white.
            assert not inked[
                inked.shape[0] - round(15.5 * 72 / 25.4) : inked.shape[0] - round(13 * 72 / 25.4)
            ].any()


HOSTILE = (
    "<b>bold</b> & <para>",
    "Öre Łąka Ğ Ж λ",
    "樹 ok",
    "line\nbreak\x00\x07",
    "\u202eright\u202c to left",
    "a" * 40,
    "<",
    "🐛",
    "{{ x }}",
)


def test_hostile_letters_are_shown_or_numbered(tmp_path: Path) -> None:
    """Mark-up is only letters, those the font lacks stand as their numbers, what is no letter is left out; nothing runs over."""
    entries = [
        TreeEntry(
            "OTTERHOLT",
            f"{at}{code}",
            {"notes": "樹a" * 900, "cautions": "x" * 2000, "host_taxon": "&amp;<i>", "walk_order": at + 1},
        )
        for at, code in enumerate(HOSTILE)
    ]
    with make_book(tmp_path / "book", *entries) as logbook:
        sheet = gather(logbook)
        data = draw_field_sheet(sheet)
        assert {"樹", "🐛"} <= set(list_lacking_letters(sheet)) and "Ж" not in list_lacking_letters(sheet)
    text = " ".join(read_pages(data))
    for expected in (
        "1. 0<b>bold</b> & <para>",
        "2. 1Öre Łąka Ğ Ж λ",
        "3. 2[U+6A39] ok",
        "4. 3line break",
        "5. 4right to left",
        "8. 7[U+1F41B]",
        "&amp;<i>",
    ):
        assert expected in text
    check_edges(data)


def test_a_run_of_unknown_letters_is_counted() -> None:
    """A text in another script does not fill pages with numbers; the fonts that reportlab brings know fewer letters."""
    wide, plain = load_wide_fonts().plain, load_fonts().plain
    assert write_known("樹" * 20 + "b", font=wide) == "[U+6A39]" * 8 + "[and 12 more]b"
    assert write_known("Ж", font=wide) == "Ж" and write_known("Ж", font=plain) == "[U+0416]"
    assert write_known(" a\t\n b\x01", font=plain) == "a b"


def weigh_contrast(dark: float, light: float) -> float:
    """Contrast ratio of two greys by WCAG 2.2 (relative luminance of sRGB)."""

    def weigh(grey: float) -> float:
        share = grey / 255
        return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4

    return (weigh(light) + 0.05) / (weigh(dark) + 0.05)


def test_every_letter_stands_out_in_grey(book: Logbook) -> None:
    """On the rendered page, turned to grey, each letter reaches 7 to 1 against its ground, as WCAG asks at its highest level."""
    assert weigh_contrast(0, 255) == pytest.approx(21) and weigh_contrast(0x76, 255) == pytest.approx(
        4.54, abs=0.01
    )
    letters = 0
    with open_pages(draw_field_sheet(gather(book))) as pages:
        for page in pages:
            grey = np.asarray(page.render(scale=DOTS_PER_POINT).to_pil().convert("L"))
            text = page.get_textpage()
            for at in range(text.count_chars()):
                if not text.get_text_range(at, 1).strip():
                    continue
                left, foot, right, top = text.get_charbox(at)
                row, end_row = (round((page.get_height() - y) * DOTS_PER_POINT) for y in (top, foot))
                column, end = round(left * DOTS_PER_POINT), round(right * DOTS_PER_POINT)
                box = grey[row - 1 : end_row + 2, column - 1 : end + 2]
                assert weigh_contrast(float(box.min()), float(box.max())) >= 7
                letters += 1
    assert letters > 2000


def test_nothing_but_pictures_has_a_colour(book: Logbook) -> None:
    """No meaning can lie in one."""
    coloured = 0
    with open_pages(draw_field_sheet(gather(book))) as pages:
        for page in pages:
            rgb = np.asarray(page.render(scale=1).to_pil().convert("RGB"))
            is_coloured = rgb.max(axis=2) != rgb.min(axis=2)
            coloured += int(is_coloured.sum())
            for image in page.get_objects([pypdfium2.raw.FPDF_PAGEOBJ_IMAGE]):
                left, foot, right, top = image.get_bounds()
                height = page.get_height()
                is_coloured[
                    int(height - top) - 1 : int(height - foot) + 2, int(left) - 1 : int(right) + 2
                ] = False
            assert not is_coloured.any()
    assert coloured > 100


def test_the_same_sheet_gives_the_same_bytes(book: Logbook) -> None:
    """The day is given; nothing of the clock or the machine stands in the file."""
    assert draw_field_sheet(gather(book)) == draw_field_sheet(gather(book))


def test_a_bad_target_leaves_the_older_file(book: Logbook, tmp_path: Path) -> None:
    """A folder, a folder that is not there, a file in place of a folder, a paper and a font that are none."""
    sheet = gather(book)
    file = tmp_path / "sheet.pdf"
    write_field_sheet(file, sheet)
    before = file.read_bytes()
    assert before.startswith(b"%PDF") and before == draw_field_sheet(sheet)
    (tmp_path / "font.ttf").write_bytes(b"no font")
    for target, paper, font, expected in (
        (tmp_path, "A4", None, "found a folder; name a file in it"),
        (
            tmp_path / "nowhere" / "sheet.pdf",
            "A4",
            None,
            "expected a place to write the field sheet, found: No such file",
        ),
        (file / "sheet.pdf", "A4", None, "expected a place to write the field sheet, found: Not a directory"),
        (file, "A3", None, "expected one of A4, Letter; found 'A3'"),
        (file, "A4", tmp_path / "font.ttf", "expected a TrueType font"),
    ):
        with pytest.raises(AnnotateError, match=expected):
            write_field_sheet(target, sheet, paper=paper, font=font)
    assert file.read_bytes() == before and list(tmp_path.rglob("*.part")) == []


FULL = """
import resource, sys
from datetime import date
from pathlib import Path
from annotate.errors import AnnotateError
from annotate.field.field_sheet import choose_site, gather_sheet
from annotate.field.field_sheet_pages import write_field_sheet
from annotate.logbook.opening import open_logbook
with open_logbook(Path(sys.argv[1])) as logbook:
    sheet = gather_sheet(logbook, choose_site(logbook), day=date(2026, 5, 20))
resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
try:
    write_field_sheet(Path(sys.argv[2]), sheet)
except AnnotateError as error:
    print(error)
"""


def test_a_disk_that_is_full_leaves_the_older_file(book: Logbook, tmp_path: Path) -> None:
    """Where no more than 4 KiB can be written, the error says so and what was there stays as it was."""
    file = tmp_path / "sheet.pdf"
    file.write_bytes(b"the older sheet")
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(book.folder), str(file)], capture_output=True, text=True
    )
    assert "expected a place to write the field sheet, found: File too large" in done.stdout
    assert file.read_bytes() == b"the older sheet" and [one.name for one in tmp_path.iterdir()] == [
        "sheet.pdf"
    ]


def run(logbook: Logbook, *arguments: str) -> tuple[int, str, str]:
    """Run leafshade sheet on a logbook."""
    return run_typed("sheet", *arguments, "--logbook", str(logbook.folder))


def test_the_command_writes_the_trees_named(book: Logbook, tmp_path: Path) -> None:
    """Trees after --trees, for a day, on Letter; the file is that which the same sheet gives."""
    file = tmp_path / "sheet.pdf"
    day, out = ("--visit-date", "2026-05-20"), ("--out", str(file))
    code, said, err = run(
        book, "--site", "otterholt", *day, *out, "--paper", "letter", "--trees", "OT03", "OT02"
    )
    assert (code, err) == (0, "") and "Otterholt Wood (OTTERHOLT) for 20 May 2026, 2 trees" in said
    assert "do not leave it lying about" in said
    assert file.read_bytes() == draw_field_sheet(gather(book, "OT02", "OT03"), paper="Letter")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("--visit-date", "20 May"), "date: expected one such as 2026-05-17; found '20 May'"),
        (("--trees", "OT99"), "expected the code of a tree in the logbook; found none among 4 trees"),
    ],
)
def test_the_command_says_what_is_wrong_in_a_line(
    book: Logbook, tmp_path: Path, arguments: tuple[str, ...], expected: str
) -> None:
    """With exit code 2, and no file is made."""
    code, _, err = run(book, *arguments, "--out", str(tmp_path / "sheet.pdf"))
    assert code == 2 and expected in err and err.count("\n") == 1 and list(tmp_path.iterdir()) == []


def test_a_file_of_another_kind_is_not_written_over(book: Logbook, tmp_path: Path) -> None:
    """A clip named where a PDF is to be written stays as it was, whether for a sheet or for cards."""
    clip = tmp_path / "OT03.mp4"
    clip.write_bytes(b"footage")
    for command in (("sheet", "--out", str(clip)), ("cards", str(clip)), ("cards", str(tmp_path / "OT03"))):
        code, said, err = run_typed(*command, "--logbook", str(book.folder))
        assert (code, said) == (2, "") and "let it end in .pdf, such as" in err
    assert clip.read_bytes() == b"footage" and list(tmp_path.iterdir()) == [clip]


def test_a_site_must_be_clear_and_have_trees(tmp_path: Path) -> None:
    """No site, a site without trees, two sites, a tree of the other site: each is said."""
    with open_logbook(create_logbook(tmp_path / "book", zone="Europe/London")) as logbook:
        with pytest.raises(AnnotateError, match="expected a site with trees; found none"):
            choose_site(logbook)
        add_site(logbook, "OTTERHOLT")
        with pytest.raises(AnnotateError, match="expected trees of site 'OTTERHOLT'; found none"):
            gather(logbook)
        write_trees(logbook, [TreeEntry("OTTERHOLT", "OT01", {}), TreeEntry("LOW", "OT02", {})])
        with pytest.raises(AnnotateError, match="expected one site; found 2"):
            choose_site(logbook)
        with pytest.raises(AnnotateError, match="expected trees of site 'LOW'; found 'OT01' of 'OTTERHOLT'"):
            gather_sheet(logbook, choose_site(logbook, "low"), day=DAY, codes=["OTTERHOLT/OT01"])


def test_the_page_of_trees_hands_out_the_sheet(shown: Served) -> None:
    """The link leads to a PDF of the site for today; a wrong site or paper is answered in a sentence."""
    page = asking.get(f"{shown.address}/trees").text
    assert 'href="/field-sheet.pdf?site=OTTERHOLT"' in page
    answer = asking.get(f"{shown.address}/field-sheet.pdf?site=OTTERHOLT&date=2026-05-20")
    assert answer.status_code == 200 and answer.headers["content-type"] == "application/pdf"
    assert answer.content == draw_field_sheet(gather(shown.logbook))
    assert asking.get(f"{shown.address}/field-sheet.pdf").content.startswith(b"%PDF")
    wrong = asking.get(f"{shown.address}/field-sheet.pdf?site=NOWHERE")
    assert wrong.status_code == 404 and "expected the code of a site" in wrong.text
    assert asking.get(f"{shown.address}/field-sheet.pdf?paper=A3").status_code == 404
