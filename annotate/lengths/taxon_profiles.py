"""What is known of an animal's instars: body lengths, season, host plants, from TOML files that are read strictly.

Profiles of *Apatura iris* and *A. ilia* come with the program; a logbook's folder `taxa/` holds a person's own, which count
before those of the same name. A record of a genus ("Apatura") is told by all profiles of that genus together. Lengths are mm of
the living larva from head to tail, horns left out, from the moult into an instar to the moult out of it. Nothing is guessed
here (`annotate.lengths.stages`).
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from functools import lru_cache
from math import isfinite
from pathlib import Path
from typing import Any

from annotate.errors import AnnotateError
from annotate.words import STAGES

FORMAT = 1
SHIPPED_FOLDER = Path(__file__).parent / "taxa"
TAXA_NAME = "taxa"
EXAMPLE_NAME = "example.txt"

KEYS = ("format", "taxon", "hosts", "hosts_source", "stage")
STAGE_KEYS = ("name", "length_mm", "spread", "days", "season", "source")
LARVAL_STAGES = tuple(stage for stage in STAGES if stage.startswith("L"))

LONGEST_MM = 200.0
LEAST_SPREAD, MOST_SPREAD = 0.01, 1.0
LONGEST_DAYS = 400.0
LEAP_YEAR = 2024
"""Days of the year are read in a leap year, so that 29 February is one."""

NEAR_ENOUGH = 0.5
MOST_BYTES = 100_000


@dataclass(frozen=True, slots=True)
class Instar:
    """One larval stage.

    Attributes
    ----------
    length_mm : when it is moulted into and when it is moulted out of
    spread : deviation of both between individuals, as a share
    days : how long it lasts; None where not known
    season : (month, day) from which and until which it is met with; it may cross the new year. None where not known
    source : where the figures come from
    """

    name: str
    length_mm: tuple[float, float]
    spread: float
    days: float | None
    season: tuple[tuple[int, int], tuple[int, int]] | None
    source: str

    @property
    def usual_mm(self) -> float:
        """The length half-way through, by ratio: growth goes by equal ratios in equal times."""
        return float((self.length_mm[0] * self.length_mm[1]) ** 0.5)


@dataclass(frozen=True, slots=True)
class TaxonProfile:
    """An animal's instars in order, its host plants, and the file they stand in."""

    taxon: str
    hosts: tuple[str, ...]
    hosts_source: str
    instars: tuple[Instar, ...]
    path: Path


def list_profiles(logbook_folder: Path | None = None) -> tuple[TaxonProfile, ...]:
    """Return all profiles by name of the animal; a logbook's own one stands in place of one that came with the program.

    Raises
    ------
    annotate.errors.AnnotateError
        Where a profile has a mistake, or two of one folder are for the same animal.
    """
    found = _read_folder(SHIPPED_FOLDER)
    if logbook_folder is not None:
        found |= _read_folder(logbook_folder / TAXA_NAME)
    return tuple(found[name] for name in sorted(found))


def choose_profiles(profiles: Sequence[TaxonProfile], taxon: str) -> tuple[TaxonProfile, ...]:
    """Return the profile of an animal; of a genus, or of a species without a profile, those of the genus; or none."""
    wanted = taxon.strip().casefold()
    exact = tuple(one for one in profiles if one.taxon.casefold() == wanted)
    if exact or not wanted:
        return exact
    genus = wanted.split()[0]
    return tuple(one for one in profiles if one.taxon.casefold().split()[0] == genus)


def find_profile(profiles: Sequence[TaxonProfile], taxon: str) -> TaxonProfile:
    """Return one profile of an animal: for a genus the last by name of its species.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none; the message names those that are there.
    """
    chosen = choose_profiles(profiles, taxon)
    if not chosen:
        known = ", ".join(profile.taxon for profile in profiles)
        raise AnnotateError(
            f"profile: expected an animal with a profile ({known}); found {taxon!r}; write one: leafshade taxa --example"
        )
    return chosen[-1]


