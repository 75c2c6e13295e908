"""The commands for observations: list them, add what was seen by eye, import it from a file, correct, withdraw, bring back."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import (
    lay_out_observations,
    print_nothing,
    print_table,
    say_count,
    tell_history,
    write_data,
)
from annotate.commands.records import CsvOption, JsonOption, SiteOption, refuse_both

if TYPE_CHECKING:
    from annotate.logbook.opening import Logbook
    from annotate.logbook.records import Observation

observations_app = typer.Typer(
    help="List the observations, add or import what was seen by eye, correct it.", invoke_without_command=True
)
app.add_typer(observations_app, name="observations")


def _option(*names: str, what: str) -> Any:
    return typer.Option(*names, help=what, show_default=False)


StageOption = Annotated[str | None, _option("--stage", what="egg, L1 to L5, pre-pupa, pupa or adult.")]
ConditionOption = Annotated[str | None, _option("--condition", what="Such as alive, shrunken, dead.")]
BehaviourOption = Annotated[str | None, _option("--behaviour", what="Such as resting, feeding.")]
NoteOption = Annotated[str | None, _option("--note", what="Anything else.")]
CountOption = Annotated[
    str | None, _option("--count", what="How many; 0 for searched, none found. Without it: 1.")
]
HeightOption = Annotated[str | None, _option("--height", what="How high on the tree, in metres.")]
AspectOption = Annotated[
    str | None, _option("--aspect", what="Side of the tree: N, NE, E, SE, S, SW, W, NW.")
]
BranchOption = Annotated[str | None, _option("--branch", what="Which branch, in words.")]
MarkerOption = Annotated[str | None, _option("--marker", what="What was tied there to find it again.")]
MinutesOption = Annotated[str | None, _option("--minutes", what="How long was looked, in minutes.")]
ObserverOption = Annotated[
    str | None, _option("--observer", what="Who saw it. Without it: the recorder of the settings.")
]
TaxonOption = Annotated[
    str | None, _option("--taxon", what="What animal. Without it: that of the tree, or of the settings.")
]
DateOption = Annotated[
    str | None, _option("--date", what="Local date, such as 2026-05-17. Without it: today.")
]
TimeOption = Annotated[
    str | None, _option("--time", what="Local time, such as 13:42. Without it: now, or noon.")
]
PhotoOption = Annotated[Path | None, _option("--photo", what="A photo of it: JPEG, PNG or HEIC.")]
WhoOption = Annotated[
    str, _option("--who", what="Stands in the history. Without it: the recorder of the settings.")
]
NumberArgument = Annotated[
    int,
    typer.Argument(metavar="NUMBER", help="Its number, in the last column of the list.", show_default=False),
]


@observations_app.callback()
def observations(
    context: typer.Context,
    site: SiteOption = "",
    tree: Annotated[
        str, typer.Option("--tree", "-t", help="Only this tree, by its code.", show_default=False)
    ] = "",
    by_eye: Annotated[
        bool, typer.Option("--by-eye", help="Only what was seen by eye or searched for in vain.")
    ] = False,
    withdrawn: Annotated[bool, typer.Option("--withdrawn", help="Also those that were withdrawn.")] = False,
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
    logbook: LogbookOption = None,
) -> None:
    """List the observations: when, which tree, what, who. With --by-eye --csv the table can be imported again."""
    context.obj = logbook
    if context.invoked_subcommand is not None:
        return
    refuse_both(as_json, as_csv)
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
    if by_eye:
        found = tuple(item for item in found if item.source != "footage")
    if as_json or as_csv:
        write_data(COLUMNS, [describe_observation(item) for item in found], as_json=as_json)
    elif not found:
        print_nothing(
            named.code if named else site,
            "No observations yet.",
            advice="One arises from each candidate that is confirmed: leafshade review. "
            "What was seen by eye is added with: leafshade observations add",
        )
    else:
        print_table(lay_out_observations(found), _sum_up(found))


@observations_app.command("add")
def add(
    context: typer.Context,
    tree: Annotated[str, typer.Option("--tree", "-t", help="Code of the tree.", show_default=False)],
    stage: StageOption = None,
    none_found: Annotated[bool, typer.Option("--none-found", help="Searched, and none found.")] = False,
    count: CountOption = None,
    condition: ConditionOption = None,
    behaviour: BehaviourOption = None,
    height: HeightOption = None,
    aspect: AspectOption = None,
    branch: BranchOption = None,
    marker: MarkerOption = None,
    minutes: MinutesOption = None,
    note: NoteOption = None,
    date: DateOption = None,
    time: TimeOption = None,
    photo: PhotoOption = None,
    observer: ObserverOption = None,
    taxon: TaxonOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Add what was seen by eye on a tree, or that it was searched and held nothing."""
    from datetime import UTC, datetime

    from annotate.errors import AnnotateError
    from annotate.field.field_photos import read_photo_file
    from annotate.field.seen import check_together
    from annotate.logbook.by_eye import SeenEntry, add_seen
    from annotate.logbook.observations import read_observation
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.pictures import keep_picture
    from annotate.logbook.places import find_tree

    typed = _gather(
        stage=stage, condition=condition, behaviour=behaviour, note=note, count=count, height_m=height,
        aspect=aspect, branch=branch, marker=marker, searched_min=minutes, observer=observer, taxon=taxon,
    )  # fmt: skip
    values = {name: value for name, value in _read(typed).items() if value is not None}
    if none_found and values.get("count", 0) != 0:
        raise AnnotateError(
            f"count: expected 0 with --none-found; found {values['count']}; leave one of them out"
        )
    values["count"] = 0 if none_found else values.get("count", 1)
    check_together(values)
    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        place = find_tree(opened, tree)
        at = _read_moment(opened, place.site, date=date, time=time, now=datetime.now(UTC))
        values.setdefault("observer", opened.settings.recorder.name)
        picture = None if photo is None else keep_picture(opened, read_photo_file(photo))
        (done,) = add_seen(opened, [SeenEntry(tree_id=place.id, at=at, evidence=picture, **values)])
        seen = read_observation(opened, done.observation_id)
    print_table(lay_out_observations([seen]), f"Added as number {seen.id}.")


