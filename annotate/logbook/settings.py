"""The settings of a logbook: a commented TOML file, read strictly.

An unknown key, a wrong type or a value out of range is an error that names the file, the line and the nearest known key; a
key that is missing has its default. The file is written once, when the logbook is made, and then belongs to the person.
"""

import tomllib
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from math import isfinite
from pathlib import Path
from typing import Any

from annotate.errors import AnnotateError
from annotate.zones import read_zone

SETTINGS_NAME = "settings.toml"
NEAR_ENOUGH = 0.5
"""Share of letters in common from which a misspelt key is taken for a known one (own choice, tried on slips of one word)."""


def _setting(default: Any, meaning: str, *, least: float | None = None, most: float | None = None) -> Any:
    return field(default=default, metadata={"meaning": meaning, "least": least, "most": most})


@dataclass(frozen=True, slots=True)
class RecorderSettings:
    """Who keeps this logbook."""

    name: str = _setting("", "Who judges and records; stands beside every verdict. Empty: 'recorder'.")
    renamed: str = _setting(
        "", "Who changed their name and is the same person: 'Old Name = New Name', parted by semicolons."
    )


@dataclass(frozen=True, slots=True)
class PlaceSettings:
    """Where the work happens."""

    zone: str = _setting("UTC", "Local time zone of the sites: a name such as 'Europe/London'.")


@dataclass(frozen=True, slots=True)
class RecordSettings:
    """What is written into observations where nothing else is said."""

    taxon: str = _setting(
        "Apatura", "The animal looked for: the scientific name that a confirmed candidate gets."
    )


