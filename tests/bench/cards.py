"""What looking for tree cards costs, how small and blurred a card may be, and whether canopy is ever taken for one.

Run as `python -m tests.bench.cards WHAT`: `cost CLIP... [--rounds N]` searches each clip with and without looking for cards, in
turn and in processes of their own, and prints the medians of the ratios of CPU and wall time; `share CLIP...` the CPU time of
the looking within a search over that of the rest of it, which a busy machine disturbs least; `reading` draws cards on canopy
photographs at sizes, blurs and tilts and counts those that are read; `false [--minutes N] [CLIP...]` looks for cards where
there are none, in drawn walks over canopy photographs every quarter of a second and in each frame of clips, in both sizes;
`walks [--walks N] [--hd]` films drawn walks past 12 trees with cards and tells how far the starts are from the truth. The
photographs are those of the folder --photos; without it canopy is drawn.
"""

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.cards import NUMBERS, SLOT_S, CardWatcher, gather_showings, measure_scale
from detect.clips import Frame, open_clip, read_frames
from tests.drawn_cards import CARD_SIDE_MM, MODULE_MM, add_noise, film_walk, hold_card, make_canopy, put_card

FRAME_ROWS, FRAME_COLUMNS = 1080, 1920
FOCAL_MM = 26.0
SHAPES: dict[str, dict[str, Any]] = {
    "small": {},
    "hd": {"size_px": (1080, 1920), "tree_s": (4.0, 7.0), "distance_m": (0.5, 2.4)},
}


def search_alone(path: Path, *, with_cards: bool) -> None:
    """Search one clip in this process and print its times as JSON."""
    from detect.default_scorer import load_scorer, settle_threads
    from detect.search import SearchSettings, search_clip

    settle_threads()
    scorer = load_scorer()
    with tempfile.TemporaryDirectory() as folder:
        info = open_clip(path)
        began, cpu_began = time.perf_counter(), time.process_time()
        checkpoint = Path(folder) / "progress"
        found = search_clip(
            info, SearchSettings(), scorer=scorer, checkpoint_path=checkpoint, with_cards=with_cards
        )
    print(
        json.dumps(
            {
                "wall_s": time.perf_counter() - began,
                "cpu_s": time.process_time() - cpu_began,
                "cards": len(found.cards),
            }
        )
    )


def run_alone(path: Path, *, with_cards: bool) -> dict[str, float]:
    """Run one search in a process of its own and return its times."""
    word = "with" if with_cards else "without"
    command = [sys.executable, "-m", "tests.bench.cards", "alone", str(path), "--cards", word]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    figures: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return figures


def measure_cost(paths: Sequence[Path], rounds: int) -> None:
    """Print the cost of looking for cards, clip by clip."""
    for path in paths:
        pairs = []
        for number in range(rounds):
            order = (True, False) if number % 2 else (False, True)
            done = {word: run_alone(path, with_cards=word) for word in order}
            pairs.append((done[True], done[False]))
        for name in ("cpu_s", "wall_s"):
            ratios = [found[name] / bare[name] for found, bare in pairs]
            bare_s = statistics.median(bare[name] for _, bare in pairs)
            added_s = statistics.median(found[name] - bare[name] for found, bare in pairs)
            print(
                f"{path.name} {name}: ratio median {statistics.median(ratios):.4f} ({min(ratios):.3f} to {max(ratios):.3f}, "
                f"{rounds} pairs), without {bare_s:.2f} s, added {added_s:+.3f} s, {pairs[0][0]['cards']:.0f} sightings",
                flush=True,
            )


def measure_share(paths: Sequence[Path], rounds: int) -> None:
    """Print the CPU time of the looking over that of the rest of the same search."""
    from detect.default_scorer import load_scorer, settle_threads
    from detect.search import SearchSettings, search_clip

    settle_threads()
    scorer = load_scorer()
    see = CardWatcher.see
    for path in paths:
        info = open_clip(path)
        shares = []
        for _ in range(rounds):
            spent: list[float] = []

            def see_timed(watcher: CardWatcher, frame: Frame, spent: list[float] = spent) -> None:
                began = time.thread_time()
                see(watcher, frame)
                spent.append(time.thread_time() - began)

            CardWatcher.see = see_timed  # type: ignore[method-assign]
            began = time.process_time()
            found = search_clip(info, SearchSettings(), scorer=scorer)
            all_s = time.process_time() - began
            shares.append(sum(spent) / (all_s - sum(spent)))
        print(
            f"{path.name}: looking for cards takes {100 * statistics.median(shares):.2f} % of the rest "
            f"({100 * min(shares):.2f} to {100 * max(shares):.2f} %, {rounds} searches, {len(found.cards)} sightings); "
            f"{1000 * sum(spent) / found.duration_s:.1f} ms of CPU a second of clip",
            flush=True,
        )


