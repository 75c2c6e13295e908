"""A field sheet as a PDF for A4 or Letter: head and cautions, the plan, then tree by tree what is known and room to write.

Lengths are in mm from the top left of the page; `_Pages` keeps how far down a page is filled. Everything is black and grey on
white, and no meaning lies in a colour; only evidence pictures keep theirs. A tree starts on a new page rather than being broken;
one longer than a page goes on under its heading. What is said stands in `annotate.field.field_sheet`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from annotate.field.field_sheet import FieldSheet, Find, Picture, SheetTree
from annotate.field.pdf_pages import (
    POINTS_PER_MM,
    Fonts,
    check_pdf_name,
    find_paper,
    list_lacking,
    load_wide_fonts,
    to_points,
    write_known,
)
from annotate.field.site_plan import DOT_RADIUS, PLAN_HEIGHT, PLAN_WIDTH, SitePlan, say_scale
from annotate.json_files import write_bytes
from annotate.words import CONDITIONS, STAGES
from annotate.zones import write_date

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

EDGE_MM = 14.0
"""White around the page: most printers leave less (common practice, no source), and a clip board holds by it."""

HEAD_FOOT_MM, FIRST_MM, LAST_MM = 10.0, 16.0, 16.0
"""Foot of the running line; where the page begins to be filled; white below, where the line on places stands."""

TITLE_POINTS, HEADING_POINTS, TEXT_POINTS, SMALL_POINTS = 17.0, 12.5, 9.5, 8.0
LEADING = 1.28
GAP_MM, TREE_GAP_MM = 1.6, 6.0
PICTURE_MM, PICTURE_PX = 30.0, 420
"""Side of a picture on paper, and on file: 360 dots an inch, more than a printer shows."""

PLAN_MM = 138.0
MOST_NAMED = 30
"""Trees on a plan that have their codes beside their numbers; of more, only the numbers can be read."""

ROW_MM, WRITE_MM = 8.0, 8.5
"""Rows to write in; a hand needs 8 mm (common practice, no source)."""

EMPTY_ROWS = 3
REST = 999.0
"""A line to write on that ends at the edge."""

LONGEST_BESIDE = 240
"""Letters of a note that stands beside its picture; a longer one stands below."""

BOX_MM = 3.4
MARK_REACH = 0.35
"""How far the corners that mark an animal stand off its box, as a share of its longer side."""

CAUTIONS = (
    (
        "Wind and dead wood.",
        "Do not go under trees in strong wind, nor under hung-up or dead branches; look up before you stop. Leave when the wind "
        "rises. A thunderstorm ends the visit.",
    ),
    (
        "Sun and lens.",
        "Never point a lens, binoculars or eyes at the sun or close to it, also not through thin leaves. Put the sun behind the "
        "trunk.",
    ),
    (
        "Ladders and climbing.",
        "Stay on the ground: a longer lens reaches higher than a ladder. Nobody climbs or uses a ladder alone or "
        "without training.",
    ),
    (
        "Ticks and hairs.",
        "Long sleeves and trousers; check for ticks the same evening. Touch no hairy caterpillars or their webs.",
    ),
    (
        "Alone outdoors.",
        "Tell somebody where you are and when you are back; take water and a charged telephone, and mind roads, fences "
        "and cattle.",
    ),
    (
        "Protected animals.",
        "Many are protected by law, with their eggs, larvae and pupae. Handling, taking, moving, marking or disturbing them can "
        "need a licence, and so can entering the place. Ask before you go.",
    ),
    (
        "Do not cut or handle.",
        "Do not cut, bend, tie or shake branches; do not handle larvae. Tie no marker where you have no permission.",
    ),
    (
        "Who decides.",
        "Local rules, the owner of the land and licensed people decide; where they say otherwise than this sheet, they "
        "are right.",
    ),
)
"""What about, and what to do; common practice, no source."""

SENSITIVE = "This sheet shows where animals live that may be protected: do not leave it lying about, post it or photograph it."
CALENDAR = (
    "By the calendars of the profiles, which are no promise: springs differ by up to three weeks, so look for what is earlier "
    "and later too. Look for the dark outline of a body on a leaf against the light, and for leaves that are eaten."
)


def write_field_sheet(path: Path, sheet: FieldSheet, *, paper: str = "A4", font: Path | None = None) -> None:
    """Write a field sheet to a file, whole or not at all.

    Parameters
    ----------
    paper : one of `annotate.field.pdf_pages.PAPERS_MM`
    font : a TrueType file, for letters that DejaVu Sans lacks

    Raises
    ------
    annotate.errors.AnnotateError
        Where the paper or font is not known, or the file cannot be written; an older file of that name is then as before.
    """
    check_pdf_name(path, usual="field-sheet.pdf")
    write_bytes(
        path,
        draw_field_sheet(sheet, paper=paper, font=font),
        what="the field sheet",
        advice="choose another file, or close the program that shows it",
    )


def draw_field_sheet(sheet: FieldSheet, *, paper: str = "A4", font: Path | None = None) -> bytes:
    """Return the PDF; the arguments and errors are those of `write_field_sheet`. The same sheet gives the same bytes."""
    size_mm = find_paper(paper, what="a field sheet")
    fonts = load_wide_fonts(font)
    # Laid out twice: only then is it known how many pages there are.
    _, count = _lay_out(sheet, size_mm, fonts, pages=0)
    data, _ = _lay_out(sheet, size_mm, fonts, pages=count)
    return data


def list_lacking_letters(sheet: FieldSheet, font: Path | None = None) -> list[str]:
    """Return the letters of the sheet that its font lacks; they are written as their numbers."""
    texts = [sheet.site]
    for one in sheet.trees:
        tree = one.tree
        texts += [tree.code, tree.host_taxon, tree.notes, tree.cautions, one.look_for]
        texts += [text for find in one.finds for text in (find.what, find.place, find.note)]
    shown = ["".join(letter for letter in text if letter.isprintable()) for text in texts]
    return list_lacking(load_wide_fonts(font).plain, shown)


@dataclass(frozen=True, slots=True)
class _Block:
    """Something that stands on the page as one: how high it is, and how it is drawn at a left and top.

    `split` cuts it where only so much room is left; None where it cannot be cut.
    """

    high_mm: float
    draw: Callable[[float, float], None]
    split: Callable[[float], "list[_Block]"] | None = None


class _Pages:
    """The pages being filled, from top to bottom; each has the site, the day and its number."""

    def __init__(
        self, canvas: "Canvas", size_mm: tuple[float, float], fonts: Fonts, head: str, pages: int
    ) -> None:
        self.canvas = canvas
        self.width_mm, self.height_mm = size_mm
        self.fonts = fonts
        self._head, self._pages = head, pages
        self.number = 0
        self.top = 0.0
        self.begin()

    @property
    def wide_mm(self) -> float:
        """Between the edges."""
        return self.width_mm - 2 * EDGE_MM

    @property
    def room_mm(self) -> float:
        """What is left of this page."""
        return self.height_mm - LAST_MM - self.top

    @property
    def most_mm(self) -> float:
        """What a page holds."""
        return self.height_mm - LAST_MM - FIRST_MM

    def begin(self) -> None:
        """Begin a page."""
        if self.number:
            self.canvas.showPage()
        self.number += 1
        self.top = FIRST_MM
        page = f"page {self.number} of {self._pages}"
        self.write(page, self.width_mm - EDGE_MM, HEAD_FOOT_MM, points=SMALL_POINTS, at="right")
        room = self.wide_mm - self.measure(page, SMALL_POINTS) - 2 * GAP_MM
        self.write(self.shorten(self._head, room, SMALL_POINTS), EDGE_MM, HEAD_FOOT_MM, points=SMALL_POINTS)
        self.line(EDGE_MM, HEAD_FOOT_MM + GAP_MM, self.width_mm - EDGE_MM, HEAD_FOOT_MM + GAP_MM)
        foot = self.height_mm - LAST_MM + 6
        self.write(SENSITIVE, EDGE_MM, foot, points=SMALL_POINTS)

    def place(self, block: _Block, *, again: _Block | None = None) -> None:
        """Put a block below what is there, on the next page where it does not fit; `again` stands above it there first."""
        if block.high_mm > self.room_mm:
            fresh_mm = self.most_mm - (again.high_mm if again else 0.0)
            if block.split is not None and block.high_mm > fresh_mm:
                # Longer than any page: cut where the page ends.
                parts = block.split(self.room_mm)
                if len(parts) > 1:
                    self.place(parts[0])
                    parts = parts[1:]
                self.turn(again)
                for part in parts:
                    self.place(part, again=again)
                return
            self.turn(again)
        block.draw(EDGE_MM, self.top)
        self.top += block.high_mm

    def turn(self, again: _Block | None) -> None:
        """Begin a page under the heading of what goes on there."""
        self.begin()
        if again is not None:
            self.place(again)

    def measure(self, text: str, points: float, *, bold: bool = False) -> float:
        """Return how wide a text is."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        return float(stringWidth(text, self.fonts.bold if bold else self.fonts.plain, points)) / POINTS_PER_MM

    def shorten(self, text: str, room_mm: float, points: float) -> str:
        """Return a text that fits into a room, with "…" where it was cut."""
        if self.measure(text, points) <= room_mm:
            return text
        while text and self.measure(f"{text}…", points) > room_mm:
            text = text[:-1]
        return f"{text}…"

    def write(
        self, text: str, x: float, foot: float, *, points: float, bold: bool = False, at: str = "left"
    ) -> None:
        """Write a line whose foot stands at a place."""
        self.canvas.setFont(self.fonts.bold if bold else self.fonts.plain, points)
        self.canvas.setFillGray(0)
        draw = {
            "left": self.canvas.drawString,
            "right": self.canvas.drawRightString,
            "middle": self.canvas.drawCentredString,
        }[at]
        draw(*to_points(x, self.height_mm - foot), text)

    def line(self, x: float, y: float, end_x: float, end_y: float, *, wide_mm: float = 0.2) -> None:
        """Draw a black line."""
        self.canvas.setStrokeGray(0)
        self.canvas.setLineWidth(wide_mm * POINTS_PER_MM)
        self.canvas.line(*to_points(x, self.height_mm - y, end_x, self.height_mm - end_y))

    def box(self, x: float, top: float, wide: float, high: float, *, wide_mm: float = 0.25) -> None:
        """Draw an empty box."""
        self.canvas.setStrokeGray(0)
        self.canvas.setLineWidth(wide_mm * POINTS_PER_MM)
        self.canvas.rect(*to_points(x, self.height_mm - top - high, wide, high), stroke=1, fill=0)

    def say(self, text: str) -> str:
        """Return a text of others in letters that the font has, on one line."""
        return write_known(text, font=self.fonts.plain)


