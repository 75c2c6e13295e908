"""Values of a JSON file that are checked as they are taken out, each with where it stands, so that an error can say so."""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from models.errors import ModelsError


@dataclass(frozen=True, slots=True, eq=False)
class Place(ABC):
    """A value in a JSON file, and where it stands: "frames[3].box", empty for the whole."""

    path: Path
    where: str
    value: Any

    @abstractmethod
    def fail(self, expected: str) -> ModelsError:
        """Return the error that this value is not what was expected, and say what to do about a file of this kind."""

    def key(self, name: str) -> Self:
        """Return the value under a key."""
        where = f"{self.where}.{name}" if self.where else name
        if not isinstance(self.value, Mapping):
            raise self.fail("an object")
        if name not in self.value:
            raise type(self)(self.path, where, None).fail("a value")
        return type(self)(self.path, where, self.value[name])

    def items(self) -> list[Self]:
        """Return the elements of a list."""
        if not isinstance(self.value, list):
            raise self.fail("a list")
        return [type(self)(self.path, f"{self.where}[{n}]", item) for n, item in enumerate(self.value)]

    def text(self) -> str:
        """Return a text."""
        if not isinstance(self.value, str):
            raise self.fail("a text")
        return self.value

    def whole(self, low: int, high: int) -> int:
        """Return a whole number between two bounds."""
        if isinstance(self.value, bool) or not isinstance(self.value, int) or not low <= self.value <= high:
            raise self.fail(f"a whole number from {low} to {high}")
        return self.value

    def number(self, low: float, high: float) -> float:
        """Return a number between two bounds."""
        if (
            isinstance(self.value, bool)
            or not isinstance(self.value, int | float)
            or not low <= self.value <= high
        ):
            raise self.fail(f"a number from {low:g} to {high:g}")
        return float(self.value)
