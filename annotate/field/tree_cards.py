"""Tree cards as a PDF true to size: a page for each tree with its marker, its code in large print, its site, and a print check.

Lengths are in mm from the top left of the page. The marker is the same size on A4 and Letter; black on white, nothing else. The
number of a tree's marker is given in `annotate.logbook.places` and stays; what markers look like, and how they are found in
footage, stands in `detect.cards`.
"""

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from annotate.errors import AnnotateError
from annotate.field.pdf_pages import POINTS_PER_MM, Fonts, find_paper, list_lacking, load_fonts, to_points
from annotate.json_files import write_bytes
from annotate.logbook.records import Tree

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

MODULE_MM = 17.5
SIDE_MM = 140.0
"""Of the black square, 8 modules. With the margin of two modules that A4 leaves beside it, a dim card before a bright sky was
read as well as a light one (tests.bench.cards reading); with one module, 5 in 7 were missed."""

MARKER_TOP_MM = 66.0
EDGE_MM = 12.0
"""Most printers leave so much white (common practice, no source)."""

HEAD_MM = 12.0
CODE_FOOT_MM = 38.0
SITE_FOOT_MM = 47.0
ASK_FOOT_MM = 224.0
RULER_FOOT_MM = 241.0
CHECK_FOOT_MM = 256.0
LINE_MM = 5.4

CODE_POINTS, SITE_POINTS, TEXT_POINTS, SMALL_POINTS = 84.0, 17.0, 11.5, 8.5
LEAST_POINTS = 8.0

RULER_MM = 150
RULER_STEP_MM = 10
NUMBERED_STEP_MM = 50
TICK_MM, LONG_TICK_MM = 2.5, 4.0
LINE_WIDTH_MM = 0.25

MOST_OFF_MM = 0.7
"""Half a per cent of the ruler: a length in mm reckoned by the card is then off by as much."""

ASK = (
    "Hold this card up to the camera for 3 seconds before you film its tree, flat and facing the lens.",
    "What is filmed from here to the next card is taken to be this tree.",
)
CHECK = (
    f"Check the print with a ruler: from 0 to {RULER_MM} must be {RULER_MM} mm, and the black square {SIDE_MM:g} mm wide,"
    f" at most {MOST_OFF_MM:g} mm off.",
    "If not, print again at 100 % (“actual size”), without “fit to page”: lengths are measured by this square.",
    "A phone’s main lens (26 mm) reads it from up to 3 m away in 1080p and 6 m in 4K.",
)
"""The last line is where a module has 8 px: 17.5 mm / 8 is what a pixel covers at 3.0 m (1920 px wide) and 6.1 m (3840)."""


def write_cards(
    path: Path,
    trees: Sequence[Tree],
    *,
    paper: str = "A4",
    site_names: dict[str, str],
    font: Path | None = None,
) -> None:
    """Write a page for each tree, all of which have a marker.

    Parameters
    ----------
    paper : one of `annotate.field.pdf_pages.PAPERS_MM`
    site_names : by code; a site without a name is called by its code
    font : a TrueType file with the letters of codes and sites, where they are beyond those of Western Europe

    Raises
    ------
    annotate.errors.AnnotateError
        Where the paper or the font is not known, a code has letters that the font lacks, or the file cannot be written.
    """
    write_bytes(
        path,
        draw_cards(trees, paper=paper, site_names=site_names, font=font),
        what="the cards",
        advice="choose another file, or close the program that shows it",
    )


def draw_cards(
    trees: Sequence[Tree], *, paper: str = "A4", site_names: dict[str, str], font: Path | None = None
) -> bytes:
    """Return the PDF; the arguments and errors are those of `write_cards`. The same trees give the same bytes."""
    from reportlab.pdfgen.canvas import Canvas

    size_mm = find_paper(paper, what="a card")
    fonts = load_fonts(font)
    stream = BytesIO()
    width, height = (side * POINTS_PER_MM for side in size_mm)
    canvas = Canvas(stream, pagesize=(width, height), invariant=1, pageCompression=1)
    canvas.setTitle("Tree cards")
    canvas.setAuthor("Leafshade")
    for tree in trees:
        # Millimetres downward from the top left, as everything here is measured.
        page = _Page(canvas, size_mm, fonts)
        _draw_card(page, tree, site=site_names.get(tree.site) or tree.site)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


