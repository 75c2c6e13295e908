"""Which heights a searched clip covered, in sentences: by its lens and resolution, the trees' heights, and the cards seen in it.

It says what the frames could show, and in plain words what is not known: where the camera was pointed, how far away leaves were.
"""

from annotate.errors import AnnotateError
from annotate.lengths.reach import load_curve, measure_coverage, say_coverage
from annotate.lengths.sizes import scale_by_card
from annotate.lengths.taxon_profiles import find_profile, list_profiles
from annotate.logbook.clips import list_clips
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Clip
from annotate.logbook.sizes import list_cards_seen, list_tree_heights, read_focal_lengths

NOT_KNOWN = (
    "Not known: where in the crown the camera was pointed, how far away each leaf was, and what hung behind others. A height "
    "that counts as covered was covered only where it was filmed."
)


def find_clip_named(logbook: Logbook, name: str) -> Clip:
    """Return the clip of that name, the one recorded last where there are several.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none.
    """
    clips = list_clips(logbook)
    found = [clip for clip in clips if clip.name == name] or [clip for clip in clips if str(clip.id) == name]
    if not found:
        known = ", ".join(clip.name for clip in clips[-5:]) or "none yet"
        raise AnnotateError(
            f"clip: expected the name of a searched clip; found {name!r}; the last ones are: {known}"
        )
    return found[-1]


def tell_coverage(
    logbook: Logbook,
    name: str,
    *,
    focal_equivalent_mm: float | None = None,
    crop: float | None = None,
    card_mm: float | None = None,
) -> tuple[str, ...]:
    """Return what a clip covered, in sentences.

    Parameters
    ----------
    focal_equivalent_mm : counts before what the clip's file states and the settings say
    card_mm : side of the cards' black square, to say how far from the lens they were

    Raises
    ------
    annotate.errors.AnnotateError, detect.errors.DetectError
        Where there is no such clip, or its focal length is not known or none that exists.
    """
    from detect.lenses import AS_FILMED, fit_lens, reckon_plainly

    clip = find_clip_named(logbook, name)
    camera = logbook.settings.camera
    stated = read_focal_lengths(logbook)[clip.id]
    focal = focal_equivalent_mm or stated or camera.focal_equivalent_mm
    if not focal:
        raise AnnotateError(
            f"clip {clip.name}: expected its focal length; found none in its file or the settings; give it with: --focal 26"
        )
    frame = (clip.height_px, clip.width_px)
    steadied = crop or camera.crop or 1.0
    lens = (
        fit_lens(focal, frame_size_px=frame, shape=AS_FILMED, crop=steadied)
        if clip.kind == "photos"
        else reckon_plainly(focal, frame_size_px=frame, crop=steadied)
    )
    curve, _ = load_curve(logbook)
    profile = find_profile(list_profiles(logbook.folder), logbook.settings.record.taxon)
    coverage = measure_coverage(lens, curve, profile, frame_size_px=frame)
    source = "given" if focal_equivalent_mm else "stated by its file" if stated else "by the settings"
    lines = [
        f"{clip.name}: {clip.width_px} x {clip.height_px} px, {focal:g} mm ({source}), {profile.taxon}; "
        "reckoned for fairly sharp frames:"
    ]
    trees = list_tree_heights(logbook, clip.id)
    for tree, height_m in trees or (("no tree", None),):
        if trees:
            lines.append(f"Tree {tree}, {f'{height_m:g} m high' if height_m else 'its height is not known'}:")
        lines += [
            f"  {line}"
            for line in say_coverage(
                coverage, tree=tree, height_m=height_m, lens_height_m=camera.lens_height_m
            )
        ]
    lines.append(
        _say_cards(logbook, clip, lens_mm=lens.focal_equivalent_mm / lens.film_long_mm, card_mm=card_mm)
    )
    return (*lines, NOT_KNOWN)


def _say_cards(logbook: Logbook, clip: Clip, *, lens_mm: float, card_mm: float | None) -> str:
    """Return how far from the lens the cards were; `lens_mm` is the focal length over the film's long side."""
    cards = list_cards_seen(logbook, clip.id)
    if not cards:
        return "No tree card was seen in it, so no distance in it is known."
    if card_mm is None:
        return f"Tree cards were seen {len(cards)} times; --card-mm, the side of the black square, tells how far away."
    long_px = max(clip.width_px, clip.height_px)
    metres = sorted(
        scale_by_card(card.corners, side_mm=card_mm).mm_per_px * lens_mm * long_px / 1000 for card in cards
    )
    return (
        f"Tree cards were seen {len(cards)} times, {metres[0]:.1f} to {metres[-1]:.1f} m from the lens: so near was the card, "
        "not the crown."
    )
