"""The commands for the logbook and its records: new, trees, visits, observations.

Lists are tables for people; with --json or --csv they are data on standard output, with stable names.
"""

import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook

if TYPE_CHECKING:
    from rich.table import Table

    from annotate.logbook.places import TreeChange
    from annotate.logbook.records import Count, Observation, Tree, Visit
    from annotate.logbook.visits import VisitSummary
    from annotate.sheets import Cell

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
        _write_data(COLUMNS, [describe_tree(tree) for tree in found], as_json=as_json)
    elif not found:
        _say_none(site, "No trees yet.", "Import them with: leafshade trees import FILE.csv")
    else:
        _print_table(_lay_out_trees(found, counts), f"{_count(len(found), 'tree')}.")


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
    print(f"{_count(new, 'tree')} new, {changed} changed, {same} as before.")
    lines = [line for change in done.changes for line in _tell_change(change)]
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
        _write_data(COLUMNS, [describe_visit(summary) for summary in found], as_json=as_json)
    elif not found:
        _say_none(
            site,
            "No visits yet.",
            "One arises when a clip is searched: leafshade search CLIP --tree CODE. "
            "One without footage is added with: leafshade visits add",
        )
    else:
        searched_s = sum(summary.searched_s for summary in found)
        _print_table(
            _lay_out_visits(found),
            f"{_count(len(found), 'visit')}, {_say_minutes(searched_s)} of footage searched.",
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
    print(f"{done} the visit to {visit.site} on {write_date(visit.date)}, {_say_span(visit)}.")


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
        _write_data(COLUMNS, [describe_observation(item) for item in found], as_json=as_json)
    elif not found:
        _say_none(
            named.code if named else site,
            "No observations yet.",
            "One arises from each candidate that is confirmed: leafshade review",
        )
    else:
        trees_seen = len({(item.site, item.tree) for item in found if item.tree})
        _print_table(
            _lay_out_observations(found),
            f"{_count(len(found), 'observation')} on {_count(trees_seen, 'tree')}.",
        )


def _lay_out_trees(found: Sequence["Tree"], counts: Mapping[int, "Count"]) -> "Table":
    table = _make_table("Tree", "Site", "Host", "Position", "Height", "Reviewed", "Cautions")
    for tree in found:
        height = "not measured" if tree.height_m is None else f"{tree.height_m:g} m"
        _add_row(
            table,
            tree.code,
            tree.site,
            tree.host_taxon or "not given",
            _say_position(tree),
            height,
            _say_reviewed(counts.get(tree.id)),
            tree.cautions or "none noted",
        )
    return table


def _say_position(tree: "Tree") -> str:
    if tree.latitude_deg is None or tree.longitude_deg is None:
        return "not given"
    accuracy = "" if tree.accuracy_m is None else f", within {tree.accuracy_m:g} m"
    return f"{tree.latitude_deg:.5f}°, {tree.longitude_deg:.5f}°{accuracy}"


def _say_reviewed(count: "Count | None") -> str:
    if count is None:
        return "no candidates"
    return f"{count.judged} of {count.all} judged, {count.confirmed} confirmed"


def _lay_out_visits(found: Sequence["VisitSummary"]) -> "Table":
    from annotate.zones import write_date

    table = _make_table("Date", "Site", "Time", "Trees filmed", "What", "Who", "Weather")
    for summary in found:
        visit = summary.visit
        _add_row(
            table,
            write_date(visit.date),
            visit.site,
            _say_span(visit),
            ", ".join(summary.trees) or "none",
            _say_work(summary),
            visit.recorders or "not given",
            visit.weather or "not given",
        )
    return table


def _say_work(summary: "VisitSummary") -> str:
    if not summary.clips:
        return f"no footage; {_count(summary.observations, 'observation')}"
    footage = f"{_count(summary.clips, 'clip')}, {_say_minutes(summary.usable_s)} usable of {_say_minutes(summary.searched_s)}"
    judged = f"{summary.judged} of {_count(summary.candidates, 'candidate')} judged"
    return f"{footage}; {judged}; {_count(summary.observations, 'observation')}"


def _say_span(visit: "Visit") -> str:
    from annotate.zones import write_clock

    start, end = (
        "" if moment is None else write_clock(moment, visit.zone)
        for moment in (visit.started_at, visit.ended_at)
    )
    if start and end:
        return f"{start} to {end}"
    return f"from {start}" if start else f"until {end}" if end else "times not given"


def _lay_out_observations(found: Sequence["Observation"]) -> "Table":
    from annotate.zones import find_local_date, write_clock, write_date

    table = _make_table("Date", "Time", "Tree", "What", "Who", "Picture")
    for item in found:
        _add_row(
            table,
            write_date(find_local_date(item.at, item.zone)),
            write_clock(item.at, item.zone),
            f"{item.site} {item.tree}" if item.tree else "no tree given",
            _say_what(item),
            f"{item.observer}, {'from footage' if item.source == 'footage' else 'by eye'}",
            f"{item.evidence[:12]}…" if item.evidence else "none",
        )
    return table


def _say_what(item: "Observation") -> str:
    """Write taxon, stage, condition and behaviour; then the note, and that it was withdrawn."""
    if item.source == "none found":
        words = [f"{item.taxon}: searched, none found"]
    else:
        many = f"{item.count} × " if item.count > 1 else ""
        said = [word for word in (item.condition, item.behaviour) if word]
        words = [f"{many}{item.taxon}, {item.stage or 'stage not given'}", *said]
    text = ", ".join(words)
    if item.note:
        text += f". {item.note}"
    return f"{text} (withdrawn)" if item.withdrawn_at else text


def _tell_change(change: "TreeChange") -> list[str]:
    def say(value: "Cell") -> str:
        return "nothing" if value in (None, "") else f"{value:g}" if isinstance(value, float) else str(value)

    return [
        f"  {change.site} {change.code}: {field} was {say(old)}, is now {say(new)}"
        for field, old, new in change.changed
    ]


def _make_table(*headings: str) -> "Table":
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold", collapse_padding=True)
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table


def _add_row(table: "Table", *cells: str) -> None:
    """Add cells as they are: what people wrote is never taken for markup, and nothing in it moves the cursor."""
    from rich.text import Text

    table.add_row(
        *(
            Text("".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in cell))
            for cell in cells
        )
    )


def _print_table(table: "Table", sentence: str) -> None:
    from rich.console import Console

    console = Console()
    console.print(table)
    console.print(sentence, markup=False, highlight=False)


def _write_data(columns: Sequence[str], rows: Sequence[Mapping[str, "Cell"]], *, as_json: bool) -> None:
    from annotate.sheets import write_sheet

    text = _write_json(rows) if as_json else write_sheet(columns, rows)
    # Bytes, or Windows would write its own line ends and its own encoding.
    sys.stdout.flush()
    sys.stdout.buffer.write(text.encode("utf-8"))
    sys.stdout.buffer.flush()


def _write_json(rows: Sequence[Mapping[str, "Cell"]]) -> str:
    return json.dumps(list(rows), ensure_ascii=False, indent=1) + "\n"


def _refuse_both(as_json: bool, as_csv: bool) -> None:
    from annotate.errors import AnnotateError

    if as_json and as_csv:
        raise AnnotateError("list: expected --json or --csv; found both; give one of them")


def _say_none(filtered_by: str, sentence: str, advice: str) -> None:
    if filtered_by:
        print(f"None for {filtered_by}. Without that choice, all are listed.")
    else:
        print(f"{sentence} {advice}")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _say_minutes(seconds: float) -> str:
    """Write footage as people speak of it: under two minutes in seconds, else in minutes."""
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
