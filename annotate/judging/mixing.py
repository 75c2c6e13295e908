"""At which places of the queue a plain frame of an audit comes, among the candidates.

One place is chosen in each run of places that is as long as one plain frame's share asks for, by a hash and not by a state: asked
again, on another page or after a restart, the same places come out. So they are spread evenly and cannot be foretold by counting.
Places count what one reviewer has answered, from 0. Which frame comes is `annotate.logbook.audits.next_window`'s business.
"""

import hashlib
import math

from annotate.errors import AnnotateError

PLAIN_SHARE = 0.1
"""One plain frame after nine candidates: a season's samples are looked through by the way, and nobody waits for a larva (own
choice)."""


def mix_ahead(first: int, count: int, *, share: float = PLAIN_SHARE, seed: int = 0) -> tuple[int, ...]:
    """Return the places from `first` on, `count` of them, at which a plain frame comes.

    Parameters
    ----------
    first : how many answers the reviewer has given (`annotate.logbook.audits.count_given`): the place of the next one
    count : how many places the page looks ahead
    share : of the places; 0 mixes none in, 1 shows plain frames only
    seed : tells reviewers or logbooks apart

    Raises
    ------
    annotate.errors.AnnotateError
        Where a place or count is negative, or the share is not from 0 to 1.
    """
    if first < 0 or count < 0 or not 0 <= share <= 1:
        raise AnnotateError(
            f"mixing: expected places from 0 on and a share from 0 to 1; found {count} places from {first} and {share!r}; "
            "correct them"
        )
    if share == 0 or count == 0:
        return ()
    run = math.floor(first * share)
    places = []
    while (place := _choose_place(run, share=share, seed=seed)) < first + count:
        if place >= first:
            places.append(place)
        run += 1
    return tuple(places)


def _choose_place(run: int, *, share: float, seed: int) -> int:
    """Return the place chosen in a run of places, which is as long as the share asks for to the nearest whole."""
    start, end = math.ceil(run / share), math.ceil((run + 1) / share)
    digest = hashlib.blake2b(f"{seed} {run}".encode(), digest_size=8).digest()
    return start + int.from_bytes(digest) % (end - start)
