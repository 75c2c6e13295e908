"""What the pages of a tree and of a visit say of larvae that the search may have passed over there.

"Nothing was confirmed" says little by itself: beside it stands what the audit tells (`annotate.judging.auditing`). Nothing is
reckoned here.
"""

from annotate.judging.audit import say_missed
from annotate.judging.auditing import audit_visits, sum_season
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Tree, Visit

DRAW = "Draw plain frames to tell it by"


def tell_missed(logbook: Logbook, *, tree: Tree | None = None, visit: Visit | None = None) -> str:
    """Return in sentences how many moments with a larva the search passed over; empty where no footage was searched."""
    audits = audit_visits(logbook, tree_id=tree.id if tree else None, visit_id=visit.id if visit else None)
    if not audits:
        return ""
    missed = sum_season(audits)
    sentence = say_missed(missed, place=f"tree {tree.code}" if tree else None)
    if missed.sampled or not missed.pool:
        return sentence
    command = f"leafshade audit --visit {visit.date.isoformat()}" if visit else "leafshade audit"
    waiting = sum(one.open for one in audits)
    return f"{sentence} {'Plain frames of it wait in the review.' if waiting else f'{DRAW}: {command}'}"