def read_profile(path: Path) -> TaxonProfile:
    """Read one profile.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the file cannot be read, is no TOML, or holds an unknown key or a value that cannot be; the message names the place.
    """
    body = _load(path)
    _check_keys(path, body, KEYS, where="the file")
    if body.get("format") != FORMAT or isinstance(body.get("format"), bool):
        raise _say(path, "format", expected=f"{FORMAT}", found=body.get("format", "nothing"))
    taxon = _read_text(path, body, "taxon", where="")
    hosts = body.get("hosts", [])
    if not isinstance(hosts, list) or not all(isinstance(host, str) for host in hosts):
        raise _say(path, "hosts", expected='a list of names such as ["Salix caprea"]', found=hosts)
    stages = body.get("stage")
    if not isinstance(stages, list) or not stages or not all(isinstance(one, dict) for one in stages):
        raise _say(path, "stage", expected="one [[stage]] part or more", found=stages)
    instars = tuple(_read_instar(path, one) for one in stages)
    _check_order(path, instars)
    source = _read_text(path, body, "hosts_source", where="") if "hosts_source" in body else ""
    return TaxonProfile(taxon, tuple(hosts), source, instars, path)


def write_example(logbook_folder: Path) -> Path:
    """Write a commented example into a logbook's folder `taxa/`, made where missing; one that is there stays. Return its path."""
    from annotate.json_files import write_text

    path = logbook_folder / TAXA_NAME / EXAMPLE_NAME
    try:
        path.parent.mkdir(exist_ok=True)
    except OSError as error:
        raise AnnotateError(
            f"{path.parent}: expected a place for a folder, found: {error.strerror}; correct the rights, or move what is there"
        ) from error
    if not path.exists():
        write_text(
            path, EXAMPLE, what="the example of a profile", advice="correct the rights, or free some space"
        )
    return path


EXAMPLE = """\
# A profile of an animal: how long its larvae are in each instar. Copy this file to NAME.toml in the same folder and change
# it; every command that tells stages reads all files there that end in .toml. A misspelt key is an error, never passed over.
format = 1

# The scientific name as it stands in the records. Records of the genus are told by all profiles of that genus together.
taxon = "Examplia invented"

# Plants it lives on, and how you know.
hosts = ["Salix caprea"]
hosts_source = "invented"

# One part for each instar, in order of age. Needed are name, length_mm and source.
[[stage]]
name = "L4"                    # one of L1 to L5
length_mm = [14.0, 26.0]       # the living larva, head to tail without horns: just moulted, and ready to moult
spread = 0.12                  # how far individuals differ, as a share: 0.12 is 12 per cent (left out: 0.12)
days = 14                      # how long it lasts (may be left out)
season = ["04-15", "05-25"]    # first and last day met with, month-day; may cross the new year (may be left out)
source = "measured on 12 larvae, 2025"    # where the figures come from; write "from memory" where that is so

[[stage]]
name = "L5"
length_mm = [26.0, 50.0]
source = "from memory"
"""

USUAL_SPREAD = 0.12
"""Of lengths between individuals of one instar where a profile says nothing: from memory of reared larvae, no source."""


def _read_folder(folder: Path) -> dict[str, TaxonProfile]:
    found: dict[str, TaxonProfile] = {}
    for path in sorted(folder.glob("*.toml")) if folder.is_dir() else ():
        profile = _read_unchanged(path, *_mark_version(path))
        other = found.get(profile.taxon.casefold())
        if other is not None:
            raise AnnotateError(
                f"{path}: expected one profile for an animal; found {other.path.name} for {profile.taxon} too; remove one of them"
            )
        found[profile.taxon.casefold()] = profile
    return found


def _mark_version(path: Path) -> tuple[int, int]:
    """Return what changes with a file: when it was written, and its size; nought where it is gone, as reading it will tell."""
    try:
        found = path.stat()
    except OSError:
        return 0, 0
    return found.st_mtime_ns, found.st_size


@lru_cache(maxsize=64)
def _read_unchanged(path: Path, _written_ns: int, _size_bytes: int) -> TaxonProfile:
    """Read a profile once for each version of its file: every card of a review asks for all of them."""
    return read_profile(path)


