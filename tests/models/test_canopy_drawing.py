"""Drawn clips and pictures: the same for the same seed, true to their truth, never brighter than their light."""

import pickle
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.canopy.camera import find_scale
from models.canopy.clip import CanopySettings, Filming, film, list_larvae, look_up, prepare_filming
from models.canopy.larvae import CONDITIONS, POSES, STAGE_LENGTHS_MM, LarvaSettings, settle_larva
from models.canopy.leaves import SALLOW, grow_bank
from models.canopy.movement import CELL_PX, find_in_frame, map_layer, spread_map
from models.canopy.picture import CompressionSettings, Stock, draw_burst, draw_picture, grow_stock
from models.canopy.presets import HELD_OUT, PRESETS, WALK_UNDER, find_preset, fit_frame
from models.canopy.sheets import open_sheet
from models.canopy.truth import find_truth_path, read_truth
from models.canopy.write import EncodingSettings, write_clip
from models.errors import ModelsError

SMALL = replace(
    WALK_UNDER,
    size_px=(240, 320),
    duration_s=0.4,
    larvae=LarvaSettings(count=(6, 6), length_px=(16.0, 60.0)),
    camera=replace(WALK_UNDER.camera, lens_mm=(77.0, 120.0), distance_m=(1.5, 2.5)),
)
PLAIN = CompressionSettings(jpeg_chance=0.0, video_chance=0.0)


@pytest.fixture(scope="module")
def filming() -> Filming:
    """A small crown with its camera."""
    return prepare_filming(SMALL, np.random.default_rng(3))


@pytest.fixture(scope="module")
def stock() -> Stock:
    """Sheets for small pictures."""
    return grow_stock(replace(SMALL, size_px=(192, 192)), np.random.default_rng(4))


def test_the_same_seed_draws_the_same_frames() -> None:
    """Two runs from one seed agree to the last byte, in pictures and truth; another seed does not."""
    brief = replace(SMALL, size_px=(120, 160), duration_s=0.1)

    def draw(seed: int) -> list[tuple[bytes, str]]:
        rng = np.random.default_rng(seed)
        return [
            (frame.tobytes(), repr([(mark.box, mark.outline.tobytes()) for mark in truth.larvae]))
            for frame, truth in film(prepare_filming(brief, rng), rng)
        ]

    first = draw(1)
    assert len(first) == 3
    assert first == draw(1)
    assert first != draw(2)


def test_no_place_is_brighter_than_the_light_on_the_crown(filming: Filming) -> None:
    """What reaches the camera never exceeds the light on the crown or the sky, and no layer makes light."""
    light, _ = look_up(filming, index=0, time_s=0.1)
    assert light.min() >= 0
    assert (
        light.max() <= max(float(filming.scene.light.incident.max()), float(filming.scene.sky.max())) + 1e-4
    )
    for layer in filming.scene.layers:
        assert np.all(layer.picture[..., :3] <= filming.scene.light.incident * layer.picture[..., 3:] + 1e-3)
        assert layer.picture[..., 3].min() >= -1e-5 and layer.picture[..., 3].max() <= 1 + 1e-5
        assert np.all(layer.incident[..., :3] <= filming.scene.light.incident + 1e-4)


@pytest.mark.parametrize("pose", POSES[1:3])
def test_a_body_is_painted_where_its_outline_says(pose: str) -> None:
    """Thresholded, a dark body on an empty sheet agrees with its outline as another rasteriser fills it."""
    from skimage.draw import polygon2mask

    rng = np.random.default_rng(11)
    plant = replace(SMALL.plant, shapes=(SALLOW,), leaf_out=(0.3, 0.3))
    bank = grow_bank(plant, rng, whole=3, chewed=0, feeding=SMALL.feeding)
    shares = tuple(float(name == pose) for name in POSES)
    larvae = replace(SMALL.larvae, unwell_share=0.0, through_share=0.0, hidden_share=0.0, pose_shares=shares)
    larvae = replace(larvae, length_px=(30.0, 60.0))
    agreements = []
    for _ in range(10):
        sheet = open_sheet((200, 200))
        settled = settle_larva(sheet, bank, larvae, rng, spot=(100.0, 100.0), scale=1.6)
        dark = sheet.through[..., 1] < 0.04
        inside = polygon2mask(dark.shape, settled.outline_xy[:, ::-1])
        agreements.append(np.count_nonzero(inside & dark) / np.count_nonzero(inside | dark))
    assert np.median(agreements) > 0.85


def test_the_larva_mask_agrees_with_another_rasteriser(stock: Stock) -> None:
    """The mask of a picture is the union of its outlines, as scikit-image fills them."""
    from skimage.draw import polygon2mask

    settings = replace(SMALL, size_px=(192, 192))
    rng = np.random.default_rng(8)
    pictures = [draw_picture(settings, rng, stock=stock, compression=PLAIN) for _ in range(6)]
    assert sum(len(picture.larvae) for picture in pictures) >= 6
    overlaps = []
    for picture in pictures:
        union = np.zeros(picture.larva_mask.shape, bool)
        for mark in picture.larvae:
            union |= polygon2mask(union.shape, mark.outline)
        ours = picture.larva_mask > 0
        overlaps.append((np.count_nonzero(union & ours), np.count_nonzero(union | ours)))
    both, either = np.sum(overlaps, axis=0)
    assert both / either > 0.9


