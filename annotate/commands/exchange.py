"""The commands for a label server: send candidates, bring people's answers back, say what was exchanged."""

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import print_table, say_count, write_data

if TYPE_CHECKING:
    from rich.table import Table

    from annotate.exchange.pulling import Conflict, Opinion, PullReport
    from annotate.exchange.pushing import OnProgress, PushReport
    from annotate.exchange.server import LabelServer
    from annotate.logbook.exchange import SentSum
    from annotate.logbook.opening import Logbook

USUAL_PROJECT = "Leafshade"
MOST_PROBLEMS_SHOWN = 20

# The address is never read from the logbook: one that came from somebody else could send the token anywhere.
ServerOption = Annotated[
    str,
    typer.Option(
        "--server",
        "-s",
        envvar="LEAFSHADE_LABEL_SERVER",
        help="Address of the label server, such as https://labels.example.org.",
        show_default=False,
    ),
]
ProjectOption = Annotated[str, typer.Option("--project", "-p", help="Title or number of the project there.")]
PlainHttpOption = Annotated[
    bool,
    typer.Option("--plain-http", help="Allow http to another computer: everybody on the way sees the token."),
]

exchange_app = typer.Typer(
    help="Let people judge candidates on a label server, and bring their answers back.", no_args_is_help=True
)
app.add_typer(exchange_app, name="exchange")


@exchange_app.command("push")
def push(
    server: ServerOption,
    project: ProjectOption = USUAL_PROJECT,
    tree: Annotated[
        str,
        typer.Option("--tree", "-t", help="Only candidates of this tree, by its code.", show_default=False),
    ] = "",
    answer: Annotated[
        str,
        typer.Option("--answer", help="Only candidates with this answer: open, unsure, confirm, dismiss."),
    ] = "open",
    limit: Annotated[
        int | None,
        typer.Option("--limit", min=1, help="At most so many, most promising first.", show_default=False),
    ] = None,
    without_tree: Annotated[
        bool, typer.Option("--without-tree", help="Leave tree, date and time out of the tasks.")
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="Also send once more what was removed on the server.")
    ] = False,
    plain_http: PlainHttpOption = False,
    logbook: LogbookOption = None,
) -> None:
    """Send candidates to a label server: the picture, and outline and box as a suggestion.

    Each is sent once; what was stopped goes on. The token is read from LEAFSHADE_LABEL_SERVER_TOKEN, or from the system's
    keyring.

    Everybody with access to the project sees the pictures, and pictures can betray a place: a bark, a skyline, a sign. With
    --without-tree they go without tree and date, but they go.
    """
    from annotate.exchange.pushing import PushOrder, push_candidates
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.places import find_tree
    from annotate.words import ANSWERS, read_word

    word = read_word(answer, ANSWERS, what="answer") or "open"
    with open_logbook(choose_logbook(logbook)) as opened:
        order = PushOrder(
            project=project.strip(),
            answer=word,  # type: ignore[arg-type]
            tree_id=find_tree(opened, tree).id if tree else None,
            limit=limit,
            with_tree=not without_tree,
            again=again,
        )
        with _reach(server, plain_http=plain_http) as reached, _show_progress() as on_progress:
            report = push_candidates(opened, reached, order, on_progress=on_progress)
    _tell_push(report)


@exchange_app.command("pull")
def pull(
    server: ServerOption,
    project: ProjectOption = USUAL_PROJECT,
    take: Annotated[
        list[int] | None,
        typer.Option(
            "--take",
            help="Take answers on this candidate although they are older than what was said here. May be repeated.",
            show_default=False,
        ),
    ] = None,
    take_all: Annotated[bool, typer.Option("--take-all", help="Take all of those.")] = False,
    plain_http: PlainHttpOption = False,
    logbook: LogbookOption = None,
) -> None:
    """Bring people's answers back as verdicts, with who gave them when, and outlines that they corrected.

    Each version of an answer is taken once. The newest verdict counts: an answer that is older than a different one given here is
    held back and shown, until it is taken with --take.
    """
    from annotate.exchange.pulling import pull_answers
    from annotate.logbook.opening import open_logbook

    with (
        open_logbook(choose_logbook(logbook)) as opened,
        _reach(server, plain_http=plain_http) as reached,
    ):
        report = pull_answers(
            opened, reached, project=project.strip(), take=frozenset(take or ()), take_all=take_all
        )
        _tell_pull(opened, report)


@exchange_app.command("status")
def status(
    as_json: Annotated[bool, typer.Option("--json", help="Write it as JSON: an array of objects.")] = False,
    logbook: LogbookOption = None,
) -> None:
    """Say what was sent to which label server and how much came back; nothing is asked of a server."""
    from annotate.logbook.exchange import sum_sent
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook)) as opened:
        sums = sum_sent(opened)
        zone = opened.settings.place.zone
    if as_json:
        columns = ("server", "project", "tasks", "answered", "answers", "last_sent_at")
        write_data(columns, [_describe_sum(one) for one in sums], as_json=True)
    elif not sums:
        print("Nothing was sent to a label server yet. Send candidates with: leafshade exchange push")
    else:
        answered, tasks = sum(one.answered for one in sums), sum(one.tasks for one in sums)
        print_table(_lay_out_sums(sums, zone), f"{answered} of {say_count(tasks, 'task')} answered.")


