"""How records look on the screen of the command line: tables like a field notebook, and data for other programs.

Date first, then tree, what, who; dates are written out, numbers have units, an empty cell says why. It asks the logbook nothing.
"""

import json
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from annotate import numbers

if TYPE_CHECKING:
    from rich.table import Table

    from annotate.logbook.effort import TreeEffort
    from annotate.logbook.places import TreeChange
    from annotate.logbook.records import (
        Count,
        Observation,
        ObservationChange,
        RecordChange,
        Tree,
        Visit,
    )
    from annotate.logbook.visits import VisitSummary
    from annotate.sheets import Cell

SPOKEN_IN_MINUTES_S = 120
SHORT_NAME = 12
"""Letters of a picture's sha256 that are shown: enough to find it in the folder of evidence."""


def lay_out_trees(found: Sequence["Tree"], counts: Mapping[int, "Count"]) -> "Table":
    """Return the trees as a table; `counts` are those of their candidates, by tree id."""
    table = make_table("Tree", "Site", "Host", "Position", "Height", "Reviewed", "Cautions")
    for tree in found:
        height = "not measured" if tree.height_m is None else f"{tree.height_m:g} m"
        add_row(
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


def lay_out_visits(found: Sequence["VisitSummary"], effort: Mapping[int, Sequence["TreeEffort"]]) -> "Table":
    """Return the visits as a table; `effort` is what was done at each tree, by visit id."""
    from annotate.field.weather import say_weather
    from annotate.zones import write_date

    table = make_table("Date", "Site", "Time", "Trees filmed", "By eye", "What", "Who", "Weather")
    for summary in found:
        visit = summary.visit
        weather = say_weather(
            temperature_c=visit.temperature_c,
            wind_beaufort=visit.wind_beaufort,
            cloud_oktas=visit.cloud_oktas,
            words=visit.weather,
        )
        add_row(
            table,
            write_date(visit.date),
            visit.site,
            say_span(visit),
            ", ".join(summary.trees) or "none",
            _say_by_eye(effort.get(visit.id, ())),
            _say_work(summary),
            visit.recorders or "not given",
            weather or "not given",
        )
    return table


def _say_by_eye(effort: Sequence["TreeEffort"]) -> str:
    minutes = [one.eye_min for one in effort if one.eye_min is not None]
    if not minutes:
        return "minutes not given"
    return f"{say_count(len(minutes), 'tree')}, {sum(minutes):g} min"


def lay_out_effort(effort: Sequence["TreeEffort"]) -> "Table":
    """Return what was done at each tree of a visit as a table."""
    from annotate.field.leaf_stages import say_leaf_stage

    table = make_table("Tree", "Footage", "By eye", "Records", "Leaves", "Note")
    for one in effort:
        footage = f"{say_minutes(one.usable_s)} usable of {say_minutes(one.filmed_s)}"
        minutes = "minutes not given" if one.eye_min is None else f"{one.eye_min:g} min"
        if one.eye_min is not None and not one.is_noted:
            minutes += ", by its records"
        records = [f"{one.found} of animals"] if one.found else []
        records += [f"{one.none_found} of none found"] if one.none_found else []
        add_row(
            table,
            one.tree,
            footage if one.filmed_s else "none",
            minutes,
            ", ".join(records) or "none",
            say_leaf_stage(one.leaf_stage_bbch) or "not noted",
            one.note or "none",
        )
    return table


def tell_history(changes: "Sequence[ObservationChange | RecordChange]", *, zone: str) -> list[str]:
    """Return a line for each change: when, who, what it was and is."""
    from annotate.histories import name_field, say_value
    from annotate.zones import find_local_date, write_clock, write_date

    def say(change: "ObservationChange | RecordChange", value: str | None) -> str:
        return say_value(change.field, value, zone=zone) or "nothing"

    return [
        f"{write_date(find_local_date(change.at, zone))}, {write_clock(change.at, zone)}, {change.who}: "
        f"{name_field(change)} was {say(change, change.old)}, is now {say(change, change.new)}"
        for change in changes
    ]


def _say_work(summary: "VisitSummary") -> str:
    if not summary.clips:
        return f"no footage; {say_count(summary.observations, 'observation')}"
    footage = f"{say_count(summary.clips, 'clip')}, {say_minutes(summary.usable_s)} usable of {say_minutes(summary.searched_s)}"
    judged = f"{summary.judged} of {say_count(summary.candidates, 'candidate')} judged"
    return f"{footage}; {judged}; {say_count(summary.observations, 'observation')}"


def say_span(visit: "Visit") -> str:
    """Return start and end by the local clock, or that they were not given."""
    from annotate.zones import write_clock

    start, end = (
        "" if moment is None else write_clock(moment, visit.zone)
        for moment in (visit.started_at, visit.ended_at)
    )
    if start and end:
        return f"{start} to {end}"
    return f"from {start}" if start else f"until {end}" if end else "times not given"


def lay_out_observations(found: Sequence["Observation"]) -> "Table":
    """Return the observations as a table."""
    from annotate.zones import find_local_date, write_clock, write_date

    table = make_table("Date", "Time", "Tree", "What", "Who", "Picture", "Number")
    for item in found:
        add_row(
            table,
            write_date(find_local_date(item.at, item.zone)),
            write_clock(item.at, item.zone),
            f"{item.site} {item.tree}" if item.tree else "no tree given",
            _say_what(item),
            f"{item.observer or 'nobody named'}, {'from footage' if item.source == 'footage' else 'by eye'}",
            f"{item.evidence[:SHORT_NAME]}…" if item.evidence else "none",
            str(item.id),
        )
    return table


def _say_what(item: "Observation") -> str:
    """Write taxon, stage, condition and behaviour; then the note, and that it was withdrawn."""
    from annotate.observations import say_place

    if item.source == "none found":
        minutes = "" if item.searched_min is None else f" in {item.searched_min:g} min"
        words = [f"{item.taxon}: searched, none found{minutes}"]
    else:
        many = f"{item.count} × " if item.count > 1 else ""
        said = [word for word in (item.condition, item.behaviour) if word]
        words = [f"{many}{item.taxon}, {item.stage or 'stage not given'}", *said]
    text = ", ".join(part for part in (*words, say_place(item)) if part)
    if item.note:
        text += f". {item.note}"
    return f"{text} (withdrawn)" if item.withdrawn_at else text


def tell_change(change: "TreeChange") -> list[str]:
    """Return a line for each field of a tree that an import changed."""

    def say(value: "Cell") -> str:
        return (
            "nothing" if value in (None, "") else f"{value:.10g}" if isinstance(value, float) else str(value)
        )

    return [
        f"  {change.site} {change.code}: {field} was {say(old)}, is now {say(new)}"
        for field, old, new in change.changed
    ]


def make_table(*headings: str) -> "Table":
    """Return an empty table as all of them look."""
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold", collapse_padding=True)
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table


def add_row(table: "Table", *cells: str) -> None:
    """Add cells as they are: what people wrote is never taken for markup, and nothing in it moves the cursor."""
    from rich.text import Text

    table.add_row(
        *(
            Text("".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in cell))
            for cell in cells
        )
    )


