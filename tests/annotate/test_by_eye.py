"""What is seen by eye in the logbook: written once for its key, corrected with history, in the right visit, safe from kill -9."""

import subprocess
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from annotate.errors import AnnotateError
from annotate.logbook.by_eye import (
    SeenEntry,
    add_seen,
    attach_picture,
    bring_back_seen,
    correct_seen,
    withdraw_seen,
)
from annotate.logbook.changes import list_record_changes
from annotate.logbook.effort import list_effort
from annotate.logbook.observations import list_changes, list_observations, read_observation
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import find_tree
from annotate.logbook.verdicts import give_verdict
from annotate.logbook.visits import list_visits, write_visit
from tests.annotate.made_records import LATER, NOON, add_trees, film, make_candidate, search


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    """A logbook with three trees of Otterholt Wood and one of another site."""
    create_logbook(tmp_path / "book", zone="Europe/London", recorder="Maren")
    with open_logbook(tmp_path / "book") as opened:
        add_trees(opened, "OT01", "OT02", "OT03")
        add_trees(opened, "AL01", site="ALDERHOLT")
        yield opened


def enter(logbook: Logbook, tree: str = "OT03", **values: object) -> SeenEntry:
    """An entry of one larva at noon on 17 May 2026."""
    settings = {"at": NOON, "observer": "Maren", **values}
    return SeenEntry(tree_id=find_tree(logbook, tree).id, **settings)  # type: ignore[arg-type]


def test_none_one_and_two(logbook: Logbook) -> None:
    """No entries write nothing; one and two write as many, with the taxon of the settings and a visit of the day."""
    assert add_seen(logbook, []) == ()
    (first,) = add_seen(logbook, [enter(logbook, stage="L4", height_m=2.5, aspect="NE")])
    add_seen(logbook, [enter(logbook), enter(logbook, "OT01", count=0, searched_min=12.0)])
    seen = list_observations(logbook)
    assert [(one.tree, one.source, one.count) for one in seen] == [
        ("OT03", "eye", 1),
        ("OT03", "eye", 1),
        ("OT01", "none found", 0),
    ]
    one = read_observation(logbook, first.observation_id)
    assert (one.stage, one.height_m, one.aspect, one.taxon) == ("L4", 2.5, "NE", "Apatura")
    (visit,) = list_visits(logbook)
    assert (visit.visit.site, visit.visit.date.isoformat(), visit.observations) == (
        "OTTERHOLT",
        "2026-05-17",
        3,
    )


def test_an_entry_sent_again_stands_once(logbook: Logbook) -> None:
    """Under its key it is the record that is there, whatever became of that since; by what it differs is told."""
    entry = enter(logbook, entry_key="page-1", stage="L3")
    (first,) = add_seen(logbook, [entry])
    (again,) = add_seen(logbook, [entry])
    assert (first.is_new, again.is_new, again.differs) == (True, False, ())
    correct_seen(logbook, first.observation_id, changes={"stage": "L4"}, who="Ines", at=LATER)
    (later,) = add_seen(logbook, [entry])
    assert later.differs == ("stage",)
    assert [one.stage for one in list_observations(logbook)] == ["L4"]


def test_two_at_once_write_one_record(logbook: Logbook) -> None:
    """Two tabs that send the same entry in the same moment make one record."""
    start = threading.Barrier(2)
    entry = enter(logbook, entry_key="page-1")
    failed: list[BaseException] = []

    def send() -> None:
        try:
            start.wait()
            for _ in range(10):
                add_seen(logbook, [entry])
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=send) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert len(list_observations(logbook)) == 1


def test_all_entries_or_none(logbook: Logbook) -> None:
    """Where one names a tree that is not there, none is written, and no visit is left behind."""
    with pytest.raises(AnnotateError, match="id of a tree"):
        add_seen(logbook, [enter(logbook), SeenEntry(tree_id=999, at=NOON, observer="Maren")])
    assert list_observations(logbook) == () and list_visits(logbook) == ()


