"""The scorer that uses the trained network pair: places from the seeker, scores and outlines from the judge.

In each frame the seeker names places; the judge looks at each, at long bodies in two sizes, which with the seeker's word gives
its calibrated chance of showing a larva, and where that is not hopeless the body's outline, in full-resolution px, (row, column).
Chewed leaves are found and scored by `detect.feeding`. The same frame gives the same regions on the same machine; between
processors and precisions scores differ by rounding (`SAME_SCORE` says how much). How many threads torch uses is the caller's
business.
"""

from collections.abc import Sequence
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.feeding import find_feeding, score_feeding
from detect.gathering import combine_scores, find_log_odds
from detect.light import HALF_STEP_PX, LitFrame
from detect.regions import Kind, Outline, Region, ScoredRegion, find_middle
from detect.second_look import SecondLook, load_second_look
from detect.silhouettes import find_box, measure_extent
from models.calibration import apply_calibration, apply_track_calibration
from models.cards import DEFAULT_WEIGHTS, ModelCard, load_weights
from models.looks import SeenPlace
from models.patches import (
    CROP_PX,
    build_pyramid,
    choose_finer,
    choose_level,
    cut_crops,
    find_corner,
    make_judge_input,
)

if TYPE_CHECKING:
    import torch

    from models.network import NetworkPair

MOST_PROPOSALS = 10
PROPOSAL_FLOOR = -6.0
"""The seeker's log-odds under which a place is not looked at again; see models/experiments.md for the recall it costs."""

LEAST_CHANCE = 0.05
"""Under this chance a place gets no outline and is not offered: it could not be followed either."""

SAME_SCORE = 0.03
"""Scores of one place by float32 and bfloat16, by CPU and GPU, differ by less than this."""

OFTEN_SAME, ROUNDED_SCORE = 0.9, 0.2
"""With the seeker in 8 bits this share of the scores differs by less than that: places move by parts of a pixel, and a crop cut
one pixel further is another picture. Measured on 70 drawn clips the ranking of tracks is as good (models/experiments.md)."""

NO_LIGHT = 8.0
"""Frames whose codes spread less than this (deviation, 8-bit) hold no picture: blank, black or white."""


NO_ROOM_PX = 24
"""Pictures whose shorter side is under this show no body on a leaf: the judge would see little but their edges going on."""


class NetworkFeature(IntEnum):
    """What the features of a silhouette found by the network hold, in order."""

    LOG_ODDS = 0
    """of a larva, as the judge gives them, not calibrated"""
    SEEKER_LOG_ODDS = 1
    """as the seeker gives them"""


