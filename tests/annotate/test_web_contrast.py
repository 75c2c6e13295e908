"""The colours of the pages, read from the style sheet and judged by the formula of WCAG 2.1."""

import re
from pathlib import Path

import pytest

STATIC = Path(__file__).parents[2] / "annotate" / "web" / "static"

TEXT_RATIO = 4.5
"""WCAG 2.1, success criterion 1.4.3 (AA), text of usual size."""

SHAPE_RATIO = 3.0
"""WCAG 2.1, success criterion 1.4.11 (AA), edges of controls, shapes that carry meaning, the focus."""

TABLES = {
    "dark": r":root \{(.*?)\}",
    "paper": r":root\[data-table=\"paper\"\] \{(.*?)\}",
    "round the picture": r"\n\.glass \{(.*?)\}",
    "print": r"@media print \{.*?\.glass \{(.*?)\}",
}

TEXT_PAIRS = [
    (text, ground)
    for text in ("ink", "quiet", "confirm", "dismiss", "unsure", "warn")
    for ground in ("ground", "plate", "plate-near")
]
SHAPE_PAIRS = [
    ("edge", "ground"),
    ("edge", "plate"),
    ("light", "ground"),
    ("light", "plate"),
    ("light", "plate-near"),
]


def read_colours(table: str) -> dict[str, str]:
    """The custom properties of one table, name to "#rrggbb"."""
    text = (STATIC / "tokens.css").read_text(encoding="utf-8")
    found = re.search(TABLES[table], text, re.DOTALL)
    assert found, f"tokens.css has no block for {table}"
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", found[1]))


def measure_luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.1 defines it (https://www.w3.org/TR/WCAG21/#dfn-relative-luminance)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def measure_contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.1 defines it (https://www.w3.org/TR/WCAG21/#dfn-contrast-ratio)."""
    brighter, darker = sorted((measure_luminance(one), measure_luminance(other)), reverse=True)
    return (brighter + 0.05) / (darker + 0.05)


def test_formula_gives_the_published_values() -> None:
    """Black on white is 21:1 (WCAG 2.1); the grey #767676 is the lightest that passes AA on white, 4.54:1 (from memory)."""
    assert measure_contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert measure_contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("table", TABLES)
def test_text_can_be_read(table: str) -> None:
    """Every text colour has the contrast of level AA on every ground it may stand on."""
    colours = read_colours(table)
    weak = {
        pair: round(measure_contrast(colours[pair[0]], colours[pair[1]]), 2)
        for pair in TEXT_PAIRS
        if measure_contrast(colours[pair[0]], colours[pair[1]]) < TEXT_RATIO
    }
    assert not weak


@pytest.mark.parametrize("table", TABLES)
def test_edges_and_focus_can_be_seen(table: str) -> None:
    """Edges of controls, marks and the focus ring stand out from every ground they may stand on."""
    colours = read_colours(table)
    weak = {
        pair: round(measure_contrast(colours[pair[0]], colours[pair[1]]), 2)
        for pair in SHAPE_PAIRS
        if measure_contrast(colours[pair[0]], colours[pair[1]]) < SHAPE_RATIO
    }
    assert not weak


@pytest.mark.parametrize("table", ["dark", "paper"])
def test_the_sharpest_moment_stands_out_on_the_ribbon(table: str) -> None:
    """The ends of the ribbon's shades differ as shapes must, at the 85 % the brightest is drawn with."""
    colours = read_colours(table)
    dull, sharp = colours["ribbon-dull"], colours["ribbon-sharp"]
    drawn = "#" + "".join(
        f"{round(0.85 * int(sharp[i : i + 2], 16) + 0.15 * int(dull[i : i + 2], 16)):02x}" for i in (1, 3, 5)
    )
    assert measure_contrast(drawn, dull) >= SHAPE_RATIO


def test_outline_stands_out_on_any_picture() -> None:
    """The outline is light with a dark border: one of the two is far from any grey beneath."""
    colours = read_colours("dark")
    for grey in range(256):
        ground = f"#{grey:02x}{grey:02x}{grey:02x}"
        best = max(measure_contrast(colours[name], ground) for name in ("outline", "outline-shade"))
        assert best >= SHAPE_RATIO


def test_colours_have_one_home() -> None:
    """No other style sheet names a colour, so that every colour is among those judged here."""
    for sheet in STATIC.glob("*.css"):
        if sheet.name != "tokens.css":
            found = re.findall(
                r"#[0-9a-fA-F]{3,8}\b(?![^{]*\{)|\b(?:rgb|hsl|oklch)a?\(", sheet.read_text(encoding="utf-8")
            )
            assert not found, f"{sheet.name} names {found}"
