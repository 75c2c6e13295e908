"""Settings drawn at random for training: leaves of families nobody named, under light, bodies and cameras from wider ranges.

Each stock of pictures gets settings of its own, so that a network learns what larvae have in common and not what three kinds
of leaf have. No leaf drawn here has the drawn-out tip by which the held-out families can be told: those stay unseen.
"""

from dataclasses import replace

import numpy as np

from models.canopy.camera import CameraSettings
from models.canopy.clip import CanopySettings
from models.canopy.confusers import ConfuserSettings
from models.canopy.feeding import FeedingSettings
from models.canopy.larvae import LarvaSettings
from models.canopy.leaves import LeafShape, PlantSettings
from models.canopy.light import LightSettings

MOST_TIP_POINT = 0.07
"""The families of `held-out` begin at .08."""

SMALLEST_MM, LARGEST_MM = 25.0, 85.0
LOBED_CHANCE, TOOTHED_CHANCE = 0.25, 0.65

MOST_BODY_LIGHT = (0.03, 0.35)
"""Range of the most light that the bodies of one stock let through: a thin green body against the sun is a pale shade."""


def choose_shape(rng: np.random.Generator) -> LeafShape:
    """Draw a family of leaves: long or round, lobed, toothed or entire, on short or long stalks."""
    length_mm = float(np.exp(rng.uniform(np.log(SMALLEST_MM), np.log(LARGEST_MM))))
    width = float(np.exp(rng.uniform(np.log(0.28), np.log(1.15))))
    widest = float(rng.uniform(0.26, 0.64))
    fullness = float(rng.uniform(0.42, 0.78))
    lobes, lobe_depth = (0, 0), (0.0, 0.0)
    if rng.random() < LOBED_CHANCE:
        fewest = int(rng.integers(2, 7))
        lobes, lobe_depth = (fewest, fewest + 2), (0.02, float(rng.uniform(0.05, 0.32)))
    teeth, tooth_depth = (0, 0), (0.0, 0.0)
    if rng.random() < TOOTHED_CHANCE:
        fewest = int(rng.integers(6, 32))
        teeth, tooth_depth = (fewest, fewest + 8), (0.004, float(rng.uniform(0.008, 0.04)))
    veins, angle_deg, stalk = (
        int(rng.integers(3, 10)),
        float(rng.uniform(35, 60)),
        float(rng.uniform(0.03, 0.9)),
    )
    return LeafShape(
        "varied",
        length_mm=(length_mm, 1.6 * length_mm),
        width_share=(0.92 * width, 1.08 * width),
        widest_at=(widest - 0.04, widest + 0.04),
        fullness=(fullness - 0.05, fullness + 0.05),
        tip_point=(0.0, float(rng.uniform(0, MOST_TIP_POINT))),
        lobes=lobes,
        lobe_depth=lobe_depth,
        teeth=teeth,
        tooth_depth=tooth_depth,
        tooth_lean=float(rng.uniform(0, 0.7)),
        vein_pairs=(veins, veins + 2),
        vein_angle_deg=(angle_deg, angle_deg + 12),
        stalk_share=(0.8 * stalk, 1.2 * stalk),
    )


def vary_canopy(settings: CanopySettings, rng: np.random.Generator) -> CanopySettings:
    """Return settings with other plants, light, feeding, bodies, confusers and camera; size, lens and numbers stay."""
    depths = np.cumprod([1.0, *rng.uniform(1.12, 1.5, int(rng.integers(2, 4)))])
    shares = rng.dirichlet(np.full(len(depths), 2.0))
    least_cover = float(rng.uniform(0.3, 0.9))
    shortest_mm, nearest_mm = float(rng.uniform(70, 140)), float(rng.uniform(10, 22))
    plant = PlantSettings(
        shapes=(choose_shape(rng),),
        leaf_out=(0.25, 1.0),
        age_spread=float(rng.uniform(0.05, 0.2)),
        cover=(least_cover, least_cover + 0.6),
        depths=tuple(depths.tolist()),
        crown_shares=tuple(shares.tolist()),
        twig_mm=(shortest_mm, 3.4 * shortest_mm),
        spacing_mm=(nearest_mm, 2.3 * nearest_mm),
        branch_chance=float(rng.uniform(0.1, 0.6)),
    )
    light = LightSettings(
        clear_share=float(rng.uniform(0, 1)),
        sky_level=(0.08, 0.7),
        cloud_level=(0.4, 1.4),
        sky_blueness=(0.0, 1.0),
        sun_height_deg=(20.0, 66.0),
        ambient=(0.004, 0.15),
    )
    larvae = replace(
        LarvaSettings(),
        count=settings.larvae.count,
        length_px=settings.larvae.length_px,
        pose_shares=settings.larvae.pose_shares,
        width_share=(0.13, 0.26),
        body_light=(0.003, float(np.exp(rng.uniform(*np.log(MOST_BODY_LIGHT))))),
        hidden_share=float(rng.uniform(0.05, 0.3)),
    )
    camera = replace(
        CameraSettings(),
        lens_mm=settings.camera.lens_mm,
        long_side_px=settings.camera.long_side_px,
        shake_px=(1.0, 20.0),
        walk_mm_s=(0.0, 170.0),
        wind_mm=(0.3, 8.0),
        brightness=(0.06, 0.32),
        noise=(0.4, 6.0),
        blur_px=(0.35, 1.4),
        sharpening=(0.0, 1.3),
        saturation=(0.75, 1.5),
        contrast=(0.0, 0.7),
    )
    feeding = FeedingSettings(
        chewed_share=float(rng.uniform(0.03, 0.25)), bites=(1, 8), size_share=(0.025, 0.15), tip_chance=0.35
    )
    confusers = ConfuserSettings(per_megapixel=(8.0, 70.0), shadow_share=float(rng.uniform(0.2, 0.6)))
    return replace(
        settings,
        plant=plant,
        light=light,
        larvae=larvae,
        camera=camera,
        feeding=feeding,
        confusers=confusers,
    )
