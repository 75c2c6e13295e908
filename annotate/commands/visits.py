"""The commands for visits: list them, add or change one, see what was done at each tree, see what was changed when."""

from collections.abc import Mapping, Sequence
from datetime import date as Date
from typing import TYPE_CHECKING, Annotated, Any

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import (
    lay_out_effort,
    lay_out_visits,
    print_nothing,
    print_table,
    say_count,
    say_minutes,
    say_span,
    tell_history,
    write_data,
)
from annotate.commands.records import CsvOption, JsonOption, SiteOption, refuse_both

if TYPE_CHECKING:
    from annotate.logbook.opening import Logbook
    from annotate.logbook.records import Site, Visit

visits_app = typer.Typer(help="List the visits, add or change one.", invoke_without_command=True)
app.add_typer(visits_app, name="visits")

DateOption = Annotated[
    str, typer.Option("--date", help="Local date, such as 2026-05-17.", show_default=False)
]
OneSiteOption = Annotated[
    str,
    typer.Option(
        "--site", "-s", help="Code of the site; not needed where there is only one.", show_default=False
    ),
]


def _option(*names: str, what: str) -> Any:
    return typer.Option(*names, help=what, show_default=False)


StartOption = Annotated[str | None, _option("--start", what="Local time, such as 09:10.")]
EndOption = Annotated[str | None, _option("--end", what="Local time, such as 10:45.")]
RecordersOption = Annotated[str | None, _option("--recorders", what="Who was there.")]
TemperatureOption = Annotated[str | None, _option("--temperature", what="In degrees Celsius, such as 14.5.")]
WindOption = Annotated[
    str | None, _option("--wind", what='Beaufort number 0 to 12, or its name, such as "gentle breeze".')
]
CloudOption = Annotated[
    str | None, _option("--cloud", what="Eighths of the sky, 0 to 8; 9 where it cannot be seen.")
]
WeatherOption = Annotated[str | None, _option("--weather", what="The weather in words.")]
NotesOption = Annotated[str | None, _option("--notes", what="Anything else.")]
LeafOption = Annotated[
    list[str] | None,
    _option("--leaf", what="Leaf stage of a tree by its BBCH code, such as OT03=11. May be said again."),
]
MinutesOption = Annotated[
    list[str] | None,
    _option("--by-eye", what="Minutes a tree was looked over by eye, such as OT03=12. May be said again."),
]
WhoOption = Annotated[
    str, _option("--who", what="Stands in the history. Without it: the recorder of the settings.")
]


@visits_app.callback()
def visits(
    context: typer.Context,
    site: SiteOption = "",
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
    logbook: LogbookOption = None,
) -> None:
    """List the visits, add or change one. A visit arises by itself when clips of a tree are searched or records made by eye."""
    context.obj = logbook
    if context.invoked_subcommand is not None:
        return
    refuse_both(as_json, as_csv)
    from annotate.field.visits import COLUMNS, describe_visit
    from annotate.logbook.effort import list_effort
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.visits import list_visits

    with open_logbook(choose_logbook(logbook)) as opened:
        found = list_visits(opened, site=site)
        effort = list_effort(opened)
    if as_json or as_csv:
        rows = [describe_visit(summary, effort.get(summary.visit.id, ())) for summary in found]
        write_data(COLUMNS, rows, as_json=as_json)
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
            lay_out_visits(found, effort),
            f"{say_count(len(found), 'visit')}, {say_minutes(searched_s)} of footage searched.",
        )


@visits_app.command("add")
def add_visit(
    context: typer.Context,
    date: DateOption,
    site: OneSiteOption = "",
    start: StartOption = None,
    end: EndOption = None,
    recorders: RecordersOption = None,
    temperature: TemperatureOption = None,
    wind: WindOption = None,
    cloud: CloudOption = None,
    weather: WeatherOption = None,
    notes: NotesOption = None,
    leaf: LeafOption = None,
    by_eye: MinutesOption = None,
    who: WhoOption = "",
    logbook: LogbookOption = None,
) -> None:
    """Add a visit, or complete the one that the site has on that date; what is not said stays as it was."""
    typed = _gather(start, end, recorders, temperature, wind, cloud, weather, notes)
    # Empty is not said: completing takes nothing away.
    typed = {name: text for name, text in typed.items() if text}
    _write(
        context, date, site, typed=typed, leaf=leaf, by_eye=by_eye, who=who, logbook=logbook, must_exist=False
    )


@visits_app.command("change")
def change_visit(
    context: typer.Context,
    date: DateOption,
    site: OneSiteOption = "",
    start: StartOption = None,
    end: EndOption = None,
    recorders: RecordersOption = None,
    temperature: TemperatureOption = None,
    wind: WindOption = None,
    cloud: CloudOption = None,
    weather: WeatherOption = None,
    notes: NotesOption = None,
    leaf: LeafOption = None,
    by_eye: MinutesOption = None,
    who: WhoOption = "",
    logbook: LogbookOption = None,
) -> None:
    """Change a visit. An empty text takes a value away: --start "" --end "" lets the footage say the times again."""
    typed = _gather(start, end, recorders, temperature, wind, cloud, weather, notes)
    _write(
        context, date, site, typed=typed, leaf=leaf, by_eye=by_eye, who=who, logbook=logbook, must_exist=True
    )


