"""The commands for the logbook and its records: new, trees, visits, observations.

Lists are tables for people; with --json or --csv they are data on standard output, with stable names.
"""

from pathlib import Path
from typing import Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import (
    lay_out_observations,
    lay_out_trees,
    lay_out_visits,
    print_nothing,
    print_table,
    say_count,
    say_minutes,
    say_span,
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
visits_app = typer.Typer(help="List the visits, or add one.", invoke_without_command=True)
app.add_typer(trees_app, name="trees")
app.add_typer(visits_app, name="visits")


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
    _refuse_both(as_json, as_csv)
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.places import list_trees
    from annotate.logbook.review import count_candidates
    from annotate.trees import COLUMNS, describe_tree

    with open_logbook(choose_logbook(logbook)) as opened:
        found = list_trees(opened, site=site)
        counts = {count.tree_id: count for count in count_candidates(opened)}
    if as_json or as_csv:
        write_data(COLUMNS, [describe_tree(tree) for tree in found], as_json=as_json)
    elif not found:
        print_nothing(site, "No trees yet.", advice="Import them with: leafshade trees import FILE.csv")
    else:
        print_table(lay_out_trees(found, counts), f"{say_count(len(found), 'tree')}.")


@trees_app.command("import")
def import_file(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="The table of trees.", show_default=False)],
    logbook: LogbookOption = None,
) -> None:
    """Import trees from a CSV file: all of it, or nothing where anything in it is wrong.

    Columns: site, code (both needed); host_taxon, latitude_deg, longitude_deg (WGS 84), accuracy_m, height_m, notes, cautions,
    expected_taxon. A tree that is there already is updated in the columns that the file has.
    """
    from annotate.logbook.opening import open_logbook
    from annotate.trees import import_trees, sum_changes

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


@visits_app.callback()
def visits(
    context: typer.Context,
    site: SiteOption = "",
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
    logbook: LogbookOption = None,
) -> None:
    """List the visits, or add one. A visit arises by itself when clips of a tree are searched."""
    context.obj = logbook
    if context.invoked_subcommand is not None:
        return
    _refuse_both(as_json, as_csv)
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.visits import list_visits
    from annotate.visits import COLUMNS, describe_visit

    with open_logbook(choose_logbook(logbook)) as opened:
        found = list_visits(opened, site=site)
    if as_json or as_csv:
        write_data(COLUMNS, [describe_visit(summary) for summary in found], as_json=as_json)
    elif not found:
        print_nothing(
            site,
            "No visits yet.",
            advice="One arises when a clip is searched: leafshade search CLIP --tree CODE. "
            "One without footage is added with: leafshade visits add",
        )
    else:
        searched_s = sum(summary.searched_s for summary in found)
        print_table(
            lay_out_visits(found),
            f"{say_count(len(found), 'visit')}, {say_minutes(searched_s)} of footage searched.",
        )


@visits_app.command("add")
def add_visit(
    context: typer.Context,
    date: Annotated[str, typer.Option(help="Local date, such as 2026-05-17.", show_default=False)],
    site: Annotated[
        str,
        typer.Option(
            "--site", "-s", help="Code of the site; not needed where there is only one.", show_default=False
        ),
    ] = "",
    start: Annotated[str, typer.Option(help="Local time, such as 09:10.", show_default=False)] = "",
    end: Annotated[str, typer.Option(help="Local time, such as 10:45.", show_default=False)] = "",
    recorders: Annotated[str, typer.Option(help="Who was there.", show_default=False)] = "",
    weather: Annotated[str, typer.Option(help="In words.", show_default=False)] = "",
    notes: Annotated[str, typer.Option(help="Anything else.", show_default=False)] = "",
    logbook: LogbookOption = None,
) -> None:
    """Add a visit, or complete the one that the site has on that date; what is not said stays as it was."""
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.visits import find_site, write_visit
    from annotate.visits import read_clock, read_date
    from annotate.zones import write_date

    day = read_date(date)
    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        place = find_site(opened, site)
        visit, is_new = write_visit(
            opened,
            place.code,
            day=day,
            started_at=read_clock(start, day=day, zone=place.zone) if start else None,
            ended_at=read_clock(end, day=day, zone=place.zone) if end else None,
            recorders=recorders,
            weather=weather,
            notes=notes,
        )
    done = "Added" if is_new else "Completed"
    print(f"{done} the visit to {visit.site} on {write_date(visit.date)}, {say_span(visit)}.")


@app.command("observations")
def observations(
    site: SiteOption = "",
    tree: Annotated[
        str, typer.Option("--tree", "-t", help="Only this tree, by its code.", show_default=False)
    ] = "",
    withdrawn: Annotated[
        bool, typer.Option("--withdrawn", help="Also those that were withdrawn by a later verdict.")
    ] = False,
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
    logbook: LogbookOption = None,
) -> None:
    """List the observations: when, which tree, what, who."""
    _refuse_both(as_json, as_csv)
    from annotate.logbook.observations import list_observations
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.places import find_tree
    from annotate.observations import COLUMNS, describe_observation

    with open_logbook(choose_logbook(logbook)) as opened:
        named = find_tree(opened, tree) if tree else None
        found = list_observations(
            opened,
            site=named.site if named else site,
            tree=named.code if named else "",
            with_withdrawn=withdrawn,
        )
    if as_json or as_csv:
        write_data(COLUMNS, [describe_observation(item) for item in found], as_json=as_json)
    elif not found:
        print_nothing(
            named.code if named else site,
            "No observations yet.",
            advice="One arises from each candidate that is confirmed: leafshade review",
        )
    else:
        trees_seen = len({(item.site, item.tree) for item in found if item.tree})
        print_table(
            lay_out_observations(found),
            f"{say_count(len(found), 'observation')} on {say_count(trees_seen, 'tree')}.",
        )


def _refuse_both(as_json: bool, as_csv: bool) -> None:
    from annotate.errors import AnnotateError

    if as_json and as_csv:
        raise AnnotateError("list: expected --json or --csv; found both; give one of them")