def measure_reading(photos: Sequence[NDArray[np.uint8]], repeats: int) -> None:
    """Print how often cards are read in one frame, and how far their scale is off."""
    focal_px = FOCAL_MM / 36 * FRAME_COLUMNS
    cases = [(6, 0, 0), (6, 1, 0), (8, 0, 45), (8, 1, 45), (8, 2, 0), (8, 2, 45), (8, 2, 55), (12, 2, 45)]
    cases += [(16, 4, 45), (30, 3, 45), (60, 8, 30), (80, 10, 20)]
    for module_px, blur_px, tilt_deg in cases:
        right = wrong = 0
        errors = []
        for seed in range(repeats):
            rng = np.random.default_rng(seed)
            number = int(rng.integers(NUMBERS))
            canopy = make_canopy(photos, (FRAME_ROWS, FRAME_COLUMNS), rng)
            pose = hold_card(
                distance_mm=focal_px * MODULE_MM / module_px,
                tilt_deg=tilt_deg,
                focal_px=focal_px,
                size_px=(FRAME_ROWS, FRAME_COLUMNS),
                rng=rng,
            )
            picture = put_card(canopy, number, pose=pose, blur_px=blur_px, is_dim=seed % 3 == 0, rng=rng)
            watcher = CardWatcher(takes_all=True)
            watcher.see(Frame(0, 0.0, 0, picture))
            for card in watcher.take():
                right += card.number == number
                wrong += card.number != number
                scale = measure_scale(card.corners, CARD_SIDE_MM)
                errors.append(abs(scale.mm_per_px * module_px / MODULE_MM - 1))
        share = f"scale off by {100 * np.median(errors):.1f} %, 95 % within {100 * np.percentile(errors, 95):.1f} %"
        print(
            f"{module_px} px a module, blur {blur_px} px, tilt {tilt_deg} degrees: {right} of {repeats} read, {wrong} wrong"
            + (f"; {share}" if errors else ""),
            flush=True,
        )


def walk_over(
    photos: Sequence[NDArray[np.uint8]], *, minutes: float, seed: int
) -> Iterator[NDArray[np.uint8]]:
    """Frames of a walk over canopy photographs, four a second, each photograph turned, enlarged and exposed anew."""
    rng = np.random.default_rng(seed)
    for number in range(round(minutes * 60 / SLOT_S)):
        if number % 20 == 0:
            wide = make_canopy(photos, (FRAME_ROWS * 5 // 4, FRAME_COLUMNS * 5 // 4), rng)
        row = int(rng.integers(wide.shape[0] - FRAME_ROWS))
        column = int(rng.integers(wide.shape[1] - FRAME_COLUMNS))
        frame = wide[row : row + FRAME_ROWS, column : column + FRAME_COLUMNS].astype(np.float32)
        frame = np.clip(frame * rng.uniform(0.5, 1.5), 0, 255).astype(np.uint8)
        blur = float(rng.choice([0, 0, 1, 2]))
        yield add_noise(cv2.GaussianBlur(frame, (0, 0), blur) if blur else frame, rng)


def count_false(photos: Sequence[NDArray[np.uint8]], clips: Sequence[Path], minutes: float) -> None:
    """Print how many markers and how many cards were seen where there are none."""
    watcher = CardWatcher(takes_all=True)
    for number, picture in enumerate(walk_over(photos, minutes=minutes, seed=5)):
        watcher.see(Frame(number, number * SLOT_S, 0, picture))
    found = watcher.take()
    print(
        f"{minutes:g} min of walks over {len(photos)} canopy photographs: {len(found)} markers, "
        f"{len(gather_showings(found))} cards",
        flush=True,
    )
    for path in clips:
        watcher = CardWatcher(takes_all=True)
        frames, last_s = 0, 0.0
        for frame in read_frames(open_clip(path)):
            watcher.see(frame)
            frames, last_s = frames + 1, frame.time_s
        found = watcher.take()
        print(
            f"{path.name}: {last_s / 60:.2f} min, every one of {frames} frames looked at: {len(found)} markers, "
            f"{len(gather_showings(found))} cards",
            flush=True,
        )


def measure_walks(photos: Sequence[NDArray[np.uint8]], walks: int, folder: Path, shape: str) -> None:
    """Film walks past 12 trees, search them for cards, and print how far the stretches are from the truth."""
    for seed in range(walks):
        path = folder / f"walk-{seed}.mp4"
        truth = film_walk(path, photos, seed=seed, **SHAPES[shape])
        watcher = CardWatcher()
        for frame in read_frames(open_clip(path)):
            watcher.see(frame)
        shown = gather_showings(watcher.take())
        wanted = [(number, first_s) for number, first_s, _ in truth]
        found = [(showing.number, showing.first_s) for showing in shown]
        named = [number for number, _ in found] == [number for number, _ in wanted]
        off = [abs(a[1] - b[1]) for a, b in zip(found, wanted, strict=False)] if named else []
        print(
            f"walk {seed}: {len(wanted)} cards, {len(found)} found, order and names {'right' if named else 'WRONG'}, "
            f"starts off by at most {max(off, default=float('nan')):.2f} s",
            flush=True,
        )


def main() -> None:
    """Do what is asked, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("what", choices=["cost", "share", "reading", "false", "walks", "alone"])
    parser.add_argument("clips", nargs="*", type=Path)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--repeats", type=int, default=40)
    parser.add_argument("--minutes", type=float, default=30)
    parser.add_argument("--walks", type=int, default=3)
    parser.add_argument("--hd", action="store_true", help="walks in 1080p, far cards among them; slow")
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--photos", type=Path, default=None)
    parser.add_argument("--cards", choices=["with", "without"], help=argparse.SUPPRESS)
    given = parser.parse_intermixed_args()
    if given.what == "alone":
        return search_alone(given.clips[0], with_cards=given.cards == "with")
    if given.what == "cost":
        return measure_cost(given.clips, given.rounds)
    if given.what == "share":
        return measure_share(given.clips, given.rounds)
    photos = [cv2.imread(str(path)) for path in sorted(given.photos.glob("*.jpg"))] if given.photos else []
    cv2.setNumThreads(1)
    if given.what == "reading":
        return measure_reading(photos, given.repeats)
    if given.what == "false":
        return count_false(photos, given.clips, given.minutes)
    with tempfile.TemporaryDirectory() as made_here:
        measure_walks(photos, given.walks, given.folder or Path(made_here), "hd" if given.hd else "small")


if __name__ == "__main__":
    main()
