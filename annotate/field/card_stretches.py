"""From cards shown to the camera to stretches: the stretch of a tree runs from its card to the next card, or to the clip's end.

Times are seconds from the clip's first frame. What a person said of a part of the clip stays, and cards fill the rest. A card
that belongs to no tree ends the stretch before it all the same: what follows was not filmed under the tree before. What is found
in frames stands in `detect.cards`, what is kept in `annotate.logbook.sightings`.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

Span = tuple[float, float]
"""start, end"""

SHORTEST_STRETCH_S = 0.04
"""Left-overs shorter than one frame at 25 frames/s are dropped."""


@dataclass(frozen=True, slots=True)
class ShownCard:
    """A card held up once: its number, and when it was first and last seen."""

    marker: int
    first_s: float
    last_s: float


@dataclass(frozen=True, slots=True)
class CardStretch:
    """A part of a clip that a card says was filmed under a tree; `doubt` says in words why a person is asked, or is empty."""

    tree_id: int
    start_s: float
    end_s: float
    doubt: str


def plan_stretches(
    shown: Sequence[ShownCard], *, trees: Mapping[int, int], end_s: float, said: Iterable[Span] = ()
) -> tuple[CardStretch, ...]:
    """Return the stretches that cards cut, in order of time; they never overlap each other or what was said.

    Parameters
    ----------
    shown : in any order
    trees : the id of the tree of each marker
    end_s : length of the clip
    said : parts of which a person said the tree
    """
    said = sorted(said)
    cards = _join_same(sorted(shown, key=lambda card: (card.first_s, card.marker)))
    ends = [*(card.first_s for card in cards[1:]), end_s][: len(cards)]
    stretches = []
    for place, (card, card_end_s) in enumerate(zip(cards, ends, strict=True)):
        if card.marker not in trees:
            continue
        doubt = _say_doubt(card, cards, place=place)
        for start_s, stop_s in _leave_out((card.first_s, min(card_end_s, end_s)), said):
            stretches.append(CardStretch(trees[card.marker], start_s, stop_s, doubt))
    return tuple(stretches)


def _join_same(cards: Sequence[ShownCard]) -> list[ShownCard]:
    """Take a card that was shown again before any other for the same showing."""
    joined: list[ShownCard] = []
    for card in cards:
        if joined and joined[-1].marker == card.marker:
            joined[-1] = ShownCard(card.marker, joined[-1].first_s, max(joined[-1].last_s, card.last_s))
        else:
            joined.append(card)
    return joined


def _say_doubt(card: ShownCard, cards: Sequence[ShownCard], *, place: int) -> str:
    """Tell in words that another card was in the picture at the same time, so that nobody knows which was meant."""
    near = [*cards[max(0, place - 1) : place], *cards[place + 1 : place + 2]]
    together = [other for other in near if other.first_s <= card.last_s and card.first_s <= other.last_s]
    if not together:
        return ""
    numbers = " and ".join(str(other.marker) for other in together)
    return f"its card, marker {card.marker}, was seen at the same time as marker {numbers}"


def _leave_out(span: Span, said: Sequence[Span]) -> Iterator[Span]:
    """Yield the parts of a span that lie outside what was said, without those too short to matter."""
    edges = [span[0]]
    for start_s, end_s in said:
        if end_s > span[0] and start_s < span[1]:
            edges += [start_s, end_s]
    edges.append(span[1])
    for start_s, end_s in list(pairwise(edges))[::2]:
        if end_s - start_s >= SHORTEST_STRETCH_S:
            yield start_s, end_s
