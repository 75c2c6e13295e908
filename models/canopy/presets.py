"""Named settings: what training draws from, and plants it never sees.

`walk-under` is the default; `wide` and `far` are the ends of what phones can do, `overcast` and `sunny` those of light.
`held-out` shares no leaf family with them and takes light and camera from other ranges, for evaluation; where training varies
its settings (`varied`), it takes light and camera from ranges that hold those too, and leaves with another tip. `sample` is the
copse that comes with the project: a bright day, larvae on sunlit leaves, none on a twig.
"""

from dataclasses import replace

from models.canopy.camera import CameraSettings
from models.canopy.clip import CanopySettings
from models.canopy.confusers import ConfuserSettings
from models.canopy.feeding import FeedingSettings
from models.canopy.larvae import LarvaSettings
from models.canopy.leaves import ASPEN, HAZEL, LIME, POPLAR, SALLOW, PlantSettings
from models.canopy.light import LightSettings
from models.errors import ModelsError

WALK_UNDER = CanopySettings()

HELD_OUT = CanopySettings(
    light=LightSettings(
        clear_share=0.5,
        sky_level=(0.15, 0.6),
        sky_blueness=(0.1, 0.7),
        sun_height_deg=(25.0, 50.0),
        ambient=(0.012, 0.08),
    ),
    plant=PlantSettings(
        shapes=(POPLAR, HAZEL, LIME),
        leaf_out=(0.4, 0.95),
        cover=(0.55, 1.2),
        depths=(1.0, 1.3, 1.9),
        crown_shares=(0.25, 0.4, 0.35),
        twig_mm=(110.0, 380.0),
        spacing_mm=(15.0, 36.0),
    ),
    feeding=FeedingSettings(chewed_share=0.15, bites=(1, 8), size_share=(0.025, 0.15), tip_chance=0.4),
    larvae=LarvaSettings(width_share=(0.16, 0.22), body_light=(0.005, 0.025), unwell_share=0.2),
    confusers=ConfuserSettings(per_megapixel=(15.0, 50.0), shadow_share=0.5),
    camera=CameraSettings(
        shake_px=(3.0, 18.0),
        walk_mm_s=(0.0, 160.0),
        wind_mm=(1.0, 7.0),
        brightness=(0.09, 0.24),
        noise=(1.0, 5.0),
        blur_px=(0.45, 1.2),
        sharpening=(0.1, 1.1),
        saturation=(0.9, 1.25),
        contrast=(0.05, 0.45),
    ),
)

WIDE = replace(WALK_UNDER, camera=replace(WALK_UNDER.camera, lens_mm=(13.0, 28.0), distance_m=(1.0, 2.5)))
FAR = replace(WALK_UNDER, camera=replace(WALK_UNDER.camera, lens_mm=(60.0, 120.0), distance_m=(3.0, 6.0)))
OVERCAST = replace(WALK_UNDER, light=LightSettings(clear_share=0.0))
SUNNY = replace(WALK_UNDER, light=LightSettings(clear_share=1.0))

SAMPLE = CanopySettings(
    duration_s=10.0,
    light=LightSettings(
        clear_share=1.0,
        sky_level=(0.18, 0.22),
        sky_blueness=(0.7, 0.8),
        ambient=(0.015, 0.02),
        flare_chance=0.0,
    ),
    plant=PlantSettings(
        shapes=(SALLOW, ASPEN), leaf_out=(0.75, 0.85), cover=(0.75, 0.8), crown_shares=(0.0, 1.0)
    ),
    feeding=FeedingSettings(chewed_share=0.03),
    larvae=LarvaSettings(
        count=(6, 6),
        length_px=(10.0, 52.0),
        unwell_share=0.1,
        hidden_share=0.0,
        lit_share=1.0,
        pose_shares=(0.5, 0.3, 0.2, 0.0, 0.0),
    ),
    confusers=ConfuserSettings(per_megapixel=(18.0, 18.0)),
    camera=CameraSettings(
        lens_mm=(77.0, 77.0),
        distance_m=(3.0, 3.0),
        shake_px=(3.0, 4.0),
        walk_mm_s=(25.0, 30.0),
        wind_mm=(1.0, 1.5),
        brightness=(0.2, 0.21),
        noise=(0.5, 0.6),
        blur_px=(0.5, 0.6),
        hunting_px=(0.8, 1.0),
        sharpening=(0.3, 0.4),
        saturation=(1.15, 1.2),
        contrast=(0.3, 0.4),
        dirt_chance=0.0,
    ),
)

PRESETS: dict[str, CanopySettings] = {
    "walk-under": WALK_UNDER,
    "held-out": HELD_OUT,
    "wide": WIDE,
    "far": FAR,
    "overcast": OVERCAST,
    "sunny": SUNNY,
    "sample": SAMPLE,
}


def find_preset(name: str) -> CanopySettings:
    """Return settings by name.

    Raises
    ------
    ModelsError
        Where there is no preset of that name.
    """
    if name not in PRESETS:
        raise ModelsError(
            f"{name}: no such settings for drawing; expected one of {', '.join(PRESETS)}, found {name!r}; choose one of these"
        )
    return PRESETS[name]


def fit_frame(settings: CanopySettings, *, size_px: tuple[int, int]) -> CanopySettings:
    """Return the settings for whole frames of (rows, columns), with a camera whose picture is that large."""
    return replace(settings, size_px=size_px, camera=replace(settings.camera, long_side_px=max(size_px)))
