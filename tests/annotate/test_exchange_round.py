"""Candidates go to a label server as tasks, people's answers come back as verdicts; repeated, stopped halfway, in conflict."""

import base64
import json
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

pytest.importorskip(
    "label_studio_sdk", reason="the SDK of label servers is not installed: pip install '.[test]'"
)

from annotate.commands import exchange
from annotate.commands.base import app
from annotate.exchange.labelling import write_key
from annotate.exchange.percentages import read_points
from annotate.exchange.pushing import hold_exchange
from annotate.exchange.tokens import TOKEN_VARIABLE
from annotate.logbook.exchange import OfferedCandidate, load_offered
from annotate.logbook.observations import list_changes, list_observations, set_details
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.outlines import correct_outline
from annotate.logbook.pictures import read_picture
from annotate.logbook.review import find_candidate
from annotate.logbook.tables import OutlineCorrectionRow
from annotate.logbook.verdicts import give_verdict, list_verdicts
from tests.annotate.made_label_server import TOKEN, MadeServer, Trouble, run_label_server
from tests.annotate.made_records import add_trees, film, make_candidate, search

assert exchange  # imported so that the commands are there

Run = Callable[..., Result]
CANDIDATES = 5
SENT = datetime(2026, 5, 17, 20, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
PEOPLE = [
    {"id": 7, "first_name": "Tove", "last_name": "Falk", "username": "tove", "email": "t@example.org"},
    {"id": 8, "first_name": "", "last_name": "", "username": "ben", "email": "b@example.org"},
]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two trees; four silhouettes and one feeding mark on OT03 and OT04, the first the most promising."""
    folder = create_logbook(tmp_path_factory.mktemp("made") / "book", zone="Europe/London")
    with open_logbook(folder) as opened:
        add_trees(opened, "OT03", "OT04")
        found = [make_candidate(10.0 * n, score=1 - n / 10, shade=n) for n in (1, 2, 3)]
        search(opened, film(opened, tree="OT03"), found)
        more = [
            make_candidate(10.0, score=0.5, shade=8),
            make_candidate(20.0, kind="feeding", score=0.4, shade=9),
        ]
        search(opened, film(opened, number=2, tree="OT04"), more, scorer="made 2")
    return folder


@pytest.fixture
def logbook(made: Path, tmp_path: Path) -> Iterator[Logbook]:
    """A copy of its own for each test: making one takes most of the time of a test."""
    with open_logbook(shutil.copytree(made, tmp_path / "book")) as opened:
        yield opened


@pytest.fixture
def server() -> Iterator[MadeServer]:
    with run_label_server(people=list(PEOPLE)) as made:
        yield made


@pytest.fixture
def run(logbook: Logbook, server: MadeServer, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run `leafshade exchange ...`; errors are raised as the border of the command line meets them."""
    monkeypatch.setenv("LEAFSHADE_LOGBOOK", str(logbook.folder))
    monkeypatch.setenv("LEAFSHADE_LABEL_SERVER", server.address)
    monkeypatch.setenv(TOKEN_VARIABLE, TOKEN)
    monkeypatch.setenv("COLUMNS", "220")
    monkeypatch.setattr("annotate.exchange.pushing.PAUSES_S", (0.0, 0.0))
    monkeypatch.setattr("annotate.exchange.wire.WAITS_S", (0.0, 0.0))

    def invoke(*arguments: str) -> Result:
        return CliRunner().invoke(app, ["exchange", *arguments], catch_exceptions=False)

    return invoke


def load(logbook: Logbook, candidate_id: int) -> OfferedCandidate:
    (one,) = load_offered(logbook, [candidate_id])
    return one


def find_task(server: MadeServer, logbook: Logbook, candidate_id: int) -> int:
    (number,) = server.find_keyed(write_key(load(logbook, candidate_id)))
    return number


def list_corrections(logbook: Logbook) -> list[OutlineCorrectionRow]:
    with logbook.reading() as session:
        return list(session.query(OutlineCorrectionRow).order_by(OutlineCorrectionRow.id))


def test_a_task_holds_picture_suggestion_model_and_score(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """The picture's bytes, the outline and box where they are in it, the scorer's name, the score, the tree and date."""
    assert "5 candidates sent" in run("push").stdout
    (project,) = server.projects.values()
    assert project["title"] == "Leafshade" and len(server.tasks) == CANDIDATES
    candidate = load(logbook, 1)
    task = server.tasks[find_task(server, logbook, 1)]
    head, coded = task["data"]["picture"].split(",")
    assert head == "data:image/jpeg;base64"
    assert base64.b64decode(coded) == read_picture(logbook, candidate.picture)
    assert task["data"]["about"] == "silhouette, 30 px long; tree OTTERHOLT OT03, 17 May 2026, 12:00 BST"
    (suggestion,) = task["predictions"]
    assert (suggestion["model_version"], suggestion["score"]) == ("made 1", 0.9)
    outline, box = suggestion["result"]
    assert outline["value"]["polygonlabels"] == box["value"]["rectanglelabels"] == ["larva"]
    # The body of `make_view`: rows 8 to 18 and columns 4 to 34 of a picture of 24 rows and 32 columns, cut at its edge.
    assert box["value"] == {"x": 12.5, "y": 33.33333, "width": 87.5, "height": 41.66667} | {
        "rotation": 0,
        "rectanglelabels": ["larva"],
    }
    assert outline["value"]["points"][0] == [
        pytest.approx(4.5 / 32 * 100),
        pytest.approx(8.5 / 24 * 100, abs=1e-4),
    ]
    feeding = server.tasks[find_task(server, logbook, 5)]["predictions"][0]
    assert feeding["model_version"] == "made 2"
    assert feeding["result"][0]["value"]["polygonlabels"] == ["feeding"]


def test_without_tree_nothing_says_where_or_when(run: Run, server: MadeServer) -> None:
    """With --without-tree neither tree, site, date, time, clip nor path stands anywhere in what was sent."""
    run("push", "--without-tree")
    sent = b"".join(asked.body for asked in server.asked)
    assert len(server.tasks) == CANDIDATES
    for word in (b"OT03", b"OT04", b"OTTERHOLT", b"2026", b"May", b"walk", b"clips"):
        assert word not in sent


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--tree", "OT04"], {4, 5}),
        (["--limit", "2"], {1, 2}),
        (["--answer", "unsure"], {3}),
        (["--answer", "dismiss"], set()),
    ],
)
def test_what_is_sent_can_be_chosen(
    run: Run, server: MadeServer, logbook: Logbook, arguments: list[str], expected: set[int]
) -> None:
    """By tree, by answer, and at most so many of the most promising."""
    give_verdict(logbook, 3, answer="unsure", reviewer="Maren", at=SENT)
    run("push", *arguments)
    keys = {write_key(one): one.id for one in load_offered(logbook, range(1, 6))}
    assert {keys[task["data"]["candidate"]] for task in server.tasks.values()} == expected


