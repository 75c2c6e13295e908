"""The weights that a logbook keeps: those trained at home, which of them is in use, and how an older one is brought back.

They lie in the logbook's folder `weights`: NAME.pt with its card NAME.json, named by the day and their sha256, and
`in-use.json`, which names one of them or "shipped", the program's own. That file is written whole and moved into place, so that
whatever ends the program, the weights of before or those of after are in use and never half of each. This file trains nothing.
"""

import json
import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from annotate.errors import AnnotateError
from annotate.logbook.opening import Logbook
from models.cards import (
    DEFAULT_WEIGHTS,
    ModelCard,
    find_card_path,
    hash_file,
    load_weights,
    move_weights,
    read_card,
)
from models.errors import ModelsError
from models.whole_files import write_whole

FOLDER_NAME = "weights"
IN_USE_NAME = "in-use.json"
SHIPPED = "shipped"
FORMAT = "leafshade-weights-in-use"
HASH_LETTERS = 8
NAME = re.compile(r"\d{4}-\d{2}-\d{2}-[0-9a-f]{8}")
LARGEST_NOTE = 4096
"""Bytes of `in-use.json` that are read; a whole one has under 300."""

GO_BACK = "go back to the program's own with: leafshade weights use shipped"


@dataclass(frozen=True, slots=True)
class KeptWeights:
    """Weights that can be used, with their card.

    Attributes
    ----------
    name : "shipped", or the name they are kept under
    fault : why they cannot be used, in words; empty where nothing is known against them
    card : None where it cannot be read
    """

    name: str
    path: Path
    is_in_use: bool
    card: ModelCard | None
    fault: str = ""


def weights_folder(logbook: Logbook) -> Path:
    """Return where a logbook keeps its weights; the folder need not be there."""
    return logbook.folder / FOLDER_NAME


def find_weights_path(logbook: Logbook, name: str) -> Path:
    """Return where weights of a name lie.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the logbook keeps none of that name.
    """
    if name == SHIPPED:
        return DEFAULT_WEIGHTS
    path = weights_folder(logbook) / f"{name}.pt"
    if not NAME.fullmatch(name) or not find_card_path(path).is_file():
        kept = ", ".join([SHIPPED, *_list_names(logbook)])
        raise AnnotateError(
            f"weights {name[:60]!a}: expected a name that this logbook keeps; found none of {kept}; "
            "see them with: leafshade weights"
        )
    return path


def find_in_use(logbook: Logbook) -> Path:
    """Return the weights that searches of a logbook use, checked to be those that were chosen.

    Raises
    ------
    annotate.errors.AnnotateError
        Where what is in use cannot be read, or the weights are no longer those chosen.
    """
    name, sha256 = _read_note(logbook)
    if name == SHIPPED:
        return DEFAULT_WEIGHTS
    path = weights_folder(logbook) / f"{name}.pt"
    try:
        path = find_weights_path(logbook, name)
        found = read_card(find_card_path(path)).weights_sha256
        if found == sha256 and hash_file(path) == sha256:
            return path
        fault = f"others, with {found[:12]}..." if found != sha256 else "a file that was changed or cut off"
    except OSError as error:
        fault = f"that {path.name} cannot be read ({error.strerror})"
    except (AnnotateError, ModelsError) as error:
        fault = str(error)
    raise AnnotateError(
        f"weights {name} in use: expected weights with the sha256 {sha256[:12]}...; found {fault}; "
        f"put them back from a copy of the logbook, or {GO_BACK}"
    )


def use_weights(logbook: Logbook, name: str) -> ModelCard:
    """Have the searches of a logbook use weights from now on, after loading them once; return their card.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there are none of that name, they cannot be used, or the choice cannot be written; what was in use then still is.
    """
    path = find_weights_path(logbook, name)
    try:
        _, card = load_weights(path)
    except ModelsError as error:
        raise AnnotateError(f"weights {name} are not used: {error}") from error
    _write_note(logbook, name, card.weights_sha256)
    return card


def keep_weights(logbook: Logbook, draft_path: Path, *, day: date) -> str:
    """Move trained weights with their card into the logbook and return their name; which are in use stays as it is."""
    sha256 = read_card(find_card_path(draft_path)).weights_sha256
    name = f"{day.isoformat()}-{sha256[:HASH_LETTERS]}"
    try:
        move_weights(draft_path, weights_folder(logbook) / f"{name}.pt")
    except OSError as error:
        raise _say_unwritable(logbook, error) from error
    return name


def list_weights(logbook: Logbook) -> tuple[KeptWeights, ...]:
    """Return the program's own weights and those kept, oldest first; broken ones are listed with what is wrong."""
    try:
        in_use, _ = _read_note(logbook)
    except AnnotateError:
        in_use = ""
    return tuple(_describe(logbook, name, in_use) for name in (SHIPPED, *_list_names(logbook)))


def _describe(logbook: Logbook, name: str, in_use: str) -> KeptWeights:
    path = DEFAULT_WEIGHTS if name == SHIPPED else weights_folder(logbook) / f"{name}.pt"
    try:
        card = read_card(find_card_path(path))
    except ModelsError as error:
        return KeptWeights(name, path, name == in_use, None, str(error))
    try:
        fault = (
            "" if hash_file(path) == card.weights_sha256 else "changed or cut off since its card was written"
        )
    except OSError as error:
        fault = f"cannot be read: {error.strerror}"
    return KeptWeights(name, path, name == in_use, card, fault)


def _list_names(logbook: Logbook) -> list[str]:
    """Return the names of kept weights by the moment their card was written, then by name."""
    cards = [path for path in weights_folder(logbook).glob("*.json") if NAME.fullmatch(path.stem)]
    return [
        path.stem
        for path in sorted(cards, key=lambda path: (path.stem[:10], path.stat().st_mtime_ns, path.stem))
    ]


def _read_note(logbook: Logbook) -> tuple[str, str]:
    """Return the name and the sha256 of the weights in use; "shipped" where nobody chose any."""
    path = weights_folder(logbook) / IN_USE_NAME
    try:
        with path.open("rb") as stream:
            body = json.loads(stream.read(LARGEST_NOTE))
        if body["format"] != FORMAT:
            raise ValueError(f"format {ascii(body['format'])[:40]}")
        name, sha256 = body["name"], body["sha256"]
        if (
            not isinstance(name, str)
            or not isinstance(sha256, str)
            or not (name == SHIPPED or NAME.fullmatch(name))
        ):
            raise ValueError(f"name {ascii(name)[:60]}")
    except FileNotFoundError:
        return SHIPPED, ""
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise AnnotateError(
            f"{path}: expected the name of the weights in use, as this program wrote it; found a fault at {error}; {GO_BACK}"
        ) from error
    return name, sha256


def _write_note(logbook: Logbook, name: str, sha256: str) -> None:
    path = weights_folder(logbook) / IN_USE_NAME
    body = {"format": FORMAT, "name": name, "sha256": sha256}
    try:
        path.parent.mkdir(exist_ok=True)
        write_whole(path, f"{json.dumps(body)}\n".encode(), is_lasting=True)
    except OSError as error:
        raise _say_unwritable(logbook, error) from error


def _say_unwritable(logbook: Logbook, error: OSError) -> AnnotateError:
    return AnnotateError(
        f"weights: expected a folder {weights_folder(logbook)} that can be written; found '{error.strerror}'; "
        "correct the rights or free some space, then run the same again; what was in use still is"
    )