def test_marks_are_consistent_with_themselves(filming: Filming) -> None:
    """Boxes hold the visible outline and lie in the frame, lengths are the outline's, ids are known."""
    known = {larva.larva_id: larva for larva in list_larvae(filming.scene)}
    assert known
    for larva in known.values():
        assert larva.stage in {name for name, _, _ in STAGE_LENGTHS_MM}
        assert larva.condition in CONDITIONS and larva.pose in POSES
    rows, columns = SMALL.size_px
    _, truth = look_up(filming, index=0, time_s=0.2)
    for mark in truth.larvae:
        assert mark.larva_id in known
        r0, c0, r1, c1 = mark.box
        assert 0 <= r0 < r1 <= rows and 0 <= c0 < c1 <= columns
        low, high = np.floor(mark.outline.min(axis=0) + 0.5), np.floor(mark.outline.max(axis=0) + 0.5)
        assert (r0, c0) == (max(0, low[0]), max(0, low[1]))
        assert (r1, c1) == (min(rows, high[0] + 1), min(columns, high[1] + 1))
        spread = np.hypot(*(mark.outline[:, None] - mark.outline[None]).transpose(2, 0, 1)).max()
        assert 0.85 * spread <= mark.length_px <= 1.05 * spread
        assert 0 < mark.visible <= 1 and 0 < mark.sharpness <= 1
    assert len({mark.mark_id for mark in truth.feeding}) == len(truth.feeding)
    assert all(0 < mark.missing_percent < 100 for mark in truth.feeding)


def test_outlines_follow_the_leaf_they_sit_on(filming: Filming) -> None:
    """Turned back into the layer by the full map, an outline lands where the body was painted, at any time."""
    for time_s in (0.0, 0.17, 0.39):
        for place in filming.scene.larvae:
            layer, sway = filming.scene.layers[place.layer], filming.sways[place.layer]
            grid = map_layer(
                filming.camera.path,
                layer,
                sway,
                time_s=time_s,
                readout_s=filming.camera.readout_s,
                frame_px=SMALL.size_px,
                px_per_mm=filming.scene.px_per_mm,
            )
            seen = find_in_frame(grid, place.outline_xy)
            inside = np.all((seen > CELL_PX) & (seen < np.float32(SMALL.size_px[::-1]) - CELL_PX), axis=1)
            full = spread_map(grid, SMALL.size_px)
            back = cv2.remap(full, seen[:, :1].copy(), seen[:, 1:].copy(), cv2.INTER_LINEAR)[:, 0]
            assert np.abs(back - place.outline_xy)[inside].max(initial=0) < 0.05


def test_a_longer_lens_and_a_nearer_leaf_make_larvae_longer() -> None:
    """Px per mm follow the ground sample distance: 26 mm equivalent at 3840 px, 2, 3, 4 m are .72, 1.08, 1.44 mm a px."""
    for distance_m, mm_per_px in ((2.0, 0.72), (3.0, 1.08), (4.0, 1.44)):
        assert 1 / find_scale(26.0, distance_m, 3840) == pytest.approx(mm_per_px, abs=0.005)


@pytest.mark.parametrize("bounds", [(6.0, 10.0), (10.0, 16.0), (16.0, 32.0), (32.0, 80.0)])
def test_every_class_of_length_can_be_asked_for(stock: Stock, bounds: tuple[float, float]) -> None:
    """Larvae of pictures have the lengths asked for, as far as bending and foreshortening leave them."""
    settings = replace(
        SMALL, size_px=(192, 192), larvae=LarvaSettings(count=(5, 5), length_px=bounds, unwell_share=0)
    )
    rng = np.random.default_rng(9)
    lengths = [
        mark.length_px
        for _ in range(8)
        for mark in draw_picture(settings, rng, stock=stock, compression=PLAIN).larvae
    ]
    assert len(lengths) >= 5
    assert 0.6 * bounds[0] <= np.percentile(lengths, 10) and np.percentile(lengths, 90) <= 1.3 * bounds[1]


def test_pictures_can_be_drawn_by_many_workers(stock: Stock) -> None:
    """Settings and stock survive pickling, and what is drawn from the copy is the same."""
    settings = replace(SMALL, size_px=(192, 192))
    copied_settings, copied_stock = pickle.loads(pickle.dumps((settings, stock)))
    one, two = (
        draw_picture(s, np.random.default_rng(5), stock=k, compression=CompressionSettings())
        for s, k in ((settings, stock), (copied_settings, copied_stock))
    )
    assert one.rgb.tobytes() == two.rgb.tobytes()
    assert one.rgb.shape == (192, 192, 3) and one.rgb.dtype == np.uint8


