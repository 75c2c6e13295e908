"""The Typer application, the options every command shares, and the border where errors become one line."""

import sys
from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from annotate.errors import AnnotateError
from detect.errors import DetectError
from models.errors import ModelsError

COMMAND_FILES = (
    "records",
    "register",
    "visits",
    "observations",
    "search",
    "review",
    "demo",
    "draw",
    "evaluate",
    "labels",
    "train",
    "readers",
    "reach",
    "cards",
    "track",
    "sheet",
    "sizes",
    "exchange",
    "audit",
    "plant",
    "order",
)

app = typer.Typer(
    name="leafshade",
    help="Search walk-under video for canopy caterpillars, judge what was found, keep the records.",
    invoke_without_command=True,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

LogbookOption = Annotated[
    Path | None,
    typer.Option(
        "--logbook",
        "-l",
        envvar="LEAFSHADE_LOGBOOK",
        help="The logbook folder. Without it: this folder, or the nearest one above that is a logbook.",
        show_default=False,
    ),
]


@app.callback()
def start(
    version: Annotated[bool, typer.Option("--version", help="Say which version this is, and end.")] = False,
) -> None:
    """Search walk-under video for canopy caterpillars, judge what was found, keep the records."""
    if version:
        from importlib.metadata import version as read_version

        print(f"leafshade {read_version('leafshade')}")
        raise typer.Exit


def choose_logbook(given: Path | None) -> Path:
    """Return the logbook folder a command works on: the one named, else this folder or the nearest above that is one."""
    from annotate.logbook.opening import find_logbook

    return given if given is not None else find_logbook(Path.cwd())


def run() -> int:
    """Load the commands, run what was asked, and return the exit code."""
    for name in COMMAND_FILES:
        import_module(f"annotate.commands.{name}")
    try:
        app(standalone_mode=True)
    except (AnnotateError, DetectError, ModelsError) as error:
        print(f"leafshade: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("leafshade: stopped; run the same command again to go on", file=sys.stderr)
        return 130
    return 0
