"""What a search hands on: candidates, each one thing in the wood, with the views that show it best.

Times are seconds from the first frame of the clip. Pixels are as in `detect.regions`. This file holds data only.
"""

from dataclasses import dataclass

from detect.evidence import Jpeg
from detect.regions import Box, Kind, Outline


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One frame of a candidate.

    Attributes
    ----------
    time_s : seconds from the clip's first frame, by time stamp
    frame_index : how many frames were decoded before this one
    box, outline : where it is, upright full-resolution px
    length_px, width_px : long and short extent, as in `detect.regions`
    score : 0 to 1, of this view alone
    sharpness : rank of this frame among the clip's frames, 0 (worst) to 1
    picture_jpeg : the surroundings cut from the frame at full resolution, JPEG, never recoloured
    picture_origin_px : (row, column) of the picture's top left pixel in the frame
    """

    time_s: float
    frame_index: int
    box: Box
    outline: Outline
    length_px: float
    width_px: float
    score: float
    sharpness: float
    picture_jpeg: Jpeg
    picture_origin_px: tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One thing the search found, followed over frames.

    Attributes
    ----------
    kind : "silhouette" or "feeding"
    score : 0 to 1, from all views together
    first_s, last_s : when it was first and last seen
    views : the best views, best first, never empty
    views_seen : number of frames it was seen in, kept or not
    length_px : median length over the kept views
    missing_percent : for feeding, share of the leaf gone; 0 for a silhouette
    frame_jpeg : the whole frame of the best view, reduced
    frame_size_px : (rows, columns) of the full-resolution frame
    """

    kind: Kind
    score: float
    first_s: float
    last_s: float
    views: tuple[View, ...]
    views_seen: int
    length_px: float
    missing_percent: float
    frame_jpeg: Jpeg
    frame_size_px: tuple[int, int]
