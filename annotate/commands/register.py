"""The command that writes the register of trees to a file, as a table or for a map."""

from pathlib import Path
from typing import Annotated

import typer

from annotate.commands.base import LogbookOption, choose_logbook
from annotate.commands.notebook import say_count
from annotate.commands.records import SiteOption, trees_app


@trees_app.command("export")
def export_file(
    context: typer.Context,
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", help="Ends in .csv for a table, in .geojson for a map.", show_default=False
        ),
    ],
    site: SiteOption = "",
    logbook: LogbookOption = None,
) -> None:
    """Write the trees to a CSV or GeoJSON file (RFC 7946), which can be imported again.

    It holds exact positions: pass it on only to people who may know them.
    """
    from annotate.errors import AnnotateError
    from annotate.field.trees import export_trees, sort_by_walk
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.places import list_trees

    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        found = sort_by_walk(list_trees(opened, site=site))
    if not found:
        where = f" of site {site!r}" if site else ""
        raise AnnotateError(
            f"trees: expected trees{where} to write; found none; see them with: leafshade trees"
        )
    export_trees(file, found)
    without = sum(tree.latitude_deg is None for tree in found)
    gap = f" {say_count(without, 'tree')} without a position." if without else ""
    print(f"Wrote {say_count(len(found), 'tree')} to {file}, with their exact positions.{gap}")
