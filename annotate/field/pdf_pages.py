"""What printed pages share: papers in mm, fonts that are put into the file, and which letters a font lacks.

Lengths are in mm. Drawing itself stands with what is drawn: `annotate.field.tree_cards`, `annotate.field.field_sheet_pages`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

from annotate.errors import AnnotateError

PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Width and height (ISO 216; ANSI/ASME Y14.1)."""

POINTS_PER_MM = 72 / 25.4
PDF_ENDING = ".pdf"

VERA = ("Vera.ttf", "VeraBd.ttf")
"""Bitstream Vera, which reportlab brings along: the letters of Western Europe."""

DEJAVU = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")
"""DejaVu Sans, which matplotlib brings along: Vera with the rest of Europe, Cyrillic, Greek, Arabic and more."""


LONGEST_RUN = 8
"""Letters in a row that a font lacks and that are written as their numbers; the rest are counted."""


@dataclass(frozen=True, slots=True)
class Fonts:
    """Names under which reportlab knows the two fonts of a file."""

    plain: str
    bold: str


def check_pdf_name(path: Path, *, usual: str) -> None:
    """Refuse a folder, and a file of another kind: a clip named by mistake would be written over.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the path is a folder or does not end in .pdf; `usual` is the name advised in a folder.
    """
    if path.is_dir():
        raise AnnotateError(
            f"{path}: expected the name of a PDF to write; found a folder; name a file in it, such as {path / usual}"
        )
    if path.suffix.casefold() != PDF_ENDING:
        raise AnnotateError(
            f"{path}: expected the name of a PDF to write; found {path.suffix or 'no ending'!r}; let it end in {PDF_ENDING}, "
            f"such as {path.with_suffix(PDF_ENDING) if path.name else usual}"
        )


def find_paper_name(paper: str, *, what: str) -> str:
    """Return a paper's name as it is written; what is none is refused as in `find_paper`."""
    find_paper(paper, what=what)
    return next(name for name in PAPERS_MM if name.casefold() == paper.casefold())


def to_points(*lengths_mm: float) -> list[float]:
    """Return lengths in points of the PDF."""
    return [length * POINTS_PER_MM for length in lengths_mm]


def find_paper(paper: str, *, what: str) -> tuple[float, float]:
    """Return width and height of a paper, named in any case.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is none of `PAPERS_MM`; `what` is what would stand on it, in words.
    """
    known = {name.casefold(): size for name, size in PAPERS_MM.items()}
    if paper.casefold() not in known:
        raise AnnotateError(
            f"paper: expected one of {', '.join(PAPERS_MM)}; found {paper!r}; {what} fits both, choose what the printer holds"
        )
    return known[paper.casefold()]


def load_fonts(path: Path | None = None) -> Fonts:
    """Return the fonts of a file, or those that came with reportlab.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the file is no TrueType font.
    """
    files = VERA if path is None else (str(path), str(path))
    return Fonts(*(_register_font(file) for file in files))


def load_wide_fonts(path: Path | None = None) -> Fonts:
    """Return the fonts of a file, or DejaVu Sans where it is installed, or those that came with reportlab.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the file is no TrueType font.
    """
    spec = find_spec("matplotlib")  # Only asks where it is; importing it takes a second.
    if path is not None or spec is None or spec.origin is None:
        return load_fonts(path)
    files = [Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf" / name for name in DEJAVU]
    if not all(file.is_file() for file in files):
        return load_fonts()
    return Fonts(*(_register_font(str(file)) for file in files))


def list_lacking(font: str, texts: Sequence[str]) -> list[str]:
    """Return the letters of texts that a font lacks, each once, in order; blanks count as no letters."""
    from reportlab.pdfbase.pdfmetrics import getFont

    known = getFont(font).face.charToGlyph
    letters = (letter for text in texts for letter in text)
    return list(dict.fromkeys(one for one in letters if ord(one) not in known and not one.isspace()))


def write_known(text: str, *, font: str) -> str:
    """Return a text on one line with the letters that a font lacks as "[U+6A39]"; what is no letter at all is left out."""
    plain = " ".join("".join(" " if one.isspace() else one for one in text if _is_seen(one)).split())
    lacking = set(list_lacking(font, [plain]))
    parts: list[str] = []
    run = 0
    for letter in [*plain, ""]:
        if letter in lacking:
            run += 1
            parts += [f"[U+{ord(letter):04X}]"] if run <= LONGEST_RUN else []
            continue
        parts += [f"[and {run - LONGEST_RUN} more]"] if run > LONGEST_RUN else []
        parts.append(letter)
        run = 0
    return "".join(parts)


def _is_seen(letter: str) -> bool:
    return letter.isspace() or letter.isprintable()


@lru_cache
def _register_font(file: str) -> str:
    """Register a font once and return its name. Again, it would take its letters from a page that is being drawn."""
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFError, TTFont

    name = f"Leafshade-{file}"
    try:
        registerFont(TTFont(name, file))
    except (TTFError, OSError) as error:
        raise AnnotateError(
            f"font {file}: expected a TrueType font file (.ttf); found that it cannot be read as one; name another"
        ) from error
    return name