class NetworkScorer:
    """Finds and scores by the network pair; its state is the loaded weights."""

    def __init__(
        self, pair: "NetworkPair", card: ModelCard, rounded_seeker: "torch.nn.Module | None" = None
    ) -> None:
        """Take a pair readied by `models.network.ready_pair`, its card, and where it is faster its seeker in 8 bits."""
        self.pair = pair
        self.card = card
        self.seeker = pair.seeker if rounded_seeker is None else rounded_seeker

    @property
    def name(self) -> str:
        """Name and a digest of the weights, so that changed weights are a changed scorer."""
        return f"{self.card.name} {self.card.weights_sha256[:8]}"

    def find(self, lit: LitFrame, *, with_feeding: bool = True) -> list[Region]:
        """Return outlined silhouettes, their features those of `NetworkFeature`, and where asked for chewed leaves."""
        if min(lit.rgb.shape[:2]) < NO_ROOM_PX or float(cv2.meanStdDev(lit.green)[1].item()) < NO_LIGHT:
            return []
        found = self._find_larvae(lit)
        return found + find_feeding(lit.sky, lit.leaf, scale=HALF_STEP_PX) if with_feeding else found

    def score(self, lit: LitFrame, regions: Sequence[Region]) -> list[ScoredRegion]:
        """Turn what each region's features say into its calibrated chance; the frame is not looked at again."""
        return [ScoredRegion(region, self._score(region)) for region in regions]

    def combine(self, kind: Kind, scores: Sequence[float], *, most_views: int) -> float:
        """Return the calibrated chance of a whole track of silhouettes; chewed leaves are combined as by hand."""
        if kind == "feeding":
            return combine_scores(scores, most_views=most_views)
        return apply_track_calibration(find_log_odds(scores), self.card.track, most_views=most_views)

    @property
    def look_name(self) -> str:
        """The name of the second look, the same whatever weights search."""
        return self._second_look.look_name

    def describe(self, places: Sequence[SeenPlace]) -> NDArray[np.float16]:
        """Return what places look like at a second look, (N, D + 1)."""
        return self._second_look.describe(places)

    @property
    def _second_look(self) -> SecondLook:
        """Loaded when it is first asked: many searches end without a candidate."""
        return load_second_look(str(self.pair.judge.mask.weight.device))

    def _score(self, region: Region) -> float:
        if region.kind == "feeding":
            return score_feeding(region)
        log_odds, named = np.asarray(region.features[: len(NetworkFeature)], np.float64)[:, None]
        return float(apply_calibration(log_odds, self.card.larva, named=named)[0])

    def _find_larvae(self, lit: LitFrame) -> list[Region]:
        from models.network import JUDGED_LARVA, LARVA, seek

        named = seek(self.seeker, lit.half, channel=LARVA, most=MOST_PROPOSALS, floor=PROPOSAL_FLOOR)
        if not len(named.log_odds):
            return []
        levels = [choose_level(float(length)) for length in named.lengths_px]
        again = [number for number, level in enumerate(levels) if choose_finer(level) != level]
        pyramid = build_pyramid(lit.rgb, half=lit.half)
        features, figures = self._judge(
            pyramid,
            np.concatenate([named.places_px, named.places_px[again]]),
            levels + [choose_finer(levels[number]) for number in again],
        )
        log_odds = figures[: len(levels), JUDGED_LARVA]
        log_odds[again] = (log_odds[again] + figures[len(levels) :, JUDGED_LARVA]) / 2
        chances = apply_calibration(
            log_odds.astype(np.float64), self.card.larva, named=named.log_odds.astype(np.float64)
        )
        hopeful = np.flatnonzero(chances >= LEAST_CHANCE)
        if not len(hopeful):
            return []
        masks = self._outline(features, hopeful)
        regions = []
        for mask, number in zip(masks, hopeful, strict=True):
            outline = _trace_outline(mask, named.places_px[number], levels[number])
            values = np.array([log_odds[number], named.log_odds[number]], np.float32)
            regions.append(
                _make_region(outline, values, lit.rgb.shape[:2], length_gain=self.card.length_gain)
            )
        return _drop_doubles(regions)

    def _judge(
        self, pyramid: list[NDArray[np.uint8]], places_px: NDArray[np.float64], levels: list[int]
    ) -> "tuple[list[torch.Tensor], NDArray[np.float32]]":
        """Return the near branch's features and the judge's figures (N, 3) of crops about places."""
        import torch

        weight = self.pair.judge.mask.weight
        crops = cut_crops(pyramid, places_px, levels)
        whole = _fill_up(np.arange(len(crops)))
        with torch.inference_mode():
            inputs = make_judge_input(torch.from_numpy(crops[whole]).to(weight.device), dtype=weight.dtype)
            features = self.pair.judge.look(inputs)
            at = torch.tensor(levels, dtype=weight.dtype, device=weight.device)[whole]
            figures = self.pair.judge.judge(features, inputs, at)
        return features, figures.float().cpu().numpy()[: len(crops)]

    def _outline(self, features: "list[torch.Tensor]", chosen: NDArray[np.int64]) -> NDArray[np.float32]:
        """Return mask log-odds (P, 48, 48) of the chosen crops."""
        import torch

        with torch.inference_mode():
            picks = torch.from_numpy(_fill_up(chosen)).to(features[0].device)
            masks: NDArray[np.float32] = (
                self.pair.judge.outline([part[picks] for part in features]).float().cpu().numpy()
            )
        return masks[: len(chosen)]


ROUND_BATCH = 4
"""Batches are filled up to multiples of this: for every new size torch first works out how to go about it, which takes longer."""


