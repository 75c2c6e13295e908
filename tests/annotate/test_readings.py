"""Which verdict is a reading, which answer counts, and when two people disagree."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from annotate.errors import AnnotateError
from annotate.judging.readings import (
    find_counting,
    find_disagreement,
    hear_people,
    is_drawn,
    list_confirming,
    name_person,
    read_renamed,
)
from annotate.logbook.records import Verdict
from annotate.words import Answer
from tests.annotate.made_records import LATER


def say(*words: str) -> tuple[Verdict, ...]:
    """Verdicts on one candidate, each "M confirm", "T blind dismiss", "T undo 2" or "T blind undo 2"."""
    verdicts: list[Verdict] = []
    for number, word in enumerate(words, start=1):
        name, *rest = word.split()
        blind = rest[0] == "blind"
        rest = rest[1:] if blind else rest
        undoes = int(rest[1]) if rest[0] == "undo" else None
        answer: Answer = "open" if undoes else rest[0]  # type: ignore[assignment]
        verdicts.append(
            Verdict(number, 1, answer, name.replace("_", " "), LATER, takes_back_id=undoes, blind=blind)
        )
    return tuple(verdicts)


def read(*words: str) -> dict[str, str | None]:
    """The reading of each person."""
    return {
        word.reviewer: None if word.reading is None else word.reading.answer
        for word in hear_people(say(*words))
    }


@pytest.mark.parametrize(
    ("words", "readings"),
    [
        ((), {}),
        (("M confirm",), {"M": "confirm"}),
        (("M confirm", "T dismiss"), {"M": "confirm", "T": None}),
        (("M confirm", "T blind dismiss"), {"M": "confirm", "T": "dismiss"}),
        # Changed minds, seen or blind, do not count.
        (
            ("M confirm", "T blind dismiss", "T confirm", "M dismiss"),
            {"M": "confirm", "T": "dismiss"},
        ),
        (("M confirm", "T blind dismiss", "T blind confirm"), {"M": "confirm", "T": "dismiss"}),
        # Seen first, then claimed blind: not a reading.
        (("M confirm", "T dismiss", "T blind confirm"), {"M": "confirm", "T": None}),
        # A slip, taken back while still blind, never was.
        (("M confirm", "T blind dismiss", "T blind undo 2"), {"M": "confirm", "T": None}),
        (
            ("M confirm", "T blind dismiss", "T blind undo 2", "T blind confirm"),
            {"M": "confirm", "T": "confirm"},
        ),
        # Taken back after the other's answer was seen: the reading stays.
        (
            ("M confirm", "T blind dismiss", "T undo 2", "T blind confirm"),
            {"M": "confirm", "T": "dismiss"},
        ),
        # The first reader's slip, before anybody else came, is blind by nature.
        (("M dismiss", "M undo 1", "M confirm", "T blind confirm"), {"M": "confirm", "T": "confirm"}),
        # After somebody has taken back their answer, there was something to see.
        (("M dismiss", "M undo 1", "T confirm"), {"M": None, "T": None}),
        (("M open", "M unsure"), {"M": "unsure"}),
        # Capitals and blanks make no second person.
        (("Maren_K confirm", "maren__k blind dismiss"), {"maren  k": "confirm"}),
    ],
)
def test_a_reading_is_the_first_blind_verdict(
    words: tuple[str, ...], readings: dict[str, str | None]
) -> None:
    """Slips aside, a person's first verdict is the reading if it was blind, and nothing said later changes it."""
    assert read(*words) == readings


@pytest.mark.parametrize(
    ("words", "counts"),
    [
        ((), "open"),
        (("M confirm",), "confirm"),
        # Seen, the newest counts, as it always did.
        (("M confirm", "T dismiss"), "dismiss"),
        (("M confirm", "T open"), "open"),
        # Blind, it decides against nobody, whichever way round.
        (("M confirm", "T blind dismiss"), "unsure"),
        (("M dismiss", "T blind confirm"), "unsure"),
        (("M dismiss", "T blind unsure"), "unsure"),
        (("M confirm", "T blind confirm"), "confirm"),
        # Settled by either, or by leaving it unsure; broken again by either.
        (("M confirm", "T blind dismiss", "M dismiss"), "dismiss"),
        (("M confirm", "T blind dismiss", "T confirm"), "confirm"),
        (("M confirm", "T blind dismiss", "T unsure", "M unsure"), "unsure"),
        (("M confirm", "T blind dismiss", "T confirm", "M dismiss"), "unsure"),
        # Taking the settling word back opens it again; so does taking back what was seen to differ.
        (("M confirm", "T blind dismiss", "T confirm", "T undo 3"), "unsure"),
        (("M confirm", "T blind dismiss", "T undo 2"), "unsure"),
        (("M confirm", "T blind dismiss", "M open"), "unsure"),
        # A slip does not.
        (("M confirm", "T blind dismiss", "T blind undo 2"), "confirm"),
        # A third who has seen both settles nothing alone, and is not passed over either.
        (("M confirm", "T blind dismiss", "I confirm"), "unsure"),
        (("M confirm", "T blind confirm", "I dismiss"), "unsure"),
        (("M confirm", "T blind confirm", "I dismiss", "I open"), "confirm"),
        # A third blind reader.
        (("M confirm", "T blind confirm", "I blind dismiss"), "unsure"),
        # All take their word back, having said the same: nobody says anything.
        (("M confirm", "T blind confirm", "M open", "T open"), "open"),
        # One person is no second reader, whatever the capitals.
        (("Maren confirm", "MAREN blind dismiss"), "dismiss"),
    ],
)
def test_the_answer_that_counts(words: tuple[str, ...], counts: str) -> None:
    """The newest, until a second person has read blind; from then on what all say, and unsure while they differ."""
    assert find_counting(say(*words))[0] == counts


