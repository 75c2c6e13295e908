"""The words of records as people type them."""

import pytest

from annotate.errors import AnnotateError
from annotate.words import STAGES, read_word


@pytest.mark.parametrize(
    ("typed", "word"), [("L4", "L4"), (" l4 ", "L4"), ("PRE-PUPA", "pre-pupa"), ("", None), (None, None)]
)
def test_words_are_read_whatever_their_case(typed: str | None, word: str | None) -> None:
    """Case and outer blanks do not matter; nothing typed is nothing said."""
    assert read_word(typed, STAGES, what="stage") == word


def test_an_unknown_word_names_the_nearest() -> None:
    """The message says what was expected, what was found, and the word most likely meant."""
    with pytest.raises(
        AnnotateError, match=r"stage: expected one of egg, L1.*found 'pupae'; did you mean 'pupa'\?"
    ):
        read_word("pupae", STAGES, what="stage")


def test_a_foreign_word_gets_advice() -> None:
    """Where nothing is near, the message says what to do."""
    with pytest.raises(AnnotateError, match="use one of these, or leave it empty"):
        read_word("zzzz", STAGES, what="stage")
