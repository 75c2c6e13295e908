"""More like this, and groups to dismiss together: what looks alike, never what promises much, over every standing."""

import json
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from sqlalchemy import text
from typer.testing import CliRunner

from annotate.commands import order as _order  # noqa: F401  (registers the commands)
from annotate.commands import search as _search  # noqa: F401
from annotate.commands.base import app
from annotate.errors import AnnotateError
from annotate.judging.alike import MOST_PROMISE_GROUPED, compare_looks, find_alike, find_similar
from annotate.learning.weights_kept import find_in_use, use_weights
from annotate.logbook.looks import Looks, find_usual_scorer, keep_looks, read_looks
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.review import list_candidates
from annotate.logbook.verdicts import give_verdict
from annotate.searching import SearchOrder, search_into_logbook
from detect.clips import open_clip
from detect.default_scorer import load_scorer
from detect.network_scoring import NetworkScorer
from models.second_judge import LOOK_SIZE
from tests.annotate.made_records import LATER, add_trees, film, keep_copy, make_candidate, search
from tests.annotate.thresholds import lower_threshold

SAMPLE = Path(__file__).parents[2] / "sample_frames"
SIZE = 16


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    """Two searched clips on two trees, 24 candidates of three looks in turn."""
    with open_logbook(create_logbook(tmp_path / "book", recorder="Maren")) as opened:
        add_trees(opened, "OT03", "OT05")
        for number, tree in ((1, "OT03"), (2, "OT05")):
            found = [
                make_candidate(1.0, (60 + 40 * n, 90), score=0.8 * MOST_PROMISE_GROUPED, shade=n)
                for n in range(12)
            ]
            search(opened, film(opened, number=number, tree=tree), found)
        rng = np.random.default_rng(4)
        looks = 3 * rng.normal(size=(3, SIZE))[np.arange(24) % 3] + 0.2 * rng.normal(size=(24, SIZE))
        keep_looks(opened, "made 1", ids=range(1, 25), vectors=looks.astype(np.float16))
        yield opened


def change(logbook: Logbook, what: str) -> None:
    with logbook.writing() as session:
        session.execute(text(f"UPDATE candidate SET {what}"))


def test_similarity_is_the_cosine_of_what_is_not_common_to_all() -> None:
    """Equal to the plain formula on standardised vectors; 1 with itself; the same whatever is added to all or scaled."""
    rng = np.random.default_rng(0)
    vectors = rng.normal(5, 2, (3_000, SIZE)).astype(np.float16)
    looks = Looks("made", np.arange(10, 3_010), vectors)
    plain = vectors.astype(np.float64)
    plain = (plain - plain.mean(axis=0)) / plain.std(axis=0)
    plain /= np.linalg.norm(plain, axis=1, keepdims=True)
    found = compare_looks(looks, 10 + 1_234)
    assert np.abs(found - plain @ plain[1_234]).max() < 2e-3
    assert found[1_234] == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize("count", [1, 2])
def test_one_or_two_looks_can_be_compared(count: int) -> None:
    """Alone, or with one of the same vector, nothing is told apart and nothing fails."""
    looks = Looks("made", np.arange(1, count + 1), np.ones((count, SIZE), np.float16))
    assert compare_looks(looks, 1).tolist() == [0.0] * count


def test_more_like_this_comes_from_all_footage_and_every_standing(logbook: Logbook) -> None:
    """The nearest are those of its look, from both clips, judged and set aside ones too; the candidate itself is not named."""
    change(logbook, "standing = 'set aside' WHERE id = 4")
    give_verdict(logbook, 13, answer="confirm", reviewer="Maren", at=LATER)
    found = find_similar(logbook, 1, limit=7)
    assert {item.candidate.id for item in found} == {4, 7, 10, 13, 16, 19, 22}
    assert {item.candidate.tree for item in found} == {"OT03", "OT05"}
    assert {item.candidate.standing for item in found} == {"listed", "set aside"}
    similarities = [item.similarity for item in found]
    assert similarities == sorted(similarities, reverse=True) and similarities[-1] > 0.9
    assert all(item.candidate.views for item in found)
    assert find_similar(logbook, 1, limit=100)[-1].similarity < 0