def test_pushing_again_adds_only_what_is_new(run: Run, server: MadeServer, logbook: Logbook) -> None:
    """The same push sends nothing; a candidate that a later search found goes alone; another project gets all."""
    run("push")
    assert "0 candidates sent" in run("push").stdout and len(server.tasks) == CANDIDATES
    search(logbook, film(logbook, number=3, tree="OT03"), [make_candidate(5.0, shade=20)])
    assert "1 candidate sent" in run("push").stdout and len(server.tasks) == CANDIDATES + 1
    assert "6 candidates sent" in run("push", "--project", "Second").stdout
    assert len(server.projects) == 2


def test_a_project_is_found_by_number_and_made_only_by_push(run: Run, server: MadeServer) -> None:
    """Pull makes none; a number that is not there, a title twice and a project laid out otherwise are refused in words."""
    assert "expected a project 'Leafshade'; found none" in str(catch(run, "pull"))
    run("push", "--project", "Leafshade")
    (number,) = server.projects
    assert "0 candidates sent" in run("push", "--project", str(number)).stdout
    assert "found none" in str(catch(run, "push", "--project", "999999"))
    server.projects[500] = {"id": 500, "title": "Leafshade", "label_config": "<View/>"}
    assert "found 2" in str(catch(run, "push"))
    assert "no a labelling" not in str(catch(run, "push", "--project", "500"))
    assert "to be laid out for candidates" in str(catch(run, "push", "--project", "500"))
    assert len(server.projects) == 2


