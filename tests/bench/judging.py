"""How much an evening of judging is worth: drawn seasons judged by a simulated reviewer. Run `python -m tests.bench.judging`.

Each season is a kind of tree and a light that no training saw (but see `SEASONS`): plants and camera of the held-out settings,
one kind of leaf, and a light from beyond the ranges of training; seeds from `FIRST_SEED` on. `draw FOLDER` draws the clips and
keeps them: several from the leaves of one tree, at two frames a second (a search looks at one in each second anyhow), so that a
season takes minutes and not hours. `measure FOLDER` searches them once, reads what was found and judges it in memory
(`tests.bench.replayed_judging`); one evening of each season is judged in a copy of the logbook too and must come out the same.
Intervals are of a bootstrap: of larvae for how soon they come, of held-back parts for what they cost. The last line can be read
by a program.
"""

import argparse
import math
import shutil
import tempfile
from collections.abc import Iterator, Sequence, Set
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from statistics import mean, median

import numpy as np
from numpy.typing import NDArray

from annotate.judging.alike import find_alike
from annotate.judging.looks import make_looks
from annotate.judging.promise import RENEW_EVERY, learn_promises, renew_promises
from annotate.judging.review_order import is_to_teach
from annotate.logbook.looks import read_looks
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, find_tree, write_trees
from annotate.logbook.promises import next_to_teach, read_judged
from annotate.logbook.review import find_candidate, list_candidates
from annotate.logbook.verdicts import give_verdict
from annotate.searching import SearchOrder, search_into_logbook
from annotate.words import Answer
from detect.clips import open_clip
from detect.default_scorer import load_scorer, settle_threads
from detect.scoring import Describer
from detect.truth_scoring import find_shown_larva
from models.canopy.camera import choose_camera
from models.canopy.clip import SPARE_PX, CanopySettings, Filming, choose_sways, film, list_larvae
from models.canopy.held_out import HELD_OUT, find_missing
from models.canopy.leaves import HAZEL, LIME, POPLAR, LeafShape, PlantSettings
from models.canopy.light import Light, LightSettings, choose_light, draw_sky
from models.canopy.movement import find_reach
from models.canopy.picture import CompressionSettings, Stock, cut_piece, draw_burst, grow_stock
from models.canopy.scene import HangSheets, LayerPlan, Scene, SceneSize, build_scene
from models.canopy.sheets import LeafPlace, Sheet
from models.canopy.truth import FrameTruth, LarvaTruth, Truth, find_truth_path, read_truth, write_truth
from models.canopy.write import EncodingSettings, encode_frames
from tests.bench.replayed_judging import (
    Effort,
    Floats,
    Places,
    ReadSeason,
    count_false_per_larva,
    find_shares,
    measure_effort,
    order_by_oracle,
    replay,
    resample,
    sort_by,
)

FIRST_SEED = 720_000
"""Beyond those of evaluation (from 700,000); training and its calibration have others (models/experiments.md)."""

SEEDS_PER_SEASON = 1_000


@dataclass(frozen=True, slots=True)
class Walks:
    """How the footage of a season comes about; clip N of tree T has the seed first + T * step + N, N from 1.

    Attributes
    ----------
    name : what is told apart
    trees, clips : how many, and clips under each tree
    again : whether all clips of a tree show the same part of its crown, as walked under again and again: leaves, twigs and
        what is no larva stay, light, camera and larvae are new; else every clip shows leaves that no other does
    """

    name: str
    first: int
    step: int
    trees: int
    clips: int
    again: bool


FRESH = Walks("every clip another part of a crown", 0, 100, 4, 24, again=False)
AGAIN = Walks("the same crowns walked under again", 500, 40, 8, 14, again=True)

CLIP_S, FRAME_RATE_HZ = 4.0, 2.0
SIZE_PX = (720, 1280)
"""Cut out of a larger picture, as a phone does that holds it steady: leaves and larvae are as large as at 1080p."""

LARVAE = (0, 6)
"""In every second clip: most footage holds none, and about half of these are in view for long enough to count."""

FIRST_DAY = datetime(2026, 5, 2, 11, 0, tzinfo=UTC)
LEAST_SCORE = 0.002
"""Candidates are kept down to this score: far lower than a search offers by default, so that there is something to order."""

VERDICTS = 300
RECALLS = (0.8, 0.9, 1.0)
FIRST_SHARE, MOST_LARVAE = 0.2, 0.9
GROUP_EVERY = 10
"""Of each so many dismissed candidates one asks for its group."""

