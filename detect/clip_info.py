"""What is known of a clip before it is read, and what is told of it while it is read. Data only.

Sizes are of the upright picture. Times are seconds from the clip's first frame.
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

ClipKind = Literal["video", "photos"]


@dataclass(frozen=True, slots=True)
class ClipInfo:
    """A clip that could be opened: what its header says, and which bytes it is made of.

    Attributes
    ----------
    path : the video file, the photo, or the folder of photos
    sha256 : of the file's bytes; for a folder of photos, of their names and hashes (see `detect.photos`)
    kind : "video" or "photos"
    width_px, height_px : of the upright picture; of the first photo
    rotation_deg : counter-clockwise turn, 0, 90, 180 or 270, that makes the stored picture upright
    claimed_duration_s : nan where the header says none. Headers are often wrong; only reading tells
    claimed_frames : 0 where the header says none
    frame_rate_hz : average by the header; 0 where unknown, and for photos
    codec : name of the video codec or of the photo format
    bit_depth : of the luma
    size_bytes : of the file, or of all the photos
    """

    path: Path
    sha256: str
    kind: ClipKind
    width_px: int
    height_px: int
    rotation_deg: int
    claimed_duration_s: float
    claimed_frames: int
    frame_rate_hz: float
    codec: str
    bit_depth: int
    size_bytes: int


@dataclass(slots=True)
class ReadReport:
    """Filled while frames are read; complete once the reading has ended.

    Attributes
    ----------
    frames : frames handed over, those before a resumed start included
    last_time_s : of the last frame handed over
    duration_s : of what could be read: until the end of the last frame. A photo counts as one second
    problems : what was repaired, passed over or missing, in sentences
    """

    frames: int = 0
    last_time_s: float = 0.0
    duration_s: float = 0.0
    problems: list[str] = field(default_factory=list)
