"""From the verdicts on a candidate to what each person says of it, which answer counts, and which verdict was given blind.

A person is known by the name whatever its capitals and blanks. A verdict is blind where it is marked so, or where nobody else
had judged the candidate before: nothing could be seen then. It reads no logbook and measures nothing; how well people agree is
`annotate.judging.agreement`.
"""

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from annotate.errors import AnnotateError
from annotate.logbook.records import Verdict
from annotate.words import Answer

DRAW_STEP, DRAW_TURN = 2447445413, 2**32
"""Candidates to read again are drawn by id times step within a turn: the step is the turn times 0.56984, made odd, and with that
of the order (0.75488, `annotate.logbook.second_reading`) it spreads ids evenly in both at once (steps from the root of x^3 = x +
1; common practice, no source)."""

NOBODY_RENAMED: Mapping[str, str] = {}


@dataclass(frozen=True, slots=True)
class Word:
    """What one person says of a candidate.

    Attributes
    ----------
    reviewer : the name as it was written last
    reading : the person's first verdict, where that was blind; None where it was not. Kappa and hit rates count only this
    says : the newest verdict that stands; None where the person took it back or put the candidate back among the open
    """

    reviewer: str
    reading: Verdict | None
    says: Verdict | None


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A candidate of which two people or more, after blind readings, say different things; it comes back to all of them.

    Attributes
    ----------
    words : what each says, in the order in which they first judged
    waits_for : those who have not looked again since, as names; empty where all have and still differ
    """

    candidate_id: int
    words: tuple[Word, ...]
    waits_for: tuple[str, ...]


def name_person(reviewer: str, renamed: Mapping[str, str] = NOBODY_RENAMED) -> str:
    """Return what a person is known by: the name without differences in capitals and blanks, the new one where it changed.

    Parameters
    ----------
    renamed : old name -> new name, both as this function returns them
    """
    plain = " ".join(unicodedata.normalize("NFKC", reviewer).split()).casefold()
    seen = {plain}
    while renamed.get(plain, plain) not in seen:
        plain = renamed[plain]
        seen.add(plain)
    return plain


def find_spellings(names: Iterable[str], reviewer: str, renamed: Mapping[str, str]) -> tuple[str, ...]:
    """Return those names that are a person's: other capitals and blanks, an older name."""
    person = name_person(reviewer, renamed)
    return tuple(name for name in names if name_person(name, renamed) == person)


def read_renamed(typed: str) -> dict[str, str]:
    """Read "Old Name = New Name; Other = Another" from the settings.

    Raises
    ------
    annotate.errors.AnnotateError
        Where a part is not two names, or an old name stands twice.
    """
    renamed: dict[str, str] = {}
    for part in filter(str.strip, typed.split(";")):
        names = [name_person(name) for name in part.split("=")]
        if len(names) != 2 or not all(names) or names[0] in renamed:
            raise AnnotateError(
                f"settings, recorder.renamed: expected 'Old Name = New Name', parted by semicolons, each old name once; "
                f"found {part.strip()!r}; correct it"
            )
        renamed[names[0]] = names[1]
    return renamed


def hear_people(verdicts: Sequence[Verdict], renamed: Mapping[str, str] = NOBODY_RENAMED) -> tuple[Word, ...]:
    """Return what each person says of a candidate, in the order in which they first judged it.

    The reading of a person is their first verdict, slips aside, and only if it was blind. A slip is a verdict that was taken back
    blind, before the person saw what others said; one taken back later stays the reading, or kappa would rise with every
    disagreement that somebody looks at again. What a person says after the reading never changes it.

    Parameters
    ----------
    verdicts : all on one candidate, those that were taken back and those that take back among them, oldest first
    """
    people = [name_person(verdict.reviewer, renamed) for verdict in verdicts]
    blind = {
        verdict.id: verdict.blind or all(other == people[place] for other in people[:place])
        for place, verdict in enumerate(verdicts)
    }
    undone = {verdict.takes_back_id: verdict.id for verdict in verdicts if verdict.takes_back_id is not None}
    words = []
    for person in dict.fromkeys(people):
        own = [verdict for verdict, who in zip(verdicts, people, strict=True) if who == person]
        given = [verdict for verdict in own if verdict.takes_back_id is None]
        judged = [
            verdict
            for verdict in given
            if verdict.answer != "open" and not blind.get(undone.get(verdict.id, 0), False)
        ]
        standing = [verdict for verdict in given if verdict.id not in undone]
        words.append(
            Word(
                reviewer=own[-1].reviewer,
                reading=judged[0] if judged and blind[judged[0].id] else None,
                says=standing[-1] if standing and standing[-1].answer != "open" else None,
            )
        )
    return tuple(words)


