"""Sizes and stages of what stands in a logbook: which scale holds for an animal, how long it is by it, and which instar that is.

The scale comes from a card that was held beside the larva; else from the lens and a distance or height that somebody gave or
wrote down. Without one of these there is no length, and the reason is said in words. It writes into the logbook only when asked.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from annotate.lengths.sizes import (
    BodySize,
    Scale,
    say_size,
    scale_by_card,
    scale_by_distance,
    scale_by_height,
    size_candidate,
    size_measured,
)
from annotate.lengths.stages import StageGuess, guess_stage, say_guess
from annotate.lengths.taxon_profiles import TaxonProfile, choose_profiles, list_profiles
from annotate.logbook.opening import Logbook
from annotate.logbook.settings import CameraSettings
from annotate.logbook.sizes import (
    BY_PIXELS,
    KeptLength,
    SeenBody,
    SeenCard,
    find_body,
    keep_lengths,
    list_bodies,
    list_cards_seen,
)
from annotate.sheets import Cell
from annotate.zones import find_local_date

if TYPE_CHECKING:
    from detect.lenses import Lens

COLUMNS = (
    "observation_id",
    "date",
    "site",
    "tree",
    "taxon",
    "stage",
    "length_px",
    "length_mm",
    "length_error_mm",
    "seen_mm",
    "likeliest_stage",
    "stage_chances",
    "rests_on",
    "why_not",
)

NO_LENS = "the clip does not say its focal length: give --focal"
NO_DISTANCE = "nobody says how far away it was: give --distance or --height, or write down its height"
NO_CARD = "no card was seen in the clip"
BELOW_LENS = "its height is not above the lens: give --distance"


@dataclass(frozen=True, slots=True)
class SizingOrder:
    """What a person says of how it was filmed; None for what is not known.

    Attributes
    ----------
    focal_equivalent_mm : counts before what the file states
    shape, crop : as `detect.lenses.fit_lens`
    distance_m, height_m : from the lens, along the view or straight up; they count for all animals
    lens_height_m : of the lens above the ground, for heights that stand in the records
    card_side_mm : of the card's marker, where cards were held beside the larvae
    with_season : whether the date tells too
    """

    focal_equivalent_mm: float | None = None
    shape: str | None = None
    crop: float | None = None
    distance_m: float | None = None
    height_m: float | None = None
    lens_height_m: float = 1.5
    card_side_mm: float | None = None
    with_season: bool = True


@dataclass(frozen=True, slots=True)
class SizedBody:
    """One animal with its length and stage; `why_not` says why there is no length."""

    body: SeenBody
    size: BodySize | None
    guess: StageGuess | None
    why_not: str


def complete_order(order: SizingOrder, camera: CameraSettings) -> SizingOrder:
    """Return the order with what the settings say where it says nothing."""
    has_place = order.distance_m is not None or order.height_m is not None
    return SizingOrder(
        order.focal_equivalent_mm or camera.focal_equivalent_mm or None,
        order.shape,
        order.crop or camera.crop or None,
        order.distance_m if has_place else camera.distance_m or None,
        order.height_m,
        order.lens_height_m,
        order.card_side_mm,
        order.with_season,
    )


def size_bodies(
    logbook: Logbook, order: SizingOrder, *, site: str = "", tree: str = ""
) -> tuple[SizedBody, ...]:
    """Return the animals of all standing observations with their sizes and stages, by date."""
    profiles = list_profiles(logbook.folder)
    cards: dict[int, tuple[SeenCard, ...]] = {}
    sized = []
    for body in list_bodies(logbook, site=site, tree=tree):
        if order.card_side_mm is not None and body.clip_id is not None and body.clip_id not in cards:
            cards[body.clip_id] = list_cards_seen(logbook, body.clip_id)
        seen = cards.get(body.clip_id, ()) if body.clip_id is not None else ()
        sized.append(_size_one(body, order, profiles=profiles, cards=seen))
    return tuple(sized)


def size_one_candidate(
    logbook: Logbook,
    candidate_id: int,
    order: SizingOrder | None = None,
    *,
    profiles: Sequence[TaxonProfile] | None = None,
) -> SizedBody:
    """Return one candidate with its size and stage, confirmed or not; `profiles` saves reading them again for each."""
    body = find_body(logbook, candidate_id)
    order = complete_order(order or SizingOrder(), logbook.settings.camera)
    cards = list_cards_seen(logbook, body.clip_id) if order.card_side_mm and body.clip_id else ()
    known = list_profiles(logbook.folder) if profiles is None else profiles
    return _size_one(body, order, profiles=known, cards=cards)


def say_candidate(logbook: Logbook, candidate_id: int) -> str:
    """Return the line for a card: "about 24 mm ± 4, probably L4 (0.7) or L5 (0.3)"; empty where no length can be told."""
    return say_sized(size_one_candidate(logbook, candidate_id))


def say_sized(sized: SizedBody) -> str:
    """Return length and stage as one line; empty where there is no length."""
    return "" if sized.size is None else f"{say_size(sized.size)}, {say_guess(sized.guess)}"


def keep_sizes(logbook: Logbook, sized: Sequence[SizedBody], *, who: str, at: datetime) -> int:
    """Keep the lengths that were reckoned from pixels with their observations; return how many."""
    lengths = [
        KeptLength(one.body.observation_id, one.size.length_mm, one.size.error_mm, one.size.rests_on)
        for one in sized
        if one.size is not None and one.body.observation_id is not None and one.body.kind
    ]
    return keep_lengths(logbook, lengths, who=who, at=at)


def describe_sized(sized: SizedBody) -> Mapping[str, Cell]:
    """Return an animal as data with stable names; chances as "L4 0.70; L5 0.30"."""
    body, size, guess = sized.body, sized.size, sized.guess
    return {
        "observation_id": body.observation_id,
        "date": find_local_date(body.at, body.zone).isoformat(),
        "site": body.site,
        "tree": body.tree,
        "taxon": body.taxon,
        "stage": body.stage,
        "length_px": round(body.length_px, 1) if body.length_px else None,
        "length_mm": round(size.length_mm, 1) if size else None,
        "length_error_mm": round(size.error_mm, 1) if size else None,
        "seen_mm": round(size.seen_mm, 1) if size else None,
        "likeliest_stage": guess.stage or None if guess else None,
        "stage_chances": "; ".join(f"{stage} {chance:.2f}" for stage, chance in guess.chances)
        if guess
        else None,
        "rests_on": size.rests_on if size else None,
        "why_not": sized.why_not or None,
    }


def _size_one(
    body: SeenBody,
    order: SizingOrder,
    *,
    profiles: Sequence[TaxonProfile],
    cards: Sequence[SeenCard],
) -> SizedBody:
    measured = body.length_mm is not None and not (body.length_from or "").startswith(BY_PIXELS)
    size: BodySize | None
    if measured or not body.kind:
        if body.length_mm is None:
            return SizedBody(body, None, None, "seen by eye, and no length was written down")
        rests_on = body.length_from or "measured by eye"
        size, why_not = size_measured(body.length_mm, body.length_error_mm or 0.0, rests_on=rests_on), ""
    else:
        scale, why_not = find_scale(body, order, cards=cards)
        size = size_candidate(body.length_px, body.kind, scale, is_drawn_by_hand=body.is_drawn_by_hand)
    if size is None:
        return SizedBody(body, None, None, why_not or "feeding damage has no length")
    day = find_local_date(body.at, body.zone) if order.with_season else None
    return SizedBody(body, size, guess_stage(choose_profiles(profiles, body.taxon), size, day=day), "")


def find_scale(body: SeenBody, order: SizingOrder, *, cards: Sequence[SeenCard]) -> tuple[Scale | None, str]:
    """Return the scale that holds for an animal, or None and why there is none."""
    if order.card_side_mm is not None:
        if not cards:
            return None, NO_CARD
        nearest = min(cards, key=lambda card: abs(card.time_s - body.best_s))
        return scale_by_card(nearest.corners, side_mm=order.card_side_mm), ""
    lens = _find_lens(body, order)
    if lens is None:
        return None, NO_LENS
    if order.distance_m is not None:
        return scale_by_distance(lens, distance_m=order.distance_m, frame_size_px=body.frame_size_px), ""
    height_m = order.height_m
    if height_m is None and body.height_m is not None:
        height_m = body.height_m - order.lens_height_m
        if height_m <= 0:
            return None, BELOW_LENS
    if height_m is None:
        return None, NO_DISTANCE
    return scale_by_height(lens, height_m=height_m, frame_size_px=body.frame_size_px), ""


def _find_lens(body: SeenBody, order: SizingOrder) -> "Lens | None":
    from detect.lenses import AS_FILMED, NO_CROP, fit_lens

    focal = order.focal_equivalent_mm or body.focal_equivalent_mm
    if focal is None:
        return None
    shape = order.shape or (AS_FILMED if body.is_photo else None)
    crop = order.crop or (NO_CROP if body.is_photo else None)
    return fit_lens(focal, frame_size_px=body.frame_size_px, shape=shape, crop=crop)