class _Page:
    """One page, drawn on in mm from its top left."""

    def __init__(self, canvas: "Canvas", size_mm: tuple[float, float], fonts: Fonts) -> None:
        self._canvas = canvas
        self.width_mm, self.height_mm = size_mm
        self.fonts = fonts

    def fill(self, left: float, top: float, wide: float, high: float) -> None:
        """Fill a rectangle with black."""
        foot = self.height_mm - top - high
        self._canvas.setFillGray(0)
        self._canvas.rect(*to_points(left, foot, wide, high), stroke=0, fill=1)

    def write(self, text: str, *, foot: float, font: str, points: float, at: str = "middle") -> None:
        """Write a line in the middle or at an edge of the page, smaller where it is too long."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        room = (self.width_mm - 2 * EDGE_MM) * POINTS_PER_MM
        points = max(LEAST_POINTS, min(points, points * room / max(1.0, stringWidth(text, font, points))))
        self._canvas.setFont(font, points)
        self._canvas.setFillGray(0)
        y = (self.height_mm - foot) * POINTS_PER_MM
        draw, x_mm = {
            "middle": (self._canvas.drawCentredString, self.width_mm / 2),
            "left": (self._canvas.drawString, EDGE_MM),
            "right": (self._canvas.drawRightString, self.width_mm - EDGE_MM),
        }[at]
        draw(x_mm * POINTS_PER_MM, y, text)

    def write_at(self, text: str, x: float, foot: float) -> None:
        """Write small figures, centred at a place."""
        self._canvas.setFont(self.fonts.plain, SMALL_POINTS)
        self._canvas.drawCentredString(*to_points(x, self.height_mm - foot), text)


def _draw_card(page: _Page, tree: Tree, *, site: str) -> None:
    from detect.cards import MODULES, draw_marker

    if tree.marker is None:
        raise AnnotateError(
            f"tree {tree.code!r}: expected a marker for its card; found none; give it one with: leafshade cards"
        )
    page.write("Leafshade tree card", foot=HEAD_MM, font=page.fonts.plain, points=SMALL_POINTS, at="left")
    page.write(f"marker {tree.marker}", foot=HEAD_MM, font=page.fonts.plain, points=SMALL_POINTS, at="right")
    page.write(tree.code, foot=CODE_FOOT_MM, font=page.fonts.bold, points=CODE_POINTS)
    page.write(site, foot=SITE_FOOT_MM, font=page.fonts.plain, points=SITE_POINTS)
    left = (page.width_mm - SIDE_MM) / 2
    for row, modules in enumerate(draw_marker(tree.marker)):
        # One rectangle for each run, so that no printer shows a seam between modules.
        for first, end in _list_runs(modules, MODULES):
            page.fill(
                left + first * MODULE_MM,
                MARKER_TOP_MM + row * MODULE_MM,
                (end - first) * MODULE_MM,
                MODULE_MM,
            )
    for line, text in enumerate(ASK):
        font = page.fonts.plain if line else page.fonts.bold
        page.write(text, foot=ASK_FOOT_MM + line * LINE_MM, font=font, points=TEXT_POINTS)
    _draw_ruler(page)
    for line, text in enumerate(CHECK):
        page.write(text, foot=CHECK_FOOT_MM + line * LINE_MM, font=page.fonts.plain, points=SMALL_POINTS)


def _draw_ruler(page: _Page) -> None:
    """Draw the ruler; it is measured from the outer edge of the first tick to that of the last."""
    left = (page.width_mm - RULER_MM) / 2
    page.fill(left, RULER_FOOT_MM - LINE_WIDTH_MM, RULER_MM, LINE_WIDTH_MM)
    for at in range(0, RULER_MM + 1, RULER_STEP_MM):
        high = LONG_TICK_MM if at % NUMBERED_STEP_MM == 0 else TICK_MM
        shift = 0.0 if at == 0 else LINE_WIDTH_MM if at == RULER_MM else LINE_WIDTH_MM / 2
        page.fill(left + at - shift, RULER_FOOT_MM - high, LINE_WIDTH_MM, high)
        if at % NUMBERED_STEP_MM == 0:
            page.write_at(f"{at} mm", left + at, RULER_FOOT_MM + LINE_MM - 1)


def _list_runs(modules: Any, count: int) -> list[tuple[int, int]]:
    """Return (first, end) of the black runs of a row."""
    runs: list[tuple[int, int]] = []
    for place in range(count):
        if not modules[place]:
            continue
        if runs and runs[-1][1] == place:
            runs[-1] = (runs[-1][0], place + 1)
        else:
            runs.append((place, place + 1))
    return runs


def check_letters(texts: Sequence[str], font: Path | None = None) -> None:
    """Raise where a font lacks a letter of these texts: it would be printed as an empty box."""
    name = load_fonts(font).plain
    for text in texts:
        lacking = list_lacking(name, [text])
        if lacking:
            raise AnnotateError(
                f"cards: expected letters that the font has; found {lacking[0]!r} in {text!r}; "
                "name a TrueType font that has it with: --font FILE.ttf"
            )