def test_corrections_keep_what_was(logbook: Logbook) -> None:
    """Every field changed leaves its value before, who and when; what is the same leaves nothing."""
    (done,) = add_seen(logbook, [enter(logbook, stage="L3")])
    changes = {"stage": "L4", "height_m": 1.5, "observer": "Maren", "tree_id": find_tree(logbook, "OT01").id}
    seen = correct_seen(logbook, done.observation_id, changes=changes, who="Ines", at=LATER)
    assert (seen.stage, seen.height_m, seen.tree) == ("L4", 1.5, "OT01")
    told = [(one.field, one.old, one.new, one.who) for one in list_changes(logbook, seen.id)]
    assert told == [
        ("stage", "L3", "L4", "Ines"),
        ("height_m", None, "1.5", "Ines"),
        ("tree", "OTTERHOLT/OT03", "OTTERHOLT/OT01", "Ines"),
    ]


def test_found_becomes_none_found_and_back(logbook: Logbook) -> None:
    """A count of 0 makes it a search in vain, without stage; a count above makes it an animal again."""
    (done,) = add_seen(logbook, [enter(logbook, stage="L3", condition="alive")])
    none = correct_seen(logbook, done.observation_id, changes={"count": 0}, who="Maren", at=LATER)
    assert (none.source, none.stage, none.condition) == ("none found", None, None)
    back = correct_seen(logbook, done.observation_id, changes={"count": 2}, who="Maren", at=LATER)
    assert (back.source, back.count) == ("eye", 2)


def test_a_record_moves_to_the_visit_of_its_date_and_site(logbook: Logbook) -> None:
    """Leaving and returning: the visit it leaves empty goes, one that a person described stays."""
    (done,) = add_seen(logbook, [enter(logbook)])
    number = done.observation_id
    correct_seen(logbook, number, changes={"at": NOON - timedelta(days=2)}, who="Maren", at=LATER)
    assert [one.visit.date.day for one in list_visits(logbook)] == [15]
    (visit,) = list_visits(logbook)
    write_visit(logbook, "OTTERHOLT", day=visit.visit.date, changes={"cloud_oktas": 0})
    alder = find_tree(logbook, "AL01").id
    correct_seen(logbook, number, changes={"at": NOON, "tree_id": alder}, who="Maren", at=LATER)
    assert [(one.visit.site, one.visit.date.day) for one in list_visits(logbook)] == [
        ("OTTERHOLT", 15),
        ("ALDERHOLT", 17),
    ]
    home = {"at": NOON - timedelta(days=2), "tree_id": find_tree(logbook, "OT03").id}
    correct_seen(logbook, number, changes=home, who="Maren", at=LATER)
    assert [(one.visit.site, one.observations) for one in list_visits(logbook)] == [("OTTERHOLT", 1)]


def test_a_visit_with_notes_of_trees_stays(logbook: Logbook) -> None:
    """A leaf stage noted on a tree keeps the visit, though its only record moves to another day."""
    (done,) = add_seen(logbook, [enter(logbook)])
    tree = find_tree(logbook, "OT02").id
    write_visit(logbook, "OTTERHOLT", day=NOON.date(), changes={}, trees={tree: {"leaf_stage_bbch": 11}})
    correct_seen(logbook, done.observation_id, changes={"at": NOON - timedelta(days=1)}, who="M", at=LATER)
    assert [one.visit.date.day for one in list_visits(logbook)] == [16, 17]


def test_withdrawn_and_brought_back(logbook: Logbook) -> None:
    """It stays, counts for nothing, and stands again; each step once in its history."""
    (done,) = add_seen(logbook, [enter(logbook, searched_min=5.0)])
    for _ in range(2):
        withdraw_seen(logbook, done.observation_id, who="Maren", at=LATER)
    assert list_observations(logbook) == ()
    (visit,) = list_visits(logbook)
    assert all(one.is_empty for one in list_effort(logbook)[visit.visit.id])
    bring_back_seen(logbook, done.observation_id, who="Ines", at=LATER)
    assert len(list_observations(logbook)) == 1
    assert [one.who for one in list_changes(logbook, done.observation_id)] == ["Maren", "Ines"]


