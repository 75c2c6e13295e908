"""One decoded frame and its pixels, converted only when asked for: luma, colour planes, or upright RGB.

Luma and chroma are 8-bit code values of the limited range (black 16, white 235, chroma 16 to 240) whatever the file holds, so
that dark and bright mean the same in every clip; most cameras store just that, and then `read_luma` copies nothing. Luma and
planes lie as they are stored; RGB is full range (0 to 255) and upright. Nothing here decodes or finds anything.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from av import VideoFrame

Plane = NDArray[np.uint8]
"""uint8 (H, W)"""


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One frame of a clip, still as the decoder left it.

    Attributes
    ----------
    index : frames decoded before this one
    time_s : seconds from the clip's first frame, by time stamp
    rotation_deg : counter-clockwise turn that makes it upright: 0, 90, 180 or 270
    picture : the decoder's frame, or uint8 (H, W, 3) RGB for a photo
    """

    index: int
    time_s: float
    rotation_deg: int
    picture: "VideoFrame | NDArray[np.uint8]"


FULL_RANGE = 2
"""`color_range` of a frame whose luma runs from 0 to 255 (AVCOL_RANGE_JPEG in FFmpeg's pixfmt.h)."""

LUMA_SHARE = 219 / 255
CHROMA_SHARE = 224 / 255
BLACK_LUMA = 16
CHROMA_OFFSET = 128 - 128 * CHROMA_SHARE
"""Full range to limited range, ITU-R BT.709 section 3: luma 16 + 219 y, chroma 128 + 224 c."""


def read_luma(frame: Frame) -> Plane:
    """Return the luma, uint8 (H, W), as stored (not turned), black 16 and white 235.

    For 8-bit video of limited range this is a read-only view into the decoder's own buffer and costs nothing; the buffer
    stays as it is for as long as the view or the frame is kept.
    """
    picture = frame.picture
    if isinstance(picture, np.ndarray):
        return _narrow_luma(_as_bytes(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)))
    if not _is_planar_luma(picture):
        picture = picture.reformat(format="yuv444p", dst_color_range="MPEG")
    return _read_plane(picture, 0)


def read_planes(frame: Frame) -> tuple[Plane, Plane, Plane]:
    """Return luma (H, W), Cb and Cr, uint8, as stored (not turned); chroma at the size it is stored in.

    Which red, green and blue a chroma value means depends on the clip's colour matrix; `read_rgb` takes it into account.
    """
    picture = frame.picture
    if isinstance(picture, np.ndarray):
        luma = _narrow_luma(_as_bytes(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)))
        ycrcb = cv2.cvtColor(picture, cv2.COLOR_RGB2YCrCb)
        cb, cr = (cv2.convertScaleAbs(ycrcb[..., i], alpha=CHROMA_SHARE, beta=CHROMA_OFFSET) for i in (2, 1))
        return luma, _as_bytes(cb), _as_bytes(cr)
    if not _is_planar_luma(picture) or len(picture.planes) < 3:
        picture = picture.reformat(format="yuv444p", dst_color_range="MPEG")
    return _read_plane(picture, 0), _read_plane(picture, 1), _read_plane(picture, 2)


def read_rgb(frame: Frame) -> NDArray[np.uint8]:
    """Return the upright frame as uint8 (H, W, 3) RGB, 0 to 255."""
    picture = frame.picture
    if isinstance(picture, np.ndarray):
        return turn_upright(picture, frame.rotation_deg)
    rgb: NDArray[np.uint8] = picture.to_ndarray(format="rgb24")  # type: ignore[assignment]
    return turn_upright(rgb, frame.rotation_deg)


def turn_upright(image: NDArray[np.uint8], rotation_deg: int) -> NDArray[np.uint8]:
    """Turn an array (H, W) or (H, W, C) counter-clockwise by 0, 90, 180 or 270 degrees."""
    quarter = rotation_deg // 90 % 4
    if quarter == 0:
        return image
    turn = (cv2.ROTATE_90_COUNTERCLOCKWISE, cv2.ROTATE_180, cv2.ROTATE_90_CLOCKWISE)[quarter - 1]
    return _as_bytes(cv2.rotate(image, turn))


def _is_planar_luma(picture: "VideoFrame") -> bool:
    """Whether plane 0 holds luma and nothing else."""
    form = picture.format
    if form.is_rgb or form.has_palette or form.is_bit_stream or picture.planes[0].line_size <= 0:
        return False
    first = [component for component in form.components if component.plane == 0]
    return len(first) == 1 and form.is_planar and (first[0].bits == 8 or form.name.endswith("le"))


def _read_plane(picture: "VideoFrame", number: int) -> Plane:
    """View one plane as uint8; more than 8 bits are rounded to 8, full range is narrowed to limited."""
    plane: Any = picture.planes[number]  # offers the buffer protocol, which its type does not say
    bits = picture.format.components[number].bits
    if bits == 8:
        stored: Plane = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)[
            : plane.height, : plane.width
        ]
        stored.flags.writeable = False
        is_full = picture.color_range == FULL_RANGE
        if not is_full:
            return stored
        return _narrow_luma(stored) if number == 0 else _narrow_chroma(stored)
    wide = np.frombuffer(plane, np.uint16).reshape(-1, plane.line_size // 2)[: plane.height, : plane.width]
    return _as_bytes(cv2.convertScaleAbs(wide, alpha=1 / (1 << (bits - 8))))


def _narrow_luma(full: NDArray[np.uint8]) -> Plane:
    return _as_bytes(cv2.convertScaleAbs(full, alpha=LUMA_SHARE, beta=BLACK_LUMA))


def _narrow_chroma(full: NDArray[np.uint8]) -> Plane:
    return _as_bytes(cv2.convertScaleAbs(full, alpha=CHROMA_SHARE, beta=CHROMA_OFFSET))


def _as_bytes(values: NDArray[np.generic]) -> NDArray[np.uint8]:
    return values.astype(np.uint8, copy=False)