def _load(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise AnnotateError(
                f"profile {path}: expected a file of at most {MOST_BYTES:,} bytes; found {path.stat().st_size:,}; "
                "it is no profile: remove it from the folder"
            )
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise AnnotateError(
            f"profile {path}: expected a file that can be read; found '{error.strerror}'; correct the rights or remove it"
        ) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise AnnotateError(
            f"profile {path}: expected lines such as 'taxon = \"...\"' (TOML, UTF-8); found '{error}'; correct that line"
        ) from error


def _read_instar(path: Path, body: Mapping[str, Any]) -> Instar:
    name = _read_text(path, body, "name", where="a [[stage]]")
    where = f"stage {name}"
    if name not in LARVAL_STAGES:
        raise _say(path, "name of a [[stage]]", expected=f"one of {', '.join(LARVAL_STAGES)}", found=name)
    _check_keys(path, body, STAGE_KEYS, where=where)
    ends = body.get("length_mm")
    if not isinstance(ends, list) or len(ends) != 2:
        raise _say(path, f"{where}: length_mm", expected="two lengths such as [14.0, 26.0]", found=ends)
    low, high = (_read_number(path, f"{where}: length_mm", end, least=0.1, most=LONGEST_MM) for end in ends)
    if low >= high:
        raise _say(path, f"{where}: length_mm", expected="the shorter length first", found=ends)
    spread = _read_number(
        path, f"{where}: spread", body.get("spread", USUAL_SPREAD), least=LEAST_SPREAD, most=MOST_SPREAD
    )
    days = body.get("days")
    if days is not None:
        days = _read_number(path, f"{where}: days", days, least=0.1, most=LONGEST_DAYS)
    season = body.get("season")
    return Instar(
        name,
        (low, high),
        spread,
        days,
        None if season is None else _read_season(path, where, season),
        _read_text(path, body, "source", where=where),
    )


def _read_season(path: Path, where: str, value: Any) -> tuple[tuple[int, int], tuple[int, int]]:
    what = f"{where}: season"
    expected = 'two days such as ["04-15", "05-25"]'
    if not isinstance(value, list) or len(value) != 2:
        raise _say(path, what, expected=expected, found=value)
    ends = []
    for text in value:
        try:
            day = date.fromisoformat(f"{LEAP_YEAR}-{text}")
        except ValueError:
            raise _say(path, what, expected=expected, found=text) from None
        ends.append((day.month, day.day))
    return ends[0], ends[1]


def _check_order(path: Path, instars: Sequence[Instar]) -> None:
    names = [one.name for one in instars]
    if names != sorted(set(names), key=LARVAL_STAGES.index):
        raise _say(path, "stage", expected="each instar once, the youngest first", found=", ".join(names))
    lengths = [one.usual_mm for one in instars]
    if lengths != sorted(lengths):
        raise _say(path, "length_mm", expected="older instars to be longer", found=", ".join(names))


def _check_keys(path: Path, body: Mapping[str, Any], known: tuple[str, ...], *, where: str) -> None:
    for key in body:
        if key not in known:
            nearest = get_close_matches(key, known, n=1, cutoff=NEAR_ENOUGH)
            advice = f"did you mean {nearest[0]!r}?" if nearest else "remove it"
            raise AnnotateError(
                f"profile {path}: {where}: expected one of {', '.join(known)}; found the unknown key {key!r}; {advice}"
            )


def _read_text(path: Path, body: Mapping[str, Any], key: str, *, where: str) -> str:
    value = body.get(key)
    if not isinstance(value, str) or not value.strip():
        name = f"{where}: {key}" if where else key
        raise _say(
            path, name, expected="text in quotation marks", found="nothing" if value is None else value
        )
    return value.strip()


def _read_number(path: Path, what: str, value: Any, *, least: float, most: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise _say(path, what, expected=f"a number from {least:g} to {most:g}", found=value)
    if not least <= value <= most:
        raise _say(path, what, expected=f"a number from {least:g} to {most:g}", found=value)
    return float(value)


def _say(path: Path, what: str, *, expected: str, found: Any) -> AnnotateError:
    return AnnotateError(f"profile {path}: {what}: expected {expected}; found {found!r}; correct the file")
