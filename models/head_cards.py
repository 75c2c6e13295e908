"""Weights of what learned on an ImageNet backbone, and the card beside them.

`NAME.pt` is a state dict and nothing else, loaded with `weights_only=True`, in 16 bits where that loses nothing; `NAME.json` is
the card with its sha256. Both are written to a temporary name and moved.
"""

import json
import pickle
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import torch
from torch import nn

from models.cards import WeightsError, find_card_path, halve, hash_file
from models.efficientnet_lite import BACKBONE_LICENCE, BACKBONE_SHA256, PACKAGE, PACKAGE_VERSION

BACKBONE = {
    "package": f"{PACKAGE} {PACKAGE_VERSION}",
    "sha256": BACKBONE_SHA256,
    "licence": BACKBONE_LICENCE,
}


@dataclass(frozen=True, slots=True)
class HeadKind:
    """A kind of weights: the name of its format, the most bytes that a file of it has, and how to get such weights again."""

    format: str
    most_bytes: int
    advice: str
    version: int = 1


@dataclass(frozen=True, slots=True)
class HeadCard:
    """What is to be known about the weights of one head.

    Attributes
    ----------
    name : of these weights
    made_on : ISO date
    licence : under which the head's weights may be used
    backbone : package, sha256 and licence of the ImageNet weights that it learned on
    weights_sha256 : of the weight file beside the card
    data : what it learned from and how, with seeds and hashes
    numbers : what was measured: name to value
    """

    name: str
    made_on: str
    licence: str
    backbone: dict[str, str]
    weights_sha256: str
    data: dict[str, Any]
    numbers: dict[str, float]


def save_head(
    path: Path, kind: HeadKind, head: nn.Module, *, data: dict[str, Any], numbers: dict[str, float]
) -> HeadCard:
    """Write a head's weights and their card, each to a temporary name first."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(path.name + ".part")
    card_draft = path.with_name(path.stem + ".json.part")
    torch.save({name: halve(tensor.detach().cpu()) for name, tensor in head.state_dict().items()}, draft)
    made_on = datetime.now(UTC).date().isoformat()
    card = HeadCard(path.stem, made_on, "Apache-2.0", BACKBONE, hash_file(draft), data, numbers)
    body = {"format": kind.format, "version": kind.version, **asdict(card)}
    card_draft.write_text(json.dumps(body, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    draft.replace(path)
    card_draft.replace(find_card_path(path))
    return card


def read_head_card(path: Path, kind: HeadKind) -> HeadCard:
    """Read and check the card of a head.

    Raises
    ------
    WeightsError
        Where it is missing, of another format, or of a head that learned on another backbone.
    """
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
        if (body["format"], body["version"]) != (kind.format, kind.version):
            raise ValueError(f"format {body['format']} version {body['version']}")
        card = HeadCard(**{field.name: body[field.name] for field in fields(HeadCard)})
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise WeightsError(
            f"{path}: cannot be read as the card of a head; expected format {kind.format} version {kind.version}, "
            f"found: {_name_fault(error)}; {kind.advice}"
        ) from error
    if card.backbone != BACKBONE:
        raise WeightsError(
            f"{path}: the head learned on another backbone; expected {BACKBONE}, found {card.backbone}; "
            f"{kind.advice}"
        )
    return card


def load_head(path: Path, kind: HeadKind, head: nn.Module) -> HeadCard:
    """Fill a head, in place, with weights that are checked by the sha256 of their card; return the card.

    Raises
    ------
    WeightsError
        Where weights or card are missing or do not fit.
    """
    card = read_head_card(find_card_path(path), kind)
    try:
        if path.stat().st_size > kind.most_bytes:
            raise ValueError(f"{path.stat().st_size} bytes, more than any head has")
        if (found := hash_file(path)) != card.weights_sha256:
            raise ValueError(f"sha256 {found[:12]}... where the card has {card.weights_sha256[:12]}...")
        head.load_state_dict(torch.load(path, map_location="cpu", weights_only=True), strict=True)
    except (OSError, ValueError, RuntimeError, TypeError, EOFError, pickle.UnpicklingError) as error:
        raise WeightsError(
            f"{path}: holds no weights of this head; expected the file that its card was written for, "
            f"found: {_name_fault(error)}; {kind.advice}"
        ) from error
    return card


def _name_fault(error: Exception) -> str:
    """Return what went wrong in a few words."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    lines = str(error).splitlines()
    return f"{type(error).__name__}: {lines[0]}" if lines else type(error).__name__