def _lay_out(
    sheet: FieldSheet, size_mm: tuple[float, float], fonts: Fonts, *, pages: int
) -> tuple[bytes, int]:
    """Return the PDF and how many pages it has."""
    from reportlab.pdfgen.canvas import Canvas

    stream = BytesIO()
    canvas = Canvas(stream, pagesize=tuple(to_points(*size_mm)), invariant=1, pageCompression=1)
    canvas.setTitle("Field sheet")
    canvas.setAuthor("Leafshade")
    head = f"Field sheet · {write_date(sheet.day)} · {write_known(sheet.site, font=fonts.plain)}"
    page = _Pages(canvas, size_mm, fonts, head, pages)
    _fill_front(page, sheet)
    for one in sheet.trees:
        _fill_tree(page, one)
    canvas.showPage()
    canvas.save()
    return stream.getvalue(), page.number


def _fill_front(page: _Pages, sheet: FieldSheet) -> None:
    """Fill what stands before the trees: the visit, the plan, what to look for, the cautions, the words."""
    count = len(sheet.trees)
    page.place(_words(page, page.say(sheet.site), points=TITLE_POINTS, bold=True))
    trees = f"{count} trees" if count != 1 else "1 tree"
    page.place(_words(page, f"Visit of {write_date(sheet.day)}: {trees}, {sheet.order}."))
    page.place(_blanks(page, (("Date", 34), ("from", 22), ("to", 22), ("Recorders", REST))))
    page.place(_blanks(page, (("Temperature °C", 18), ("Wind, Beaufort", 14), ("Cloud, oktas", 14))))
    _place_titled(page, "Cautions", [_words(page, text, lead=lead) for lead, text in CAUTIONS])
    seasons = [_words(page, page.say(text)) for text in sheet.seasons]
    _place_titled(page, f"What to look for on {write_date(sheet.day)}", [*seasons, _words(page, CALENDAR)])
    _place_titled(page, "The way", [_draw_way(page, sheet.plan)])
    words = (
        f"Stages: {', '.join(STAGES)}. Conditions: {', '.join(CONDITIONS)}. Side: N, NE, E and so on by the compass. Leaf stage "
        "by the BBCH scale, two digits: 07 buds burst, 11 first leaves unfolded, 19 first leaves full size, 92 leaves begin to "
        "turn. “None found” after a real look is a record too: tick it and write the minutes."
    )
    _place_titled(page, "Words to write with", [_words(page, words)])


