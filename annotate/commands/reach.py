"""The command that says how far a lens reaches, and which heights a searched clip covered."""

import re
from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.records import JsonOption

if TYPE_CHECKING:
    from rich.table import Table

    from annotate.lengths.reach import Reach
    from annotate.logbook.opening import Logbook

USUAL_TAXON = "Apatura"
USUAL_FOCAL_MM = 26.0
"""Of most phones' main lens (common practice, no source)."""

RESOLUTION = re.compile(r"(\d{1,5})\s*[x×]\s*(\d{1,5})")


@app.command("reach")
def reach(
    focal: Annotated[
        float | None,
        typer.Option(
            "--focal",
            "-f",
            help="35 mm-equivalent focal length in use: 13, 26, 52, 77, 120 or any. Without it: 26, or the clip's own.",
            show_default=False,
        ),
    ] = None,
    resolution: Annotated[
        str, typer.Option("--resolution", help="Of the frames, long side first or last.")
    ] = ("3840x2160"),
    height: Annotated[
        float | None,
        typer.Option(
            "--height", help="One height in metres above the lens. Without it: 1 to 6 m.", show_default=False
        ),
    ] = None,
    to: Annotated[
        float | None,
        typer.Option("--to", help="The highest, where a range is asked for.", show_default=False),
    ] = None,
    crop: Annotated[
        float, typer.Option("--crop", help="What steadying cuts off: 1 nothing, 1.1 a tenth.")
    ] = 1.0,
    sharpness: Annotated[
        str, typer.Option("--sharpness", help="Of the frames: soft, fair or sharp.")
    ] = "fair",
    looks: Annotated[
        int, typer.Option("--looks", help="Sharp looks at one larva in a clip, about one a second.")
    ] = 8,
    taxon: Annotated[
        str,
        typer.Option(
            "--taxon", help="Whose instars. Without it: the logbook's, or Apatura.", show_default=False
        ),
    ] = "",
    clip: Annotated[
        str,
        typer.Option(
            "--clip",
            help="Name of a searched clip: which heights it covered, by its lens.",
            show_default=False,
        ),
    ] = "",
    card_mm: Annotated[
        float | None,
        typer.Option(
            "--card-mm",
            help="With --clip: side of the tree cards' black square, to say how far away they were.",
            show_default=False,
        ),
    ] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", help="Also draw a plot, .png or .svg.", show_default=False)
    ] = None,
    as_json: JsonOption = False,
    logbook: LogbookOption = None,
) -> None:
    """Say how long each instar is in the picture, how likely it is found, and whether to zoom or go closer.

    Nothing is searched: the chances are those kept with the weights, measured on drawn clips.
    """
    from annotate.lengths.reach import ReachOrder, advise, load_curve, measure_reach, spread_heights
    from annotate.lengths.taxon_profiles import find_profile, list_profiles

    if clip:
        _tell_clip(clip, focal=focal, crop=crop, card_mm=card_mm, logbook=logbook)
        return
    with _open_if_there(logbook) as opened:
        curve, weights = load_curve(opened)
        usual = USUAL_TAXON if opened is None else opened.settings.record.taxon
        profile = find_profile(list_profiles(opened.folder if opened else None), taxon or usual)
    if height is not None or to is not None:
        lowest = height if height is not None else 1.0
        heights = spread_heights(lowest, to if to is not None else lowest)
    else:
        heights = spread_heights()
    order = ReachOrder(
        USUAL_FOCAL_MM if focal is None else focal,
        read_resolution(resolution),
        heights,
        crop,
        sharpness,
        looks,
    )
    measured = measure_reach(order, curve, profile)
    if as_json:
        from annotate.commands.notebook import write_data
        from annotate.lengths.reach import COLUMNS, describe_reach

        write_data(COLUMNS, describe_reach(measured), as_json=True)
    else:
        _print_reach(measured, weights, advice=advise(order, curve, profile))
    if plot is not None:
        from annotate.lengths.reach_plots import draw_reach

        draw_reach(measured, plot)
        if not as_json:
            print(f"Drawn: {plot}")


def read_resolution(text: str) -> tuple[int, int]:
    """Return (rows, columns) of "3840x2160"."""
    from annotate.errors import AnnotateError
    from annotate.lengths.reach import check_frame

    found = RESOLUTION.fullmatch(text.strip())
    if found is None:
        raise AnnotateError(f"resolution: expected two numbers such as 3840x2160; found {text!r}; correct it")
    return check_frame((int(found[2]), int(found[1])))


def _open_if_there(given: Path | None) -> "AbstractContextManager[Logbook | None]":
    """Open the logbook named, or the one here or above where there is one."""
    from annotate.errors import AnnotateError
    from annotate.logbook.opening import open_logbook

    try:
        folder = choose_logbook(given)
    except AnnotateError:
        return nullcontext()
    return open_logbook(folder)


def _print_reach(measured: "Reach", weights: str, *, advice: Sequence[str]) -> None:
    from rich.console import Console

    from annotate.lengths.reach import ASSUMPTIONS, CAUTIONS

    rows, columns = measured.frame_size_px
    console = Console(soft_wrap=False)
    console.print(
        f"{measured.taxon}, {measured.focal_equivalent_mm:g} mm, {columns} x {rows} px, {measured.sharpness} frames, weights "
        f"{weights}. In each cell: length in px, chance to be noticed in one look (95 % interval), chance to be found "
        f"in a clip with {measured.looks} looks.",
        markup=False,
        highlight=False,
    )
    console.print(_lay_out(measured))
    sections: Sequence[tuple[str, Sequence[str]]] = (
        ("What to do", advice),
        ("What this rests on", ASSUMPTIONS),
        ("Take care", CAUTIONS),
    )
    for heading, lines in sections:
        console.print(f"\n{heading}", style="bold", markup=False, highlight=False)
        for line in lines:
            console.print(f"- {line}", markup=False, highlight=False)


def _lay_out(measured: "Reach") -> "Table":
    from rich.table import Table

    from annotate.lengths.reach import say_cell

    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for heading in (
        "Above lens",
        "Frame covers",
        *(f"{one.name}, {one.usual_mm:.0f} mm" for one in measured.instars),
    ):
        table.add_column(heading, overflow="fold")
    for number, height in enumerate(measured.heights_m):
        long_m, short_m = measured.field_m[number]
        table.add_row(
            f"{height:g} m",
            f"{long_m:.1f} x {short_m:.1f} m",
            *(say_cell(row[number]) for row in measured.cells),
        )
    return table


def _tell_clip(
    name: str, *, focal: float | None, crop: float, card_mm: float | None, logbook: Path | None
) -> None:
    """Print which heights a searched clip covered, and what is not known of it."""
    from annotate.lengths.clip_coverage import tell_coverage
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook)) as opened:
        for line in tell_coverage(opened, name, focal_equivalent_mm=focal, crop=crop, card_mm=card_mm):
            print(line)