@visits_app.command("show")
def show_visit(
    context: typer.Context, date: DateOption, site: OneSiteOption = "", logbook: LogbookOption = None
) -> None:
    """Show one visit: weather, what was done at each tree, and what was changed of it later."""
    from annotate.field.visits import read_date
    from annotate.field.weather import say_weather
    from annotate.logbook.changes import list_record_changes
    from annotate.logbook.effort import list_effort
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.visits import find_site, list_visits
    from annotate.zones import write_date

    day = read_date(date)
    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        place = find_site(opened, site)
        visit = _find_visit([one.visit for one in list_visits(opened, site=place.code)], place, day)
        effort = list_effort(opened).get(visit.id, ())
        changes = list_record_changes(opened, "visit", visit.id)
    weather = say_weather(
        temperature_c=visit.temperature_c,
        wind_beaufort=visit.wind_beaufort,
        cloud_oktas=visit.cloud_oktas,
        words=visit.weather,
    )
    print(f"{visit.site}, {write_date(visit.date)}, {say_span(visit)}")
    print(f"Recorders: {visit.recorders or 'not given'}")
    print(f"Weather: {weather or 'not given'}")
    if visit.notes:
        print(f"Notes: {visit.notes}")
    told = [one for one in effort if not one.is_empty]
    print_table(
        lay_out_effort(told), f"{say_count(len(told), 'tree')} of {len(effort)} filmed, searched or noted."
    )
    for line in tell_history(changes, zone=visit.zone):
        print(line)


def _gather(
    start: str | None,
    end: str | None,
    recorders: str | None,
    temperature: str | None,
    wind: str | None,
    cloud: str | None,
    weather: str | None,
    notes: str | None,
) -> dict[str, str]:
    """Return what was typed, by the names of a visit's values; what was not given is not in it."""
    given = {
        "started_at": start,
        "ended_at": end,
        "recorders": recorders,
        "temperature_c": temperature,
        "wind_beaufort": wind,
        "cloud_oktas": cloud,
        "weather": weather,
        "notes": notes,
    }
    return {name: text for name, text in given.items() if text is not None}


def _write(
    context: typer.Context,
    date: str,
    site: str,
    *,
    typed: Mapping[str, str],
    leaf: Sequence[str] | None,
    by_eye: Sequence[str] | None,
    who: str,
    logbook: LogbookOption,
    must_exist: bool,
) -> None:
    from annotate.field.visits import read_date, read_visit_values
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.visits import find_site, list_visits, write_visit
    from annotate.zones import write_date

    day = read_date(date)
    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        place = find_site(opened, site)
        if must_exist:
            _find_visit([one.visit for one in list_visits(opened, site=place.code)], place, day)
        visit, is_new = write_visit(
            opened,
            place.code,
            day=day,
            changes=read_visit_values(typed, day=day, zone=place.zone),
            trees=_read_trees(opened, place, leaf=leaf or (), by_eye=by_eye or ()),
            who=who,
        )
    done = "Added" if is_new else "Changed" if must_exist else "Completed"
    print(f"{done} the visit to {visit.site} on {write_date(visit.date)}, {say_span(visit)}.")


def _find_visit(visits: Sequence["Visit"], site: "Site", day: Date) -> "Visit":
    from annotate.errors import AnnotateError
    from annotate.zones import write_date

    for visit in visits:
        if visit.date == day:
            return visit
    nearest = min(visits, key=lambda one: abs(one.date - day), default=None)
    advice = f"the nearest is of {nearest.date}" if nearest else "this site has none"
    raise AnnotateError(
        f"visit: expected the date of a visit to {site.code}; found {write_date(day)}; {advice}, "
        "and leafshade visits add makes a new one"
    )


def _read_trees(
    logbook: "Logbook", site: "Site", *, leaf: Sequence[str], by_eye: Sequence[str]
) -> dict[int, dict[str, Any]]:
    """Return what was said of trees, by tree id and the names of a tree's notes."""
    from annotate.field.visits import read_tree_note
    from annotate.logbook.places import find_tree

    notes: dict[int, dict[str, Any]] = {}
    for option, name, words in (("--leaf", "leaf_stage_bbch", leaf), ("--by-eye", "eye_min", by_eye)):
        for word in words:
            code, mark, value = word.partition("=")
            if not mark:
                from annotate.errors import AnnotateError

                raise AnnotateError(
                    f"{option}: expected a tree and a value, such as OT03=11; found {word!r}; write both"
                )
            tree = find_tree(logbook, code if "/" in code else f"{site.code}/{code.strip()}")
            notes.setdefault(tree.id, {})[name] = read_tree_note(name, value)
    return notes
