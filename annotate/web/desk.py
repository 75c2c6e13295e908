"""What all pages of one review share: the logbook, who judges, the loops being made, the receipts of what was sent,
the order of judging that is learned meanwhile.

A request finds its desk with `find_desk`. Nothing here knows of HTML.
"""

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from starlette.requests import Request

from annotate.judging.promise import PromiseKeeper
from annotate.logbook.looks import LookKeeper
from annotate.logbook.opening import Logbook
from annotate.logbook.second_reading import EVERYTHING, ReadingPlan
from annotate.web.loops import LoopMaker

MOST_RECEIPTS = 4096
MARK_LENGTH = 16


@dataclass(frozen=True, slots=True)
class Desk:
    """The shared things of one running review.

    Attributes
    ----------
    mark : tells this logbook from another that is served at the same address some other time
    reviewer : who judges where a page says nothing else
    plan : of a second reading, which candidates are read again
    looks : of the candidates, kept from one question of what is alike to the next
    """

    logbook: Logbook
    mark: str
    reviewer: str
    loops: LoopMaker
    receipts: "Receipts"
    promises: PromiseKeeper
    plan: ReadingPlan = EVERYTHING
    looks: LookKeeper = field(default_factory=LookKeeper)


class Receipts:
    """Answers to what was sent, by its key: a page that heard no answer sends again, and must not be counted twice."""

    def __init__(self) -> None:
        self._given: OrderedDict[str, dict[str, Any]] = OrderedDict()
        self._lock = threading.Lock()

    def take_once(self, key: str, act: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """Return what `act` returns, or what it returned when the same key came first; an empty key is always new.

        One act runs at a time; the logbook has one writer at a time anyway. An act that raises leaves no receipt.
        """
        with self._lock:
            if key and key in self._given:
                return self._given[key]
            answer = act()
            if key:
                self._given[key] = answer
                while len(self._given) > MOST_RECEIPTS:
                    self._given.popitem(last=False)
            return answer


def make_mark(logbook: Logbook) -> str:
    """Return the mark of a logbook: a hash of where it lies, which says nothing of where that is."""
    return hashlib.sha256(str(logbook.folder).encode()).hexdigest()[:MARK_LENGTH]


def find_desk(request: Request) -> Desk:
    """Return the desk of the app that a request came to."""
    desk: Desk = request.app.state.desk
    return desk
