"""Whole walks explained at once: how probable each tree is at each step, on positions whose truth is known."""

import numpy as np
import pytest

from annotate.field.explained_walks import SeenPlaces, explain_walk, rank_stands

STEP_S = 4.0
OWN_M = 1.8


def see(
    places_m: np.ndarray, *, films: np.ndarray | None = None, deviation_m: float = 3.3, counts: float = 4.0
) -> SeenPlaces:
    """Return positions as gathered, one clip for all of the walk unless told when the camera runs."""
    steps = len(places_m)
    runs = np.ones(steps, bool) if films is None else films
    stays = np.full(steps, 60.0) if films is None else np.where(films, 600.0, 10.0)
    turns = np.append(False, runs[1:] != runs[:-1])
    known = np.where(np.isnan(places_m[:, 0]), 0.0, counts)
    return SeenPlaces(places_m, known, np.zeros(steps), stays, turns, runs, STEP_S, deviation_m)


def stand_in_turn(stems_m: np.ndarray, *, steps: int = 15, on_the_way: int = 4) -> np.ndarray:
    """Return the true places of a walk from stem to stem."""
    marks, times, now = [], [], 0
    for stem in stems_m:
        marks += [stem, stem]
        times += [now, now + steps]
        now += steps + on_the_way
    return np.column_stack([np.interp(np.arange(now), times, np.array(marks)[:, axis]) for axis in (0, 1)])


def line(count: int, spacing_m: float = 15.0) -> np.ndarray:
    """Return stems in a line."""
    return np.column_stack([np.arange(count) * spacing_m, np.zeros(count)])


def explain(places_m: np.ndarray, stems_m: np.ndarray, *, in_order: bool = True) -> np.ndarray:
    """Explain positions by trees, in their order or without one."""
    orders = list(range(len(stems_m))) if in_order else [None] * len(stems_m)
    return explain_walk(see(places_m), rank_stands(stems_m, np.full(len(stems_m), OWN_M), orders))


@pytest.mark.parametrize("offset_m", [(0.0, 0.0), (5.0, 2.0), (-5.0, -5.0)])
def test_an_offset_common_to_the_walk_is_seen_through(offset_m: tuple[float, float]) -> None:
    """Six trees 15 m apart, every position 5 to 7 m off the same way: each stay is told with more than 99 %."""
    stems = line(6)
    shares = explain(stand_in_turn(stems) + offset_m, stems)
    middles = 7 + 19 * np.arange(6)
    assert shares[middles].argmax(axis=1).tolist() == list(range(6))
    assert shares[middles].max(axis=1).min() > 0.99


def test_shares_add_to_one_and_do_not_hang_on_the_order_of_trees() -> None:
    """Each moment's shares add to one; with the trees given the other way round they are the same."""
    stems = line(4)
    places = stand_in_turn(stems) + np.random.default_rng(3).normal(0, 2, (76, 2))
    shares = explain(places, stems)
    assert np.allclose(shares.sum(axis=1), 1.0)
    ranks = rank_stands(stems[::-1], np.full(4, OWN_M), [3, 2, 1, 0])
    turned = explain_walk(see(places), ranks)
    assert np.allclose(turned[:, [3, 2, 1, 0, 4, 5]], shares, atol=1e-6)


def test_one_tree_among_none_is_under_it_or_on_the_way() -> None:
    """With one tree, standing under it is told from passing 60 m away."""
    stem = np.zeros((1, 2))
    assert explain(np.zeros((15, 2)), stem)[7, 0] > 0.9
    passing = np.column_stack([np.linspace(-60, 60, 31), np.full(31, 60.0)])
    assert explain(passing, stem)[:, 0].max() < 0.1


def test_two_trees_that_touch_are_not_told_apart() -> None:
    """Between two trees 1 m apart neither is ever certain."""
    stems = line(2, spacing_m=1.0)
    shares = explain(np.zeros((15, 2)), stems, in_order=False)
    assert 0.2 < shares[7, 0] < 0.8


def test_a_tree_left_and_come_back_to_is_told_again() -> None:
    """There and back between trees 30 m apart: the first, the second, the first."""
    stems = line(2, spacing_m=30.0)
    places = stand_in_turn(stems[[0, 1, 0]])
    assert explain(places, stems)[[7, 26, 45]].argmax(axis=1).tolist() == [0, 1, 0]


def test_standing_where_no_tree_of_the_register_is_is_told() -> None:
    """Of five trees 15 m apart the third is not in the register: the stay there is under none, the others are told as before."""
    stems = line(5)
    shares = explain(stand_in_turn(stems), stems[[0, 1, 3, 4]])
    assert shares[[7, 26, 45, 64, 83]].argmax(axis=1).tolist() == [0, 1, 4, 2, 3]


def test_a_gap_in_the_track_keeps_what_was_known() -> None:
    """Half the positions of a stay missing, it is told as before; with no position at all nothing is told."""
    stems = line(3)
    places = stand_in_turn(stems)
    places[22:28] = np.nan
    assert explain(places, stems)[[7, 30, 45]].argmax(axis=1).tolist() == [0, 1, 2]
    nothing = explain(np.full((20, 2), np.nan), stems)
    assert np.isfinite(nothing).all()
    assert nothing[:, :3].max() < 0.9


def test_a_lost_position_leaves_an_answer() -> None:
    """One position a kilometre away ends in shares that still add to one, and the stays far from it are told."""
    stems = line(3)
    places = stand_in_turn(stems)
    places[26] += 1000.0
    shares = explain(places, stems)
    assert np.allclose(shares.sum(axis=1), 1.0)
    assert shares[[7, 45]].argmax(axis=1).tolist() == [0, 2]


def test_one_who_strolls_with_the_camera_off_is_seen_to_walk() -> None:
    """Trees 15 m apart filmed in turn, 40 s on the way to each: every stay is told with more than 99.5 %."""
    stems, steps, on_the_way = line(6), 15, 10
    places = stand_in_turn(stems, steps=steps, on_the_way=on_the_way)
    films = np.arange(len(places)) % (steps + on_the_way) <= steps
    shares = explain_walk(see(places, films=films), rank_stands(stems, np.full(6, OWN_M), range(6)))
    middles = 7 + (steps + on_the_way) * np.arange(6)
    assert shares[middles, np.arange(6)].min() > 0.995


def test_the_time_on_the_way_speaks_for_the_tree_that_is_so_far() -> None:
    """Seen halfway between the next tree and the next but one, the longer the way took, the likelier it is the farther one."""
    stems = line(3)
    farther = []
    for on_the_way in (4, 6, 8):
        places = stand_in_turn(np.array([stems[0], (stems[1] + stems[2]) / 2]), on_the_way=on_the_way)
        shares = explain(places, stems, in_order=False)[15 + on_the_way + 7]
        farther.append(shares[2] / shares[1])
    assert farther == sorted(farther)
    assert farther[-1] > 3 * farther[0]
