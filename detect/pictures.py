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


UNNAMED_RANGE = 0
FULL_RANGE = 2
"""`color_range` of a frame that does not say, and of one whose luma runs from 0 to 255 (FFmpeg's pixfmt.h)."""

UNNAMED_MATRIX = 2
"""`colorspace` of a frame that does not say what its chroma means (AVCOL_SPC_UNSPECIFIED)."""

HD_ROWS = 720
"""From this height a frame without a named colour matrix is taken to be BT.709, below BT.601 (common practice, no source)."""

BLACK_LUMA, LUMA_SPAN = 16, 219
GREY_CHROMA, CHROMA_SPAN = 128, 224
"""8-bit limited range, ITU-R BT.709: luma 16 + 219 y, chroma 128 + 224 c."""

FULL_SPAN = 255


def read_luma(frame: Frame) -> Plane:
    """Return the luma, uint8 (H, W), as stored (not turned), black 16 and white 235.

    For 8-bit video of limited range this is a read-only view into the decoder's own buffer and costs nothing; the buffer
    stays as it is for as long as the view or the frame is kept.
    """
    picture = frame.picture
    if isinstance(picture, np.ndarray):
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        return _as_bytes(cv2.convertScaleAbs(grey, alpha=LUMA_SPAN / FULL_SPAN, beta=BLACK_LUMA))
    if not _is_planar_luma(picture):
        picture = picture.reformat(format="yuv444p", dst_color_range="MPEG")
    return _read_plane(picture, 0)


def read_planes(frame: Frame) -> tuple[Plane, Plane, Plane]:
    """Return luma (H, W), Cb and Cr, uint8, as stored (not turned); chroma at the size it is stored in.

    Which red, green and blue a chroma value means depends on the clip's colour matrix; `read_rgb` takes it into account.
    """
    picture = frame.picture
    if isinstance(picture, np.ndarray):
        cr, cb = cv2.split(cv2.cvtColor(picture, cv2.COLOR_RGB2YCrCb))[1:]
        share = CHROMA_SPAN / FULL_SPAN
        offset = GREY_CHROMA * (1 - share)
        cb, cr = (cv2.convertScaleAbs(plane, alpha=share, beta=offset) for plane in (cb, cr))
        return read_luma(frame), _as_bytes(cb), _as_bytes(cr)
    if _is_planar_luma(picture) and len(picture.format.components) < 3:
        grey = np.full((picture.height, picture.width), GREY_CHROMA, np.uint8)
        return _read_plane(picture, 0), grey, grey
    if not _is_planar_luma(picture) or len(picture.planes) < 3:
        picture = picture.reformat(format="yuv444p", dst_color_range="MPEG")
    return _read_plane(picture, 0), _read_plane(picture, 1), _read_plane(picture, 2)


def read_rgb(frame: Frame) -> NDArray[np.uint8]:
    """Return the upright frame as uint8 (H, W, 3) RGB, 0 to 255."""
    picture = frame.picture
    if isinstance(picture, np.ndarray):
        return turn_upright(picture, frame.rotation_deg)
    is_hd = picture.colorspace == UNNAMED_MATRIX and picture.height >= HD_ROWS
    shown = picture.reformat(format="rgb24", src_colorspace="ITU709" if is_hd else None)
    plane: Any = shown.planes[0]
    rows: NDArray[np.uint8] = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
    rgb = rows[: shown.height, : 3 * shown.width].reshape(shown.height, shown.width, 3)
    return turn_upright(rgb, frame.rotation_deg)


def turn_upright(image: NDArray[np.uint8], rotation_deg: int) -> NDArray[np.uint8]:
    """Turn an array (H, W) or (H, W, C) counter-clockwise by 0, 90, 180 or 270 degrees."""
    quarter = rotation_deg // 90 % 4
    if quarter == 0:
        return image
    turn = (cv2.ROTATE_90_COUNTERCLOCKWISE, cv2.ROTATE_180, cv2.ROTATE_90_CLOCKWISE)[quarter - 1]
    return _as_bytes(cv2.rotate(image, turn))


def _is_planar_luma(picture: "VideoFrame") -> bool:
    """Whether plane 0 holds luma and nothing else, in a layout that `_read_plane` knows."""
    form = picture.format
    if form.is_rgb or form.has_palette or form.is_bit_stream or picture.planes[0].line_size <= 0:
        return False
    in_first = [component for component in form.components if component.plane == 0]
    # Formats p010 and the like keep their 10 bits at the top of 16.
    is_known = in_first[0].bits == 8 or (form.name.endswith("le") and not form.name.startswith("p"))
    return len(in_first) == 1 and is_known


def _read_plane(picture: "VideoFrame", number: int) -> Plane:
    """View one plane as uint8; more than 8 bits are rounded to 8, full range is narrowed to limited."""
    plane: Any = picture.planes[number]  # offers the buffer protocol, which its type does not say
    bits = picture.format.components[number].bits
    is_full = _has_full_range(picture)
    sample: np.dtype[Any] = np.dtype(np.uint8 if bits == 8 else "<u2")
    stored = np.frombuffer(plane, sample).reshape(-1, plane.line_size // sample.itemsize)[
        : plane.height, : plane.width
    ]
    # The decoder may still predict later frames from this very buffer.
    stored.flags.writeable = False
    if is_full:
        span, zero = (LUMA_SPAN, BLACK_LUMA) if number == 0 else (CHROMA_SPAN, GREY_CHROMA)
        share = span / ((1 << bits) - 1)
        middle = 0 if number == 0 else 1 << (bits - 1)
        return _as_bytes(cv2.convertScaleAbs(stored, alpha=share, beta=zero - middle * share))
    if bits == 8:
        return stored
    return _as_bytes(cv2.convertScaleAbs(stored, alpha=1 / (1 << (bits - 8))))


def _has_full_range(picture: "VideoFrame") -> bool:
    """Whether luma runs from 0 to 255; grey and the formats "yuvj" do unless they say otherwise, as in FFmpeg's swscale."""
    if picture.color_range == UNNAMED_RANGE:
        return picture.format.name.startswith(("yuvj", "gray"))
    return bool(picture.color_range == FULL_RANGE)


def _as_bytes(values: NDArray[np.generic]) -> NDArray[np.uint8]:
    return values.astype(np.uint8, copy=False)
