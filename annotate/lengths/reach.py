"""How far a lens reaches: how many px each instar is long at each height, how likely it is found, and what to do about it.

Chances come from the detection curve kept with the weights in use (`models.detectability`), for larvae on show: not for those
under a leaf, on the far side, or in a part of the crown that was not filmed. A larva is noticed in a look where the search would
follow it from that frame; it is found in a clip where it is then offered for judging. The interval of a look is that of the
counts in the card for the same class of length and sharpness, as if each larva had been looked at once, since looks at one larva
are alike. A height is measured from the lens straight up; what is seen at a slant of 30 degrees is farther by 15 per cent. Of a
searched clip it says which heights its lens and resolution could show, not where the camera was pointed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from annotate.errors import AnnotateError
from annotate.lengths.taxon_profiles import Instar, TaxonProfile
from annotate.sheets import Cell

if TYPE_CHECKING:
    from annotate.logbook.opening import Logbook
    from detect.lenses import Lens
    from models.cards import DetectionCurve

PRESETS_MM = (13.0, 26.0, 52.0, 77.0, 120.0)
"""35 mm-equivalent focal lengths that phones have, as plain numbers (common practice, no source)."""

USUAL_FRAME_PX = (2160, 3840)
LOWEST_M, HIGHEST_M, STEP_M = 1.0, 6.0, 0.5
MOST_HEIGHTS = 60

LEAST_FRAME_PX, MOST_FRAME_PX = 100, 20_000
LEAST_M, MOST_M = 0.3, 60.0

USUAL_LOOKS = 8
"""Sharp looks at one larva: one a second in a walk of eight seconds under it, as in the clips that the curve was fitted on."""

COVERED_CHANCE, POOR_CHANCE = 0.4, 0.1
"""Of one sharp look: from the first on a height counts as covered, under the second as not (own choice: about half, and a tenth,
of the most that any length reaches)."""

LEAST_GAIN = 1.5
"""Advice is given where it makes the chance at least so many times as large."""

WORDS = ("covered", "covered poorly", "not covered")


@dataclass(frozen=True, slots=True)
class Chance:
    """A chance to be noticed or found.

    Attributes
    ----------
    value : 0 to 1
    low, high : 95 % interval; None where the curve has none
    is_measured : whether larvae of about this length were among those that the curve was fitted on
    """

    value: float
    low: float | None
    high: float | None
    is_measured: bool


@dataclass(frozen=True, slots=True)
class ReachCell:
    """One instar at one height: its length in the frame, and the chances in one sharp look and in a whole clip.

    `in_clip` is None where the weights' card has no chance of whole clips. `covered` is one of `WORDS`.
    """

    stage: str
    height_m: float
    length_px: float
    in_look: Chance
    in_clip: Chance | None
    covered: str


@dataclass(frozen=True, slots=True)
class Reach:
    """What a lens reaches.

    Attributes
    ----------
    field_m : (along the long side, along the short side) that the frame covers at each height
    mm_per_px : at each height
    cells : by instar, then height
    """

    focal_equivalent_mm: float
    frame_size_px: tuple[int, int]
    crop: float
    sharpness: str
    looks: int
    taxon: str
    instars: tuple[Instar, ...]
    heights_m: tuple[float, ...]
    mm_per_px: tuple[float, ...]
    field_m: tuple[tuple[float, float], ...]
    cells: tuple[tuple[ReachCell, ...], ...]


@dataclass(frozen=True, slots=True)
class ReachOrder:
    """What a person asks for.

    Attributes
    ----------
    heights_m : above the lens, rising
    crop : what steadying cuts off, 1 for nothing
    sharpness : "soft", "fair" or "sharp"
    looks : sharp looks at one larva in a whole clip
    """

    focal_equivalent_mm: float = 26.0
    frame_size_px: tuple[int, int] = USUAL_FRAME_PX
    heights_m: tuple[float, ...] = ()
    crop: float = 1.0
    sharpness: str = "fair"
    looks: int = USUAL_LOOKS


def load_curve(logbook: "Logbook | None" = None) -> "tuple[DetectionCurve, str]":
    """Return the detection curve of the weights in use, and their name in words.

    Weights trained at home have no curve before it is measured; then that of the program's own counts, and the name says so.

    Raises
    ------
    annotate.errors.AnnotateError
        Where neither card has a curve, or the weights in use cannot be used.
    """
    from annotate.learning.weights_kept import find_in_use
    from models.cards import DEFAULT_WEIGHTS, find_card_path, read_card

    path = DEFAULT_WEIGHTS if logbook is None else find_in_use(logbook)
    card = read_card(find_card_path(path))
    name = f"{card.name} {card.weights_sha256[:8]}"
    if card.detection is not None:
        return card.detection, name
    shipped = read_card(find_card_path(DEFAULT_WEIGHTS))
    if shipped.detection is None:
        raise AnnotateError(
            f"{find_card_path(DEFAULT_WEIGHTS)}: expected a model card with the chance that larvae are found; found none in it; "
            "measure it with: leafshade evaluate --keep"
        )
    return shipped.detection, f"{shipped.name} {shipped.weights_sha256[:8]}, for {name} was never measured"


def spread_heights(lowest_m: float = LOWEST_M, highest_m: float = HIGHEST_M) -> tuple[float, ...]:
    """Return heights in steps of half a metre, wider where that would be too many; both ends are in.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the heights cannot be.
    """
    if not LEAST_M <= lowest_m <= highest_m <= MOST_M:
        raise AnnotateError(
            f"height: expected {LEAST_M:g} to {MOST_M:g} m above the lens, the lower first; found {lowest_m:g} to "
            f"{highest_m:g}; correct it"
        )
    if lowest_m == highest_m:
        return (lowest_m,)
    steps = min(MOST_HEIGHTS, max(1, round((highest_m - lowest_m) / STEP_M)))
    return tuple(float(round(height, 3)) for height in np.linspace(lowest_m, highest_m, steps + 1))


def check_frame(frame_size_px: tuple[int, int]) -> tuple[int, int]:
    """Return (rows, columns), or raise where no camera has such frames."""
    if not all(LEAST_FRAME_PX <= side <= MOST_FRAME_PX for side in frame_size_px):
        raise AnnotateError(
            f"resolution: expected {LEAST_FRAME_PX} to {MOST_FRAME_PX} px a side; found {frame_size_px[1]} x {frame_size_px[0]}; "
            "give it as 3840x2160"
        )
    return frame_size_px


def measure_reach(order: ReachOrder, curve: "DetectionCurve", profile: TaxonProfile) -> Reach:
    """Return what a lens reaches.

    Raises
    ------
    annotate.errors.AnnotateError, detect.errors.DetectError
        Where the order asks for what cannot be.
    """
    from detect.lenses import find_mm_per_px, reckon_plainly

    frame = check_frame(order.frame_size_px)
    sharpness = _find_sharpness(order.sharpness)
    if order.looks < 1:
        raise AnnotateError(
            f"looks: expected one or more; found {order.looks}; give whole seconds of filming"
        )
    lens = reckon_plainly(order.focal_equivalent_mm, frame_size_px=frame, crop=order.crop)
    heights = order.heights_m or spread_heights()
    scales = tuple(find_mm_per_px(lens, distance_m=height, frame_size_px=frame) for height in heights)
    cells = tuple(
        tuple(
            _fill_cell(
                instar.name,
                height,
                instar.usual_mm / scale,
                curve,
                sharpness=sharpness,
                looks=order.looks,
            )
            for height, scale in zip(heights, scales, strict=True)
        )
        for instar in profile.instars
    )
    return Reach(
        order.focal_equivalent_mm,
        frame,
        order.crop,
        order.sharpness,
        order.looks,
        profile.taxon,
        profile.instars,
        heights,
        scales,
        tuple((max(frame) * scale / 1000, min(frame) * scale / 1000) for scale in scales),
        cells,
    )


def _find_sharpness(name: str) -> float:
    from models.detectability import SHARPNESS_LEVELS, SHARPNESS_NAMES

    if name not in SHARPNESS_NAMES:
        raise AnnotateError(
            f"sharpness: expected one of {', '.join(SHARPNESS_NAMES)}; found {name!r}; "
            "'fair' is usual for phones held in the hand"
        )
    return SHARPNESS_LEVELS[SHARPNESS_NAMES.index(name)]


def _fill_cell(
    stage: str, height_m: float, length_px: float, curve: "DetectionCurve", *, sharpness: float, looks: int
) -> ReachCell:
    in_look = find_look_chance(curve, length_px, sharpness)
    return ReachCell(
        stage,
        height_m,
        length_px,
        in_look,
        find_clip_chance_of(curve, length_px, sharpness, looks=looks),
        say_covered(in_look.value),
    )


def find_look_chance(curve: "DetectionCurve", length_px: float, sharpness: float) -> Chance:
    """Return the chance to be found in one frame looked at, with the interval of the counts nearest to it."""
    from models.detectability import find_chance
    from models.metrics import find_interval

    value = find_chance(curve, length_px, sharpness)
    for count in curve.table:
        (shortest, longest), (soft, sharp) = count.length_px, count.sharpness
        if shortest <= length_px < (longest or np.inf) and soft <= sharpness < sharp and count.of:
            thinned = max(1, round(count.of * curve.larvae / max(1, curve.looks)))
            low, high = find_interval(round(count.found / count.of * thinned), thinned)
            # The curve is smooth over classes; its own value always lies inside what is shown.
            measured = length_px <= curve.most_length_px
            return Chance(value, min(low, value), max(high, value), measured)
    return Chance(value, None, None, False)


def find_clip_chance_of(
    curve: "DetectionCurve", length_px: float, sharpness: float, *, looks: int
) -> Chance | None:
    """Return the chance to be found in a clip with so many looks at the larva; None where the card has none of whole clips."""
    from models.detectability import find_clip_chance

    if curve.clip is None:
        return None
    shortest = min((count.length_px[0] for count in curve.table if count.of), default=0.0)
    measured = shortest <= length_px <= curve.most_length_px
    return Chance(find_clip_chance(curve, length_px, sharpness, looks=looks), None, None, measured)


def say_covered(chance: float) -> str:
    """Return whether a height where the chance of one look is this counts as covered."""
    return WORDS[0] if chance >= COVERED_CHANCE else WORDS[1] if chance >= POOR_CHANCE else WORDS[2]


def say_odds(chance: float) -> str:
    """Return a chance as people say it: "1 time in 20", "2 times in 3", "less than 1 time in 100"."""
    if chance < LEAST_ODDS:
        return "less than 1 time in 100"
    if chance <= 0.35:
        return f"1 time in {round(1 / chance)}"
    tenths = round(10 * chance)
    return f"{tenths} times in 10"


LEAST_ODDS = 0.01


def advise(order: ReachOrder, curve: "DetectionCurve", profile: TaxonProfile) -> tuple[str, ...]:
    """Return what to do, a sentence for each instar: what it is at the middle height, and what zoom or nearness makes of it."""
    heights = order.heights_m or spread_heights()
    middle = heights[len(heights) // 2]
    lines = []
    for instar in profile.instars:
        if instar.usual_mm < LEAST_ADVISED_MM:
            continue
        now = _measure_one(order, curve, profile, instar, focal=order.focal_equivalent_mm, height_m=middle)
        line = (
            f"At {middle:g} m with {order.focal_equivalent_mm:g} mm, {_name_one(instar)} is {now.length_px:.0f} px: noticed "
            f"{say_odds(now.in_look.value)} in a sharp look{_say_clip(now)}{_say_unmeasured(now)}."
        )
        lines.append(f"{line} {_say_better(order, curve, profile, instar, now)}")
    return tuple(lines)


LEAST_ADVISED_MM = 4.0
"""Younger larvae are not looked for from the ground: they are a few px long with any lens."""


def _say_better(
    order: ReachOrder, curve: "DetectionCurve", profile: TaxonProfile, instar: Instar, now: ReachCell
) -> str:
    """Return the shortest lens that covers, else the longest; and how near the present one has to go."""
    longer = [focal for focal in PRESETS_MM if focal > order.focal_equivalent_mm * 1.1]
    tried = [
        (focal, _measure_one(order, curve, profile, instar, focal=focal, height_m=now.height_m))
        for focal in longer
    ]
    if now.covered == WORDS[0]:
        return "More length gains little: film it for longer, on another day too, and look by eye."
    focal, then = next(
        ((f, c) for f, c in tried if c.covered == WORDS[0]), tried[-1] if tried else (0.0, now)
    )
    words = []
    if then.in_look.value >= LEAST_GAIN * now.in_look.value:
        words.append(
            f"zoom: with {focal:g} mm it is {then.length_px:.0f} px, noticed {say_odds(then.in_look.value)}{_say_clip(then)}"
        )
    near_m = now.height_m * now.length_px / find_covering_px(curve, _find_sharpness(order.sharpness))
    if near_m >= LEAST_M:
        words.append(f"or go closer: within {near_m:.1f} m it is as long as it must be")
    elif not words:
        return "No lens of these and no nearness from the ground helps: look by eye, on low twigs."
    sentence = ", ".join(words).removeprefix("or ")
    return f"{sentence[:1].upper()}{sentence[1:]}."


def find_covering_px(curve: "DetectionCurve", sharpness: float) -> float:
    """Return the least length that counts as covered; the longest measured where none does."""
    from models.detectability import find_chance

    lengths = np.geomspace(3.0, curve.most_length_px, 200)
    covering = [px for px in lengths if find_chance(curve, float(px), sharpness) >= COVERED_CHANCE]
    return float(covering[0]) if covering else curve.most_length_px


def _measure_one(
    order: ReachOrder,
    curve: "DetectionCurve",
    profile: TaxonProfile,
    instar: Instar,
    *,
    focal: float,
    height_m: float,
) -> ReachCell:
    one = ReachOrder(focal, order.frame_size_px, (height_m,), order.crop, order.sharpness, order.looks)
    reach = measure_reach(one, curve, profile)
    return reach.cells[profile.instars.index(instar)][0]


def _name_one(instar: Instar) -> str:
    return f"an {instar.name} of {instar.usual_mm:.0f} mm"


def _say_clip(cell: ReachCell) -> str:
    return "" if cell.in_clip is None else f", found {say_odds(cell.in_clip.value)} in a whole clip"


def _say_unmeasured(cell: ReachCell) -> str:
    return "" if cell.in_look.is_measured else " (by the curve alone: nothing of this length was measured)"


def say_cell(cell: ReachCell) -> str:
    """Return lines such as "14 px", "0.21 (0.05-0.37)", "clip 0.10", "covered poorly"; a chance not measured says so."""
    look = f"{cell.in_look.value:.2f}"
    if cell.in_look.low is not None and cell.in_look.high is not None:
        look += f" ({cell.in_look.low:.2f}-{cell.in_look.high:.2f})"
    if not cell.in_look.is_measured:
        look += " by the curve alone"
    clip = "" if cell.in_clip is None else f"clip {cell.in_clip.value:.2f}\n"
    return f"{cell.length_px:.0f} px\n{look}\n{clip}{cell.covered}"


COLUMNS = (
    "stage",
    "length_mm",
    "height_m",
    "mm_per_px",
    "length_px",
    "chance_in_look",
    "chance_in_look_low",
    "chance_in_look_high",
    "chance_in_clip",
    "is_measured",
    "covered",
)


def describe_reach(reach: Reach) -> list[dict[str, Cell]]:
    """Return a reach as data with stable names, a row for each instar and height."""
    return [
        {
            "stage": cell.stage,
            "length_mm": round(instar.usual_mm, 1),
            "height_m": cell.height_m,
            "mm_per_px": round(scale, 4),
            "length_px": round(cell.length_px, 1),
            "chance_in_look": round(cell.in_look.value, 3),
            "chance_in_look_low": None if cell.in_look.low is None else round(cell.in_look.low, 3),
            "chance_in_look_high": None if cell.in_look.high is None else round(cell.in_look.high, 3),
            "chance_in_clip": None if cell.in_clip is None else round(cell.in_clip.value, 3),
            "is_measured": int(cell.in_look.is_measured),
            "covered": cell.covered,
        }
        for instar, row in zip(reach.instars, reach.cells, strict=True)
        for scale, cell in zip(reach.mm_per_px, row, strict=True)
    ]


ASSUMPTIONS = (
    "The focal length is taken as equivalent on 35 mm film, 36 mm along the frame's long side (34.6 mm for 4:3 photos, whose "
    "diagonal of 43.27 mm it compares; CIPA DCG-001).",
    "Steadying in the camera cuts 10 to 20 per cent off video: then everything is 1.1 to 1.2 times as long as said; give that as "
    "the crop. Turning the phone changes nothing: the long side counts.",
    "Digital zoom makes px out of the same light: count with the focal length of the lens itself.",
    "A look is a sharp frame with the larva in it, in the open; noticed means that the search follows it from there. Found in a "
    "whole clip means offered for judging at the usual threshold. A larva under a leaf is found by nobody.",
    "The chances were measured on drawn clips; on real footage they are not known yet.",
)

CAUTIONS = (
    "Zoom or walk closer; never climb for a better picture, and stay out from under dead wood in wind.",
    "Never point a zoomed lens or your eye at the sun: keep a leaf or the stem before it.",
    "With more zoom hold the phone against a pole or the stem and pan slowly: blur costs more than length gains.",
)
"""Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """Which heights a searched clip covered for one instar.

    Attributes
    ----------
    covered_to_m, poorly_to_m : above the lens, the height up to which it was covered, and up to which poorly
    """

    stage: str
    length_mm: float
    covered_to_m: float
    poorly_to_m: float