def _place_titled(page: _Pages, title: str, blocks: Sequence[_Block]) -> None:
    """Put blocks under a heading, which does not stay alone at the foot of a page."""
    heading = _words(page, title, points=HEADING_POINTS, bold=True, before_mm=TREE_GAP_MM / 2)
    if heading.high_mm + blocks[0].high_mm > page.room_mm:
        page.begin()
    page.place(heading)
    for block in blocks:
        page.place(block)


def _fill_tree(page: _Pages, one: SheetTree) -> None:
    """Fill what is known of a tree and the room to write, on one page where it fits."""
    heading, again = (_head_tree(page, one, rest) for rest in ("", " (continued)"))
    blocks = list(_list_tree_blocks(page, one))
    whole_mm = heading.high_mm + sum(block.high_mm for block in blocks)
    if whole_mm > page.room_mm:
        page.begin()
    page.place(heading)
    for block in blocks:
        page.place(block, again=again)


def _head_tree(page: _Pages, one: SheetTree, rest: str) -> _Block:
    title = _words(
        page,
        f"{one.number}. {page.say(one.tree.code)}{rest}",
        points=HEADING_POINTS,
        bold=True,
        before_mm=GAP_MM,
    )

    def draw(left: float, top: float) -> None:
        page.line(left, top + TREE_GAP_MM / 2, left + page.wide_mm, top + TREE_GAP_MM / 2, wide_mm=0.5)
        title.draw(left, top + TREE_GAP_MM / 2)

    return _Block(title.high_mm + TREE_GAP_MM / 2, draw)


