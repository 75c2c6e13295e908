"""The Typer application, the options every command shares, and the border where errors become one line."""

import sys
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

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

INTERRUPTED = 130
"""Exit code after Ctrl-C: 128 and the number of SIGINT, as shells give it."""


class _Commands(TyperGroup):
    """All commands; one that is interrupted says so, where Typer would end without a word."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            _tell_stopped()
            raise typer.Exit(INTERRUPTED) from None


app = typer.Typer(
    cls=_Commands,
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
    try:
        for name in COMMAND_FILES:
            import_module(f"annotate.commands.{name}")
        app(standalone_mode=True)
    except (AnnotateError, DetectError, ModelsError) as error:
        print(f"leafshade: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        _tell_stopped()
        return INTERRUPTED
    return 0


def _tell_stopped() -> None:
    print("leafshade: stopped; run the same command again to go on", file=sys.stderr)
