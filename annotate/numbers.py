"""Numbers as people type them, read within a range, and counts as people are told them.

A decimal comma is one where commas do not part cells.
"""

import math
from dataclasses import dataclass

from annotate.errors import AnnotateError

MOST_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Range:
    """What a number may be.

    Attributes
    ----------
    least, most : both allowed
    unit : in words, "metres"
    example : what is offered as an example
    """

    least: float
    most: float
    unit: str
    example: str


def read_number(typed: str, allowed: Range, *, what: str, comma_is_decimal: bool = True) -> float | None:
    """Return the number typed, None for nothing.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is no number or out of its range.
    """
    plain = typed.strip().replace("\N{MINUS SIGN}", "-")
    if not plain:
        return None
    expected = f"{what}: expected a number of {allowed.unit} from {allowed.least:g} to {allowed.most:g}"
    shown = repr(typed.strip()[:MOST_SHOWN])
    if "," in plain and not comma_is_decimal:
        raise AnnotateError(f"{expected}; found {shown}; write a point, not a comma, before the decimals")
    if plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    try:
        number = float(plain) if plain.isascii() and "_" not in plain else math.nan
    except ValueError:
        number = math.nan
    if math.isnan(number):
        raise AnnotateError(f"{expected}; found {shown}; write digits only, such as {allowed.example}")
    if not allowed.least <= number <= allowed.most:
        raise AnnotateError(f"{expected}; found {shown}; correct it")
    return number


def read_whole(typed: str, allowed: Range, *, what: str, comma_is_decimal: bool = True) -> int | None:
    """Return the whole number typed, None for nothing; "2.0" is one, as spreadsheets write it.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is no whole number or out of its range.
    """
    number = read_number(typed, allowed, what=what, comma_is_decimal=comma_is_decimal)
    if number is None:
        return None
    if number != int(number):
        raise AnnotateError(
            f"{what}: expected a whole number of {allowed.unit}; found {typed.strip()[:MOST_SHOWN]!r}; "
            f"write digits only, such as {allowed.example}"
        )
    return int(number)


def say_count(number: int, noun: str, plural: str | None = None, *, none: str = "no") -> str:
    """Return a number with its noun: "1 view", "3 views", "no views"; `none` stands for nought."""
    words = noun if number == 1 else plural or f"{noun}s"
    return f"{number:,} {words}" if number else f"{none} {words}"
