"""The commands for sizes and stages: each animal's length in mm and its likely instar, and the profiles these rest on."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.records import CsvOption, JsonOption, SiteOption

if TYPE_CHECKING:
    from annotate.lengths.sizing import SizedBody


@app.command("sizes")
def sizes(
    site: SiteOption = "",
    tree: Annotated[
        str, typer.Option("--tree", "-t", help="Only this tree, by its code.", show_default=False)
    ] = "",
    focal: Annotated[
        float | None,
        typer.Option(
            "--focal",
            "-f",
            help="35 mm-equivalent focal length, where the clip's file does not say it.",
            show_default=False,
        ),
    ] = None,
    distance: Annotated[
        float | None,
        typer.Option(
            "--distance", help="Metres from the lens to the larvae, all of them.", show_default=False
        ),
    ] = None,
    height: Annotated[
        float | None,
        typer.Option(
            "--height",
            help="Metres above the lens. Without both: the heights in the records.",
            show_default=False,
        ),
    ] = None,
    card_mm: Annotated[
        float | None,
        typer.Option(
            "--card-mm",
            help="Cards were held beside the larvae: side of their black square in mm.",
            show_default=False,
        ),
    ] = None,
    shape: Annotated[
        str | None,
        typer.Option(
            "--shape",
            help="Whole picture that the focal length was stated for: 4:3 (most phones), 3:2, 16:9 or 'as filmed'.",
            show_default=False,
        ),
    ] = None,
    crop: Annotated[
        float | None,
        typer.Option("--crop", help="What steadying cuts off: 1 nothing, 1.1 a tenth.", show_default=False),
    ] = None,
    season: Annotated[
        bool, typer.Option("--season/--no-season", help="Let the date tell of the stage too, weakly.")
    ] = True,
    keep: Annotated[
        bool,
        typer.Option("--keep", help="Write the lengths into the observations; those measured by hand stay."),
    ] = False,
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
    logbook: LogbookOption = None,
) -> None:
    """List each animal's length in mm with its error, its likely stage, and what that rests on.

    A stage is a guess with its chances, never written into the records by itself.
    """
    from datetime import UTC, datetime

    from annotate.commands.notebook import print_nothing, write_data
    from annotate.errors import AnnotateError
    from annotate.lengths.sizing import (
        COLUMNS,
        SizingOrder,
        complete_order,
        describe_sized,
        keep_sizes,
        size_bodies,
    )
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.places import find_tree

    if as_json and as_csv:
        raise AnnotateError("list: expected --json or --csv; found both; give one of them")
    if distance is not None and height is not None:
        raise AnnotateError("sizes: expected --distance or --height; found both; give the one you measured")
    with open_logbook(choose_logbook(logbook)) as opened:
        camera = opened.settings.camera
        given = SizingOrder(focal, shape, crop, distance, height, camera.lens_height_m, card_mm, season)
        named = find_tree(opened, tree) if tree else None
        found = size_bodies(
            opened,
            complete_order(given, camera),
            site=named.site if named else site,
            tree=named.code if named else "",
        )
        kept = 0
        if keep:
            kept = keep_sizes(
                opened, found, who=opened.settings.recorder.name or "recorder", at=datetime.now(UTC)
            )
    if as_json or as_csv:
        write_data(COLUMNS, [describe_sized(one) for one in found], as_json=as_json)
    elif not found:
        print_nothing(
            tree or site,
            "No animals yet.",
            advice="One is recorded when a candidate is confirmed: leafshade review",
        )
    else:
        _print_sizes(found)
        if keep:
            print(f"Kept {kept} lengths with their observations.")


def _print_sizes(found: Sequence["SizedBody"]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from annotate.lengths.sizes import say_size
    from annotate.lengths.stages import say_guess
    from annotate.zones import find_local_date, write_date

    table = Table(box=None, pad_edge=False, header_style="bold", collapse_padding=True)
    for heading in ("Date", "Tree", "What", "In the picture", "Length", "Stage", "Rests on"):
        table.add_column(heading, overflow="fold")
    for one in found:
        body, size = one.body, one.size
        cells = (
            write_date(find_local_date(body.at, body.zone)),
            body.tree or "no tree given",
            f"{body.taxon}, {body.stage or 'stage not given'}",
            f"{body.length_px:.0f} px" if body.length_px else "by eye",
            say_size(size) if size else "not known",
            say_guess(one.guess) if size else "not known",
            size.rests_on if size else one.why_not,
        )
        table.add_row(*(Text(cell) for cell in cells))
    console = Console()
    console.print(table)
    told = sum(one.size is not None for one in found)
    console.print(f"{told} of {len(found)} could be measured.", markup=False, highlight=False)


@app.command("taxa")
def taxa(
    example: Annotated[
        bool,
        typer.Option("--example", help="Write a commented example into the logbook's folder taxa."),
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """List the profiles that stages are told by: body lengths of each instar, season, and where the figures come from.

    Own profiles are files ending in .toml in the logbook's folder taxa; they count before the program's.
    """
    from annotate.commands.base import choose_logbook as choose
    from annotate.errors import AnnotateError
    from annotate.lengths.taxon_profiles import list_profiles, write_example

    folder = None
    try:
        folder = choose(logbook)
    except AnnotateError:
        if example:
            raise
    if example and folder is not None:
        print(
            f"An example stands in {write_example(folder)}; copy it to a name ending in .toml and change it."
        )
        return
    for profile in list_profiles(folder):
        hosts = ", ".join(profile.hosts) or "not given"
        print(
            f"{profile.taxon} (hosts: {hosts}{f'; {profile.hosts_source}' if profile.hosts_source else ''})"
        )
        for one in profile.instars:
            low, high = one.length_mm
            print(f"  {one.name}: {low:g} to {high:g} mm, individuals {one.spread:.0%} apart; {one.source}")
