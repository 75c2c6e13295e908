"""Looks kept in the logbook: for each candidate a vector of what its best view looks like to the network that searched.

A candidate has one look, made by the scorer named beside it; looks of different scorers say nothing about each other. Vectors are
float16; where the scorer's name says so, one number more is kept behind each, the log-odds of a larva. What a look is, and how it
is made, stands in `models.looks`; here they are kept and handed out.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress
from threading import Lock
from time import monotonic
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import func, select
from sqlalchemy.dialects.sqlite import insert

from annotate.logbook.opening import Logbook
from annotate.logbook.tables import CandidateLookRow, CandidateRow, ViewRow

Comparable = TypeVar("Comparable", str, int)


@dataclass(frozen=True, slots=True, eq=False)
class Looks:
    """The looks that one scorer made.

    Attributes
    ----------
    scorer : who made them; empty where there are none
    ids : int64 (N,), candidates, in rising order
    vectors : float16 (N, D), theirs
    log_odds : float64 (N,), of a larva, as the scorer sees it at a second look; None where it gave none
    """

    scorer: str
    ids: NDArray[np.int64]
    vectors: NDArray[np.float16]
    log_odds: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True)
class UnseenView:
    """The best view of a candidate that has no look yet.

    Attributes
    ----------
    picture : sha256 of the evidence picture
    place_px : (row, column) of its middle in that picture
    """

    candidate_id: int
    picture: str
    place_px: tuple[float, float]
    length_px: float


def list_unseen(logbook: Logbook, scorer: str, *, clip_id: int | None = None) -> tuple[UnseenView, ...]:
    """Return the candidates, of whatever standing, that have no look by this scorer; of one clip where named."""
    wanted = (
        select(
            ViewRow.candidate_id,
            ViewRow.picture,
            (ViewRow.row0 + ViewRow.row_end - 1) / 2.0 - ViewRow.picture_row,
            (ViewRow.col0 + ViewRow.col_end - 1) / 2.0 - ViewRow.picture_col,
            ViewRow.length_px,
        )
        .join(CandidateRow, CandidateRow.id == ViewRow.candidate_id)
        .outerjoin(
            CandidateLookRow,
            (CandidateLookRow.candidate_id == ViewRow.candidate_id) & (CandidateLookRow.scorer == scorer),
        )
        .where(ViewRow.rank == 0, CandidateLookRow.candidate_id.is_(None))
        .order_by(ViewRow.candidate_id)
    )
    if clip_id is not None:
        wanted = wanted.where(CandidateRow.clip_id == clip_id)
    with logbook.reading() as session:
        return tuple(
            UnseenView(candidate_id, picture, (float(row), float(column)), length_px)
            for candidate_id, picture, row, column, length_px in session.execute(wanted)
        )


def keep_looks(logbook: Logbook, scorer: str, *, ids: Sequence[int], vectors: NDArray[np.float16]) -> None:
    """Keep looks of candidates, in place of older ones, in one transaction.

    Parameters
    ----------
    vectors : (N, D), or (N, D + 1) with the log-odds behind them where the scorer's name ends in `models.looks.WITH_ODDS`
    """
    packed = np.ascontiguousarray(vectors, "<f2")
    rows = [
        {"candidate_id": candidate_id, "scorer": scorer, "vector": vector.tobytes()}
        for candidate_id, vector in zip(ids, packed, strict=True)
    ]
    if not rows:
        return
    added = insert(CandidateLookRow)
    newer = {"scorer": added.excluded.scorer, "vector": added.excluded.vector}
    with logbook.writing() as session:
        session.execute(added.on_conflict_do_update(index_elements=["candidate_id"], set_=newer), rows)


def read_looks(logbook: Logbook, *, scorer: str | None = None) -> Looks:
    """Return all looks of one scorer; where none is named, of the one that made most.

    A vector of another length than most, left by a broken disk say, is left out.
    """
    row = CandidateLookRow
    wanted = select(row.candidate_id, row.scorer, row.vector).order_by(row.candidate_id)
    with logbook.reading() as session:
        # Plain rows: wrapping each of 100,000 takes longer than reading them.
        rows = session.connection().execute(wanted).fetchall()
    ids, makers, vectors = zip(*rows, strict=True) if rows else ((), (), ())
    if scorer is None:
        scorer = _find_most(makers, "")
    size = _find_most(
        [len(vector) for maker, vector in zip(makers, vectors, strict=True) if maker == scorer], 0
    )
    fits = [maker == scorer and len(vector) == size for maker, vector in zip(makers, vectors, strict=True)]
    joined = np.frombuffer(b"".join(compress(vectors, fits)), "<f2").reshape(sum(fits), size // BYTES_EACH)
    return _part(scorer, np.array(list(compress(ids, fits)), np.int64), joined)


def _part(scorer: str, ids: NDArray[np.int64], kept: NDArray[np.float16]) -> Looks:
    """Return what was kept as looks, the log-odds behind them for themselves where there are any."""
    from models.looks import WITH_ODDS

    if not scorer.endswith(WITH_ODDS) or not kept.shape[1]:
        return Looks(scorer, ids, kept)
    return Looks(scorer, ids, kept[:, :-1], kept[:, -1].astype(np.float64))


LooksMark = tuple[tuple[int, str], ...]


def mark_looks(logbook: Logbook) -> LooksMark:
    """Return what is another after a search, or after looks were made anew: the first and the last of them, with its maker.

    It takes no time, however many there are. A look made later for a candidate in between, whose picture is back, does not show.
    """
    row = CandidateLookRow
    wanted = select(row.candidate_id, row.scorer).limit(1)
    with logbook.reading() as session:
        ends = (
            session.execute(wanted.order_by(order)).first()
            for order in (row.candidate_id, row.candidate_id.desc())
        )
        return tuple((int(end[0]), str(end[1])) for end in ends if end is not None)


class LookKeeper:
    """Hands out the looks of one logbook, read again only where they have changed; its state is those read last.

    It may be asked by several threads at once: one reads, the others wait for it.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._kept: tuple[LooksMark, float, Looks] | None = None

    def read(self, logbook: Logbook) -> Looks:
        """Return the looks as `read_looks` does, at most `MOST_AGE_S` old."""
        with self._lock:
            mark, now_s = mark_looks(logbook), monotonic()
            if self._kept is not None and self._kept[0] == mark and now_s - self._kept[1] < MOST_AGE_S:
                return self._kept[2]
            self._kept = None
            looks = read_looks(logbook)
            if looks.vectors.nbytes <= MOST_KEPT_BYTES:
                self._kept = mark, now_s, looks
            return looks


MOST_AGE_S = 600.0
"""After so long looks are read again all the same: those made in between show then."""

MOST_KEPT_BYTES = 128_000_000
"""Looks of some 140,000 candidates; more are read each time, since a review must not fill a small computer's memory."""

BYTES_EACH = 2


def _find_most(values: Sequence[Comparable], default: Comparable) -> Comparable:
    """Return the most frequent of some values; of equals the least."""
    counts = Counter(values)
    return min(counts, key=lambda value: (-counts[value], value), default=default)


def find_usual_scorer(logbook: Logbook) -> str:
    """Return the scorer that made most looks, empty where there are none; of equals the first by name."""
    row = CandidateLookRow
    wanted = select(row.scorer).group_by(row.scorer).order_by(func.count().desc(), row.scorer).limit(1)
    with logbook.reading() as session:
        return session.scalar(wanted) or ""
