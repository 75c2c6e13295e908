"""The surroundings of a place that a person points at, cut from the clip's own frame at full resolution.

Pixels are (row, column) of the upright full-resolution frame. It reads the clip and keeps nothing; without the clip there are no
surroundings.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from annotate.errors import AnnotateError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from detect.clip_info import ClipInfo
    from detect.clips import ChangeFrames

SIDE_PX = 320
"""As much of the frame is cut: the longest larvae are 80 px, and whoever points with a thumb misses by some tens of px."""

SAME_FRAME_S = 0.002
"""Times of one frame, kept and read again, differ by less; those of neighbours at 120 frames/s by four times as much."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """A picture about a place.

    Attributes
    ----------
    jpeg : the surroundings at full resolution
    origin_px, size_px : (row, column) of its top left pixel in the frame; (rows, columns)
    frame_jpeg : the whole frame, reduced
    frame_size_px : (rows, columns) of the frame at full resolution
    """

    jpeg: bytes
    origin_px: tuple[int, int]
    size_px: tuple[int, int]
    frame_jpeg: bytes
    frame_size_px: tuple[int, int]


def cut_surroundings(
    info: "ClipInfo",
    *,
    time_s: float,
    middle_px: tuple[float, float],
    change_frames: "ChangeFrames | None" = None,
) -> Surroundings:
    """Return what lies about a place of the frame shown at a time.

    Parameters
    ----------
    change_frames : what is done to the frames before they are looked at, such as what a search did to them

    Raises
    ------
    annotate.errors.AnnotateError
        Where the clip has no such frame, or the place lies outside it.
    detect.errors.DetectError
        Where the clip can no longer be read.
    """
    rgb = _read_frame(info, time_s, change_frames)
    rows, columns = rgb.shape[:2]
    if not (0 <= middle_px[0] < rows and 0 <= middle_px[1] < columns):
        raise AnnotateError(
            f"place: expected one within {rows} x {columns} px; found row {middle_px[0]:.0f}, column {middle_px[1]:.0f}; "
            "point into the frame"
        )
    origin_px = _find_start(middle_px[0], rows), _find_start(middle_px[1], columns)
    return _cut(rgb, origin_px, (SIDE_PX, SIDE_PX))


def cut_part(
    info: "ClipInfo", *, time_s: float, origin_px: tuple[int, int], size_px: tuple[int, int]
) -> Surroundings:
    """Return a part of the frame shown at a time, as the clip itself has it, whatever a search did to its frames.

    Parameters
    ----------
    origin_px, size_px : (row, column) of its top left pixel in the frame; (rows, columns)

    Raises
    ------
    annotate.errors.AnnotateError
        Where the clip has no such frame, or the part does not lie within it.
    detect.errors.DetectError
        Where the clip can no longer be read.
    """
    rgb = _read_frame(info, time_s, None)
    rows, columns = rgb.shape[:2]
    ends = origin_px[0] + size_px[0], origin_px[1] + size_px[1]
    if min(origin_px) < 0 or ends[0] > rows or ends[1] > columns:
        raise AnnotateError(
            f"picture: expected a part of the frame of {rows} x {columns} px; found one from row {origin_px[0]}, column "
            f"{origin_px[1]} to row {ends[0]}, column {ends[1]}; reload the page"
        )
    return _cut(rgb, origin_px, size_px)


def _read_frame(info: "ClipInfo", time_s: float, change_frames: "ChangeFrames | None") -> "NDArray[np.uint8]":
    from detect.clips import read_frames, read_rgb

    read = read_frames(info, start_after_s=time_s - SAME_FRAME_S)
    frames = read if change_frames is None else change_frames(read)
    try:
        frame = next(frames, None)
        if frame is None or abs(frame.time_s - time_s) > SAME_FRAME_S:
            raise AnnotateError(
                f"{info.path.name}: expected a frame at {time_s:.3f} s; found "
                f"{'none' if frame is None else f'the next at {frame.time_s:.3f} s'}; search the clip again"
            )
        return read_rgb(frame)
    finally:
        frames.close()
        read.close()


def _cut(rgb: "NDArray[np.uint8]", origin_px: tuple[int, int], size_px: tuple[int, int]) -> Surroundings:
    from detect.snapshots import PICTURE_QUALITY, encode_jpeg, shrink_frame

    (row, column), (rows, columns) = origin_px, size_px
    cut = rgb[row : row + rows, column : column + columns]
    return Surroundings(
        jpeg=encode_jpeg(cut, quality=PICTURE_QUALITY),
        origin_px=origin_px,
        size_px=(cut.shape[0], cut.shape[1]),
        frame_jpeg=shrink_frame(rgb),
        frame_size_px=(rgb.shape[0], rgb.shape[1]),
    )


def _find_start(middle_px: float, side_px: int) -> int:
    return int(max(0, min(side_px - SIDE_PX, round(middle_px - SIDE_PX / 2))))
