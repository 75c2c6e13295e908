"""What a page was asked to show: order, tree, kind, answer, least score, read from its address and written back into one.

A word that is not known is an error with the nearest known one, never silently something else.
"""

from dataclasses import dataclass
from typing import Literal, get_args
from urllib.parse import urlencode

from starlette.datastructures import QueryParams

from annotate.errors import AnnotateError
from annotate.judging.review_order import Order
from annotate.logbook.opening import Logbook
from annotate.logbook.places import find_tree, list_trees
from annotate.logbook.records import CandidateKind, Tree
from annotate.logbook.review import KINDS, NO_TREE
from annotate.words import ANSWERS, Answer, read_word

TREELESS = "(none)"
"""Asks for candidates of which nobody said the tree; the brackets keep it apart from a tree's code."""


PageOrder = Literal["best", "tree", "doubtful"]
PAGE_ORDERS: tuple[PageOrder, ...] = get_args(PageOrder)
"""Those of the review, and that of labels which the network doubts (`annotate.logbook.doubts`)."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What is to be shown.

    Attributes
    ----------
    tree : as in the address: a code, "SITE/CODE", "(none)", or empty for all
    tree_id : of that tree; 0 for "no tree known"; None for all
    kind, answer : None for all
    least_score : 0 to 1
    """

    order: PageOrder
    tree: str
    tree_id: int | None
    kind: CandidateKind | None
    answer: Answer | None
    least_score: float

    @property
    def walk(self) -> Order:
        """The order of the unjudged; suspected mistakes are judged ones, and have an order of their own."""
        return "best" if self.order == "doubtful" else self.order

    def to_query(self) -> dict[str, str]:
        """Return the words of the address that differ from the usual."""
        words = {
            "order": self.order if self.order != "best" else "",
            "tree": self.tree,
            "kind": self.kind or "",
            "answer": self.answer or "",
            "score": f"{self.least_score:g}" if self.least_score > 0 else "",
        }
        return {name: word for name, word in words.items() if word}

    def address(self, path: str, **more: object) -> str:
        """Return an address that asks for the same, with more words."""
        query = {**self.to_query(), **{name: str(word) for name, word in more.items()}}
        return f"{path}?{urlencode(query)}" if query else path


def read_choice(logbook: Logbook, query: QueryParams) -> Choice:
    """Read what is asked for from an address.

    Raises
    ------
    annotate.errors.AnnotateError
        Where a word is not known.
    """
    tree = query.get("tree", "").strip()
    return Choice(
        order=read_word(query.get("order"), PAGE_ORDERS, what="order") or "best",  # type: ignore[arg-type]
        tree=tree,
        tree_id=None if not tree else NO_TREE if tree == TREELESS else find_tree(logbook, tree).id,
        kind=read_word(query.get("kind"), KINDS, what="kind"),  # type: ignore[arg-type]
        answer=read_word(query.get("answer"), ANSWERS, what="answer"),  # type: ignore[arg-type]
        least_score=_read_score(query.get("score", "")),
    )


def list_tree_words(logbook: Logbook) -> list[str]:
    """Return how each tree is written in an address: its code, with the site where there are several sites."""
    trees = list_trees(logbook)
    return [write_tree(tree, trees) for tree in trees]


def write_tree(tree: Tree, among: tuple[Tree, ...]) -> str:
    """Return the code of a tree, with its site where there are several."""
    several = len({other.site for other in among}) > 1
    return f"{tree.site}/{tree.code}" if several else tree.code


def read_number(typed: str, *, what: str) -> int:
    """Read a whole number of an address.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is none.
    """
    if typed.isascii() and typed.isdigit() and len(typed) <= len(str(2**63)) - 1:
        return int(typed)
    raise AnnotateError(
        f"{what}: expected a whole number; found {typed[:40]!r}; use an address that the pages give"
    )


def _read_score(typed: str) -> float:
    if not typed.strip():
        return 0.0
    try:
        score = float(typed)
    except ValueError:
        score = -1.0
    if not 0 <= score <= 1:
        raise AnnotateError(
            f"score: expected a number from 0 to 1; found {typed[:40]!r}; correct it, or leave it empty"
        )
    return score
