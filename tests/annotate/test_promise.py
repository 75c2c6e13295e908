"""What verdicts teach of the order: nothing without them, what looks alike together with them, and no larva buried."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from annotate.judging.promise import LEAST_DOUBT, MOST_DROP, TEACHING, learn_promises, weigh_scores
from annotate.logbook.looks import Looks
from annotate.logbook.promises import JudgedCandidates

NAN = float("nan")
NO_LOOKS = Looks("", np.empty(0, np.int64), np.empty((0, 0), np.float16))


def make_judged(scores, answers=None, *, kinds="silhouette", in_batch=False, clips=None) -> JudgedCandidates:
    """Candidates 1, 2, 3... with these scores; answers are 1, 0 or nan, which stands for open here."""
    scores = np.array(scores, np.float64)
    count = len(scores)
    answers = np.full(count, NAN) if answers is None else np.array(answers, np.float64)
    return JudgedCandidates(
        ids=np.arange(1, count + 1),
        clip_ids=np.arange(1, count + 1) if clips is None else np.array(clips),
        kinds=np.array([kinds] * count if isinstance(kinds, str) else kinds, np.str_),
        scores=scores,
        lengths_px=np.full(count, 20.0),
        views_seen=np.full(count, 3.0),
        missing_percents=np.zeros(count),
        promises=scores.copy(),
        answers=answers,
        is_open=np.isnan(answers),
        in_batch=np.full(count, in_batch),
    )


def make_looks(groups, *, seed: int = 0, size: int = 40) -> Looks:
    """Looks of candidates 1, 2, 3..., those of one group alike."""
    rng = np.random.default_rng(seed)
    groups = np.asarray(groups)
    middles = 3 * rng.normal(size=(groups.max() + 1, size))
    vectors = middles[groups] + rng.normal(size=(len(groups), size))
    return Looks("made", np.arange(1, len(groups) + 1), vectors.astype(np.float16))


def find_odds(chances):
    return np.log(chances / (1 - chances))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0, 1), max_size=30))
def test_without_verdicts_the_promise_is_the_score(scores: list[float]) -> None:
    """Nothing judged, every promise is the score itself, 0 and 1 too, with looks and without."""
    judged = make_judged(scores)
    looks = make_looks(np.arange(len(scores)) % 3) if scores else NO_LOOKS
    for seen in (NO_LOOKS, looks):
        learned = learn_promises(judged, seen)
        assert np.array_equal(learned.promises, judged.scores) and learned.learned_from == 0


def test_what_looks_like_dismissed_things_comes_after_what_looks_like_larvae() -> None:
    """Of open candidates with one score, those like the confirmed come before all those like the dismissed."""
    groups = np.arange(200) % 2
    answers = np.where(np.arange(200) < 80, groups, NAN)
    learned = learn_promises(make_judged([0.3] * 200, answers), make_looks(groups))
    open_ones = learned.promises[80:]
    assert open_ones[groups[80:] == 1].min() > 2 * open_ones[groups[80:] == 0].max()
    assert learned.learned_from == 80


def test_looks_that_say_nothing_leave_the_order_nearly_as_it_was() -> None:
    """Where answers follow the score and looks are noise, open candidates stay in the order of their scores, nearly."""
    rng = np.random.default_rng(5)
    scores = rng.uniform(0.01, 0.99, 400)
    answers = np.where(np.arange(400) < 150, rng.random(400) < scores, NAN)
    looks = Looks("made", np.arange(1, 401), rng.normal(size=(400, 40)).astype(np.float16))
    learned = learn_promises(make_judged(scores, answers), looks)
    ranks = [np.argsort(np.argsort(values[150:])) for values in (scores, learned.promises)]
    assert np.corrcoef(*ranks)[0, 1] > 0.97


def test_no_score_is_lowered_by_more_than_the_most_there_is() -> None:
    """However many like it were dismissed, a candidate keeps its score's odds over 20, and stays above hopeless ones."""
    scores = [0.02] * 300 + [0.9] * 3
    answers = [0.0] * 290 + [NAN] * 13
    learned = learn_promises(make_judged(scores, answers), make_looks([0] * 303))
    drop = find_odds(np.array(scores)) - find_odds(learned.promises)
    assert drop.max() <= MOST_DROP + 0.01
    assert learned.promises[300:].min() > learned.promises[290:300].max()