def _list_tree_blocks(page: _Pages, one: SheetTree) -> "list[_Block]":
    tree = one.tree
    height = "height not given" if tree.height_m is None else f"{tree.height_m:g} m high"
    card = "no card" if tree.marker is None else f"card with marker {tree.marker}"
    blocks = [_words(page, f"{page.say(tree.host_taxon) or 'plant not given'}, {height}, {card}.")]
    if tree.cautions:
        blocks.append(_words(page, f"CAUTION: {page.say(tree.cautions)}", bold=True))
    if tree.notes:
        blocks.append(_words(page, f"Notes: {page.say(tree.notes)}"))
    blocks.append(_words(page, f"Look for {page.say(one.look_for)}."))
    blocks += [_words(page, page.say(text)) for text in one.looked]
    for find in one.finds:
        blocks += _list_find_blocks(page, find)
    if not one.finds:
        blocks.append(_words(page, "No finds known."))
    if one.older:
        blocks.append(_words(page, f"Older finds not shown: {one.older}. The logbook has them."))
    return [*blocks, *_list_form_blocks(page)]


def _list_find_blocks(page: _Pages, find: Find) -> list[_Block]:
    """Return a known find with its picture and boxes to tick, and its note, which may be long."""
    picture = find.picture
    shown = _open_picture(picture) if picture is not None else None
    indent = PICTURE_MM + 3 if shown is not None else 0.0
    lines = [
        _words(page, page.say(find.what), bold=True, indent_mm=indent),
        _words(page, find.when, indent_mm=indent),
        _words(page, page.say(find.place), indent_mm=indent),
    ]
    if picture is not None and shown is None:
        lines.append(_words(page, f"Picture: {picture.problem or 'it cannot be read'}.", indent_mm=indent))
    elif picture is None:
        lines.append(_words(page, "No picture.", indent_mm=indent))
    note = [f"Note: {page.say(find.note)}"] if find.note else []
    is_beside = shown is not None and len(find.note) <= LONGEST_BESIDE
    lines += [_words(page, text, indent_mm=indent) for text in note if is_beside]
    lines.append(_ticks(page, ("seen again", "not found", "place not reached"), indent_mm=indent))
    high_mm = sum(line.high_mm for line in lines)

    def draw(left: float, top: float) -> None:
        if shown is not None and picture is not None:
            _draw_picture(page, shown, picture, left=left, top=top + GAP_MM)
        for line in lines:
            line.draw(left, top)
            top += line.high_mm

    block = _Block(max(high_mm, PICTURE_MM + 2 * GAP_MM) if shown is not None else high_mm, draw)
    return [block, *(_words(page, text) for text in note if not is_beside)]