def test_what_was_found_again_is_shown_once(logbook: Logbook) -> None:
    """The find of a later search that shows what was judged takes no place in the list, however many there are of them."""
    change(logbook, "standing = 'same', same_as_id = 13 WHERE id IN (4, 7, 10)")
    found = find_similar(logbook, 1, limit=4)
    assert {item.candidate.id for item in found} == {13, 16, 19, 22}
    assert [item.candidate.id for item in find_similar(logbook, 1, limit=1)] == [found[0].candidate.id]
    assert len(find_similar(logbook, 1, limit=100)) == 24 - 4


def test_a_group_holds_only_open_doubtful_ones_of_the_kind_that_look_alike(logbook: Logbook) -> None:
    """One that promises more, was judged, was set aside or is of the other kind is not offered, however alike."""
    change(logbook, f"promise = {MOST_PROMISE_GROUPED + 0.001} WHERE id = 4")
    change(logbook, "kind = 'feeding' WHERE id = 7")
    change(logbook, "standing = 'set aside' WHERE id = 10")
    give_verdict(logbook, 13, answer="unsure", reviewer="Maren", at=LATER)
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=LATER)
    assert {item.candidate.id for item in find_alike(logbook, 1)} == {16, 19, 22}
    assert len(find_alike(logbook, 1, limit=2)) == 2


def test_a_candidate_without_a_look_has_no_group_and_says_so_when_more_is_asked(logbook: Logbook) -> None:
    """Its picture lost, it goes alone; one that does not exist is named in the error."""
    with logbook.writing() as session:
        session.execute(text("DELETE FROM candidate_look WHERE candidate_id = 5"))
    assert find_alike(logbook, 5) == ()
    with pytest.raises(AnnotateError, match="no look of it"):
        find_similar(logbook, 5)
    for ask in (find_similar, find_alike):
        with pytest.raises(AnnotateError, match="found 99"):
            ask(logbook, 99)