def test_sure_scores_can_be_learned_from() -> None:
    """Scores of exactly 0 and 1, all confirmed or all dismissed, give promises between 0 and 1."""
    for answer in (0.0, 1.0):
        learned = learn_promises(
            make_judged([0.0, 1.0] * 10, [answer] * 10 + [NAN] * 10), make_looks([0, 1] * 10)
        )
        assert np.isfinite(learned.promises).all()
        assert (learned.promises >= 0).all() and (learned.promises[10:] <= 1 - LEAST_DOUBT / 100).all()


def test_verdicts_given_to_many_at_once_teach_less() -> None:
    """A group dismissed together lowers what looks like it, and less than as many dismissed one by one."""
    groups = np.arange(120) % 2
    answers = np.where(np.arange(120) < 20, np.where(groups == 0, 0.0, NAN), NAN)
    one_by_one = learn_promises(make_judged([0.3] * 120, answers), make_looks(groups))
    together = learn_promises(make_judged([0.3] * 120, answers, in_batch=True), make_looks(groups))
    alike = np.flatnonzero((groups == 0) & np.isnan(answers))
    assert (one_by_one.promises[alike] < together.promises[alike]).all()
    assert (together.promises[alike] < 0.3).all()


def test_kinds_are_learned_apart() -> None:
    """Dismissed feeding says nothing of silhouettes: with no verdict on these, their promise is their score."""
    kinds = ["feeding", "silhouette"] * 20
    answers = [0.0 if kind == "feeding" and place < 30 else NAN for place, kind in enumerate(kinds)]
    judged = make_judged([0.4] * 40, answers, kinds=kinds)
    learned = learn_promises(judged, make_looks([0] * 40))
    assert (learned.promises[judged.kinds == "silhouette"] == 0.4).all()
    assert (learned.promises[-2:] != 0.4).tolist() == [True, False]


def test_a_clip_full_of_better_ones_counts_against_a_candidate() -> None:
    """Where only the best of each clip was confirmed, one alone in its clip promises more than its equal among better ones."""
    clips = np.repeat(np.arange(40), 5)
    scores = np.tile([0.5, 0.45, 0.4, 0.4, 0.3], 40)
    scores[195] = 0.4
    answers = np.where(np.arange(200) < 190, np.tile([1.0, 0.0, 0.0, 0.0, 0.0], 40), NAN)
    clips[195] = 99
    learned = learn_promises(make_judged(scores, answers, clips=clips), NO_LOOKS)
    assert learned.promises[195] > 1.5 * learned.promises[192]
    assert learned.promises[192] == learned.promises[193]


def test_the_same_verdicts_teach_the_same() -> None:
    """Asked twice, promises and lessons are the same to the last bit."""
    groups = np.arange(90) % 3
    judged = make_judged(np.linspace(0.05, 0.9, 90), np.where(np.arange(90) < 40, groups == 1, NAN))
    first, second = (learn_promises(judged, make_looks(groups)) for _ in range(2))
    assert np.array_equal(first.promises, second.promises) and first.teaching == second.teaching


def test_candidates_without_a_look_are_ordered_by_what_else_is_known() -> None:
    """Looks of half the candidates, and of others that are in no review, are used as far as they go."""
    groups = np.arange(60) % 2
    every = make_looks(np.arange(300) % 2)
    half = replace(every, ids=every.ids[::3] + 1000 * (every.ids[::3] > 45), vectors=every.vectors[::3])
    half = replace(half, ids=np.sort(half.ids))
    judged = make_judged([0.3] * 60, np.where(np.arange(60) < 30, groups, NAN))
    learned = learn_promises(judged, half)
    assert np.isfinite(learned.promises).all() and len(np.unique(learned.promises[30:])) > 1