def catch(run: Run, *arguments: str) -> Exception:
    from annotate.errors import AnnotateError

    with pytest.raises(AnnotateError) as caught:
        run(*arguments)
    return caught.value


def test_answers_come_back_as_verdicts(run: Run, server: MadeServer, logbook: Logbook) -> None:
    """Larva and feeding confirm, nothing dismisses with its reason, doubtful is unsure; author and time are the annotator's."""
    run("push")
    tasks = {n: find_task(server, logbook, n) for n in range(1, 6)}
    server.answer_task(tasks[1], "larva", by=7, at=SENT)
    server.answer_task(tasks[2], "nothing", by=8, at=SENT + HOUR, reason="twig")
    server.answer_task(tasks[3], "doubtful", by=9, at=SENT)
    server.answer_task(tasks[5], "feeding", by=7, at=SENT)
    assert "4 answers taken as verdicts; 0 known before." in run("pull").stdout
    said = [
        (verdict.answer, verdict.reason, verdict.reviewer, verdict.at)
        for n in (1, 2, 3, 4, 5)
        for verdict in list_verdicts(logbook, n)
    ]
    assert said == [
        ("confirm", "", "Tove Falk", SENT),
        ("dismiss", "twig", "ben", SENT + HOUR),
        ("unsure", "", "annotator 9", SENT),
        ("confirm", "", "Tove Falk", SENT),
    ]
    assert [find_candidate(logbook, n).answer for n in range(1, 6)] == [
        "confirm",
        "dismiss",
        "unsure",
        "open",
        "confirm",
    ]
    (first, _) = list_observations(logbook)
    assert (first.observer, first.tree) == ("Tove Falk", "OT03")
    assert list_corrections(logbook) == []
    assert "0 answers taken as verdicts; 4 known before." in run("pull").stdout
    assert len(list_verdicts(logbook, 1)) == 1