UNTOUCHED = CompressionSettings(jpeg_chance=0.0, video_chance=0.0)
"""The clip's own encoding is compression enough."""


@dataclass(frozen=True, slots=True)
class DrawnSeason:
    """What one season is drawn from."""

    name: str
    shape: LeafShape
    light: LightSettings


SEASONS = (
    DrawnSeason("lime, dark cloud", LIME, LightSettings(clear_share=0.0, cloud_level=(0.4, 0.65))),
    DrawnSeason(
        "hazel, low sun",
        HAZEL,
        LightSettings(
            clear_share=1.0, sky_level=(0.15, 0.3), sun_height_deg=(20.0, 31.0), ambient=(0.012, 0.06)
        ),
    ),
    DrawnSeason(
        "poplar, bright haze",
        POPLAR,
        LightSettings(
            clear_share=1.0,
            sky_level=(0.55, 0.8),
            sky_blueness=(0.0, 0.2),
            sun_height_deg=(40.0, 50.0),
            sun_width_deg=(1.5, 3.0),
            flare_chance=0.5,
        ),
    ),
)
"""Plants of no training. Up to experiment 26 training drew cloud from 0.7, the sun from 32 degrees, clear sky to 0.5 and bluer
than 0.25, the sun's width to 1.2; since 27 it has drawn most of this light too, so for later weights only the plants are new."""


def make_settings(season: DrawnSeason) -> CanopySettings:
    """Return the settings of a season's clips."""
    return replace(
        HELD_OUT,
        size_px=SIZE_PX,
        duration_s=CLIP_S,
        frame_rate_hz=FRAME_RATE_HZ,
        light=season.light,
        plant=replace(HELD_OUT.plant, shapes=(season.shape,)),
        larvae=replace(HELD_OUT.larvae, count=LARVAE),
    )


def list_clips(folder: Path, season: int, walks: Walks, tree: int) -> list[Path]:
    """Return where the clips of a season under one of its trees lie or will lie."""
    first = find_first_seed(season, walks, tree)
    return [folder / f"season-{first + number}.mp4" for number in range(1, 1 + walks.clips)]


def find_first_seed(season: int, walks: Walks, tree: int) -> int:
    """Return the seed of a tree; those of its clips follow."""
    return FIRST_SEED + season * SEEDS_PER_SEASON + walks.first + tree * walks.step


def draw_seasons(folder: Path, seasons: Sequence[int], walks: Walks) -> None:
    """Draw what is missing, one tree of each season after the other, and keep it."""
    import cv2

    cv2.setNumThreads(1)
    folder.mkdir(parents=True, exist_ok=True)
    for tree in range(walks.trees):
        for season in seasons:
            missing = find_missing(list_clips(folder, season, walks, tree))
            if missing:
                _draw_tree(
                    missing,
                    make_settings(SEASONS[season]),
                    first=find_first_seed(season, walks, tree),
                    walks=walks,
                )


def _draw_tree(paths: Sequence[Path], settings: CanopySettings, *, first: int, walks: Walks) -> None:
    """Grow the leaves of a tree and draw clips of it."""
    rng = np.random.default_rng(first)
    stock = grow_stock(settings, rng)
    crown = grow_crown(settings, stock, rng) if walks.again else None
    for path in paths:
        seed = int(path.stem.rsplit("-", 1)[1])
        has_larvae = seed % 2 == 1
        larvae = replace(settings.larvae, count=LARVAE if has_larvae else (0, 0))
        drawn = replace(settings, larvae=larvae)
        rng = np.random.default_rng(seed)
        known, shots = (
            _film_fresh(drawn, stock, rng) if crown is None else _film_again(drawn, stock, crown, rng)
        )
        recorded_at = FIRST_DAY + timedelta(days=3 * (seed - first), minutes=first % walks.step)
        encode_frames(
            path,
            [frame for frame, _ in shots],
            frame_rate_hz=FRAME_RATE_HZ,
            encoding=EncodingSettings(),
            recorded_at=recorded_at,
        )
        truth = Truth(
            path.name, settings.size_px, FRAME_RATE_HZ, "", known, tuple(truth for _, truth in shots)
        )
        write_truth(find_truth_path(path), truth)
        print(f"drew {path.name}", flush=True)


Shots = list[tuple[NDArray[np.uint8], FrameTruth]]