@pytest.fixture(scope="module")
def searched(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook in which the sample's photos were searched with the real weights, low enough to find something in each."""
    folder = create_logbook(tmp_path_factory.mktemp("sample") / "book", recorder="Maren")
    lower_threshold(folder, silhouette_score=0.02)
    with open_logbook(folder) as logbook:
        order = SearchOrder(None, again=False, recorded_at=datetime(2026, 5, 17, 12, tzinfo=UTC))
        scorer = load_scorer()
        for name in ("otterholt-ot05-1.jpg", "otterholt-ot05-2.jpg", "otterholt-ot08-1.jpg"):
            search_into_logbook(logbook, open_clip(SAMPLE / name), order=order, scorer=scorer)
    return folder


def ask(folder: Path, *words: str) -> tuple[int, str]:
    done = CliRunner().invoke(
        app, [*words, "--logbook", str(folder)], env={"COLUMNS": "200"}, catch_exceptions=True
    )
    return done.exit_code, done.output + (str(done.exception) if done.exception else "")


def test_a_search_leaves_a_look_of_everything_it_found(searched: Path) -> None:
    """With the real weights: one look for each candidate, under the second look's name, as long as its vectors."""
    with open_logbook(searched) as logbook:
        looks = read_looks(logbook)
        ids = sorted(candidate.id for candidate in list_candidates(logbook, limit=1_000))
    assert len(ids) > 3 and looks.ids.tolist() == ids
    scorer = load_scorer()
    assert isinstance(scorer, NetworkScorer) and looks.scorer == scorer.look_name
    assert looks.vectors.shape[1] == LOOK_SIZE
    assert looks.log_odds is not None and np.ptp(looks.log_odds) > 0


def test_similar_lists_looks_and_makes_them_where_they_lack(searched: Path) -> None:
    """Looks taken away are made again by the command, the same ones; what it lists is the same as JSON and as a table."""
    with open_logbook(searched) as logbook:
        before = read_looks(logbook)
        with logbook.writing() as session:
            session.execute(text("DELETE FROM candidate_look"))
    code, out = ask(searched, "similar", "1", "--limit", "3", "--json")
    listed = json.loads(out)
    assert code == 0 and len(listed) == 3 and 1 not in {row["candidate"] for row in listed}
    assert [row["similarity"] for row in listed] == sorted(
        (row["similarity"] for row in listed), reverse=True
    )
    assert all(row["date"] == "2026-05-17" and len(row["picture"]) == 64 for row in listed)
    with open_logbook(searched) as logbook:
        again = read_looks(logbook)
        assert find_usual_scorer(logbook) == before.scorer
    assert again.ids.tolist() == before.ids.tolist() and np.array_equal(again.vectors, before.vectors)
    code, table = ask(searched, "similar", "1", "--limit", "3")
    assert code == 0 and all(f"{row['similarity']:.2f}" in table for row in listed) and "17 May 2026" in table


def test_looks_outlast_other_weights(searched: Path, tmp_path: Path) -> None:
    """Weights that learned at home come into use: what was looked at can be compared with what is found next."""
    with open_logbook(searched) as logbook:
        before = find_usual_scorer(logbook)
        use_weights(logbook, keep_copy(logbook, tmp_path / "draft.pt"))
        scorer = load_scorer(find_in_use(logbook))
        assert isinstance(scorer, NetworkScorer) and scorer.look_name == before
    assert ask(searched, "similar", "1")[0] == 0
    with open_logbook(searched) as logbook:
        assert find_usual_scorer(logbook) == before


def test_older_looks_are_made_anew(searched: Path) -> None:
    """Looks of another maker, as an older version left them, are put in the place of new ones by the command."""
    with open_logbook(searched) as logbook:
        before = read_looks(logbook)
        keep_looks(logbook, "older", ids=before.ids.tolist(), vectors=before.vectors[:, ::-1])
    assert ask(searched, "order")[0] == 0
    with open_logbook(searched) as logbook:
        assert find_usual_scorer(logbook) == before.scorer
        assert np.array_equal(read_looks(logbook).vectors, before.vectors)


def test_a_search_looks_again_at_what_an_older_version_found(searched: Path, tmp_path: Path) -> None:
    """Else old finds and new would be ordered by unlike looks; promises are as `leafshade order` would leave them."""
    folder = tmp_path / "copy"
    shutil.copytree(searched, folder)
    with open_logbook(folder) as logbook:
        before = read_looks(logbook)
        keep_looks(logbook, "older", ids=before.ids.tolist(), vectors=before.vectors[:, ::-1])
    photo = tmp_path / "another.jpg"
    Image.open(SAMPLE / "otterholt-ot05-1.jpg").transpose(Image.Transpose.FLIP_LEFT_RIGHT).save(photo)
    code, out = ask(folder, "search", str(photo), "--recorded-at", "2026-05-18T12:00")
    assert code == 0 and "to judge" in out, out
    with open_logbook(folder) as logbook:
        looks, promises = read_looks(logbook), read_promises(logbook)
    assert looks.scorer == before.scorer and len(looks.ids) == len(promises) > len(before.ids)
    assert np.array_equal(looks.vectors[: len(before.ids)], before.vectors)
    assert ask(folder, "order")[0] == 0
    with open_logbook(folder) as logbook:
        assert read_promises(logbook) == promises


def read_promises(logbook: Logbook) -> list[float]:
    with logbook.reading() as session:
        return list(session.scalars(text("SELECT promise FROM candidate ORDER BY id")))


def test_similar_to_one_that_does_not_exist_is_an_error_with_a_way_out(searched: Path) -> None:
    """The number is named, and what to do."""
    code, out = ask(searched, "similar", "999")
    assert code != 0 and "999" in out and "take one from the list" in out


def test_order_learns_once_and_then_changes_nothing(searched: Path) -> None:
    """Without verdicts it says so; after some it learns; given again, nothing has another promise."""
    assert "No verdicts to learn from yet" in ask(searched, "order")[1]
    with open_logbook(searched) as logbook:
        for candidate in list_candidates(logbook)[-2:]:
            give_verdict(logbook, candidate.id, answer="dismiss", reviewer="Maren", at=LATER)
    assert "Learned from 2 verdicts" in ask(searched, "order")[1]
    assert "Learned from 2 verdicts: 0 open candidates" in ask(searched, "order")[1]