def test_an_answer_given_anew_is_taken_once_and_a_touched_one_not(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """A later version with another answer is a verdict more; one that the server only touched says nothing new."""
    run("push")
    task = find_task(server, logbook, 1)
    number = server.answer_task(task, "larva", by=7, at=SENT)
    run("pull")
    server.answer_task(task, "larva", by=7, at=SENT + HOUR, annotation=number)
    assert "0 answers taken as verdicts; 1 known before." in run("pull").stdout
    server.answer_task(task, "nothing", by=7, at=SENT + 2 * HOUR, annotation=number)
    assert "1 answer taken as a verdict;" in run("pull").stdout
    assert [(v.answer, v.at) for v in list_verdicts(logbook, 1)] == [
        ("confirm", SENT),
        ("dismiss", SENT + 2 * HOUR),
    ]
    assert list_observations(logbook) == ()


def test_a_changed_outline_becomes_a_correction(run: Run, server: MadeServer, logbook: Logbook) -> None:
    """Moved points come back in px of the frame, once; rounding by the server is no change."""
    run("push")
    candidate = load(logbook, 1)
    points = [[20.0, 40.0], [60.0, 40.0], [60.0, 70.0], [20.0, 75.0]]
    number = server.answer_task(find_task(server, logbook, 1), "larva", by=7, at=SENT, points=points)
    two = server.tasks[find_task(server, logbook, 2)]
    rounded = [[round(x, 2), round(y, 2)] for x, y in two["predictions"][0]["result"][0]["value"]["points"]]
    server.answer_task(two["id"], "larva", by=7, at=SENT, points=rounded)
    assert "2 answers taken as verdicts, 1 outline corrected" in run("pull").stdout
    (row,) = list_corrections(logbook)
    assert (row.candidate_id, row.rank, row.reviewer, row.at) == (1, 0, "Tove Falk", SENT)
    drawn = np.frombuffer(row.outline or b"", "<f4").reshape(-1, 2)
    wanted = np.float32(
        [[0.4 * 24, 0.2 * 32], [0.4 * 24, 0.6 * 32], [0.7 * 24, 0.6 * 32], [0.75 * 24, 0.2 * 32]]
    )
    assert drawn == pytest.approx(wanted - 0.5 + np.float32(candidate.origin_px), abs=1e-3)
    server.answer_task(
        find_task(server, logbook, 1), "larva", by=7, at=SENT + HOUR, points=points, annotation=number
    )
    assert "0 answers taken" in run("pull").stdout and len(list_corrections(logbook)) == 1


def test_a_corrected_outline_is_what_is_suggested(run: Run, server: MadeServer, logbook: Logbook) -> None:
    """An outline that somebody drew here goes to the server instead of the search's."""
    candidate = load(logbook, 1)
    drawn = np.float32([[2, 3], [2, 20], [15, 20]])
    moved = (drawn + np.float32(candidate.origin_px)).tolist()
    correct_outline(logbook, 1, rank=0, outline=moved, reviewer="Maren", at=SENT)
    run("push")
    sent = server.tasks[find_task(server, logbook, 1)]["predictions"][0]["result"][0]["value"]["points"]
    assert read_points(sent, candidate.size_px) == pytest.approx(drawn, abs=1e-3)


def test_an_older_answer_never_overrides_a_newer_one_here(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """It is held back and shown on every pull, nothing is changed, until --take says so: then both stand and it counts."""
    run("push")
    server.answer_task(find_task(server, logbook, 1), "larva", by=7, at=SENT)
    server.answer_task(find_task(server, logbook, 2), "larva", by=7, at=SENT)
    for n in (1, 2):
        give_verdict(logbook, n, answer="dismiss", reviewer="Maren", at=SENT + HOUR)
    for _ in range(2):
        told = run("pull").stdout
        assert "0 answers taken" in told and "2 differences, 2 held back." in told
        assert "Maren: dismiss (17 May 2026, 22:00 BST)" in told
        assert "Tove Falk: confirm (17 May 2026, 21:00 BST)" in told and "--take 1" in told
    assert len(list_verdicts(logbook, 1)) == 1 and list_observations(logbook) == ()
    told = run("pull", "--take", "1").stdout
    assert "1 answer taken" in told and "1 held back" in told
    assert [(v.answer, v.reviewer) for v in list_verdicts(logbook, 1)] == [
        ("dismiss", "Maren"),
        ("confirm", "Tove Falk"),
    ]
    assert [find_candidate(logbook, n).answer for n in (1, 2)] == ["confirm", "dismiss"]
    assert "1 answer taken" in run("pull", "--take-all").stdout
    assert find_candidate(logbook, 2).answer == "confirm"


def test_an_older_answer_taken_withdraws_the_record_when_it_is_taken(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """The verdict keeps its own moment; the record stood until the answer was taken, and its history is in order."""
    run("push")
    server.answer_task(find_task(server, logbook, 1), "nothing", by=7, at=SENT)
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=SENT + HOUR)
    before = datetime.now(UTC)
    assert "1 answer taken" in run("pull", "--take", "1").stdout
    assert [one.at for one in list_verdicts(logbook, 1)] == [SENT + HOUR, SENT]
    (record,) = list_observations(logbook, with_withdrawn=True)
    (change,) = list_changes(logbook, record.id)
    assert (change.field, change.who) == ("withdrawn_at", "Tove Falk")
    assert record.withdrawn_at == change.at and before <= change.at <= datetime.now(UTC)


def test_a_record_completed_since_is_withdrawn_after_that(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """An answer newer than the verdict here, and older than the details: the details come first in the history."""
    run("push")
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=SENT)
    server.answer_task(find_task(server, logbook, 1), "nothing", by=7, at=SENT + HOUR)
    (record,) = list_observations(logbook)
    said = {"stage": "L3", "condition": None, "behaviour": None, "note": None}
    set_details(logbook, record.id, **said, who="Maren", at=SENT + 2 * HOUR)
    assert "1 answer taken" in run("pull").stdout
    changes = list_changes(logbook, record.id)
    assert [change.field for change in changes] == ["stage", "withdrawn_at"]
    assert changes[0].at < changes[1].at


def test_a_newer_answer_withdraws_the_record_as_it_was_given(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """Nothing was said or changed here since: the moment of the answer is that of the record's change."""
    run("push")
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=SENT)
    server.answer_task(find_task(server, logbook, 1), "nothing", by=7, at=SENT + HOUR)
    run("pull")
    (record,) = list_observations(logbook, with_withdrawn=True)
    assert record.withdrawn_at == SENT + HOUR


def test_a_newer_answer_counts_and_is_shown(run: Run, server: MadeServer, logbook: Logbook) -> None:
    """Judged here since it was sent, then otherwise on the server: both verdicts stand, the server's counts, once shown."""
    run("push")
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=SENT)
    server.answer_task(find_task(server, logbook, 1), "larva", by=7, at=SENT + HOUR)
    told = run("pull").stdout
    assert "1 difference, 0 held back." in told and "was taken last and counts" in told
    assert [v.answer for v in list_verdicts(logbook, 1)] == ["dismiss", "confirm"]
    assert find_candidate(logbook, 1).answer == "confirm"
    assert "difference" not in run("pull").stdout


def test_nobody_differs_from_themselves(run: Run, server: MadeServer, logbook: Logbook) -> None:
    """Who changes their mind on the server has no difference with what they said here, however the name is written."""
    run("push")
    give_verdict(logbook, 1, answer="dismiss", reviewer="tove  FALK", at=SENT)
    server.answer_task(find_task(server, logbook, 1), "larva", by=7, at=SENT + HOUR)
    told = run("pull").stdout
    assert "1 answer taken" in told and "difference" not in told


def test_annotators_whose_names_differ_in_capitals_only_are_two(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """People are known here without capitals and blanks: such names get the number, or the two would count as one."""
    server.people.append(
        {"id": 9, "first_name": "", "last_name": "", "username": "Ben", "email": "c@example.org"}
    )
    run("push")
    for by in (8, 9):
        server.answer_task(find_task(server, logbook, 1), "larva", by=by, at=SENT + by * HOUR)
    run("pull")
    assert [verdict.reviewer for verdict in list_verdicts(logbook, 1)] == ["ben (8)", "Ben (9)"]


def test_what_was_judged_blind_by_two_is_said_to_count_for_nobody(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """A third person's other answer makes it unsure, and that is what is said; neither counts until all say the same."""
    run("push")
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=SENT)
    give_verdict(logbook, 1, answer="confirm", reviewer="Jonas", at=SENT, blind=True)
    task = find_task(server, logbook, 1)
    server.answer_task(task, "nothing", by=7, at=SENT + HOUR)
    told = run("pull").stdout
    assert "1 difference, 0 held back." in told and "counts as unsure until all who judged it" in told
    assert "and counts" not in told and find_candidate(logbook, 1).answer == "unsure"
    server.answer_task(task, "doubtful", by=8, at=SENT + HOUR)
    told = run("pull").stdout
    assert "counts as unsure until all who judged it" in told and "the newest verdict counts" not in told


def test_an_older_answer_that_agrees_takes_no_reason_away(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """The same answer with the same reason is kept beside; without it the later one here is left alone."""
    run("push")
    for n in (1, 2):
        server.answer_task(find_task(server, logbook, n), "nothing", by=7, at=SENT)
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=SENT + HOUR, reason="twig")
    give_verdict(logbook, 2, answer="dismiss", reviewer="Maren", at=SENT + HOUR)
    told = run("pull").stdout
    assert "1 answer taken" in told and "1 older answer agreed" in told and "difference" not in told
    assert [v.reason for v in list_verdicts(logbook, 1)] == ["twig"]
    assert len(list_verdicts(logbook, 2)) == 2


def test_two_annotators_who_differ_are_shown_until_somebody_judges_here(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """Both are kept in the order of their moments, the newest counts, and a verdict given here settles it."""
    run("push")
    task = find_task(server, logbook, 1)
    server.answer_task(task, "nothing", by=8, at=SENT + HOUR)
    server.answer_task(task, "larva", by=7, at=SENT)
    for taken in ("2 answers taken", "0 answers taken"):
        told = run("pull").stdout
        assert taken in told and "1 difference, 0 held back." in told and "annotators differ" in told
    assert [v.answer for v in list_verdicts(logbook, 1)] == ["confirm", "dismiss"]
    assert find_candidate(logbook, 1).answer == "dismiss"
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=SENT + 2 * HOUR)
    assert "difference" not in run("pull").stdout
    assert find_candidate(logbook, 1).answer == "confirm"


def test_a_task_that_vanished_is_noticed_and_sent_again_when_asked(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """Push and pull say so; only --again sends it, as a new task whose answers are taken."""
    run("push")
    del server.tasks[find_task(server, logbook, 2)]
    for command in ("pull", "push"):
        assert "1 task removed on the server (candidates 2)" in run(command).stdout
    assert len(server.tasks) == CANDIDATES - 1
    assert "1 candidate sent" in run("push", "--again").stdout
    server.answer_task(find_task(server, logbook, 2), "larva", by=7, at=SENT)
    assert "1 answer taken" in run("pull").stdout
    assert "removed" not in run("push").stdout


def test_removed_tasks_that_a_limit_left_out_are_still_told(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """Sent again only in part, the rest is not passed over in silence."""
    run("push")
    for n in (2, 3):
        del server.tasks[find_task(server, logbook, n)]
    told = run("push", "--again", "--limit", "1").stdout
    assert "1 candidate sent" in told and "1 task removed on the server (candidates 3)" in told
    told = run("push", "--again").stdout
    assert "1 candidate sent" in told and "removed" not in told


def test_tasks_of_others_and_skipped_ones_are_passed_over(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """What this logbook did not send is counted and left; a skipped task is no answer."""
    run("push")
    (project,) = server.projects
    first = find_task(server, logbook, 1)
    server.answer_task(first, "larva", by=7, at=SENT, was_cancelled=True)
    other = server.tasks[first] | {"id": 900, "data": {"picture": "x", "about": "y", "candidate": "0" * 32}}
    server.tasks[900] = other | {"project": project}
    server.tasks[901] = server.tasks[900] | {"id": 901, "data": {"picture": "x"}}
    told = run("pull").stdout
    assert "0 answers taken" in told and "2 tasks of others" in told and "1 task skipped" in told


def test_a_candidate_that_left_the_review_is_not_judged_by_the_server(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """Its clip was searched again since: its answer is told and not taken."""
    run("push")
    server.answer_task(find_task(server, logbook, 1), "larva", by=7, at=SENT)
    search(logbook, film(logbook, tree="OT03"), [make_candidate(55.0, shade=30)])
    result = run("pull")
    assert "0 answers taken" in result.stdout and "searched again" in result.stderr
    assert list_verdicts(logbook, 1) == ()


def test_a_lost_answer_makes_no_second_task(run: Run, server: MadeServer) -> None:
    """The line breaks after the server made the task, or before: looked for, and made once."""
    server.troubles = [
        Trouble("POST", "/api/tasks/", after=True, times=2),
        Trouble("POST", "/api/tasks/", times=1),
        Trouble("POST", "/api/tasks/", reply=(502, {}, b"bad gateway"), after=True),
    ]
    assert "5 candidates sent" in run("push").stdout
    assert (
        len(server.tasks) == len({task["data"]["candidate"] for task in server.tasks.values()}) == CANDIDATES
    )
    assert all(len(task["predictions"]) == 1 for task in server.tasks.values())


def test_a_half_sent_candidate_is_completed(run: Run, server: MadeServer, logbook: Logbook) -> None:
    """The suggestion was lost: the push stops in words, and the next one completes that task and goes on."""
    server.troubles = [Trouble("POST", "/api/predictions/", reply=(500, {}, b"{}"))]
    assert "run the same again" in str(catch(run, "push"))
    assert [len(task["predictions"]) for task in server.tasks.values()] == [0]
    told = run("push").stdout
    assert "4 candidates sent" in told and "1 task got the suggestion" in told
    assert all(len(task["predictions"]) == 1 for task in server.tasks.values())


KILLED = """
import os, signal, sys
from pathlib import Path
from annotate.exchange import pushing
from annotate.exchange.server import open_server
from annotate.exchange.tokens import find_token
from annotate.logbook.opening import open_logbook

folder, address, step, number = Path(sys.argv[1]), sys.argv[2], sys.argv[3], int(sys.argv[4])
module = pushing
before, count = getattr(module, step), 0

def stop(*arguments, **named):
    global count
    count += 1
    if count == number:
        os.kill(os.getpid(), signal.SIGKILL)
    return before(*arguments, **named)

setattr(module, step, stop)
with open_logbook(folder) as logbook, open_server(address, find_token(address)) as server:
    module.push_candidates(logbook, server, pushing.PushOrder("Leafshade"))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGKILL")
@pytest.mark.parametrize("step", ["note_sent", "_suggest"])
def test_killed_in_the_middle_a_push_goes_on(
    run: Run, server: MadeServer, logbook: Logbook, step: str
) -> None:
    """kill -9 after a task was made and before it was noted, or before its suggestion: the next push leaves each there once."""
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(logbook.folder), server.address, step, "3"],
        capture_output=True,
        timeout=60,
        cwd=Path(__file__).parents[2],
    )
    assert done.returncode == -9, done.stderr
    assert len(server.tasks) == 3
    assert sum(len(task["predictions"]) for task in server.tasks.values()) == 2
    run("push")
    assert (
        len(server.tasks) == len({task["data"]["candidate"] for task in server.tasks.values()}) == CANDIDATES
    )
    assert all(len(task["predictions"]) == 1 for task in server.tasks.values())


def test_stopped_in_the_middle_a_pull_leaves_nothing_half_taken(
    run: Run, server: MadeServer, logbook: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped between a verdict and its outline, neither is there; the next pull takes both, once."""
    run("push")
    points = [[20.0, 40.0], [60.0, 40.0], [60.0, 70.0]]
    server.answer_task(find_task(server, logbook, 1), "larva", by=7, at=SENT, points=points)

    def stop(*arguments: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("annotate.logbook.exchange._keep_outline", stop)
        run("pull")
    assert list_verdicts(logbook, 1) == () and list_corrections(logbook) == []
    assert "1 answer taken as a verdict, 1 outline corrected" in run("pull").stdout
    assert "1 known before" in run("pull").stdout
    assert len(list_verdicts(logbook, 1)) == 1 and len(list_corrections(logbook)) == 1


@pytest.mark.parametrize(
    "points",
    [
        [[20.0, 20.0], [60.0, 60.0], [60.0, 20.0], [20.0, 60.0]],
        [[20.0, 20.0], [20.0, 20.0], [20.0, 20.0]],
    ],
)
def test_an_outline_that_is_none_is_told_and_the_answer_taken(
    run: Run, server: MadeServer, logbook: Logbook, points: list[list[float]]
) -> None:
    """Crossing itself, or around nothing: no correction."""
    run("push")
    server.answer_task(find_task(server, logbook, 1), "larva", by=7, at=SENT, points=points)
    result = run("pull")
    assert "1 answer taken as a verdict;" in result.stdout and "candidate 1: outline" in result.stderr
    assert list_corrections(logbook) == [] and len(list_verdicts(logbook, 1)) == 1


def test_an_outline_drawn_here_later_stays(run: Run, server: MadeServer, logbook: Logbook) -> None:
    """The answer's older outline is not laid over one that somebody drew here since."""
    run("push")
    points = [[20.0, 40.0], [60.0, 40.0], [60.0, 70.0]]
    server.answer_task(find_task(server, logbook, 1), "larva", by=7, at=SENT, points=points)
    row, column = load(logbook, 1).origin_px
    drawn = [[row + 2, column + 3], [row + 2, column + 20], [row + 15, column + 20]]
    correct_outline(logbook, 1, rank=0, outline=drawn, reviewer="Maren", at=SENT + HOUR)
    assert "1 answer taken as a verdict;" in run("pull").stdout
    assert [one.reviewer for one in list_corrections(logbook)] == ["Maren"]


def test_a_task_that_was_not_noted_is_known_by_pull_too(
    run: Run, server: MadeServer, logbook: Logbook
) -> None:
    """Made on the server and not noted here: its answers are taken all the same."""
    run("push", "--limit", "1")
    (number,) = server.tasks
    server.answer_task(number, "larva", by=7, at=SENT)
    with logbook.writing() as session:
        session.connection().exec_driver_sql("DELETE FROM exchange_task")
    assert "1 answer taken" in run("pull").stdout
    assert len(list_verdicts(logbook, 1)) == 1


def test_only_one_exchange_runs_at_a_time(run: Run, logbook: Logbook) -> None:
    """A second command on the same logbook is told to wait."""
    with hold_exchange(logbook):
        assert "found one running" in str(catch(run, "push"))


def test_many_pages_come_whole(run: Run, server: MadeServer) -> None:
    """A server that gives few tasks at once is asked until the end."""
    server.largest_page = 2
    run("push")
    assert "0 candidates sent" in run("push").stdout


def test_status_says_what_was_exchanged(run: Run, server: MadeServer, logbook: Logbook) -> None:
    """Nothing at first; then tasks, answered ones and answers of each project, as a table and as data, asking no server."""
    assert "Nothing was sent" in run("status").stdout
    run("push")
    for by in (7, 8):
        server.answer_task(find_task(server, logbook, 1), "larva", by=by, at=SENT)
    run("pull")
    asked = len(server.asked)
    assert "1 of 5 tasks answered." in run("status").stdout
    (one,) = json.loads(run("status", "--json").stdout)
    assert (one["server"], one["tasks"], one["answered"], one["answers"]) == (server.address, 5, 1, 2)
    assert len(server.asked) == asked


def test_a_damaged_picture_does_not_stop_the_rest(run: Run, server: MadeServer, logbook: Logbook) -> None:
    """It is told, and the other candidates go."""
    picture = load(logbook, 5).picture
    (logbook.folder / "evidence" / picture[:2] / f"{picture}.jpg").write_bytes(b"cut off")
    result = run("push")
    assert "4 candidates sent" in result.stdout and "candidate 5: evidence picture" in result.stderr