def _film_fresh(
    settings: CanopySettings, stock: Stock, rng: np.random.Generator
) -> tuple[tuple[LarvaTruth, ...], Shots]:
    """Film a part of a crown that no other clip shows."""
    drawn = draw_burst(
        settings,
        rng,
        stock=stock,
        compression=UNTOUCHED,
        count=round(CLIP_S * FRAME_RATE_HZ),
        frame_rate_hz=FRAME_RATE_HZ,
    )
    shots = [
        (picture.rgb, FrameTruth(number, number / FRAME_RATE_HZ, picture.larvae, picture.feeding))
        for number, picture in enumerate(drawn)
    ]
    return drawn[0].larvae_known, shots


@dataclass(frozen=True, slots=True, eq=False)
class Crown:
    """A part of a crown that stays: its plant, with as many layers, and each layer's sheets with what is no larva on them."""

    plant: PlantSettings
    sheets: dict[int, tuple[Sheet, Sheet]]


def grow_crown(settings: CanopySettings, stock: Stock, rng: np.random.Generator) -> Crown:
    """Hang the sheets of a crown and scatter on them what is no larva."""
    shares = settings.plant.crown_shares
    layers = int(rng.choice(len(shares), p=shares))
    plant = replace(
        settings.plant, crown_shares=tuple(float(place == layers) for place in range(len(shares)))
    )
    kept: dict[int, tuple[Sheet, Sheet]] = {}

    def hang(plan: LayerPlan) -> tuple[Sheet, Sheet, list[LeafPlace]]:
        # What is scattered on them later stays on the very sheets that are kept.
        kept[plan.index] = cut_piece(stock, rng, plan)[0], cut_piece(stock, rng, plan)[0]
        return *kept[plan.index], []

    empty = replace(settings, plant=plant, larvae=replace(settings.larvae, count=(0, 0)))
    _build(empty, stock, rng, light=choose_light(settings.light, rng), margin_px=CROWN_MARGIN_PX, hang=hang)
    return Crown(plant, kept)


CROWN_MARGIN_PX = (560, 560)
"""How far a camera may stray from the middle of a crown that stays."""


def _film_again(
    settings: CanopySettings, stock: Stock, crown: Crown, rng: np.random.Generator
) -> tuple[tuple[LarvaTruth, ...], Shots]:
    """Film a crown once more, in new light, by another path, with larvae of that day."""
    nothing_new = replace(settings.confusers, per_megapixel=(0.0, 0.0))
    settings = replace(settings, plant=crown.plant, confusers=nothing_new)
    light = choose_light(settings.light, rng)
    camera = choose_camera(
        settings.camera,
        rng,
        light=light,
        duration_s=settings.duration_s,
        frame_px=settings.size_px,
        grain=stock.grain,
    )
    wind_px = float(rng.uniform(*settings.camera.wind_mm)) * stock.px_per_mm
    reach = find_reach(camera.path, px_per_mm=stock.px_per_mm, duration_s=settings.duration_s)
    down, right = (
        min(most, far + int(wind_px) + SPARE_PX) for most, far in zip(CROWN_MARGIN_PX, reach, strict=True)
    )

    def hang(plan: LayerPlan) -> tuple[Sheet, Sheet, list[LeafPlace]]:
        upper, lower = (_cut_middle(sheet, plan.size) for sheet in crown.sheets[plan.index])
        return upper, lower, []

    scene = _build(settings, stock, rng, light=light, margin_px=(down, right), hang=hang)
    filming = Filming(scene, camera, choose_sways(scene, rng, wind_px=wind_px), settings, True)
    return list_larvae(scene), list(film(filming, rng))


def _build(
    settings: CanopySettings,
    stock: Stock,
    rng: np.random.Generator,
    *,
    light: Light,
    margin_px: tuple[int, int],
    hang: HangSheets,
) -> Scene:
    size = SceneSize(settings.size_px, margin_px, (0.0, 0.0), stock.px_per_mm, stock.distance_m * 1000)
    return build_scene(
        settings.plant,
        settings.larvae,
        settings.confusers,
        light,
        stock.bank,
        rng,
        size=size,
        sky=draw_sky(light, rng, settings.size_px),
        hang=hang,
    )