def test_a_disagreement_says_who_said_what_and_who_has_not_looked_again() -> None:
    """It comes back to both; each who looks again without agreeing is no longer waited for; agreement ends it."""
    said = ("M confirm", "T blind dismiss")
    found = find_disagreement(7, say(*said))
    assert found is not None and found.candidate_id == 7 and found.waits_for == ("M", "T")
    assert [(word.reviewer, word.says and word.says.answer) for word in found.words] == [
        ("M", "confirm"),
        ("T", "dismiss"),
    ]
    again = find_disagreement(7, say(*said, "M confirm"))
    assert again is not None and again.waits_for == ("T",)
    both = find_disagreement(7, say(*said, "M confirm", "T dismiss"))
    assert both is not None and both.waits_for == ()
    silent = find_disagreement(7, say(*said, "T undo 2"))
    assert silent is not None and silent.words[1].says is None and silent.words[1].reading is not None
    for settled in ("M dismiss", "T confirm", "T blind undo 2"):
        assert find_disagreement(7, say(*said, settled)) is None
    assert find_disagreement(7, say("M confirm", "T dismiss")) is None


ACTS = st.lists(
    st.tuples(
        st.sampled_from(["M", "T", "I"]),
        st.sampled_from(["", "blind "]),
        st.sampled_from(["confirm", "dismiss", "unsure", "open"]),
    ),
    max_size=9,
)


@given(acts=ACTS)
def test_what_counts_is_never_one_persons_word_against_anothers_reading(
    acts: list[tuple[str, str, str]],
) -> None:
    """Whatever is said: in a disagreement "unsure" counts; else, read twice, nobody says anything else than what counts."""
    verdicts = say(*(f"{who} {blind}{answer}" for who, blind, answer in acts))
    words = hear_people(verdicts)
    counts, _ = find_counting(verdicts)
    said = {word.says.answer for word in words if word.says is not None}
    if find_disagreement(1, verdicts) is not None:
        assert counts == "unsure"
    elif sum(word.reading is not None for word in words) > 1:
        assert said <= {counts} and (said or counts == "open")
    else:
        assert counts == (verdicts[-1].answer if verdicts else "open")
    assert {verdict.reviewer for verdict in list_confirming(verdicts)} == {
        word.reviewer for word in words if word.says is not None and word.says.answer == "confirm"
    }
    assert sum(word.reading is not None and not word.reading.blind for word in words) <= 1


def test_a_person_is_known_whatever_the_capitals_and_blanks() -> None:
    """Also after a change of name, or two; names that lead in a circle end somewhere."""
    assert name_person(" Maren  HOLT ") == name_person("maren holt")
    assert name_person("Stra\N{LATIN SMALL LETTER SHARP S}e") == name_person("STRASSE")
    assert name_person("Maren Holt") != name_person("Maren")
    renamed = read_renamed("Maren Holt = Maren Ash;  maren ash = M. Berg ; ")
    assert name_person("MAREN HOLT", renamed) == name_person("m. berg", renamed) == "m. berg"
    circle = read_renamed("A = B; B = A")
    assert name_person("A", circle) in ("a", "b")
    said = say("Maren_Holt confirm", "Maren_Ash blind dismiss")
    assert len(hear_people(said)) == 2 and len(hear_people(said, renamed)) == 1


@pytest.mark.parametrize("typed", ["Maren", "A = B = C", "= B", "A = B; a = C"])
def test_a_slip_in_the_names_is_said(typed: str) -> None:
    """What is not two names, or names one twice, is refused with what was expected."""
    with pytest.raises(AnnotateError, match=r"recorder.renamed: expected 'Old Name = New Name'"):
        read_renamed(typed)
    assert read_renamed(" ; ") == {}


@pytest.mark.parametrize("one_in", [1, 2, 3, 10, 50])
def test_a_share_is_a_share(one_in: int) -> None:
    """One in n of the ids is drawn, evenly along them, always the same, and those of a small share stand in a larger."""
    drawn = [n for n in range(1, 20_001) if is_drawn(n, one_in=one_in)]
    assert abs(len(drawn) - 20_000 / one_in) < 3
    for start in range(1, 20_000, 2_000):
        here = sum(start <= n < start + 2_000 for n in drawn)
        assert abs(here - 2_000 / one_in) <= 3 * math.log2(2_000) / 2
    assert set(drawn) >= {n for n in range(1, 20_001) if is_drawn(n, one_in=3 * one_in)}