@dataclass(frozen=True, slots=True)
class SearchChoices:
    """How clips are searched.

    The names and defaults are those of `detect.search.SearchSettings`, which is not loaded for reading a settings file.
    """

    silhouette_score: float = _setting(
        0.5,
        "Outlines scored lower are not offered. Lower finds more and offers more twigs: 0.2 suits a second pass.",
        least=0,
        most=1,
    )
    feeding_score: float = _setting(0.3, "The same for chewed leaves.", least=0, most=1)
    window_s: float = _setting(
        1.0, "Of each so many seconds the sharpest frame is looked at closely.", least=0.02, most=10
    )
    kept_views: int = _setting(8, "Most views kept of one candidate.", least=1, most=50)


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """What is usual when filming, for lengths in mm; 0 for not known. A command's options count before these."""

    focal_equivalent_mm: float = _setting(
        0.0, "35 mm-equivalent focal length, where the clips do not say it.", least=0, most=2000
    )
    crop: float = _setting(
        0.0,
        "What steadying cuts off: 1 for nothing, 1.1 where a tenth is lost, 0 for not known.",
        least=0,
        most=2,
    )
    distance_m: float = _setting(
        0.0, "From the lens to the larvae, where that is always about the same.", least=0, most=60
    )
    lens_height_m: float = _setting(1.5, "Of the camera above the ground.", least=0, most=30)


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of a logbook, one attribute a section of the file."""

    recorder: RecorderSettings = RecorderSettings()
    place: PlaceSettings = PlaceSettings()
    record: RecordSettings = RecordSettings()
    search: SearchChoices = SearchChoices()
    camera: CameraSettings = CameraSettings()


SECTIONS: dict[str, type] = {
    "recorder": RecorderSettings,
    "place": PlaceSettings,
    "record": RecordSettings,
    "search": SearchChoices,
    "camera": CameraSettings,
}

TYPE_WORDS = {str: "text in quotation marks", float: "a number", int: "a whole number"}


def write_settings(settings: Settings) -> str:
    """Return the text of a settings file with a comment above each key."""
    lines = [
        "# Settings of this logbook. Change a value and save; every command reads this file when it starts."
    ]
    for section, kind in SECTIONS.items():
        lines += ["", f"[{section}]  # {(kind.__doc__ or '').splitlines()[0]}"]
        for key in fields(kind):
            value = getattr(getattr(settings, section), key.name)
            # A number left at its default is only shown, so that a better default of a later version reaches old logbooks.
            shown = "# " if value == key.default and not isinstance(value, str) else ""
            lines.append(f"# {key.metadata['meaning']}{_write_range(key.metadata)}")
            lines.append(f"{shown}{key.name} = {_write_value(value)}")
    return "\n".join(lines) + "\n"


def read_settings(path: Path) -> Settings:
    """Read a settings file.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the file is missing, is not TOML, or holds an unknown key, a wrong type or a value out of range.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
        parsed = tomllib.loads(text)
    except OSError as error:
        raise AnnotateError(
            f"settings {path}: expected a file that can be read; found '{error.strerror}'; put back a copy of the file"
        ) from error
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        raise AnnotateError(
            f"settings {path}, line {line}: expected text in UTF-8; found another encoding; save the file as UTF-8"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise AnnotateError(
            f"settings {path}: expected lines such as 'name = \"...\"' (TOML); found '{error}'; correct that line"
        ) from error
    where = _Whereabouts(path, text)
    for section in parsed:
        if section not in SECTIONS:
            raise where.say_unknown("section", section, known=tuple(SECTIONS), section="")
    return Settings(**{name: _read_section(name, parsed.get(name, {}), where=where) for name in SECTIONS})


def _read_section(section: str, values: Any, *, where: "_Whereabouts") -> Any:
    kind = SECTIONS[section]
    if not isinstance(values, dict):
        raise where.say_wrong(section, "", expected=f"a section [{section}]", value=values)
    known = {key.name: key for key in fields(kind)}
    for name in values:
        if name not in known:
            raise where.say_unknown("key", name, known=tuple(known), section=section)
    return kind(
        **{
            name: _check_value(section, known[name], value=value, where=where)
            for name, value in values.items()
        }
    )


def _check_value(section: str, key: Any, *, value: Any, where: "_Whereabouts") -> Any:
    wanted = type(key.default)
    if wanted is float and type(value) is int:
        value = float(value)
    if type(value) is not wanted or (wanted is float and not isfinite(value)):
        raise where.say_wrong(section, key.name, expected=TYPE_WORDS[wanted], value=value)
    least, most = key.metadata["least"], key.metadata["most"]
    if least is not None and not least <= value <= most:
        raise where.say_wrong(section, key.name, expected=f"a number from {least:g} to {most:g}", value=value)
    if (section, key.name) == ("place", "zone"):
        try:
            read_zone(value)
        except AnnotateError as error:
            raise AnnotateError(f"settings {where.find(section, key.name)}: {error}") from error
    return value


class _Whereabouts:
    """Knows in which line of the file a key stands, for messages."""

    def __init__(self, path: Path, text: str) -> None:
        self._path = path
        self._lines = text.splitlines()

    def find(self, section: str, key: str) -> str:
        """Return "FILE, line N", or "FILE" where the line cannot be told."""
        inside = ""
        for number, line in enumerate(self._lines, start=1):
            plain = line.split("#")[0].strip()
            if plain.startswith("["):
                inside = plain.strip("[] ").split(".")[0].strip("\"' ")
                if not key and inside == section:
                    return f"{self._path}, line {number}"
            name = plain.split("=")[0].strip().strip("\"'")
            if (inside == section and key and name == key) or (
                not inside and name in (section, f"{section}.{key}")
            ):
                return f"{self._path}, line {number}"
        return str(self._path)

    def say_unknown(self, what: str, name: str, *, known: tuple[str, ...], section: str) -> AnnotateError:
        """Return the error for a section or key that does not exist."""
        place = self.find(section, name) if section else self.find(name, "")
        nearest = get_close_matches(name, known, n=1, cutoff=NEAR_ENOUGH)
        advice = f"did you mean {nearest[0]!r}?" if nearest else "remove it"
        inside = f" in [{section}]" if section else ""
        return AnnotateError(
            f"settings {place}: expected one of {', '.join(known)}{inside}; found the unknown {what} {name!r}; {advice}"
        )

    def say_wrong(self, section: str, key: str, *, expected: str, value: Any) -> AnnotateError:
        """Return the error for a value of the wrong type or out of range."""
        name = f"{section}.{key}" if key else section
        return AnnotateError(
            f"settings {self.find(section, key)}: {name}: expected {expected}; found {value!r}; "
            "correct the value, or remove the line to have the default"
        )


def _write_value(value: Any) -> str:
    if isinstance(value, str):
        whole = value.encode("utf-8", "replace").decode()
        escaped = whole.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'
    return repr(value)


def _write_range(metadata: Any) -> str:
    return "" if metadata["least"] is None else f" {metadata['least']:g} to {metadata['most']:g}."