@contextmanager
def _reach(address: str, *, plain_http: bool) -> "Iterator[LabelServer]":
    from annotate.exchange.addresses import read_address
    from annotate.exchange.server import open_server
    from annotate.exchange.tokens import find_token

    plain = read_address(address, plain_http=plain_http)
    with open_server(plain, find_token(plain)) as server:
        yield server


@contextmanager
def _show_progress() -> "Iterator[OnProgress]":
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (TextColumn("Sending"), BarColumn(), MofNCompleteColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _tell_push(report: "PushReport") -> None:
    made = "made now" if report.is_new else "there before"
    print(f"Project {report.project.id}, {_make_plain(report.project.title)!r}, {made}.")
    print(f"{say_count(report.sent, 'candidate')} sent.")
    if report.found:
        print(f"{say_count(report.found, 'candidate')} had arrived before without being noted.")
    if report.completed:
        print(f"{say_count(report.completed, 'task')} got the suggestion that was missing.")
    _tell_vanished(report.vanished)
    _tell_problems(report.problems)


def _tell_pull(logbook: "Logbook", report: "PullReport") -> None:
    outlines = f", {say_count(report.outlines, 'outline')} corrected" if report.outlines else ""
    as_what = "a verdict" if report.taken == 1 else "verdicts"
    print(f"{say_count(report.taken, 'answer')} taken as {as_what}{outlines}; {report.known} known before.")
    if report.agreed:
        print(f"{say_count(report.agreed, 'older answer')} agreed with what was said here since.")
    if report.skipped:
        print(f"{say_count(report.skipped, 'task')} skipped by somebody.")
    if report.foreign:
        print(f"{say_count(report.foreign, 'task')} of others passed over.")
    if report.conflicts:
        told = f"{say_count(len(report.conflicts), 'difference')}, {report.held} held back."
        print_table(_lay_out_conflicts(report.conflicts, logbook.settings.place.zone), told)
    _tell_vanished(report.vanished)
    _tell_problems(report.problems)


def _tell_vanished(vanished: Sequence[int]) -> None:
    if vanished:
        shown = ", ".join(map(str, vanished[:MOST_PROBLEMS_SHOWN]))
        more = ", …" if len(vanished) > MOST_PROBLEMS_SHOWN else ""
        print(
            f"{say_count(len(vanished), 'task')} removed on the server (candidates {shown}{more}); "
            "send again with: leafshade exchange push --again"
        )


def _tell_problems(problems: Sequence[str]) -> None:
    for problem in problems[:MOST_PROBLEMS_SHOWN]:
        print(f"leafshade: {_make_plain(problem)}", file=sys.stderr)
    if len(problems) > MOST_PROBLEMS_SHOWN:
        print(f"leafshade: and {len(problems) - MOST_PROBLEMS_SHOWN} more like it", file=sys.stderr)


def _lay_out_conflicts(conflicts: "Sequence[Conflict]", zone: str) -> "Table":
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="bold", collapse_padding=True)
    for heading in ("Candidate", "Tree", "Who says what", "What counts"):
        table.add_column(heading, overflow="fold")
    for one in conflicts:
        said = "\n".join(_say_opinion(opinion, zone) for opinion in one.said)
        tree = f"{one.site} {one.tree}".strip() or "no tree given"
        table.add_row(str(one.candidate_id), Text(tree), Text(said), Text(one.counts))
    return table


def _say_opinion(opinion: "Opinion", zone: str) -> str:
    from annotate.zones import find_local_date, write_clock, write_date

    if opinion.at is None:
        return "nobody yet"
    when = f"{write_date(find_local_date(opinion.at, zone))}, {write_clock(opinion.at, zone)}"
    return f"{_make_plain(opinion.reviewer)}: {opinion.answer} ({when})"


def _lay_out_sums(sums: "Sequence[SentSum]", zone: str) -> "Table":
    from rich.table import Table
    from rich.text import Text

    from annotate.zones import find_local_date, write_date

    table = Table(box=None, pad_edge=False, header_style="bold", collapse_padding=True)
    table.add_column("Label server", overflow="fold")
    for heading in ("Project", "Tasks", "Answered", "Answers", "Last sent"):
        table.add_column(heading, justify="right")
    for one in sums:
        day = write_date(find_local_date(one.last_sent_at, zone))
        numbers = (one.project, one.tasks, one.answered, one.answers)
        table.add_row(Text(_make_plain(one.server)), *map(str, numbers), day)
    return table


def _describe_sum(one: "SentSum") -> dict[str, str | int | float | None]:
    return {
        "server": one.server,
        "project": one.project,
        "tasks": one.tasks,
        "answered": one.answered,
        "answers": one.answers,
        "last_sent_at": one.last_sent_at.isoformat(),
    }


def _make_plain(text: str) -> str:
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
