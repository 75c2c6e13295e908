"""The weather of a visit: temperature in degrees Celsius, wind on the Beaufort scale, cloud in oktas, each with its words.

Beaufort numbers and names are those of the World Meteorological Organization (code table 1100); the speeds beside them, in m/s
at 10 m above open ground, and what is seen on land were compared with published copies of that table. Oktas 0 to 8 are as the
WMO's World Weather Information Service defines them; 9, sky obscured, is from the code for surface reports (code table 2700,
from memory). Under trees the wind is felt weaker than it is: what the crowns do is what to go by.
"""

from dataclasses import dataclass

from annotate.errors import AnnotateError
from annotate.numbers import Range, read_number, read_whole

TEMPERATURE = Range(-40.0, 50.0, "degrees Celsius", "14.5")
"""No walk under trees is colder or warmer; 86 is Fahrenheit."""

FORCE = Range(0, 12, "the Beaufort scale", "3")
OKTAS = Range(0, 9, "oktas (9 where the sky cannot be seen)", "4")


@dataclass(frozen=True, slots=True)
class WindForce:
    """One number of the Beaufort scale.

    Attributes
    ----------
    least_m_s, most_m_s : mean speed; the last has no upper end
    on_land : what it does
    """

    number: int
    name: str
    least_m_s: float
    most_m_s: float | None
    on_land: str


BEAUFORT = (
    WindForce(0, "calm", 0.0, 0.2, "smoke rises straight up"),
    WindForce(1, "light air", 0.3, 1.5, "smoke drifts, vanes stand still"),
    WindForce(2, "light breeze", 1.6, 3.3, "felt on the face, leaves rustle"),
    WindForce(3, "gentle breeze", 3.4, 5.4, "leaves and small twigs always moving"),
    WindForce(4, "moderate breeze", 5.5, 7.9, "small branches move, dust is raised"),
    WindForce(5, "fresh breeze", 8.0, 10.7, "small trees in leaf sway"),
    WindForce(6, "strong breeze", 10.8, 13.8, "large branches move"),
    WindForce(7, "near gale", 13.9, 17.1, "whole trees move, walking against it is hard"),
    WindForce(8, "gale", 17.2, 20.7, "twigs break off: stay out from under trees"),
    WindForce(9, "strong gale", 20.8, 24.4, "branches break off: stay out from under trees"),
    WindForce(10, "storm", 24.5, 28.4, "trees are uprooted: stay away"),
    WindForce(11, "violent storm", 28.5, 32.6, "damage everywhere: stay away"),
    WindForce(12, "hurricane", 32.7, None, "devastation: stay away"),
)

CLOUD = (
    "clear sky",
    "1/8 or less, but some",
    "2/8",
    "3/8",
    "4/8, half the sky",
    "5/8",
    "6/8",
    "7/8 or more, but gaps",
    "8/8, no gaps",
    "sky obscured, by fog or snow",
)
"""Words by oktas."""


def read_temperature(typed: str) -> float | None:
    """Return degrees Celsius, None for nothing typed."""
    return read_number(typed, TEMPERATURE, what="temperature")


def read_force(typed: str) -> int | None:
    """Return a number of the Beaufort scale, typed as such or by its name; None for nothing typed.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is neither.
    """
    by_name = {force.name: force.number for force in BEAUFORT}
    plain = " ".join(typed.lower().split())
    if plain in by_name:
        return by_name[plain]
    if plain and not plain.lstrip("-").replace(".", "").replace(",", "").isdigit():
        from difflib import get_close_matches

        nearest = get_close_matches(plain, by_name, n=1)
        advice = f"did you mean {nearest[0]!r}?" if nearest else "write the number, such as 3"
        raise AnnotateError(
            f"wind: expected a number of the Beaufort scale from 0 to 12, or its name; found {typed.strip()[:60]!r}; {advice}"
        )
    return read_whole(typed, FORCE, what="wind")


def read_oktas(typed: str) -> int | None:
    """Return eighths of the sky under cloud, 9 where it cannot be seen; None for nothing typed."""
    return read_whole(typed.strip().removesuffix("/8"), OKTAS, what="cloud")


def say_weather(
    *, temperature_c: float | None, wind_beaufort: int | None, cloud_oktas: int | None, words: str = ""
) -> str:
    """Return the weather in a line: "14.5 °C, wind 3 (gentle breeze), cloud 4/8"; empty where nobody said."""
    parts = []
    if temperature_c is not None:
        parts.append(f"{temperature_c:g} °C".replace("-", "\N{MINUS SIGN}"))
    if wind_beaufort is not None:
        parts.append(f"wind {wind_beaufort} ({BEAUFORT[wind_beaufort].name})")
    if cloud_oktas is not None:
        parts.append(CLOUD[cloud_oktas] if cloud_oktas == OKTAS.most else f"cloud {cloud_oktas}/8")
    return "; ".join(part for part in (", ".join(parts), words) if part)