def print_table(table: "Table", sentence: str) -> None:
    """Print a table and the sentence that sums it up."""
    from rich.console import Console

    console = Console()
    console.print(table)
    console.print(sentence, markup=False, highlight=False)


def write_data(columns: Sequence[str], rows: Sequence[Mapping[str, "Cell"]], *, as_json: bool) -> None:
    """Write rows to standard output as JSON or CSV."""
    from annotate.sheets import write_sheet

    text = _write_json(rows) if as_json else write_sheet(columns, rows)
    # Bytes, or Windows would write its own line ends and its own encoding.
    sys.stdout.flush()
    sys.stdout.buffer.write(text.encode("utf-8"))
    sys.stdout.buffer.flush()


def _write_json(rows: Sequence[Mapping[str, "Cell"]]) -> str:
    return json.dumps(list(rows), ensure_ascii=False, indent=1) + "\n"


def print_nothing(filtered_by: str, sentence: str, *, advice: str) -> None:
    """Say why a list is empty and what to do."""
    if filtered_by:
        print(f"None for {filtered_by}. Without that choice, all are listed.")
    else:
        print(f"{sentence} {advice}")


def say_count(number: int, noun: str) -> str:
    """Write a number of things as tables and sums want it, nought as a figure too: "0 trees", "1 tree", "2 trees"."""
    return numbers.say_count(number, noun, none="0")


def say_minutes(seconds: float) -> str:
    """Write footage as people speak of it: under two minutes in seconds, else in minutes."""
    return f"{seconds:.0f} s" if seconds < SPOKEN_IN_MINUTES_S else f"{seconds / 60:.0f} min"