@observations_app.command("import")
def import_file(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="The table.", show_default=False)],
    observer: ObserverOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Import what was seen by eye from a CSV file: all of it, or nothing where anything in it is wrong.

    Columns: tree and date (both needed); time, site, stage, condition, behaviour, count (0 for none found), source, height_m,
    aspect, branch, marker, searched_min, note, observer, taxon, photo (a file beside the table), and all that the list writes as
    CSV. The same file again changes nothing.
    """
    from annotate.field.seen_sheets import import_seen
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        done = import_seen(opened, file, observer=observer or opened.settings.recorder.name)
    for remark in done.notes:
        print(f"Note: {remark}.")
    new = sum(one.is_new for _, one in done.rows)
    print(f"{say_count(new, 'record')} new, {len(done.rows) - new} as before.")


@observations_app.command("change")
def change(
    context: typer.Context,
    number: NumberArgument,
    tree: Annotated[
        str | None, typer.Option("--tree", "-t", help="Code of the tree.", show_default=False)
    ] = None,
    stage: StageOption = None,
    count: CountOption = None,
    condition: ConditionOption = None,
    behaviour: BehaviourOption = None,
    height: HeightOption = None,
    aspect: AspectOption = None,
    branch: BranchOption = None,
    marker: MarkerOption = None,
    minutes: MinutesOption = None,
    note: NoteOption = None,
    date: DateOption = None,
    time: TimeOption = None,
    photo: PhotoOption = None,
    observer: ObserverOption = None,
    taxon: TaxonOption = None,
    who: WhoOption = "",
    logbook: LogbookOption = None,
) -> None:
    """Correct an observation; an empty text takes a value away. What it was stays in its history."""
    from datetime import UTC, datetime

    from annotate.field.field_photos import read_photo_file
    from annotate.field.seen import check_correction
    from annotate.logbook.by_eye import correct_seen
    from annotate.logbook.observations import read_observation
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.pictures import keep_picture
    from annotate.logbook.places import find_tree
    from annotate.zones import find_local_date, to_local

    now = datetime.now(UTC)
    typed = _gather(
        stage=stage, condition=condition, behaviour=behaviour, note=note, count=count, height_m=height,
        aspect=aspect, branch=branch, marker=marker, searched_min=minutes, observer=observer, taxon=taxon,
    )  # fmt: skip
    changes = _read(typed)
    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        before = read_observation(opened, number)
        if tree is not None:
            changes["tree_id"] = find_tree(opened, tree).id
        if date is not None or time is not None:
            day = date or find_local_date(before.at, before.zone).isoformat()
            clock = time or f"{to_local(before.at, before.zone):%H:%M}"
            changes["at"] = _read_moment(opened, before.site, date=day, time=clock, now=now)
        if photo is not None:
            changes["evidence"] = keep_picture(opened, read_photo_file(photo))
        check_correction(before, changes)
        seen = correct_seen(opened, number, changes=changes, who=who or _name_recorder(opened), at=now)
    print_table(lay_out_observations([seen]), f"Number {seen.id} as it now is.")


@observations_app.command("withdraw")
def withdraw(
    context: typer.Context, number: NumberArgument, who: WhoOption = "", logbook: LogbookOption = None
) -> None:
    """Withdraw an observation by eye; it is kept, and can be brought back."""
    from datetime import UTC, datetime

    from annotate.logbook.by_eye import withdraw_seen
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        seen = withdraw_seen(opened, number, who=who or _name_recorder(opened), at=datetime.now(UTC))
    print_table(lay_out_observations([seen]), f"Number {number} is withdrawn.")


@observations_app.command("bring-back")
def bring_back(
    context: typer.Context, number: NumberArgument, who: WhoOption = "", logbook: LogbookOption = None
) -> None:
    """Let a withdrawn observation by eye stand again."""
    from datetime import UTC, datetime

    from annotate.logbook.by_eye import bring_back_seen
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        seen = bring_back_seen(opened, number, who=who or _name_recorder(opened), at=datetime.now(UTC))
    print_table(lay_out_observations([seen]), f"Number {number} stands.")


@observations_app.command("history")
def history(context: typer.Context, number: NumberArgument, logbook: LogbookOption = None) -> None:
    """Show an observation and what was changed of it later."""
    from annotate.logbook.observations import list_changes, read_observation
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook or context.obj)) as opened:
        seen = read_observation(opened, number)
        changes = list_changes(opened, number)
    print_table(lay_out_observations([seen]), f"{say_count(len(changes), 'change')}.")
    for line in tell_history(changes, zone=seen.zone):
        print(line)


def _sum_up(found: "tuple[Observation, ...]") -> str:
    trees_seen = len({(item.site, item.tree) for item in found if item.tree})
    none = sum(item.source == "none found" for item in found)
    text = f"{say_count(len(found), 'observation')} on {say_count(trees_seen, 'tree')}"
    return f"{text}, {none} of them of none found." if none else f"{text}."


def _gather(**typed: str | None) -> dict[str, str]:
    return {name: text for name, text in typed.items() if text is not None}


def _read(typed: Mapping[str, str]) -> dict[str, Any]:
    from annotate.field.seen import read_value

    return {name: read_value(name, text) for name, text in typed.items()}


def _read_moment(logbook: "Logbook", site: str, *, date: str | None, time: str | None, now: Any) -> Any:
    from annotate.field.seen import read_moment
    from annotate.field.visits import read_date
    from annotate.logbook.visits import find_site
    from annotate.zones import find_local_date

    if date is None and time is None:
        return now
    zone = find_site(logbook, site).zone
    day = read_date(date) if date else find_local_date(now, zone)
    return read_moment(time or "", day=day, zone=zone, now=now)


def _name_recorder(logbook: "Logbook") -> str:
    return logbook.settings.recorder.name or "recorder"