@pytest.mark.parametrize("count", [0, 1, 2])
def test_a_few_candidates_are_no_special_case(count: int) -> None:
    """None, one or two candidates, judged or open, give as many promises."""
    for answers in ([NAN] * count, [1.0] * count):
        looks = make_looks([0] * count) if count else NO_LOOKS
        learned = learn_promises(make_judged([0.5] * count, answers), looks)
        assert len(learned.promises) == count
        assert len(learned.teaching) == (count if answers != [1.0] * count else 0)


def test_what_teaches_most_is_in_doubt_and_unlike_what_was_judged() -> None:
    """Of an even chance like the judged, a sure thing unlike them, and an even chance unlike them, the last teaches most."""
    judged_answers = [1.0, 0.0] * 30
    scores = [0.5] * 60 + [0.5] * 10 + [0.0005] * 10 + [0.5] * 10
    groups = [0, 1] * 30 + [0] * 10 + [2] * 10 + [3] * 10
    learned = learn_promises(make_judged(scores, judged_answers + [NAN] * 30), make_looks(groups))
    assert learned.teaching[0] in range(81, 91)
    assert not set(learned.teaching[:8]) & set(range(71, 81))


def test_lessons_differ_from_one_another() -> None:
    """Of three kinds unlike what was judged, each is among the first six lessons, though one kind fills most of the wood."""
    groups = [0] * 40 + [1] * 100 + [2] * 8 + [3] * 8
    answers = [0.0] * 40 + [NAN] * 116
    learned = learn_promises(make_judged([0.5] * 156, answers), make_looks(groups))
    assert {groups[number - 1] for number in learned.teaching[:6]} == {1, 2, 3}
    assert len(learned.teaching) == TEACHING == len(set(learned.teaching))


def test_a_second_look_moves_the_promise_before_any_verdict() -> None:
    """Of equal scores the one that looked more like a larva the second time promises more; what had no look keeps its score."""
    seen = replace(make_looks([0] * 3), log_odds=np.array([-4.0, 0.0, 4.0]))
    learned = learn_promises(make_judged([0.2] * 4), seen)
    assert learned.promises[0] < learned.promises[1] < learned.promises[2] and learned.learned_from == 0
    assert learned.promises[3] == pytest.approx(0.2, rel=0.02)


def test_a_second_look_buries_no_larva_and_speaks_of_larvae_only() -> None:
    """However sure it is, the score's odds move by a factor of 20 at most; feeding keeps its very score; no number is no look."""
    scores = np.array([0.3, 0.3, 0.3, 0.3])
    looks = replace(make_looks([0] * 4), log_odds=np.array([-60.0, 60.0, NAN, np.inf]))
    log_odds = weigh_scores(scores, np.arange(1, 5), looks=looks, kind="silhouette")
    by_score = find_odds(scores)
    assert log_odds == pytest.approx(by_score + np.array([-MOST_DROP, MOST_DROP, 0, 0]))
    feeding = make_judged(scores, kinds="feeding")
    assert np.array_equal(learn_promises(feeding, looks).promises, scores)


def test_verdicts_are_learned_on_top_of_a_second_look() -> None:
    """Where all that looked alike was dismissed, its like falls, and stays in the order of the second look."""
    groups = np.arange(200) % 2
    answers = np.where(np.arange(200) < 100, groups, NAN)
    looks = replace(make_looks(groups), log_odds=np.linspace(-1, 1, 200))
    before = learn_promises(make_judged([0.3] * 200), looks).promises[100:]
    after = learn_promises(make_judged([0.3] * 200, answers), looks).promises[100:]
    dismissed = groups[100:] == 0
    assert (after[dismissed] < before[dismissed]).all() and (after[~dismissed] > before[~dismissed]).all()