def test_a_burst_moves_and_keeps_its_larvae(stock: Stock) -> None:
    """Frames of a burst differ, and a larva stays the same one and near its place."""
    settings = replace(SMALL, size_px=(192, 192))
    rng = np.random.default_rng(6)
    video = CompressionSettings(jpeg_chance=0.0, video_chance=1.0)
    followed = 0
    for _ in range(4):
        burst = draw_burst(settings, rng, stock=stock, compression=video, count=4)
        assert len(burst) == 4
        assert all(np.any(a.rgb != b.rgb) for a, b in pairwise(burst))
        first, last = ({mark.larva_id: mark for mark in burst[n].larvae} for n in (0, -1))
        for name in first.keys() & last.keys():
            moved = first[name].outline.mean(axis=0) - last[name].outline.mean(axis=0)
            assert np.hypot(*moved) < 40
            followed += 1
    assert followed >= 3


def test_a_clip_decodes_to_as_many_frames_as_its_truth(tmp_path: Path) -> None:
    """The file holds every frame, the time it was filmed, and its truth beside it; a decoded frame is like the drawn one."""
    import av

    path = tmp_path / "a clip with ü.mp4"
    at = datetime(2026, 5, 17, 11, 42, tzinfo=UTC)
    drawn = write_clip(
        path,
        SMALL,
        rng=np.random.default_rng(7),
        encoding=EncodingSettings(mbit_s=4),
        tree="OT01",
        recorded_at=at,
    )
    truth = read_truth(find_truth_path(path))
    with av.open(str(path)) as source:
        assert source.metadata["creation_time"].startswith("2026-05-17T11:42:00")
        frames = list(source.decode(video=0))
    assert len(frames) == len(truth.frames) == len(drawn.frames) == round(0.4 * 30)
    assert [frame.time for frame in frames] == pytest.approx(
        [frame.time_s for frame in truth.frames], abs=1e-4
    )
    assert truth.tree == "OT01" and truth.size_px == (frames[0].height, frames[0].width)
    rng = np.random.default_rng(7)
    first, _ = next(film(prepare_filming(SMALL, rng), rng))
    decoded = frames[0].to_ndarray(format="rgb24").astype(int)
    assert np.abs(decoded - first).mean() < 12
    assert {file.name for file in tmp_path.iterdir()} == {path.name, find_truth_path(path).name}


def test_a_portrait_clip_lies_down_in_its_file(tmp_path: Path) -> None:
    """Stored by a quarter turned, with the turn that makes it upright: its truth is of the upright frame."""
    import av

    upright = replace(SMALL, size_px=(320, 240), duration_s=0.1)
    path = tmp_path / "lying.mp4"
    write_clip(
        path, upright, rng=np.random.default_rng(2), encoding=EncodingSettings(is_lying=True, mbit_s=4)
    )
    with av.open(str(path)) as source:
        frame = next(source.decode(video=0))
    assert (frame.height, frame.width) == (240, 320)
    turned = np.rot90(frame.to_ndarray(format="rgb24"), frame.rotation // 90)
    rng = np.random.default_rng(2)
    first, _ = next(film(prepare_filming(upright, rng), rng))
    assert np.abs(turned.astype(int) - first).mean() < 12
    assert read_truth(find_truth_path(path)).size_px == (320, 240)


def test_a_clip_that_cannot_be_finished_leaves_nothing(tmp_path: Path) -> None:
    """Where the folder is missing nothing is written, under no name."""
    with pytest.raises(OSError):
        write_clip(tmp_path / "none" / "x.mp4", replace(SMALL, duration_s=0.1), rng=np.random.default_rng(1))
    assert list(tmp_path.iterdir()) == []


def test_held_out_plants_share_no_leaf_with_training() -> None:
    """Evaluation draws families of leaves that training never sees."""
    trained = {shape.name for shape in WALK_UNDER.plant.shapes}
    held = {shape.name for shape in HELD_OUT.plant.shapes}
    assert held and trained and not held & trained


@pytest.mark.parametrize("name", PRESETS)
def test_every_named_setting_draws(name: str) -> None:
    """Each preset makes a frame of the size asked for."""
    settings = replace(find_preset(name), size_px=(96, 128), duration_s=0.034)
    rng = np.random.default_rng(0)
    frame, truth = next(film(prepare_filming(settings, rng), rng))
    assert frame.shape == (96, 128, 3) and frame.dtype == np.uint8 and frame.std() > 2
    assert truth.index == 0 and truth.time_s == 0.0


def test_an_unknown_setting_is_an_error() -> None:
    """The message names what there is."""
    with pytest.raises(ModelsError, match="walk-under"):
        find_preset("summer")
    assert fit_frame(CanopySettings(), size_px=(1280, 720)).camera.long_side_px == 1280