def _list_form_blocks(page: _Pages) -> list[_Block]:
    """Return the room to write on a tree: one block, so that no row stands on the next page without its heading."""
    ticks = _ticks(page, ("looked over", "none found", "card shown and filmed", "photographs taken"))
    blanks = _blanks(page, (("Date", 26), ("Minutes by eye", 18), ("BBCH leaf stage", 16)))
    columns = (
        ("Time", 17.0),
        ("Stage", 20.0),
        ("Condition", 26.0),
        ("Count", 14.0),
        ("Height m", 18.0),
        ("Side", 13.0),
        ("Branch, marker, note", page.wide_mm - 108.0),
    )
    high_mm = ROW_MM / 2 + EMPTY_ROWS * ROW_MM + GAP_MM

    def draw(left: float, top: float) -> None:
        ticks.draw(left, top)
        blanks.draw(left, top + ticks.high_mm)
        top += ticks.high_mm + blanks.high_mm + GAP_MM
        for label, wide_mm in columns:
            page.write(label, left + 1, top + ROW_MM / 2 - 1, points=SMALL_POINTS)
            for row in range(EMPTY_ROWS):
                page.box(left, top + ROW_MM / 2 + row * ROW_MM, wide_mm, ROW_MM)
            left += wide_mm

    return [_Block(ticks.high_mm + blanks.high_mm + high_mm, draw)]


