"""A second reader sees what others judged and nothing of what they said; what differs comes back to both, and nothing flips."""

import multiprocessing
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from statistics import mean

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import insert, text

from annotate.errors import AnnotateError
from annotate.judging.readings import find_counting, is_drawn
from annotate.logbook.observations import find_observation, list_changes, list_observations
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.outlines import correct_outline
from annotate.logbook.places import find_tree
from annotate.logbook.records import Details
from annotate.logbook.review import count_candidates, find_candidate, next_candidate
from annotate.logbook.second_reading import (
    EVERYTHING,
    ReadingPlan,
    check_second,
    count_second,
    list_all_said,
    list_disagreements,
    list_second,
    next_second,
)
from annotate.logbook.tables import PlantedRow
from annotate.logbook.verdicts import give_verdict, list_verdicts, take_back
from annotate.words import Answer
from tests.annotate.made_records import LATER, NOON, add_trees, film, make_candidate, search

MINUTE = timedelta(minutes=1)
EACH = 30
"""Candidates on each of the two trees."""


def answer_first(number: int) -> Answer:
    """What the first reader says: a tenth confirmed, a few unsure."""
    return "confirm" if number % 10 == 1 else "unsure" if number % 25 == 2 else "dismiss"


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with two trees, visited on two days, thirty candidates on each, all judged by Maren."""
    folder = create_logbook(tmp_path_factory.mktemp("second") / "book", zone="Europe/London")
    with open_logbook(folder) as logbook:
        add_trees(logbook, "OT01", "OT02")
        for number, tree in ((1, "OT01"), (2, "OT02")):
            clip = film(
                logbook,
                number=number,
                tree=tree,
                duration_s=600.0,
                recorded_at=NOON + timedelta(days=7 * (number - 1)),
            )
            made = [make_candidate(5.0 * n, shade=n, score=n / 40) for n in range(1, EACH + 1)]
            search(logbook, clip, made)
        for number in range(1, 2 * EACH + 1):
            give_verdict(logbook, number, answer=answer_first(number), reviewer="Maren", at=LATER)
    return folder


@pytest.fixture
def logbook(filled: Path, tmp_path: Path) -> Iterator[Logbook]:
    """A copy of it."""
    yield from open_copy(filled, tmp_path / "book")


def open_copy(folder: Path, copy: Path) -> Iterator[Logbook]:
    """Give a copy of a logbook, open."""
    copy.mkdir()
    (copy / "evidence").mkdir()
    for name in ("logbook.db", "settings.toml"):
        (copy / name).write_bytes((folder / name).read_bytes())
    with open_logbook(copy) as logbook:
        yield logbook


def read_all(logbook: Logbook, reviewer: str = "Tove", plan: ReadingPlan = EVERYTHING) -> list[int]:
    """Read all that is left as the first reader did; return the ids in the order they came."""
    order = []
    while (candidate := next_second(logbook, reviewer, plan=plan)) is not None:
        order.append(candidate.id)
        give_verdict(
            logbook,
            candidate.id,
            answer=answer_first(candidate.id),
            reviewer=reviewer,
            at=LATER,
            blind=True,
            dismissed_one_in=plan.dismissed_one_in,
        )
    return order


def test_everything_judged_by_another_comes_once_and_shows_no_answer(logbook: Logbook) -> None:
    """All sixty come, each once, with all views and neither answer nor observation; then none is left, and none for Maren."""
    before = find_candidate(logbook, 1).views
    drawn = [(490.0, 685.0), (490.0, 710.0), (505.0, 710.0), (505.0, 685.0)]
    correct_outline(logbook, 1, rank=0, outline=drawn, reviewer="Maren", at=LATER)
    assert find_candidate(logbook, 1).views != before
    for shown in list_second(logbook, "Tove", limit=60):
        assert (shown.answer, shown.observation_id, shown.found_by) == (
            "open",
            None,
            "search",
        ) and shown.views
        assert shown.id != 1 or shown.views == before
    assert count_second(logbook, "Tove") == 60 and count_second(logbook, "Maren") == 0
    assert sorted(read_all(logbook)) == list(range(1, 61))
    assert next_second(logbook, "Tove") is None and count_second(logbook, "Tove") == 0
    assert next_second(logbook, "Maren") is None


def test_the_order_says_nothing_of_the_answers(logbook: Logbook) -> None:
    """It is neither that of ids nor of scores, has both trees throughout, and is the same whatever was answered."""
    order = [candidate.id for candidate in list_second(logbook, "Tove", limit=60)]
    assert order not in (sorted(order), sorted(order, reverse=True))
    places = {answer: [] for answer in ("confirm", "dismiss")}  # type: dict[str, list[int]]
    for place, number in enumerate(order):
        places.get(answer_first(number), []).append(place)
    assert abs(mean(places["confirm"]) - mean(places["dismiss"])) < 12
    assert all(10 <= sum(n <= EACH for n in order[start : start + 30]) <= 20 for start in range(0, 60, 30))
    for number in order:
        give_verdict(logbook, number, answer="confirm", reviewer="Maren", at=LATER)
    assert [candidate.id for candidate in list_second(logbook, "Tove", limit=60)] == order


def test_what_nobody_has_judged_is_no_second_reading(tmp_path: Path) -> None:
    """Nothing judged, one, two that lie side by side, and one that was judged, put back and judged again."""
    with open_logbook(create_logbook(tmp_path / "book")) as logbook:
        search(
            logbook,
            film(logbook),
            [make_candidate(1.0), make_candidate(1.0, (520, 700)), make_candidate(9.0)],
        )

        def list_left() -> set[int]:
            return {candidate.id for candidate in list_second(logbook, "Tove", limit=9)}

        assert list_left() == set()
        for number in (1, 2):
            give_verdict(logbook, number, answer="dismiss", reviewer="Maren", at=LATER)
            assert list_left() == set(range(1, number + 1))
        take_back(logbook, reviewer="Maren", at=LATER)
        assert list_left() == {1}
        give_verdict(logbook, 2, answer="confirm", reviewer="Maren", at=LATER)
        assert list_left() == {1, 2}
        # Unjudged ones stay in the first reading.
        assert next_candidate(logbook).id == 3  # type: ignore[union-attr]


def test_a_share_of_the_dismissed_is_drawn_and_each_says_for_how_many_it_stands(logbook: Logbook) -> None:
    """All confirmed and unsure ones, every third dismissed one, weights of three on those alone; planted ones come all."""
    # What else a planted larva keeps of itself means nothing here.
    more = {column.name: b"" for column in PlantedRow.__table__.columns if column.name == "body"}
    with logbook.writing() as session:
        session.connection().execute(
            text("UPDATE candidate SET found_by = 'planted' WHERE id IN (14, 15, 16)")
        )
        session.execute(
            insert(PlantedRow),
            [
                {
                    "clip_id": 1, "candidate_id": number, "scorer": "made", "seed": 1, "planted_at": LATER,
                    "first_s": 1.0, "last_s": 2.0, "length_px": 20.0, "sharpness": 0.5, "best_score": 0.9,
                    "is_found": number is not None, **more,
                }
                for number in (14, 15, 16, None)
            ],
        )  # fmt: skip
    plan = ReadingPlan(dismissed_one_in=3)
    left = count_second(logbook, "Tove", plan=plan)
    read = read_all(logbook, plan=plan)
    assert left == len(read)
    whole = {n for n in range(1, 61) if answer_first(n) != "dismiss"} | {14, 15, 16}
    drawn = {n for n in range(1, 61) if answer_first(n) == "dismiss" and is_drawn(n, one_in=3)}
    assert set(read) == whole | drawn
    weights = {n: list_verdicts(logbook, n)[-1].stands_for for n in read}
    assert {n for n, weight in weights.items() if weight == 3.0} == drawn
    assert set(weights.values()) == {1.0, 3.0}
    with pytest.raises(AnnotateError, match="one in 1 or more of the dismissed; found one in 0"):
        next_second(logbook, "Tove", plan=ReadingPlan(dismissed_one_in=0))
    with pytest.raises(AnnotateError, match="one in 1 or more of the dismissed; found one in -2"):
        give_verdict(logbook, 1, answer="confirm", reviewer="Ilse", at=LATER, blind=True, dismissed_one_in=-2)


def test_a_tree_a_visit_or_a_kind_can_be_read_alone(logbook: Logbook) -> None:
    """Only what was chosen comes; a place without a tree holds nothing here; pages go on after one and skip those named."""
    tree = find_tree(logbook, "OT02").id
    assert sorted(read_all(logbook, plan=ReadingPlan(tree_id=tree))) == list(range(31, 61))
    assert count_second(logbook, "Tove", plan=ReadingPlan(visit_id=2)) == 0
    assert count_second(logbook, "Tove", plan=ReadingPlan(visit_id=1)) == 30
    assert next_second(logbook, "Tove", plan=ReadingPlan(tree_id=0)) is None
    assert next_second(logbook, "Tove", plan=ReadingPlan(kind="feeding")) is None
    first, second, *_ = whole = [
        candidate.id
        for candidate in list_second(logbook, "Tove", plan=ReadingPlan(kind="silhouette"), limit=40)
    ]
    assert len(whole) == 30
    assert next_second(logbook, "Tove", after=first) == list_second(logbook, "Tove", without=[first])[0]
    assert list_second(logbook, "Tove", without=[first])[0].id == second


def test_it_goes_on_where_it_was_and_ends_where_it_began(logbook: Logbook) -> None:
    """What was passed over comes again at the end, and a slip comes again at once."""
    order = [candidate.id for candidate in list_second(logbook, "Tove", limit=60)]
    give_verdict(logbook, order[20], answer="dismiss", reviewer="Tove", at=LATER, blind=True)
    assert next_second(logbook, "Tove").id == order[21]  # type: ignore[union-attr]
    left = [candidate.id for candidate in list_second(logbook, "Tove", limit=60)]
    assert left == order[21:] + order[:20]
    take_back(logbook, reviewer="Tove", at=LATER, blind=True)
    assert next_second(logbook, "Tove").id == order[20]  # type: ignore[union-attr]
    # Taken back after the other answer was seen, it is no longer a blind one's to give.
    give_verdict(logbook, order[20], answer="dismiss", reviewer="Tove", at=LATER, blind=True)
    take_back(logbook, reviewer="Tove", at=LATER)
    assert order[20] not in [candidate.id for candidate in list_second(logbook, "Tove", limit=60)]


def test_a_blind_answer_flips_no_observation(logbook: Logbook) -> None:
    """Confirmed, then dismissed blind: withdrawn, unsure, details kept; agreed again it stands with its observer and details."""
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER, details=Details(stage="L4"))
    made = find_observation(logbook, candidate_id=1)
    assert made is not None
    give_verdict(logbook, 1, answer="dismiss", reviewer="Tove", at=LATER + MINUTE, blind=True)
    assert find_candidate(logbook, 1).answer == "unsure"
    withdrawn = find_observation(logbook, candidate_id=1)
    assert withdrawn is not None and withdrawn.withdrawn_at == LATER + MINUTE
    assert list_changes(logbook, made.id)[-1].who == "Tove"
    give_verdict(logbook, 1, answer="confirm", reviewer="Tove", at=LATER + 2 * MINUTE)
    again = find_observation(logbook, candidate_id=1)
    assert again is not None and (again.id, again.observer, again.stage) == (made.id, "Maren", "L4")
    assert again.withdrawn_at is None and list_disagreements(logbook) == ()


def test_a_blind_answer_makes_no_observation_alone(logbook: Logbook) -> None:
    """Dismissed, then confirmed blind: no record until the first agrees; it names who saw it first."""
    before = len(list_observations(logbook))
    give_verdict(logbook, 3, answer="confirm", reviewer="Tove", at=LATER, blind=True)
    assert find_candidate(logbook, 3).answer == "unsure" and len(list_observations(logbook)) == before
    give_verdict(logbook, 3, answer="confirm", reviewer="Maren", at=LATER + MINUTE)
    made = find_observation(logbook, candidate_id=3)
    assert made is not None and (made.observer, made.withdrawn_at) == ("Tove", None)
    counts = count_candidates(logbook)
    assert sum(count.confirmed for count in counts) == before + 1


def test_a_disagreement_comes_back_to_both_and_survives_an_undo(logbook: Logbook) -> None:
    """Listed for both, for nobody else; one agrees and takes that back: open again; agreement to leave it unsure ends it."""
    give_verdict(logbook, 1, answer="dismiss", reviewer="Tove", at=LATER, blind=True)
    give_verdict(logbook, 11, answer="unsure", reviewer="Tove", at=LATER, blind=True)
    give_verdict(logbook, 21, answer="confirm", reviewer="Tove", at=LATER, blind=True)
    for name in ("", "Maren", " TOVE "):
        assert [one.candidate_id for one in list_disagreements(logbook, reviewer=name)] == [1, 11]
    assert list_disagreements(logbook, reviewer="Ilse") == ()
    give_verdict(logbook, 1, answer="confirm", reviewer="Tove", at=LATER)
    assert [one.candidate_id for one in list_disagreements(logbook)] == [11]
    undone = take_back(logbook, reviewer="tove", at=LATER, candidate_id=1)
    assert undone.answer == "unsure" and find_candidate(logbook, 1).answer == "unsure"
    # Those that wait for the person come first.
    assert [one.candidate_id for one in list_disagreements(logbook, reviewer="Tove")] == [11, 1]
    assert [one.candidate_id for one in list_disagreements(logbook, reviewer="Maren")] == [1, 11]
    # Taking back the blind answer itself, having seen the other, settles nothing either.
    take_back(logbook, reviewer="Tove", at=LATER, candidate_id=1)
    assert [one.candidate_id for one in list_disagreements(logbook)] == [1, 11]
    for name in ("Maren", "Tove"):
        give_verdict(logbook, 1, answer="unsure", reviewer=name, at=LATER)
    assert [one.candidate_id for one in list_disagreements(logbook)] == [11]
    assert find_candidate(logbook, 1).answer == "unsure"


def test_a_planted_larva_is_no_record_and_no_disagreement(logbook: Logbook) -> None:
    """Both may confirm it, or differ: there is no observation, and nothing comes back."""
    with logbook.writing() as session:
        session.connection().execute(text("UPDATE candidate SET found_by = 'planted' WHERE id IN (4, 5)"))
    before = list_observations(logbook)
    for name, number in (("Maren", 4), ("Tove", 4), ("Tove", 5)):
        give_verdict(logbook, number, answer="confirm", reviewer=name, at=LATER, blind=name == "Tove")
    assert list_observations(logbook) == before and list_disagreements(logbook) == ()


def test_ones_own_are_never_a_second_reading(tmp_path: Path, logbook: Logbook) -> None:
    """Other capitals, other blanks, a new name: the same person is offered nothing, and told why."""
    for name in ("maren", "  MAREN "):
        assert next_second(logbook, name) is None
        with pytest.raises(AnnotateError, match=r"somebody else than .*; found only those of .*--second"):
            check_second(logbook, name)
    check_second(logbook, "Maren Ash")
    path = logbook.folder / "settings.toml"
    settings_text = path.read_text(encoding="utf-8")
    assert 'renamed = ""' in settings_text
    path.write_text(settings_text.replace('renamed = ""', 'renamed = "Maren = Maren Ash"'), encoding="utf-8")
    with open_logbook(logbook.folder) as renamed:
        assert next_second(renamed, "Maren Ash") is None
        with pytest.raises(AnnotateError, match="only those of Maren Ash"):
            check_second(renamed, "Maren Ash")
        # Their older answer can be taken back under the new name.
        assert take_back(renamed, reviewer="Maren Ash", at=LATER, candidate_id=1).answer == "open"
    with open_logbook(create_logbook(tmp_path / "empty")) as empty:
        with pytest.raises(AnnotateError, match="found none"):
            check_second(empty, "Tove")
        assert next_second(empty, "Tove") is None and list_disagreements(empty) == ()
        assert list_all_said(empty) == ()


def test_names_with_marks_of_another_language_do_no_harm(logbook: Logbook) -> None:
    """A name may hold what means something in SQL."""
    name = "T'o\"ve; DROP TABLE verdict --"
    shown = next_second(logbook, name)
    assert shown is not None
    give_verdict(logbook, shown.id, answer="unsure", reviewer=name, at=LATER, blind=True)
    assert count_second(logbook, name) == 59


def test_verdicts_are_chosen_by_what_was_filmed(logbook: Logbook) -> None:
    """By site, by the day of the visit, by the moment filmed."""
    assert len(list_all_said(logbook)) == 60
    assert len(list_all_said(logbook, site="OTTERHOLT")) == 60 and list_all_said(logbook, site="NO") == ()
    assert [said.candidate_id for said in list_all_said(logbook, day=NOON.date())] == list(range(1, 31))
    assert len(list_all_said(logbook, since=NOON + timedelta(days=1))) == 30


SAID = st.lists(
    st.tuples(
        st.integers(1, 2),
        st.sampled_from(["confirm", "dismiss", "unsure", "open", "undo"]),
        st.sampled_from(["A", "B", "b", "C"]),
        st.booleans(),
    ),
    max_size=10,
)


@settings(max_examples=12, deadline=None)
@given(acts=SAID)
def test_answer_record_and_verdicts_never_part(
    tmp_path_factory: pytest.TempPathFactory, filled: Path, acts: list[tuple[int, str, str, bool]]
) -> None:
    """Whatever three people say, blind or not, and take back: the answer is that of the rule, and the record follows it."""
    for logbook in open_copy(filled, tmp_path_factory.mktemp("acts") / "book"):
        for number, answer, reviewer, blind in acts:
            if answer != "undo":
                give_verdict(logbook, number, answer=answer, reviewer=reviewer, at=LATER, blind=blind)  # type: ignore[arg-type]
                continue
            try:
                undone = take_back(logbook, reviewer=reviewer, at=LATER, candidate_id=number, blind=blind)
            except AnnotateError:
                continue
            assert undone.answer == find_candidate(logbook, number).answer
        standing = {item.candidate_id for item in list_observations(logbook)}
        disputed = {one.candidate_id for one in list_disagreements(logbook)}
        for number in (1, 2):
            counts = find_candidate(logbook, number).answer
            assert counts == find_counting(list_verdicts(logbook, number))[0]
            assert (number in standing) == (counts == "confirm")
            assert number not in disputed or counts == "unsure"


def read_here(folder: Path, reviewer: str, barrier: object) -> None:
    """Read a logbook again in a process of its own."""
    barrier.wait()  # type: ignore[attr-defined]
    with open_logbook(folder) as logbook:
        read_all(logbook, reviewer, ReadingPlan(tree_id=1))


def test_two_read_at_once(logbook: Logbook) -> None:
    """Two second readers at the same time: both read all of a tree, each once, and no verdict is lost."""
    context = multiprocessing.get_context("spawn")
    barrier = context.Barrier(2)
    readers = [
        context.Process(target=read_here, args=(logbook.folder, name, barrier)) for name in ("Tove", "Ilse")
    ]
    for reader in readers:
        reader.start()
    for reader in readers:
        reader.join()
        assert reader.exitcode == 0
    for number in range(1, EACH + 1):
        assert sorted(verdict.reviewer for verdict in list_verdicts(logbook, number)) == [
            "Ilse",
            "Maren",
            "Tove",
        ]
    assert list_disagreements(logbook) == ()


def test_the_index_of_the_order_is_found(logbook: Logbook) -> None:
    """Its words in the tables are those of the question: without the index, the question itself is refused."""
    with logbook.writing() as session:
        session.connection().execute(text("DROP INDEX ix_candidate_second"))
    with pytest.raises(Exception, match="no such index: ix_candidate_second"):
        next_second(logbook, "Tove")
