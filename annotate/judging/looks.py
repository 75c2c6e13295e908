"""Looks made: each candidate's best view, as its kept picture shows it, described by the network and kept in the logbook.

They are made at the end of a search, and on demand for candidates found before there were any, or before new weights. A picture
that is gone or damaged is passed over: its candidate has no look, and whatever goes by looks does without.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from annotate.errors import AnnotateError
from annotate.logbook.looks import UnseenView, keep_looks, list_unseen
from annotate.logbook.opening import Logbook
from annotate.logbook.pictures import read_picture

if TYPE_CHECKING:
    from detect.scoring import Describer
    from models.looks import SeenPlace

AT_ONCE = 64
"""Looks kept in one transaction: as many pictures are in memory, and as much is lost when somebody stops the command."""

OnLooks = Callable[[int, int], None]
"""Called with how many candidates were looked at, and how many there are in all."""


def make_looks(
    logbook: Logbook,
    describer: "Describer",
    *,
    clip_id: int | None = None,
    on_looks: OnLooks = lambda done, total: None,
) -> int:
    """Make the looks that are missing, in all of the logbook or in one clip; return how many were made.

    Asked again it makes none; stopped in between, it goes on where it was.
    """
    unseen = list_unseen(logbook, describer.look_name, clip_id=clip_id)
    made = 0
    for first in range(0, len(unseen), AT_ONCE):
        seen = [(view, place) for view in unseen[first : first + AT_ONCE] if (place := _see(logbook, view))]
        vectors = describer.describe([place for _, place in seen])
        keep_looks(logbook, describer.look_name, ids=[view.candidate_id for view, _ in seen], vectors=vectors)
        made += len(seen)
        on_looks(min(first + AT_ONCE, len(unseen)), len(unseen))
    return made


def _see(logbook: Logbook, view: UnseenView) -> "SeenPlace | None":
    """Return the place in its picture, None where the picture is gone or damaged."""
    import cv2

    from models.looks import SeenPlace

    try:
        data = read_picture(logbook, view.picture)
    except AnnotateError:
        return None
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB)
    return (
        None
        if picture is None
        else SeenPlace(picture.astype(np.uint8, copy=False), view.place_px, view.length_px)
    )