def _words(
    page: _Pages,
    text: str,
    *,
    lead: str = "",
    points: float = TEXT_POINTS,
    bold: bool = False,
    indent_mm: float = 0.0,
    before_mm: float = GAP_MM / 2,
) -> _Block:
    """Return a paragraph, wrapped to the width of the page; `lead` is its first words in bold."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    style = ParagraphStyle(
        "words",
        fontName=page.fonts.bold if bold else page.fonts.plain,
        fontSize=points,
        leading=points * LEADING,
        splitLongWords=1,
    )
    first = f'<font name="{page.fonts.bold}">{escape(lead)}</font> ' if lead else ""
    return _flow(page, Paragraph(first + escape(text), style), indent_mm=indent_mm, before_mm=before_mm)


def _flow(page: _Pages, paragraph: Any, *, indent_mm: float, before_mm: float) -> _Block:
    wide = (page.wide_mm - indent_mm) * POINTS_PER_MM
    _, high = paragraph.wrap(wide, UNBOUNDED)
    high_mm = high / POINTS_PER_MM

    def draw(left: float, top: float) -> None:
        foot = page.height_mm - top - before_mm - high_mm
        paragraph.drawOn(page.canvas, *to_points(left + indent_mm, foot))

    def split(room_mm: float) -> list[_Block]:
        parts = paragraph.split(wide, max(0.0, room_mm - before_mm) * POINTS_PER_MM)
        return [_flow(page, part, indent_mm=indent_mm, before_mm=before_mm) for part in parts]

    return _Block(before_mm + high_mm, draw, split)


UNBOUNDED = 1e6
"""Points; a paragraph is asked how high it would be with all the room in the world."""


def _blanks(page: _Pages, fields: Sequence[tuple[str, float]]) -> _Block:
    """Return a row of labels, each with a line to write on; `REST` is one as long as there is room."""

    def draw(left: float, top: float) -> None:
        foot = top + WRITE_MM - 1.5
        right = left + page.wide_mm
        for label, wide_mm in fields:
            page.write(label, left, foot, points=TEXT_POINTS)
            left += page.measure(label, TEXT_POINTS) + 1.5
            page.line(left, foot + 0.8, min(right, left + wide_mm), foot + 0.8)
            left += wide_mm + 4

    return _Block(WRITE_MM, draw)


def _ticks(page: _Pages, labels: Sequence[str], *, indent_mm: float = 0.0) -> _Block:
    """Return a row of boxes to tick."""

    def draw(left: float, top: float) -> None:
        left += indent_mm
        for label in labels:
            page.box(left, top + 2, BOX_MM, BOX_MM, wide_mm=0.35)
            left += BOX_MM + 1.5
            page.write(label, left, top + 2 + BOX_MM - 0.6, points=TEXT_POINTS)
            left += page.measure(label, TEXT_POINTS) + 5

    return _Block(BOX_MM + 3, draw)


@dataclass(frozen=True, slots=True)
class _Shown:
    """A picture made small: its JPEG, its size (rows, columns) before, for places in it."""

    jpeg: bytes
    size_px: tuple[int, int]


def _open_picture(picture: Picture) -> _Shown | None:
    """Return a picture as small as paper needs; None where it cannot be read."""
    from PIL import Image, ImageOps

    if not picture.data:
        return None
    try:
        with Image.open(BytesIO(picture.data)) as opened:
            upright = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    size_px = (upright.height, upright.width)
    upright.thumbnail((PICTURE_PX, PICTURE_PX))
    stream = BytesIO()
    upright.save(stream, "JPEG", quality=JPEG_QUALITY)
    return _Shown(stream.getvalue(), size_px)


JPEG_QUALITY = 88


def _draw_picture(page: _Pages, shown: _Shown, picture: Picture, *, left: float, top: float) -> None:
    """Draw a picture and, where it is known, four corners around the animal: black within white, to show on any ground."""
    from reportlab.lib.utils import ImageReader

    rows, columns = shown.size_px
    per_px = PICTURE_MM / max(rows, columns)
    high, wide = rows * per_px, columns * per_px
    page.canvas.drawImage(
        ImageReader(BytesIO(shown.jpeg)), *to_points(left, page.height_mm - top - high, wide, high)
    )
    page.box(left, top, wide, high, wide_mm=0.2)
    if picture.box is None:
        return
    first_row, first_column, end_row, end_column = picture.box
    reach = MARK_REACH * max(end_row - first_row, end_column - first_column)
    x, end_x = (min(columns, max(0.0, at)) * per_px for at in (first_column - reach, end_column + reach))
    y, end_y = (min(rows, max(0.0, at)) * per_px for at in (first_row - reach, end_row + reach))
    arm = min(end_x - x, end_y - y) / 4
    for grey, wide_mm in ((1, 0.9), (0, 0.4)):
        page.canvas.setStrokeGray(grey)
        page.canvas.setLineWidth(wide_mm * POINTS_PER_MM)
        for corner_x, along in ((x, arm), (end_x, -arm)):
            for corner_y, down in ((y, arm), (end_y, -arm)):
                path = page.canvas.beginPath()
                path.moveTo(*to_points(left + corner_x + along, page.height_mm - top - corner_y))
                path.lineTo(*to_points(left + corner_x, page.height_mm - top - corner_y))
                path.lineTo(*to_points(left + corner_x, page.height_mm - top - corner_y - down))
                page.canvas.drawPath(path, stroke=1, fill=0)


def _draw_way(page: _Pages, plan: SitePlan) -> _Block:
    """Return the plan of the site with the way walked, and what is not on it."""
    if not plan.trees:
        return _words(page, "There is no plan: none of these trees has a position in the logbook.")
    per_unit = PLAN_MM / PLAN_WIDTH
    high_mm = PLAN_HEIGHT * per_unit

    told = "North is up; the number in a tree is its number on this sheet."
    told += " The thin line is the way." if plan.walk else ""
    told += " There are too many trees here for their codes." if len(plan.trees) > MOST_NAMED else ""
    if plan.unplaced:
        told += f" Without a position, so not on the plan: {page.say(', '.join(plan.unplaced))}."
    caption = _words(page, told)

    def draw(left: float, top: float) -> None:
        start = left + (page.wide_mm - PLAN_MM) / 2
        page.box(start, top + GAP_MM, PLAN_MM, high_mm)
        _draw_plan(page, plan, left=start, top=top + GAP_MM, per_unit=per_unit)
        caption.draw(left, top + high_mm + GAP_MM)

    return _Block(high_mm + GAP_MM + caption.high_mm, draw)


def _draw_plan(page: _Pages, plan: SitePlan, *, left: float, top: float, per_unit: float) -> None:
    """Draw the same plan as the page of the site has."""

    def to_page(x: float, y: float) -> tuple[float, float]:
        return left + x * per_unit, top + y * per_unit

    for start, end in zip(plan.walk, plan.walk[1:], strict=False):
        page.line(*to_page(*start), *to_page(*end))
    named = plan.trees if len(plan.trees) <= MOST_NAMED else ()
    for tree in named:
        # Names first, then trees: the white behind a name covers the way but no tree.
        at = {"start": "left", "end": "right", "middle": "middle"}[tree.anchor]
        code = page.shorten(page.say(tree.code), PLAN_MM / 4, SMALL_POINTS)
        _clear(page, code, *to_page(tree.name_x, tree.name_y), at=at)
        page.write(code, *to_page(tree.name_x, tree.name_y), points=SMALL_POINTS, bold=True, at=at)
    for tree in plan.trees:
        x, y = to_page(tree.x, tree.y)
        page.canvas.setFillGray(1)
        page.canvas.setStrokeGray(0)
        page.canvas.setLineWidth(1)
        page.canvas.circle(*to_points(x, page.height_mm - y, 1.25 * DOT_RADIUS * per_unit), stroke=1, fill=1)
        page.write(f"{tree.step}", x, y + 1, points=SMALL_POINTS, at="middle")
    _draw_scale(page, plan, left=left, top=top, per_unit=per_unit)


def _clear(page: _Pages, code: str, x: float, foot: float, *, at: str) -> None:
    """Put white behind a name, so that the way does not run through it."""
    wide = page.measure(code, SMALL_POINTS, bold=True)
    left = x - {"left": 0.0, "middle": wide / 2, "right": wide}[at]
    page.canvas.setFillGray(1)
    page.canvas.rect(*to_points(left, page.height_mm - foot - 0.8, wide, 3.2), stroke=0, fill=1)


def _draw_scale(page: _Pages, plan: SitePlan, *, left: float, top: float, per_unit: float) -> None:
    """Draw north and the scale."""
    page.line(left + 6, top + 14, left + 6, top + 5, wide_mm=0.4)
    page.line(left + 4.5, top + 7.5, left + 6, top + 5, wide_mm=0.4)
    page.line(left + 7.5, top + 7.5, left + 6, top + 5, wide_mm=0.4)
    page.write("North", left + 2, top + 18, points=SMALL_POINTS)
    end, foot = left + PLAN_MM - 5, top + PLAN_HEIGHT * per_unit - 4
    start = end - plan.scale_length * per_unit
    page.line(start, foot, end, foot, wide_mm=0.4)
    for at in (start, end):
        page.line(at, foot - 1.5, at, foot, wide_mm=0.4)
    page.write(say_scale(plan.scale_m), end, foot - 2.5, points=SMALL_POINTS, at="right")
