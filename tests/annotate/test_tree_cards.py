"""Printed cards are true to size, read by the camera's eye, in grey, on either paper; and nothing wrong is ever written."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray

from annotate.errors import AnnotateError
from annotate.field.pdf_pages import PAPERS_MM
from annotate.field.tree_cards import RULER_MM, SIDE_MM, check_letters, draw_cards, write_cards
from annotate.field.trees import sort_by_walk
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, add_site, assign_markers, list_trees, write_trees
from detect.cards import find_markers, measure_scale
from tests.annotate.typed import run_typed

DOTS_PER_INCH = 150
MM_PER_DOT = 25.4 / DOTS_PER_INCH
CODES = ("OT01", "Ö2", "a very long code of a tree", "7")


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(create_logbook(tmp_path / "book", zone="Europe/London")) as opened:
        add_site(opened, "OTTERHOLT", name="Otterholt Wood")
        write_trees(opened, [TreeEntry("OTTERHOLT", code, {}) for code in CODES])
        assign_markers(opened, [tree.id for tree in list_trees(opened)], markers=250)
        yield opened


def render(data: bytes) -> list[NDArray[np.uint8]]:
    """The pages as grey pictures."""
    document = pypdfium2.PdfDocument(data)
    try:
        return [np.asarray(page.render(scale=DOTS_PER_INCH / 72).to_pil().convert("L")) for page in document]
    finally:
        document.close()


@pytest.mark.parametrize("paper", list(PAPERS_MM))
def test_markers_read_from_the_rendered_pages_are_true_to_size(logbook: Logbook, paper: str) -> None:
    """One page a tree with its own marker; the black square is 140 mm within half a per cent, in both directions, untilted."""
    trees = list_trees(logbook)
    pages = render(draw_cards(trees, paper=paper, site_names={}))
    assert len(pages) == len(trees)
    width_mm, height_mm = PAPERS_MM[paper]
    for tree, page in zip(trees, pages, strict=True):
        assert page.shape[0] * MM_PER_DOT == pytest.approx(height_mm, abs=1.5 * MM_PER_DOT)
        assert page.shape[1] * MM_PER_DOT == pytest.approx(width_mm, abs=1.5 * MM_PER_DOT)
        ((number, corners),) = find_markers(page)
        assert number == tree.marker
        sides_mm = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1) * MM_PER_DOT
        black_mm = measure_extent_mm(page, corners)
        assert black_mm == pytest.approx((SIDE_MM, SIDE_MM), rel=0.005)
        assert sides_mm == pytest.approx([SIDE_MM] * 4, rel=0.01)
        assert measure_scale(corners, SIDE_MM).tilt_deg < 6


def measure_extent_mm(page: NDArray[np.uint8], corners: NDArray[np.float32]) -> tuple[float, float]:
    """Height and width of the black square, from the dark dots of its middle rows and columns."""
    (top, left), (bottom, right) = corners.min(axis=0).astype(int) - 9, corners.max(axis=0).astype(int) + 9
    inked = 1 - page[top:bottom, left:right] / 255
    band = round(SIDE_MM / 16 / MM_PER_DOT)
    column, row = inked[:, 9 + band // 2 : 9 + band], inked[9 + band // 2 : 9 + band]
    return float(column.mean(axis=1).sum()) * MM_PER_DOT, float(row.mean(axis=0).sum()) * MM_PER_DOT


@pytest.mark.parametrize("paper", list(PAPERS_MM))
def test_the_ruler_is_true_to_size(logbook: Logbook, paper: str) -> None:
    """The longest thin line is 150 mm within half a per cent, and ticks stand every 10 mm on it."""
    page = render(draw_cards(list_trees(logbook)[:1], paper=paper, site_names={}))[0]
    dark = page < 128
    below = dark[round(210 / MM_PER_DOT) :]
    row = int(below.sum(axis=1).argmax())
    (columns,) = np.nonzero(below[row])
    assert (columns[-1] - columns[0] + 1) * MM_PER_DOT == pytest.approx(RULER_MM, rel=0.005)
    above = below[row - round(1.5 / MM_PER_DOT), columns[0] - 2 : columns[-1] + 3]
    (starts,) = np.nonzero(np.diff(above.astype(int)) == 1)
    ticks_mm = np.diff(starts) * MM_PER_DOT
    assert len(starts) == RULER_MM // 10 + 1 and np.abs(ticks_mm - 10).max() < 2 * MM_PER_DOT


def test_cards_are_black_on_white_and_keep_clear_of_the_edges(logbook: Logbook) -> None:
    """No colour, nothing where printers cannot print, and two modules of white beside the square."""
    data = draw_cards(list_trees(logbook), site_names={"OTTERHOLT": "Otterholt Wood"})
    document = pypdfium2.PdfDocument(data)
    colours = [np.asarray(page.render(scale=2).to_pil().convert("RGB")) for page in document]
    document.close()
    assert all((page.max(axis=2) == page.min(axis=2)).all() for page in colours)
    for page in render(data):
        inked_rows, inked_columns = np.nonzero(page < 200)
        edge = round(7 / MM_PER_DOT)
        assert inked_rows.min() >= edge and inked_rows.max() < page.shape[0] - edge
        assert inked_columns.min() >= edge and inked_columns.max() < page.shape[1] - edge
        rows = slice(round(66 / MM_PER_DOT), round(206 / MM_PER_DOT))
        assert page[rows, : round(34 / MM_PER_DOT)].min() == 255


def test_the_words_stand_on_the_card(logbook: Logbook) -> None:
    """Code, site, what to do and how to check the print can be read out of the file."""
    data = draw_cards(list_trees(logbook), site_names={"OTTERHOLT": "Otterholt Wood"})
    document = pypdfium2.PdfDocument(data)
    texts = [page.get_textpage().get_text_bounded() for page in document]
    document.close()
    for tree, text in zip(list_trees(logbook), texts, strict=True):
        assert tree.code in text and "Otterholt Wood" in text and f"marker {tree.marker}" in text
        for words in ("for 3 seconds before", "to the next card", "must be 150 mm", "140 mm wide", "100 %"):
            assert words in text


def test_the_same_trees_give_the_same_bytes(logbook: Logbook) -> None:
    """Nothing of the day or the machine stands in the file."""
    trees = list_trees(logbook)
    assert draw_cards(trees, site_names={}) == draw_cards(trees, site_names={})


def test_what_cannot_be_written_is_told_and_leaves_the_older_file(logbook: Logbook, tmp_path: Path) -> None:
    """A folder that is not there, a paper that is none, a font that is none, a letter that is nowhere."""
    trees = list_trees(logbook)
    file = tmp_path / "cards.pdf"
    write_cards(file, trees, site_names={})
    before = file.read_bytes()
    with pytest.raises(AnnotateError, match="expected one of A4, Letter; found 'A3'"):
        write_cards(file, trees, paper="A3", site_names={})
    with pytest.raises(AnnotateError, match="expected a place to write the cards"):
        write_cards(tmp_path / "nowhere" / "cards.pdf", trees, site_names={})
    (tmp_path / "font.ttf").write_bytes(b"no font")
    with pytest.raises(AnnotateError, match="expected a TrueType font"):
        write_cards(file, trees, site_names={}, font=tmp_path / "font.ttf")
    with pytest.raises(AnnotateError, match="found 'Ж' in 'Ж1'; name a TrueType font"):
        check_letters(["OT01", "Ж1"])
    assert file.read_bytes() == before and list(tmp_path.glob("*.part")) == []


def run(logbook: Logbook, *arguments: str) -> tuple[int, str, str]:
    """Run leafshade on a logbook."""
    return run_typed(*arguments, "--logbook", str(logbook.folder))


def test_the_command_gives_markers_once_and_prints_in_walking_order(tmp_path: Path) -> None:
    """Lowest numbers first along the walk; a tree added later gets the next one; the others keep theirs."""
    with open_logbook(create_logbook(tmp_path / "book", zone="UTC")) as logbook:
        write_trees(
            logbook, [TreeEntry("A", code, {"walk_order": place}) for code, place in (("x", 2), ("y", 1))]
        )
        code, out, err = run(logbook, "cards", str(tmp_path / "cards.pdf"))
        assert (code, err) == (0, "") and "Wrote 2 cards" in out and "2 trees got a number" in out
        assert {tree.code: tree.marker for tree in list_trees(logbook)} == {"y": 0, "x": 1}
        first = (tmp_path / "cards.pdf").read_bytes()
        assert [tree.code for tree in sort_by_walk(list_trees(logbook))] == ["y", "x"]
        numbers = [find_markers(page)[0][0] for page in render(first)]
        assert numbers == [0, 1]
        write_trees(logbook, [TreeEntry("A", "a", {"walk_order": 1})])
        code, out, _ = run(logbook, "cards", str(tmp_path / "one.pdf"), "--tree", "a", "--paper", "letter")
        assert code == 0 and "Wrote 1 card" in out and "1 tree got a number" in out
        assert {tree.code: tree.marker for tree in list_trees(logbook)} == {"y": 0, "x": 1, "a": 2}
        for arguments, expected in (
            (("cards", str(tmp_path)), "found a folder"),
            (("cards", str(tmp_path / "x.pdf"), "--site", "B"), "expected trees of site 'B'; found none"),
        ):
            code, out, err = run(logbook, *arguments)
            assert code == 2 and expected in err and err.count("\n") == 1