def is_read_twice(words: Sequence[Word]) -> bool:
    """Whether two people or more judged the candidate blind."""
    return sum(word.reading is not None for word in words) > 1


def is_disputed(words: Sequence[Word]) -> bool:
    """Whether a candidate that was read twice has no answer that all share.

    So it is while those who judged it say different things, and, where the blind readings differed, while one of the readers says
    nothing: taking one's answer back settles nothing. All saying "unsure" is an answer.
    """
    if not is_read_twice(words):
        return False
    said = {word.says.answer for word in words if word.says is not None}
    read = {word.reading.answer for word in words if word.reading is not None}
    has_silent_reader = any(word.reading is not None and word.says is None for word in words)
    return len(said) > 1 or (len(read) > 1 and has_silent_reader)


def find_disagreement(
    candidate_id: int, verdicts: Sequence[Verdict], renamed: Mapping[str, str] = NOBODY_RENAMED
) -> Disagreement | None:
    """Return who says what of a candidate where `is_disputed`, else None."""
    words = hear_people(verdicts, renamed)
    if not is_disputed(words):
        return None
    # From the second reading on there is something to see; what is said openly after it was said with the others' answers shown.
    arose = sorted(word.reading.id for word in words if word.reading is not None)[1]
    again = {
        name_person(verdict.reviewer, renamed)
        for verdict in verdicts
        if verdict.id > arose and not verdict.blind
    }
    return Disagreement(
        candidate_id=candidate_id,
        words=words,
        waits_for=tuple(word.reviewer for word in words if name_person(word.reviewer, renamed) not in again),
    )


def find_counting(
    verdicts: Sequence[Verdict], renamed: Mapping[str, str] = NOBODY_RENAMED
) -> tuple[Answer, str]:
    """Return the answer that counts for a candidate, and the reason given with it.

    The newest verdict that stands counts, whoever gave it. From the second blind reading on, what everyone who judged the
    candidate says counts, and while they differ it counts as unsure: a blind verdict decides against nobody.
    """
    words = hear_people(verdicts, renamed)
    if is_disputed(words):
        return "unsure", ""
    undone = {verdict.takes_back_id for verdict in verdicts}
    standing = [verdict for verdict in verdicts if verdict.takes_back_id is None and verdict.id not in undone]
    if is_read_twice(words):
        # One person's "open" is silence here: it does not undo what the others say.
        standing = sorted((word.says for word in words if word.says is not None), key=lambda said: said.id)
    return (standing[-1].answer, standing[-1].reason) if standing else ("open", "")


def list_confirming(
    verdicts: Sequence[Verdict], renamed: Mapping[str, str] = NOBODY_RENAMED
) -> tuple[Verdict, ...]:
    """Return the verdicts of those who say "confirm" now, one of each person, oldest first."""
    said = [word.says for word in hear_people(verdicts, renamed) if word.says is not None]
    confirmed = [verdict for verdict in said if verdict.answer == "confirm"]
    return tuple(sorted(confirmed, key=lambda verdict: verdict.id))


def is_drawn(candidate_id: int, *, one_in: int) -> bool:
    """Whether a candidate is in the share of one in `one_in`: always the same ones, and a larger share holds the smaller."""
    return candidate_id * DRAW_STEP % DRAW_TURN < DRAW_TURN // one_in
