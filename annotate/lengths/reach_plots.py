"""The plot of a reach as a file, PNG or SVG: how likely each instar is noticed at each height. Needs matplotlib, an extra.

Lines are told apart by colour (Okabe & Ito 2008) and by mark, so that it reads in grey too. Nothing is measured here.
"""

from pathlib import Path

from annotate.errors import AnnotateError
from annotate.lengths.reach import COVERED_CHANCE, POOR_CHANCE, Reach
from models.figure_plots import COLOURS, DOTS_PER_INCH, MARKS, SIZE_INCH, STYLE, check_plotting
from models.whole_files import drafted

KINDS = (".png", ".svg")


def draw_reach(reach: Reach, path: Path) -> Path:
    """Draw the plot into a file, under a temporary name first; return its path.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the name ends in neither .png nor .svg, or the file cannot be written.
    models.errors.ModelsError
        Where matplotlib is not installed.
    """
    if path.suffix.lower() not in KINDS:
        raise AnnotateError(
            f"{path}: expected a plot's name ending in .png or .svg; found {path.suffix or 'no ending'!r}; choose one of these"
        )
    check_plotting()
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context(STYLE):  # type: ignore[arg-type]  # it wants each name of a setting as a type of its own
        figure = Figure(figsize=SIZE_INCH, layout="constrained", facecolor="white")
        axes = figure.add_subplot()
        for number, row in enumerate(reach.cells):
            axes.plot(
                [cell.height_m for cell in row],
                [cell.in_look.value for cell in row],
                color=COLOURS[number % len(COLOURS)],
                marker=MARKS[number % len(MARKS)],
                label=f"{row[0].stage}, {reach.instars[number].usual_mm:.0f} mm",
            )
        for level, name in ((COVERED_CHANCE, "covered"), (POOR_CHANCE, "poorly")):
            axes.axhline(level, color="#555555", linestyle=":", linewidth=1)
            axes.annotate(
                name, (1, level), xycoords=("axes fraction", "data"), ha="right", va="bottom", fontsize=8
            )
        rows, columns = reach.frame_size_px
        axes.set(
            xlabel="height above the lens (m)",
            ylabel="chance to be noticed in one sharp look",
            ylim=(0, 1),
            title=f"{reach.taxon}: {reach.focal_equivalent_mm:g} mm, {columns} x {rows} px, {reach.sharpness} frames",
        )
        axes.legend(fontsize=8)
        try:
            with drafted(path) as draft:
                figure.savefig(
                    draft, format=path.suffix.lower()[1:], dpi=DOTS_PER_INCH, metadata=_name_nobody(path)
                )
        except OSError as error:
            raise AnnotateError(
                f"{path}: expected a place to write the plot, found: {error.strerror}; choose another file"
            ) from error
    return path


def _name_nobody(path: Path) -> dict[str, None]:
    """Leave the date out, so that the same reach gives the same file."""
    return {"Date": None} if path.suffix.lower() == ".svg" else {}