def _cut_middle(sheet: Sheet, size_px: tuple[int, int]) -> Sheet:
    """Return a copy of the middle of a sheet."""
    row, column = ((whole - part) // 2 for whole, part in zip(sheet.through.shape, size_px, strict=False))
    window = (slice(row, row + size_px[0]), slice(column, column + size_px[1]))
    return Sheet(sheet.through[window].copy(), sheet.shine[window].copy())


@dataclass(frozen=True, slots=True, eq=False)
class SearchedSeason:
    """A season's logbook, and what each of its candidates shows.

    Attributes
    ----------
    folder : the logbook, nothing judged
    larvae : candidate -> the larva it shows, named by clip and id; empty for a false one
    clips, trees : candidate -> the number of its clip under the tree, from 1, and the tree
    """

    folder: Path
    larvae: dict[int, str]
    clips: dict[int, int]
    trees: dict[int, int]


def search_season(folder: Path, season: int, walks: Walks) -> SearchedSeason:
    """Search the clips of a season that were drawn, once, and say what each candidate shows by the truth files."""
    settle_threads()
    scorer = load_scorer()
    assert isinstance(scorer, Describer)
    book = folder / "logbooks" / f"season-{season}{'-again' if walks.again else ''}"
    if not book.exists():
        create_logbook(book, recorder="Simulated")
    found = SearchedSeason(book, {}, {}, {})
    with open_logbook(book) as logbook:
        lower_scores(logbook)
        for tree in range(walks.trees):
            code = f"OT{1 + tree:02}"
            write_trees(logbook, [TreeEntry("OTTERHOLT", code, {})])
            order = SearchOrder(find_tree(logbook, code), again=False, recorded_at=None)
            for path in list_clips(folder, season, walks, tree):
                if not find_missing([path]):
                    search_into_logbook(logbook, open_clip(path), order=order, scorer=scorer)
        make_looks(logbook, scorer)  # those of a logbook that an older version searched
        for candidate in list_candidates(logbook, limit=100_000):
            _note_truth(found, logbook, candidate.id, folder=folder, walks=walks)
    return found


def lower_scores(logbook: Logbook) -> None:
    """Have searches keep silhouettes down to `LEAST_SCORE`, and no feeding."""
    low = replace(logbook.settings.search, silhouette_score=LEAST_SCORE, feeding_score=1.0)
    logbook.settings = replace(logbook.settings, search=low)


def name_larva(logbook: Logbook, candidate_id: int, folder: Path) -> str:
    """Return the larva that a candidate shows by the truth files of a folder, named by clip and id; empty for a false one."""
    candidate = find_candidate(logbook, candidate_id)
    truth = _read_truth(folder / candidate.clip_name)
    shown = find_shown_larva(candidate, {frame.index: frame for frame in truth.frames})  # type: ignore[arg-type]
    return "" if shown is None else f"{Path(candidate.clip_name).stem} {shown}"


def _note_truth(
    found: SearchedSeason, logbook: Logbook, candidate_id: int, *, folder: Path, walks: Walks
) -> None:
    """Write down what a candidate shows, by the rule of `detect.truth_scoring`."""
    found.larvae[candidate_id] = name_larva(logbook, candidate_id, folder)
    seed = int(Path(find_candidate(logbook, candidate_id).clip_name).stem.rsplit("-", 1)[1])
    found.trees[candidate_id], found.clips[candidate_id] = divmod(
        seed % SEEDS_PER_SEASON - walks.first, walks.step
    )


@lru_cache(1)
def _read_truth(path: Path) -> Truth:
    return read_truth(find_truth_path(path))


@contextmanager
def copy_logbook(season: SearchedSeason) -> Iterator[Logbook]:
    """Give a copy of a season's logbook to judge in, its pictures those of the first."""
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "book"
        shutil.copytree(season.folder, copy, ignore=shutil.ignore_patterns("evidence", "progress"))
        (copy / "evidence").symlink_to(season.folder / "evidence")
        with open_logbook(copy) as logbook:
            yield logbook


def judge(logbook: Logbook, season: SearchedSeason, *, allowed: Set[int], verdicts: int) -> list[int]:
    """Judge as a person would who is always right: card by card, in the order and with the cards that teach; return the ids.

    Parameters
    ----------
    allowed : candidates that may be judged
    """
    judged: list[int] = []
    waiting: list[int] = []
    while len(judged) < min(verdicts, len(allowed)):
        if len(judged) % RENEW_EVERY == 0:
            renew_promises(logbook)
            ordered = list_candidates(logbook, answer="open", limit=100_000)
            waiting = [candidate.id for candidate in ordered if candidate.id in allowed]
        done = set(judged)
        teaching = None
        if is_to_teach(len(judged), order="best"):
            teaching = next_to_teach(logbook, without=set(season.larvae) - allowed)
        chosen = next(number for number in waiting if number not in done) if teaching is None else teaching.id
        answer: Answer = "confirm" if season.larvae[chosen] else "dismiss"
        give_verdict(logbook, chosen, answer=answer, reviewer="Simulated", at=LATE)
        judged.append(chosen)
    renew_promises(logbook)
    return judged


LATE = datetime(2026, 7, 1, 20, 0, tzinfo=UTC)


def read_season(season: SearchedSeason) -> ReadSeason:
    """Read the candidates and looks of a season, once."""
    with open_logbook(season.folder) as logbook:
        judged, looks = read_judged(logbook), read_looks(logbook)
    return ReadSeason(judged, looks, tuple(season.larvae[number] for number in judged.ids.tolist()))


@dataclass(frozen=True, slots=True)
class Group:
    """What is offered to be dismissed with one candidate: how many, and how many of these show a larva."""

    size: int
    larvae: int


def measure_groups(season: SearchedSeason, held: Set[int]) -> tuple[list[int], list[Group]]:
    """Judge `VERDICTS` candidates in a copy of the logbook; return them, and groups of some that were dismissed."""
    with copy_logbook(season) as logbook:
        judged = judge(logbook, season, allowed=set(season.larvae) - held, verdicts=VERDICTS)
        dismissed = [number for number in judged if not season.larvae[number]][::GROUP_EVERY]
        groups = [find_alike(logbook, number) for number in dismissed]
    return judged, [
        Group(len(group), len([item for item in group if season.larvae[item.candidate.id]]))
        for group in groups
    ]


def main() -> None:
    """Draw, or measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("draw", "measure"))
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seasons", type=int, nargs="+", default=list(range(len(SEASONS))))
    parser.add_argument("--again", action="store_true", help=AGAIN.name)
    options = parser.parse_args()
    walks = AGAIN if options.again else FRESH
    act = draw_seasons if options.what == "draw" else measure
    act(options.folder, options.seasons, walks)


BY_SCORE, UNTAUGHT, ONE_LOOK, LEARNED, ORACLE = (
    "by score",
    "with the second look, untaught",
    "learned without the second look",
    "learned",
    "by an oracle",
)


def measure(folder: Path, seasons: Sequence[int], walks: Walks) -> None:
    """Print, season by season and in all, what judging teaches."""
    print(f"{walks.name}:")
    shares: dict[str, list[Floats]] = {}
    costs: dict[tuple[str, float], list[tuple[Effort, Effort]]] = {}
    groups: list[Group] = []
    for index in seasons:
        if all(
            find_missing([path])
            for tree in range(walks.trees)
            for path in list_clips(folder, index, walks, tree)
        ):
            print(f"{SEASONS[index].name}: no clips of it in {folder}; draw them first", flush=True)
            continue
        searched = search_season(folder, index, walks)
        season = read_season(searched)
        print(
            f"{SEASONS[index].name}: {len(season.larvae)} candidates, {len(set(season.larvae) - {''})} larvae among them",
            flush=True,
        )
        for name, order in list_orders(season).items():
            shares.setdefault(name, []).append(find_shares(season, order))
            print(f"  {name}: {say_soon(shares[name][-1:])}", flush=True)
        for name, held_back in hold_back(searched):
            for held in held_back:
                for recall, pair in compare_costs(season, held).items():
                    costs.setdefault((name, recall), []).append(pair)
        groups += check_replay(searched, season)
    if not shares:
        return
    print(f"all {len(shares[LEARNED])} seasons:")
    for name, all_shares in shares.items():
        print(f"  {name}: {say_soon(all_shares)}")
    for (name, recall), pairs in costs.items():
        print(f"  {name}, {recall:.0%} of the larvae found: {say_cost(pairs)}")
    filled = [group.size for group in groups if group.size]
    print(
        f"groups: {len(filled)} of {len(groups)} dismissed have one, median size {median(filled or [0]):.0f}; "
        f"{sum(group.larvae for group in groups)} of {sum(filled)} grouped candidates show a larva"
    )
    soon = {name: measure_first(all_shares) for name, all_shares in shares.items()}
    print(f"judged-first learned={soon[LEARNED]:.3f} by_score={soon[BY_SCORE]:.3f}")


def list_orders(season: ReadSeason) -> dict[str, Places]:
    """Return the orders that are compared, of all candidates."""
    everything = np.arange(len(season.larvae))
    untaught = learn_promises(season.judged, season.looks).promises
    one_look = replace(season, looks=replace(season.looks, log_odds=None))
    return {
        BY_SCORE: sort_by(season.judged.scores, everything),
        UNTAUGHT: sort_by(untaught, everything),
        ONE_LOOK: replay(one_look, verdicts=len(everything)).order,
        LEARNED: replay(season, verdicts=len(everything)).order,
        ORACLE: order_by_oracle(season),
    }


def measure_first(shares: Sequence[Floats]) -> float:
    """Return the share of larvae that was judged within `FIRST_SHARE` of the queue of their season."""
    return float(np.mean(np.concatenate(shares) <= FIRST_SHARE))


def say_soon(shares: Sequence[Floats]) -> str:
    """Say how soon larvae were judged, with the interval over larvae."""
    together = np.concatenate(shares)
    rng = np.random.default_rng(len(together))
    low, high = resample(lambda drawn: float(np.mean(together[drawn] <= FIRST_SHARE)), len(together), rng=rng)
    took = mean(float(season[math.ceil(MOST_LARVAE * len(season)) - 1]) for season in shares)
    return (
        f"{measure_first(shares):.0%} of {len(together)} larvae within the first {FIRST_SHARE:.0%} of the queue "
        f"({low:.0%} to {high:.0%}); {MOST_LARVAE:.0%} took {took:.0%} of it"
    )


def compare_costs(season: ReadSeason, held: Set[int]) -> dict[float, tuple[Effort, Effort]]:
    """Judge `VERDICTS` candidates that are not held back; return what those held back cost by score and then, by recall."""
    is_held = np.isin(season.judged.ids, sorted(held))
    evening = replay(season, verdicts=VERDICTS, allowed=~is_held)
    part = np.flatnonzero(is_held)
    return {
        recall: (
            measure_effort(season, part, values=season.judged.scores, recall=recall),
            measure_effort(season, part, values=evening.promises, recall=recall),
        )
        for recall in RECALLS
    }


def say_cost(pairs: Sequence[tuple[Effort, Effort]]) -> str:
    """Say what a larva costs by score and after the verdicts, with the interval over parts of how many times fewer."""
    before, after = (count_false_per_larva([pair[which] for pair in pairs]) for which in (0, 1))

    def measure_ratio(drawn: Places) -> float:
        old, new = (sum(pairs[place][which].false for place in drawn) for which in (0, 1))
        return old / max(new, 1)

    low, high = resample(measure_ratio, len(pairs), rng=np.random.default_rng(len(pairs)))
    larvae = sum(effort.larvae for effort, _ in pairs)
    return (
        f"{before:.2f} false per larva by score, {after:.2f} after {VERDICTS} verdicts, {before / max(after, 1e-9):.2f} times "
        f"fewer ({low:.2f} to {high:.2f}; {larvae} larvae in {len(pairs)} parts)"
    )


def check_replay(searched: SearchedSeason, season: ReadSeason) -> list[Group]:
    """Judge the earlier visits in a logbook too, say whether the order was the replayed one, and return groups."""
    _, (held, *_) = hold_back(searched)[0]
    in_logbook, groups = measure_groups(searched, held)
    evening = replay(season, verdicts=VERDICTS, allowed=~np.isin(season.judged.ids, sorted(held)))
    is_same = season.judged.ids[evening.order].tolist() == in_logbook
    print(
        f"  {len(in_logbook)} verdicts in a logbook and replayed: {'the same' if is_same else 'ANOTHER'} order",
        flush=True,
    )
    return groups


LATER = 0.6
"""Visits after this share of the season are held back, the ones before are judged."""


def hold_back(season: SearchedSeason) -> list[tuple[str, list[Set[int]]]]:
    """Return parts of a season to measure on: the later visits to all trees, and each tree by itself."""
    last = max(season.clips.values())
    later = {number for number, clip in season.clips.items() if clip > LATER * last}
    trees = [
        {number for number, its in season.trees.items() if its == tree}
        for tree in sorted(set(season.trees.values()))
    ]
    return [("later visits", [later]), ("trees not judged", list(trees))]


if __name__ == "__main__":
    main()