def _fill_up(chosen: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return indices with the last repeated until they are a round number."""
    return np.pad(chosen, (0, -len(chosen) % ROUND_BATCH), mode="edge")


def load_network_scorer(weights_path: Path = DEFAULT_WEIGHTS, *, device_name: str = "cpu") -> NetworkScorer:
    """Load weights and return the scorer that uses them.

    Parameters
    ----------
    device_name : "cpu", or "cuda" for a GPU

    Raises
    ------
    models.errors.ModelsError
        Where the weights or their card cannot be used.
    """
    import torch

    from models.network import find_best_dtype, ready_pair

    pair, card = load_weights(weights_path)
    device = torch.device(device_name)
    return NetworkScorer(
        ready_pair(pair, device=device, dtype=find_best_dtype(device)), card, _round(pair, device)
    )


def _round(pair: "NetworkPair", device: "torch.device") -> "torch.nn.Module | None":
    """Return the seeker in 8 bits where that is faster and its weights say how."""
    from models.eight_bits import can_use_eight_bits, round_seeker

    if device.type != "cpu" or pair.ranges is None or not can_use_eight_bits():
        return None
    return round_seeker(pair.seeker, pair.ranges)


FINER = 4
"""Masks are enlarged this much before they are traced, so that an outline passes between pixels."""


def _trace_outline(mask: NDArray[np.float32], place_px: NDArray[np.float64], level: int) -> Outline:
    """Trace where the mask's log-odds pass zero, about the crop's middle; a small diamond where they nowhere do.

    Returns float32 (N, 2), (row, column) in full-resolution px.
    """
    side = CROP_PX * FINER
    big = cv2.resize(mask, (side, side), interpolation=cv2.INTER_LINEAR)
    inside = (big > 0).astype(np.uint8)
    contours, _ = cv2.findContours(inside, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = _choose_contour(contours, side)
    # Element n of the enlarged mask stands at (n + 0.5) / FINER - 0.5 of the crop, and that of a level likewise.
    in_crop = (contour[:, ::-1].astype(np.float64) + 0.5) / FINER
    corner = np.asarray(find_corner(place_px, level), np.float64)
    return np.asarray((in_crop + corner) * 2**level - 0.5, np.float32)


def _choose_contour(contours: Sequence[NDArray[np.generic]], side: int) -> NDArray[np.float64]:
    """Return the contour (N, 2) of (x, y) that holds the middle or comes nearest to it, the larger of equals."""
    best, best_rank = None, (-np.inf, 0.0)
    for contour in contours:
        if len(contour) < 3:
            continue
        reach = cv2.pointPolygonTest(contour.astype(np.float32), (side / 2, side / 2), True)
        rank = (min(0.0, reach), cv2.contourArea(contour.astype(np.float32)))
        if rank > best_rank:
            best, best_rank = contour, rank
    if best is None:
        half = 2.0 * FINER
        diamond = np.array([[half, 0], [0, half], [-half, 0], [0, -half]])
        return diamond + side / 2
    return np.asarray(best[:, 0], np.float64)


GAIN_FROM_PX, WHOLE_GAIN_PX = 8.0, 16.0
"""Bodies under the first have no horns that a picture could show; from the second on all of them are missing from the outline."""


def lengthen(length_px: float, gain: float) -> float:
    """Return how long a body is whose outline is `length_px` long: `gain` times that, less for the smallest."""
    share = np.clip(np.log(length_px / GAIN_FROM_PX) / np.log(WHOLE_GAIN_PX / GAIN_FROM_PX), 0, 1)
    return length_px * float(1 + (gain - 1) * share)


def _make_region(
    outline: Outline,
    features: NDArray[np.float32],
    frame_size_px: tuple[int, ...],
    *,
    length_gain: float,
) -> Region:
    limits = np.array(frame_size_px, np.float32) - 1
    outline = np.clip(outline, 0, limits).astype(np.float32)
    length_px, width_px = measure_extent(outline)
    length_px = lengthen(length_px, length_gain)
    return Region("silhouette", find_box(outline, frame_size_px), outline, length_px, width_px, 0.0, features)


SAME_BODY_SHARE = 0.35
"""Two places whose middles are closer than this share of the longer one's length are one body."""


def _drop_doubles(regions: list[Region]) -> list[Region]:
    """Keep, of regions that show the same body, the one that the judge is surer of."""
    kept: list[Region] = []
    for region in sorted(regions, key=lambda r: (-r.features[NetworkFeature.LOG_ODDS], r.box)):
        row, column = find_middle(region.box)
        for other in kept:
            other_row, other_column = find_middle(other.box)
            reach = max(4.0, SAME_BODY_SHARE * max(region.length_px, other.length_px))
            if np.hypot(row - other_row, column - other_column) <= reach:
                break
        else:
            kept.append(region)
    return kept
