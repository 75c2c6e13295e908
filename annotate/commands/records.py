"""The commands for the logbook and its trees: new, trees; and the options that all lists share.

Lists are tables for people; with --json or --csv they are data on standard output, with stable names.
"""

from pathlib import Path
from typing import Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import (
    lay_out_trees,
    print_nothing,
    print_table,
    say_count,
    tell_change,
    write_data,
)

JsonOption = Annotated[bool, typer.Option("--json", help="Write the list as JSON: an array of objects.")]
CsvOption = Annotated[
    bool,
    typer.Option("--csv", help="Write the list as CSV (RFC 4180, UTF-8), safe to open in a spreadsheet."),
]
SiteOption = Annotated[
    str, typer.Option("--site", "-s", help="Only this site, by its code.", show_default=False)
]

MOST_CHANGES_SHOWN = 20

trees_app = typer.Typer(help="List the trees, or import them from a file.", invoke_without_command=True)
app.add_typer(trees_app, name="trees")


@app.command("new")
def new(
    folder: Annotated[Path, typer.Argument(help="A new or an empty folder.", show_default=False)],
    zone: Annotated[
        str,
        typer.Option(
            help="Local time zone of the sites, such as Europe/London. Without it: this computer's.",
            show_default=False,
        ),
    ] = "",
    recorder: Annotated[
        str, typer.Option(help="Who keeps it; stands beside every verdict.", show_default=False)
    ] = "",
) -> None:
    """Make a logbook: a folder for the records, the evidence pictures and the settings."""
    from annotate.logbook.opening import create_logbook
    from annotate.logbook.settings import SETTINGS_NAME
    from annotate.zones import find_local_zone

    zone = zone or find_local_zone()
    made = create_logbook(folder, zone=zone, recorder=recorder)
    print(f"Made the logbook {made}. Its time zone is {zone}; change it in {SETTINGS_NAME} if that is wrong.")
    print("Next, in that folder, import the trees: leafshade trees import FILE.csv")


@trees_app.callback()
def trees(
    context: typer.Context,
    site: SiteOption = "",
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
    logbook: LogbookOption = None,
) -> None:
    """List the trees, or import them from a file. The CSV written here can be imported again."""
    context.obj = logbook
    if context.invoked_subcommand is not None:
        return
    refuse_both(as_json, as_csv)
    from annotate.field.trees import COLUMNS, describe_tree
    from annotate.judging.planting import leave_out_planted
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.places import list_trees
    from annotate.logbook.planted import count_planted
    from annotate.logbook.review import count_candidates

    with open_logbook(choose_logbook(logbook)) as opened:
        found = list_trees(opened, site=site)
        said = leave_out_planted(count_candidates(opened), count_planted(opened))
        counts = {count.tree_id: count for count in said}
    if as_json or as_csv:
        write_data(COLUMNS, [describe_tree(tree) for tree in found], as_json=as_json)
    elif not found:
        print_nothing(site, "No trees yet.", advice="Import them with: leafshade trees import FILE.csv")
    else:
        print_table(lay_out_trees(found, counts), f"{say_count(len(found), 'tree')}.")


@trees_app.command("import")
def import_file(
    context: typer.Context,
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A .csv table, or .geojson.", show_default=False)
    ],
    logbook: LogbookOption = None,
) -> None:
    """Import trees from a CSV or GeoJSON file: all of it, or nothing where anything in it is wrong.

    Columns, or properties of points: site, code (both needed); host_taxon, accuracy_m, height_m, notes, cautions,
    expected_taxon, walk_order, marker; and the position as latitude_deg and longitude_deg (WGS 84, or the system in epsg), as
    grid_ref (TQ336805), or as easting, northing and epsg. A tree that is there already is updated in the columns that the
    file has.
    """
    from annotate.field.trees import import_trees, sum_changes
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        done = import_trees(opened, file)
    for note in done.notes:
        print(f"Note: {note}.")
    new_sites = sorted({change.site for change in done.changes if change.is_new_site})
    if new_sites:
        print(f"New sites: {', '.join(new_sites)}.")
    new, changed, same = sum_changes(done.changes)
    print(f"{say_count(new, 'tree')} new, {changed} changed, {same} as before.")
    lines = [line for change in done.changes for line in tell_change(change)]
    for line in lines[:MOST_CHANGES_SHOWN]:
        print(line)
    if len(lines) > MOST_CHANGES_SHOWN:
        print(f"  and {len(lines) - MOST_CHANGES_SHOWN} more changes")
    print("Next, search a clip: leafshade search CLIP --tree CODE")


def refuse_both(as_json: bool, as_csv: bool) -> None:
    """Raise where a list is asked for in two forms at once."""
    from annotate.errors import AnnotateError

    if as_json and as_csv:
        raise AnnotateError("list: expected --json or --csv; found both; give one of them")
