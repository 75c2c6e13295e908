"""Looks and promises in the logbook: kept, made where they lack, passed over where a picture is gone, and read back whole."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from sqlalchemy import text

from annotate.judging.looks import make_looks
from annotate.judging.promise import RENEW_EVERY, PromiseKeeper, renew_promises
from annotate.logbook import looks as looks_room
from annotate.logbook.looks import LookKeeper, Looks, find_usual_scorer, keep_looks, list_unseen, read_looks
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.pictures import picture_path
from annotate.logbook.promises import list_doubtful, next_to_teach, read_judged, write_promises
from annotate.logbook.review import list_candidates, next_candidate
from annotate.logbook.verdicts import give_verdict, take_back
from detect.scoring import Describer, HandMadeScorer
from models.looks import WITH_ODDS, SeenPlace
from tests.annotate.made_records import LATER, add_trees, film, make_candidate, search

SIZE = 8


class MeanColour:
    """Describes a place by the mean colour about it: made pictures of one shade look alike."""

    look_name = "mean colour 1"

    def __init__(self) -> None:
        self.asked = 0

    def describe(self, places: Sequence[SeenPlace]) -> NDArray[np.float16]:
        """Eight numbers for each."""
        self.asked += len(places)
        means = [np.resize(place.rgb.mean(axis=(0, 1)), SIZE) for place in places]
        return np.array(means, np.float16).reshape(len(places), SIZE)


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(create_logbook(tmp_path / "book", recorder="Maren")) as opened:
        add_trees(opened, "OT03", "OT05")
        yield opened


def fill(
    logbook: Logbook, scores: Sequence[float], *, shades: Sequence[int] = (), number: int = 1, **more: str
) -> None:
    """A searched clip; candidates lie apart."""
    shades = shades or range(len(scores))
    found = [
        make_candidate(1.0, (60 + 12 * n, 90 + 30 * (n % 50)), score=score, shade=shade, **more)
        for n, (score, shade) in enumerate(zip(scores, shades, strict=True))
    ]
    search(logbook, film(logbook, number=number, tree="OT03" if number % 2 else "OT05"), found)


def test_looks_are_made_once_for_candidates_of_any_standing(logbook: Logbook) -> None:
    """Each candidate gets a look, those set aside too; asked again none is made, and another scorer makes its own."""
    fill(logbook, [0.9, 0.5, 0.2])
    clip_id = list_candidates(logbook)[0].clip_id
    with logbook.writing() as session:
        session.execute(text("UPDATE candidate SET standing = 'set aside' WHERE id = 2"))
    describer = MeanColour()
    assert make_looks(logbook, describer, clip_id=clip_id + 1) == 0
    assert make_looks(logbook, describer, clip_id=clip_id) == 3 and make_looks(logbook, describer) == 0
    looks = read_looks(logbook)
    assert (looks.scorer, looks.ids.tolist()) == ("mean colour 1", [1, 2, 3])
    assert looks.vectors.shape == (3, SIZE) and looks.vectors.dtype == np.float16
    assert len(list_unseen(logbook, "another")) == 3 and describer.asked == 3


def test_a_picture_gone_or_damaged_is_passed_over(logbook: Logbook) -> None:
    """The rest get their looks; the candidate of the lost picture has none, and the promises do without."""
    fill(logbook, [0.9, 0.5, 0.2, 0.1], shades=(5, 60, 120, 200))
    pictures = [candidate.views[0].picture for candidate in list_candidates(logbook)]
    picture_path(logbook, pictures[0]).unlink()
    picture_path(logbook, pictures[1]).write_bytes(b"no picture")
    assert make_looks(logbook, MeanColour()) == 2
    assert read_looks(logbook).ids.tolist() == [3, 4]
    give_verdict(logbook, 3, answer="dismiss", reviewer="Maren", at=LATER)
    assert renew_promises(logbook).learned_from == 1


def test_stopped_in_between_looks_go_on_where_they_were(
    logbook: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A describer that breaks off leaves what was kept; the next run makes only the rest."""
    monkeypatch.setattr("annotate.judging.looks.AT_ONCE", 2)
    fill(logbook, [0.5] * 5)

    class Breaks(MeanColour):
        def describe(self, places: Sequence[SeenPlace]) -> NDArray[np.float16]:
            if self.asked >= 2:
                raise KeyboardInterrupt
            return super().describe(places)

    with pytest.raises(KeyboardInterrupt):
        make_looks(logbook, Breaks())
    assert read_looks(logbook).ids.tolist() == [1, 2]
    told: list[tuple[int, int]] = []
    assert make_looks(logbook, MeanColour(), on_looks=lambda done, total: told.append((done, total))) == 3
    assert told == [(2, 3), (3, 3)]