def test_records_from_footage_keep_to_their_verdict(logbook: Logbook) -> None:
    """Place and words of them can be corrected here; tree, time, count and standing cannot."""
    search(logbook, film(logbook, tree="OT03"), [make_candidate()])
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    (seen,) = list_observations(logbook)
    assert correct_seen(logbook, seen.id, changes={"height_m": 3.0}, who="Maren", at=LATER).height_m == 3.0
    for changes in ({"tree_id": 1}, {"count": 0}, {"at": NOON}, {"evidence": "0" * 64}):
        with pytest.raises(AnnotateError, match="from footage follow its clip"):
            correct_seen(logbook, seen.id, changes=changes, who="Maren", at=LATER)
    with pytest.raises(AnnotateError, match="stands or falls with its verdict"):
        withdraw_seen(logbook, seen.id, who="Maren", at=LATER)


def test_a_picture_finds_its_entry(logbook: Logbook) -> None:
    """The first is no correction; another stands in its place with history; without an entry there is nothing to give it to."""
    (done,) = add_seen(logbook, [enter(logbook, entry_key="page-1")])
    assert attach_picture(logbook, "a" * 64, entry_key="page-2", who="Maren", at=LATER) is None
    assert attach_picture(logbook, "a" * 64, entry_key="", who="Maren", at=LATER) is None
    for sha256 in ("a" * 64, "a" * 64, "b" * 64):
        seen = attach_picture(logbook, sha256, entry_key="page-1", who="Maren", at=LATER)
        assert seen is not None and seen.evidence == sha256
    assert [one.old for one in list_changes(logbook, done.observation_id)] == ["a" * 64]


def test_no_such_record(logbook: Logbook) -> None:
    """A number that names nothing is told, whatever is asked of it."""
    for act in (withdraw_seen, bring_back_seen):
        with pytest.raises(AnnotateError, match="id of an observation"):
            act(logbook, 7, who="Maren", at=LATER)


def test_times_given_by_hand_are_not_overwritten_by_footage(logbook: Logbook) -> None:
    """Footage before and after leaves them; taken away, the footage says them again; weather stays throughout."""
    start, end = NOON - timedelta(hours=2), NOON + timedelta(hours=1)
    film(logbook, number=1, tree="OT03")
    write_visit(
        logbook,
        "OTTERHOLT",
        day=NOON.date(),
        changes={"started_at": start, "ended_at": end, "temperature_c": 14.5, "wind_beaufort": 0},
    )
    film(logbook, number=2, tree="OT01", recorded_at=NOON + timedelta(hours=3))
    (kept,) = list_visits(logbook)
    assert (kept.visit.started_at, kept.visit.ended_at, kept.visit.times_from) == (start, end, "given")
    write_visit(logbook, "OTTERHOLT", day=NOON.date(), changes={"started_at": None, "ended_at": None})
    (again,) = list_visits(logbook)
    assert again.visit.times_from == "footage"
    assert (again.visit.started_at, again.visit.ended_at) == (NOON, NOON + timedelta(hours=3, seconds=60))
    assert (again.visit.temperature_c, again.visit.wind_beaufort) == (14.5, 0)


def test_saying_what_footage_says_leaves_the_times_to_it(logbook: Logbook) -> None:
    """A form that sends back the times it was shown does not make them given ones."""
    film(logbook, tree="OT03")
    (visit,) = list_visits(logbook)
    write_visit(logbook, "OTTERHOLT", day=NOON.date(), changes={"started_at": visit.visit.started_at})
    assert list_visits(logbook)[0].visit.times_from == "footage"
    assert list_record_changes(logbook, "visit", visit.visit.id) == ()


def test_visit_changes_have_a_history(logbook: Logbook) -> None:
    """Values and notes of trees, with who and what was before, moments by the local clock; the first writing has none."""
    tree = find_tree(logbook, "OT03").id
    visit, is_new = write_visit(logbook, "OTTERHOLT", day=NOON.date(), changes={"recorders": "Maren"})
    assert is_new and list_record_changes(logbook, "visit", visit.id) == ()
    write_visit(
        logbook,
        "OTTERHOLT",
        day=NOON.date(),
        changes={"recorders": "Maren, Ines", "started_at": NOON},
        trees={tree: {"leaf_stage_bbch": 7, "eye_min": 12.0}},
        who="Ines",
    )
    told = [(one.field, one.old, one.new, one.who) for one in list_record_changes(logbook, "visit", visit.id)]
    assert told == [
        ("started_at", None, "12:00 BST", "Ines"),
        ("recorders", "Maren", "Maren, Ines", "Ines"),
        ("times_from", "footage", "given", "Ines"),
        ("OT03 leaf_stage_bbch", None, "07", "Ines"),
        ("OT03 eye_min", None, "12", "Ines"),
    ]


