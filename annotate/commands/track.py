"""The commands that tie clips to trees by place and time: track, clock, stretches."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import add_row, make_table, print_table, say_count, write_data
from annotate.commands.records import CsvOption, JsonOption, refuse_both

if TYPE_CHECKING:
    from annotate.logbook.opening import Logbook

WhoOption = Annotated[
    str,
    typer.Option(
        "--who", help="Stands in the history. Without it: the recorder of the settings.", show_default=False
    ),
]
ASKED_COLUMNS = ("id", "clip", "site", "tree", "start_s", "end_s", "source", "doubt")


@app.command("track")
def track(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A .gpx file.", show_default=False)],
    offset: Annotated[
        str,
        typer.Option(
            help="What to add to the camera's clock, such as +1h or -90s. Without it: read off from where the clips were "
            "filmed.",
            show_default=False,
        ),
    ] = "",
    site: Annotated[
        str, typer.Option("--site", "-s", help="Only trees of this site, by its code.", show_default=False)
    ] = "",
    who: WhoOption = "",
    logbook: LogbookOption = None,
) -> None:
    """Cut clips into stretches by a GPX track of the walk: which tree the recorder stood under when.

    All of it or nothing. What a person or a card said of a clip stays. A stretch whose tree is not certain says what it may be
    and is asked about: see them with `leafshade stretches`.
    """
    from annotate.field.walked import follow_track
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook)) as opened:
        done = follow_track(
            opened, file, offset=offset, site=site, who=who or opened.settings.recorder.name or "recorder"
        )
        for note in done.notes:
            print(f"Note: {note}.")
        print(
            f"{say_count(done.positions, 'position')}, {say_count(done.clips, 'clip')} along the way; {done.clock}."
        )
        print(
            f"{say_stretches(done.certain)} certain, {done.asked} in doubt; "
            f"{say_count(done.changed, 'clip')} changed."
        )
        if done.asked:
            _print_asked(opened)


@app.command("stretches")
def stretches(
    settle: Annotated[
        int,
        typer.Option(
            metavar="NUMBER", help="Answer for the stretch of this number, with --tree.", show_default=False
        ),
    ] = 0,
    tree: Annotated[
        str, typer.Option("--tree", "-t", help="The tree it was filmed under.", show_default=False)
    ] = "",
    who: WhoOption = "",
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
    logbook: LogbookOption = None,
) -> None:
    """List the stretches of clips whose tree is in doubt, or answer for one of them."""
    refuse_both(as_json, as_csv)
    from annotate.errors import AnnotateError
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.places import find_tree
    from annotate.logbook.tracks import list_asked, settle_stretch

    if bool(settle) != bool(tree):
        raise AnnotateError(
            "stretches: expected --settle and --tree together; found one of them; give both, or none to see the list"
        )
    with open_logbook(choose_logbook(logbook)) as opened:
        if settle:
            named = find_tree(opened, tree)
            by = who or opened.settings.recorder.name or "recorder"
            settle_stretch(opened, settle, tree_id=named.id, who=by)
            print(f"Stretch {settle} was filmed under {named.code}.")
        elif as_json or as_csv:
            rows = [{name: getattr(one, name) for name in ASKED_COLUMNS} for one in list_asked(opened)]
            write_data(ASKED_COLUMNS, rows, as_json=as_json)
        else:
            _print_asked(opened)


@app.command("clock")
def clock(
    offset: Annotated[
        str,
        typer.Option(help="What to add to the camera's clock: +1h, -90s; 0 for nothing.", show_default=False),
    ],
    clip: Annotated[
        list[str] | None,
        typer.Option("--clip", help="A clip by its name or number. May be said again.", show_default=False),
    ] = None,
    visit: Annotated[
        str, typer.Option("--visit", help="All clips of the visit on this local date.", show_default=False)
    ] = "",
    site: Annotated[
        str, typer.Option("--site", "-s", help="Of this site, by its code.", show_default=False)
    ] = "",
    who: WhoOption = "",
    logbook: LogbookOption = None,
) -> None:
    """Put a camera's clock right: clips, candidates and observations move together, and the history keeps what was.

    The offset is that from the clock as the camera wrote it, not from the last one said.
    """
    from annotate.field.walked import correct_clock
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook)) as opened:
        lines = correct_clock(
            opened,
            offset,
            clips=clip or [],
            visit=visit,
            site=site,
            who=who or opened.settings.recorder.name or "recorder",
        )
    for line in lines:
        print(line)


def say_stretches(number: int) -> str:
    """Write a number of stretches: "1 stretch", "2 stretches"."""
    return f"{number} {'stretch' if number == 1 else 'stretches'}"


def _print_asked(logbook: "Logbook") -> None:
    from annotate.logbook.tracks import list_asked

    asked = list_asked(logbook)
    if not asked:
        print("No stretch is in doubt.")
        return
    table = make_table("No.", "clip", "from", "to", "tree", "in doubt because")
    for one in asked:
        add_row(
            table, str(one.id), one.clip, f"{one.start_s:.0f} s", f"{one.end_s:.0f} s", one.tree, one.doubt
        )
    print_table(
        table,
        f"{say_stretches(len(asked))} in doubt. Answer with: leafshade stretches --settle NUMBER --tree CODE",
    )