def measure_coverage(
    lens: "Lens", curve: "DetectionCurve", profile: TaxonProfile, *, frame_size_px: tuple[int, int]
) -> tuple[Coverage, ...]:
    """Return up to which height above the lens a clip could show each instar, were it filmed fairly sharp."""
    from detect.lenses import find_distance_m

    fair = _find_sharpness("fair")
    covering = find_covering_px(curve, fair)
    poor = _find_length_for(curve, POOR_CHANCE, fair)
    return tuple(
        Coverage(
            instar.name,
            instar.usual_mm,
            find_distance_m(lens, mm_per_px=instar.usual_mm / covering, frame_size_px=frame_size_px),
            find_distance_m(lens, mm_per_px=instar.usual_mm / poor, frame_size_px=frame_size_px),
        )
        for instar in profile.instars
    )


def _find_length_for(curve: "DetectionCurve", chance: float, sharpness: float) -> float:
    from models.detectability import find_chance

    lengths = np.geomspace(1.0, curve.most_length_px, 300)
    reaching = [px for px in lengths if find_chance(curve, float(px), sharpness) >= chance]
    return float(reaching[0]) if reaching else curve.most_length_px


def say_coverage(
    coverage: Sequence[Coverage], *, tree: str, height_m: float | None, lens_height_m: float
) -> tuple[str, ...]:
    """Return what was covered in sentences, against the tree's height where that is known."""
    above_m = None if height_m is None else max(0.0, height_m - lens_height_m)
    lines = []
    for one in coverage:
        line = (
            f"{one.stage} ({one.length_mm:.0f} mm): covered up to {one.covered_to_m:.1f} m above the lens, poorly up to "
            f"{one.poorly_to_m:.1f} m"
        )
        if above_m is not None:
            missed_m = above_m - one.poorly_to_m
            line += (
                f"; the top {missed_m:.1f} m of {tree} were not covered"
                if missed_m > 0
                else f"; that is all of {tree} ({above_m:.1f} m above the lens)"
                if one.covered_to_m >= above_m
                else f"; {tree} ends {above_m:.1f} m above the lens, its upper part was covered poorly"
            )
        lines.append(f"{line}.")
    return tuple(lines)