def test_a_visit_that_ends_before_it_starts_is_not_written(logbook: Logbook) -> None:
    """Nor is anything else of what was said with it, nor a visit left behind; a tree of another site is refused alike."""
    changes = {"started_at": NOON, "ended_at": NOON - timedelta(minutes=1), "notes": "lost"}
    with pytest.raises(AnnotateError, match="end after the start; found 12:00 BST to 11:59 BST"):
        write_visit(logbook, "OTTERHOLT", day=NOON.date(), changes=changes)
    with pytest.raises(AnnotateError, match="tree of the site visited; found AL01"):
        alder = find_tree(logbook, "AL01").id
        write_visit(logbook, "OTTERHOLT", day=NOON.date(), changes={}, trees={alder: {"eye_min": 5.0}})
    assert list_visits(logbook) == ()


def test_effort_of_each_tree(logbook: Logbook) -> None:
    """Usable seconds by the length of stretches; minutes noted, else the longest of each person's records, added up."""
    search(logbook, film(logbook, number=1, tree="OT03", duration_s=60.0), [])
    search(logbook, film(logbook, number=2, tree="OT01", duration_s=20.0), [])
    add_seen(
        logbook,
        [
            enter(logbook, searched_min=10.0),
            enter(logbook, searched_min=12.0),
            enter(logbook, searched_min=5.0, observer="Ines"),
            enter(logbook, "OT01", count=0, searched_min=8.0),
        ],
    )
    (visit,) = list_visits(logbook)
    noted = {find_tree(logbook, "OT01").id: {"eye_min": 9.0, "leaf_stage_bbch": 13}}
    write_visit(logbook, "OTTERHOLT", day=NOON.date(), changes={}, trees=noted)
    first, second, third = list_effort(logbook)[visit.visit.id]
    assert (first.tree, first.filmed_s, first.usable_s) == ("OT01", 20.0, 15.0)
    assert (first.eye_min, first.is_noted, first.leaf_stage_bbch, first.none_found) == (9.0, True, 13, 1)
    assert second.tree == "OT02" and second.is_empty
    assert (third.filmed_s, third.usable_s, third.eye_min, third.is_noted, third.found) == (
        60.0,
        45.0,
        17.0,
        False,
        3,
    )


WRITER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from annotate.logbook.by_eye import SeenEntry, add_seen
from annotate.logbook.opening import open_logbook

with open_logbook(Path(sys.argv[1])) as logbook:
    for number in range(10000):
        entries = [SeenEntry(tree_id=1, at=datetime(2026, 5, 17, 11, tzinfo=UTC), observer="Maren",
                             entry_key=f"page-{number}-{half}") for half in "ab"]
        add_seen(logbook, entries)
        print(number, flush=True)
"""


def test_killed_while_writing_nothing_acknowledged_is_lost(logbook: Logbook) -> None:
    """After kill -9 every pair that was acknowledged is there, no pair is half there, and sending all again doubles none."""
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(logbook.folder)], stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        heard = [int(writer.stdout.readline()) for _ in range(12)]
        writer.kill()
        heard += [int(line) for line in writer.stdout.read().split()]
    keys = {one.entry_key for one in list_observations(logbook)}
    assert {f"page-{number}-{half}" for number in heard for half in "ab"} <= keys
    assert len(keys) == len(list_observations(logbook)) and len(keys) % 2 == 0
    again = [
        SeenEntry(tree_id=1, at=datetime(2026, 5, 17, 11, tzinfo=UTC), observer="Maren", entry_key=key)
        for key in sorted(keys)
    ]
    assert not any(one.is_new or one.differs for one in add_seen(logbook, again))