def test_log_odds_of_a_second_look_are_no_part_of_the_vector(logbook: Logbook) -> None:
    """Where the scorer's name says so, the last number comes back for itself; under any other name it belongs to the vector."""
    fill(logbook, [0.2, 0.3, 0.4])
    vectors = np.arange(3 * SIZE, dtype=np.float16).reshape(3, SIZE)
    keep_looks(logbook, "plain 1", ids=[1, 2, 3], vectors=vectors)
    plain = read_looks(logbook)
    assert plain.log_odds is None and np.array_equal(plain.vectors, vectors)
    keep_looks(logbook, f"other 2{WITH_ODDS}", ids=[1, 2, 3], vectors=vectors)
    looks = read_looks(logbook)
    assert looks.log_odds is not None and looks.log_odds.tolist() == vectors[:, -1].tolist()
    assert np.array_equal(looks.vectors, vectors[:, :-1]) and looks.ids.tolist() == [1, 2, 3]
    assert len(read_looks(logbook, scorer=f"nobody{WITH_ODDS}").ids) == 0


def test_a_second_look_orders_the_review_before_any_verdict(logbook: Logbook) -> None:
    """Two equal scores, nothing judged: the one that looked more like a larva comes first."""
    fill(logbook, [0.3, 0.3])
    vectors = np.zeros((2, SIZE), np.float16)
    vectors[:, -1] = [-2, 3]
    keep_looks(logbook, f"other 2{WITH_ODDS}", ids=[1, 2], vectors=vectors)
    assert renew_promises(logbook).learned_from == 0
    assert [candidate.id for candidate in list_candidates(logbook, limit=9)] == [2, 1]


def test_looks_of_two_scorers_are_never_mixed(logbook: Logbook) -> None:
    """Unless one is named, those of the scorer that made most are read; a vector of another length is left out."""
    fill(logbook, [0.5] * 5)
    keep_looks(logbook, "old 1", ids=[1, 2], vectors=np.ones((2, SIZE), np.float16))
    keep_looks(logbook, "new 2", ids=[3, 4, 5], vectors=np.full((3, SIZE), 2, np.float16))
    assert find_usual_scorer(logbook) == "new 2" and read_looks(logbook).ids.tolist() == [3, 4, 5]
    assert read_looks(logbook, scorer="old 1").ids.tolist() == [1, 2]
    with logbook.writing() as session:
        session.execute(text("UPDATE candidate_look SET vector = x'0000' WHERE candidate_id = 4"))
    assert read_looks(logbook).ids.tolist() == [3, 5]
    assert len(read_looks(logbook, scorer="nobody").ids) == 0


def test_an_empty_logbook_has_no_looks_and_learns_nothing(logbook: Logbook) -> None:
    """Nothing found, nothing judged: no look, no lesson, no error."""
    assert find_usual_scorer(logbook) == "" and read_looks(logbook).vectors.shape[0] == 0
    assert make_looks(logbook, MeanColour()) == 0
    assert renew_promises(logbook).changed == 0 and next_to_teach(logbook) is None


def test_the_order_follows_the_verdicts_and_goes_back_with_them(logbook: Logbook) -> None:
    """Things of one shade dismissed, the other shade comes first, though it scored less; taken back, the score rules again."""
    shades = [1, 200] * 20
    fill(logbook, [0.4 if shade == 1 else 0.35 for shade in shades], shades=shades)
    make_looks(logbook, MeanColour())
    before = [candidate.id for candidate in list_candidates(logbook)]
    assert before == [*range(1, 41, 2), *range(2, 41, 2)]
    for number in (1, 3, 5, 7, 9, 11, 13, 15):
        give_verdict(logbook, number, answer="dismiss", reviewer="Maren", at=LATER)
    for number in (2, 4):
        give_verdict(logbook, number, answer="confirm", reviewer="Maren", at=LATER)
    renewal = renew_promises(logbook)
    assert renewal.learned_from == 10 and renewal.changed == 30
    after = [candidate.id for candidate in list_candidates(logbook, answer="open")]
    assert after == [*range(6, 41, 2), *range(17, 41, 2)]
    assert renew_promises(logbook) == replace(renewal, changed=0)
    for _ in range(10):
        take_back(logbook, reviewer="Maren", at=LATER)
    renew_promises(logbook)
    assert [candidate.id for candidate in list_candidates(logbook)] == before


def test_what_was_judged_meanwhile_keeps_its_promise(logbook: Logbook) -> None:
    """Between learning and writing somebody judges: that candidate's promise is not touched."""
    fill(logbook, [0.5, 0.4])
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=LATER)
    write_promises(logbook, ids=np.array([1, 2]), promises=np.array([0.1, 0.2]), teaching=(2,))
    assert read_judged(logbook).promises.tolist() == [0.5, 0.2]


def test_planted_and_hand_drawn_things_teach_nothing(logbook: Logbook) -> None:
    """What was planted or drawn in by hand is no lesson; an open planted one has a promise like any other."""
    fill(logbook, [0.5] * 4)
    with logbook.writing() as session:
        session.execute(text("UPDATE candidate SET found_by = 'planted' WHERE id IN (1, 3)"))
        session.execute(text("UPDATE candidate SET found_by = 'hand' WHERE id = 2"))
    for number in (1, 2):
        give_verdict(logbook, number, answer="dismiss", reviewer="Maren", at=LATER)
    assert renew_promises(logbook).learned_from == 0
    fill(logbook, [0.5] * 4, number=2)
    give_verdict(logbook, 8, answer="dismiss", reviewer="Maren", at=LATER)
    assert renew_promises(logbook).learned_from == 1
    promises = read_judged(logbook).promises
    assert promises[2] < 0.5 and promises[2] == pytest.approx(promises[3])


def test_the_next_to_teach_is_open_of_the_kind_and_tree_asked_for_and_not_one_passed_by(
    logbook: Logbook,
) -> None:
    """Named by a renewal; judged, it is no longer offered; a kind, a tree or one passed by narrows the choice."""
    fill(logbook, [0.5, 0.5, 0.01])
    fill(logbook, [0.5, 0.02], number=2, kind="feeding")
    make_looks(logbook, MeanColour())
    renew_promises(logbook)
    first = next_to_teach(logbook)
    assert first is not None and first.score == 0.5 and first.views
    second = next_to_teach(logbook, without=[first.id])
    assert second is not None and second.id != first.id
    feeding = next_to_teach(logbook, kind="feeding")
    assert feeding is not None and feeding.kind == "feeding" and feeding.tree == "OT05"
    here = next_to_teach(logbook, tree_id=feeding.tree_id)
    assert here is not None and here.id == feeding.id
    assert next_to_teach(logbook, tree_id=0) is None
    give_verdict(logbook, first.id, answer="unsure", reviewer="Maren", at=LATER)
    newer = next_to_teach(logbook)
    assert newer is not None and newer.id != first.id


def test_doubtful_ones_are_open_of_the_kind_and_promise_little(logbook: Logbook) -> None:
    """The bound itself still counts as little; judged ones and other kinds are not named."""
    fill(logbook, [0.05, 0.051, 0.01, 0.01])
    fill(logbook, [0.01], number=2, kind="feeding")
    give_verdict(logbook, 4, answer="dismiss", reviewer="Maren", at=LATER)
    assert sorted(list_doubtful(logbook, kind="silhouette", most_promise=0.05)) == [1, 3]


def test_promises_are_renewed_in_the_background_while_cards_are_handed_out(logbook: Logbook) -> None:
    """After so many verdicts the keeper renews by itself; the next candidate is there all the while."""
    fill(logbook, [0.3] * (RENEW_EVERY + 10))
    make_looks(logbook, MeanColour())
    keeper = PromiseKeeper(logbook)
    for _ in range(RENEW_EVERY - 1):
        candidate = next_candidate(logbook)
        assert candidate is not None
        give_verdict(logbook, candidate.id, answer="dismiss", reviewer="Maren", at=LATER)
        keeper.note()
    keeper.wait()
    assert (read_judged(logbook).promises == 0.3).all()
    candidate = next_candidate(logbook)
    assert candidate is not None
    give_verdict(logbook, candidate.id, answer="dismiss", reviewer="Maren", at=LATER)
    keeper.note()
    assert next_candidate(logbook) is not None
    keeper.wait()
    judged = read_judged(logbook)
    assert (judged.promises[judged.is_open] < 0.3).all() and (judged.promises[~judged.is_open] == 0.3).all()


def test_a_scorer_made_by_hand_describes_nothing() -> None:
    """Only what can describe a place is asked to."""
    assert isinstance(MeanColour(), Describer) and not isinstance(HandMadeScorer(), Describer)


def test_kept_looks_are_read_again_only_after_a_change(
    logbook: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """None, then some, more, and all made anew by another scorer: each is handed out at once, and read once only."""
    reads = []

    def read_and_count(logbook: Logbook) -> Looks:
        reads.append(1)
        return read_looks(logbook)

    monkeypatch.setattr(looks_room, "read_looks", read_and_count)
    keeper = LookKeeper()
    assert len(keeper.read(logbook).ids) == len(keeper.read(logbook).ids) == 0 and len(reads) == 1
    fill(logbook, [0.2, 0.3])
    make_looks(logbook, MeanColour())
    assert keeper.read(logbook).ids.tolist() == [1, 2] and keeper.read(logbook) is keeper.read(logbook)
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=LATER)
    keeper.read(logbook)
    assert len(reads) == 2
    fill(logbook, [0.4], number=2)
    make_looks(logbook, MeanColour())
    assert keeper.read(logbook).ids.tolist() == [1, 2, 3] and len(reads) == 3
    keep_looks(logbook, "other 2", ids=[1, 2, 3], vectors=np.ones((3, SIZE), np.float16))
    assert keeper.read(logbook).scorer == "other 2" and len(reads) == 4


def test_looks_too_many_or_too_old_are_not_kept(logbook: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """More than memory should hold, or older than a while, are read anew, and the same comes back."""
    fill(logbook, [0.2, 0.3])
    make_looks(logbook, MeanColour())
    for name in ("MOST_KEPT_BYTES", "MOST_AGE_S"):
        with monkeypatch.context() as limited:
            limited.setattr(looks_room, name, 0)
            keeper = LookKeeper()
            first, again = keeper.read(logbook), keeper.read(logbook)
            assert first is not again and np.array_equal(first.vectors, again.vectors)
