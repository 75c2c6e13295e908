"""Weights and the card beside them: what the network is, what it learned from, how good it is and where it ends.

`NAME.pt` holds two state dicts and the ranges for `models.eight_bits` and nothing else, loaded with `weights_only=True`;
`NAME.json` is the card, with the sha256 of the weights, so that neither is used without the other. Both are written to a
temporary name and moved.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from models.errors import ModelsError
from models.whole_files import write_whole

if TYPE_CHECKING:
    import torch

    from models.network import NetworkConfig, NetworkPair

FORMAT = "leafshade-weights"
VERSION = 1
WEIGHTS_FOLDER = Path(__file__).parent / "weights"
DEFAULT_WEIGHTS = WEIGHTS_FOLDER / "leafshade.pt"

MOST_WEIGHT_BYTES = 8_000_000
"""The house rule for all weights together; a larger file is not ours."""


class WeightsError(ModelsError):
    """Weights or a card that cannot be used as they are."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Turns the judge's log-odds into those of a chance that holds: slope * log_odds + named * seeker's log-odds + offset.

    The seeker sees more of the surroundings than the judge, so what it says of a place counts beside the judge's word.
    """

    slope: float
    offset: float
    named: float = 0.0


@dataclass(frozen=True, slots=True)
class TrackCalibration:
    """Turns the log-odds of a track's views into those of a chance that holds for the whole track.

    Log-odds are best * (highest) + mean * (mean of the best `counted`, `missing` for each that is not there)
    + views * log2(number of views) + offset, over the calibrated log-odds of single views. Where a thing could be seen but once,
    in a photo say, they are once_slope * (that view's) + once_offset: views of clips, of which one frame shows few larvae.
    """

    best: float
    mean: float
    views: float
    offset: float
    counted: int = 5
    missing: float = -4.0
    once_slope: float = 1.0
    once_offset: float = 0.0


@dataclass(frozen=True, slots=True)
class DetectionCount:
    """Looks at larvae of one class of length and sharpness: in how many the larva was found, of how many, and what is expected.

    Attributes
    ----------
    length_px, sharpness : the class, its lower end included; the upper end of the longest is None
    expected : found by the curve beside it, as a mean over these looks times their number
    """

    length_px: tuple[float, float | None]
    sharpness: tuple[float, float]
    found: int
    of: int
    expected: float


@dataclass(frozen=True, slots=True)
class ClipChance:
    """Turns the chance of one look into that of a whole clip.

    Log-odds are frame * (log-odds of one look) + looks * log2(number of looks) + offset; looks at one larva are too much alike
    to be multiplied as if they were independent.

    Attributes
    ----------
    larvae : on show that it was fitted on; found : of them
    silhouette_score : least score of a candidate that counts as found
    """

    frame: float
    looks: float
    offset: float
    larvae: int
    found: int
    silhouette_score: float


@dataclass(frozen=True, slots=True)
class DetectionCurve:
    """The chance that a larva is found in one frame, by its length in px and its sharpness; read by `models.detectability`.

    The chance is ceiling / (1 + exp(-log_odds)), log_odds = length * x + blur * y + both * x * y + offset, where
    x = log2(length_px / 16) and y = log2 of the blur in px together with that of a pixel.

    Attributes
    ----------
    most_length_px, most_sharpness : of what it was fitted on; beyond, nothing more is promised
    follow_score : least score of a view that counts as found
    larvae, looks, found : what it was fitted on
    explained : share of the log-likelihood that it explains (McFadden 1974): 1 - its loss / the loss of one chance for all
    expected_error : mean gap between its chances and the shares found, by tenths of the chance
    table : the counts themselves
    clip : the same for whole clips; None where it could not be fitted
    """

    length: float
    blur: float
    both: float
    offset: float
    ceiling: float
    most_length_px: float
    most_sharpness: float
    follow_score: float
    larvae: int
    looks: int
    found: int
    explained: float
    expected_error: float
    table: tuple[DetectionCount, ...]
    clip: ClipChance | None = None


@dataclass(frozen=True, slots=True)
class ModelCard:
    """What is to be known about one weight file.

    Attributes
    ----------
    name : of these weights; stands in every candidate's record
    made_on : ISO date
    licence : under which the weights may be used
    config : shape of the network, as in `models.network.NetworkConfig`
    weights_sha256 : of the weight file beside the card
    larva, feeding : calibration of one view's scores
    track : calibration of a larva's views together
    data : what it learned from: name to description, with seeds and hashes
    numbers : what was measured: name to value
    limits : where it must not be trusted, in sentences
    detection : how likely a larva is found; None until it was measured and kept
    length_gain : how much longer bodies are than their outlines, as a factor: horns are too thin to be outlined
    """

    name: str
    made_on: str
    licence: str
    config: Mapping[str, Any]
    weights_sha256: str
    larva: Calibration
    feeding: Calibration
    track: TrackCalibration
    data: Mapping[str, Any]
    numbers: Mapping[str, Any]
    limits: tuple[str, ...]
    detection: DetectionCurve | None = None
    length_gain: float = 1.0


def find_card_path(weights_path: Path) -> Path:
    """Return where the card of a weight file lies: NAME.json beside NAME.pt."""
    return weights_path.with_suffix(".json")


def save_weights(weights_path: Path, pair: "NetworkPair", card: ModelCard) -> ModelCard:
    """Write the weights and their card; return the card as it was written, with the weights' hash in it.

    What has been through `models.network.round_weights` takes half the room: it is kept in 16 bits, the rest in 32, so that
    what is read back is always what was given.
    """
    import torch

    weights_path.parent.mkdir(parents=True, exist_ok=True)
    states: dict[str, Any] = {
        part: {name: halve(tensor.detach().cpu()) for name, tensor in module.state_dict().items()}
        for part, module in (("seeker", pair.seeker), ("judge", pair.judge))
    }
    if pair.ranges is not None:
        states["ranges"] = pair.ranges
    # torch writes the file's name into it: a draft with a name of its own each time would give the same weights other hashes.
    draft = weights_path.with_name(weights_path.name + ".part")
    try:
        torch.save(states, draft)
        sealed = _seal_card(card, pair, hash_file(draft))
        card_draft = draft.with_suffix(".json.part")
        card_draft.write_text(_dump_card(sealed), encoding="utf-8")
        draft.replace(weights_path)
        card_draft.replace(find_card_path(weights_path))
    finally:
        draft.unlink(missing_ok=True)
    return read_card(find_card_path(weights_path))


def halve(tensor: "torch.Tensor") -> "torch.Tensor":
    """Return a tensor in 16 bits where that loses nothing."""
    import torch

    if tensor.dtype != torch.float32:
        return tensor
    half = tensor.half()
    return half if torch.equal(half.float(), tensor) else tensor


def move_weights(weights_path: Path, target_path: Path) -> ModelCard:
    """Move weights with their card to another folder and name, which the card then bears; return the card.

    The card comes last: where it lies, the weights lie whole beside it.

    Raises
    ------
    WeightsError
        Where the weights are not those of their card.
    """
    card = replace(read_card(find_card_path(weights_path)), name=target_path.stem)
    _check_file(weights_path, card.weights_sha256)
    target_path.parent.mkdir(parents=True, exist_ok=True)
    draft = target_path.with_name(target_path.name + ".json.part")
    draft.write_text(_dump_card(card), encoding="utf-8")
    weights_path.replace(target_path)
    draft.replace(find_card_path(target_path))
    find_card_path(weights_path).unlink(missing_ok=True)
    return card


def keep_measured(
    weights_path: Path, *, numbers: Mapping[str, Any], detection: DetectionCurve | None
) -> ModelCard:
    """Write measured numbers, beside those that are there, and the detection curve into the card of weights; return the card.

    Raises
    ------
    WeightsError
        Where the card cannot be read or written, or is not that of the weights; the card is then as before.
    """
    path = find_card_path(weights_path)
    card = read_card(path)
    _check_file(weights_path, card.weights_sha256)
    kept = replace(card, numbers={**card.numbers, **numbers}, detection=detection)
    try:
        write_whole(path, _dump_card(kept).encode())
    except OSError as error:
        raise WeightsError(
            f"{path}: cannot be written; expected a model card that may be replaced, found: {error.strerror}; "
            "copy weights and card to a folder of your own and name them"
        ) from error
    return read_card(path)


def _dump_card(card: ModelCard) -> str:
    body = {"format": FORMAT, "version": VERSION, **asdict(card)}
    return json.dumps(body, indent=1, ensure_ascii=False) + "\n"


def _seal_card(card: ModelCard, pair: "NetworkPair", sha256: str) -> ModelCard:
    values = {field.name: getattr(card, field.name) for field in fields(card)}
    values.update(config=asdict(pair.config), weights_sha256=sha256)
    return ModelCard(**values)


def load_weights(weights_path: Path) -> tuple["NetworkPair", ModelCard]:
    """Load weights with their card, checked against each other.

    Raises
    ------
    WeightsError
        Where a file is missing, cut off, changed since its card was written, or no weight file of this program.
    """
    card = read_card(find_card_path(weights_path))
    _check_file(weights_path, card.weights_sha256)
    return _fill_pair(weights_path, _parse_config(weights_path, card)), card


LATER_FIELDS = ("detection", "length_gain")
"""Cards written before there were such have none of them."""


def read_card(path: Path) -> ModelCard:
    """Read and check a card."""
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise WeightsError(
            f"{path}: cannot be read as a model card; expected the JSON file that was written beside the weights, "
            f"found: {error}; copy it from where the weights came from"
        ) from error
    if not isinstance(body, dict) or body.get("format") != FORMAT or body.get("version") != VERSION:
        found = body.get("format", "no format") if isinstance(body, dict) else type(body).__name__
        raise WeightsError(
            f"{path}: is no model card of this program; expected format {FORMAT} version {VERSION}, found {found}; "
            "use the card that was written beside the weights"
        )
    try:
        values = {
            field.name: body[field.name] for field in fields(ModelCard) if field.name not in LATER_FIELDS
        }
        values["larva"] = _parse_calibration(values["larva"])
        values["feeding"] = _parse_calibration(values["feeding"])
        values["track"] = _parse_track(values["track"])
        values["limits"] = tuple(str(text) for text in values["limits"])
        values["detection"] = _parse_detection(body.get("detection"))
        values["length_gain"] = float(body.get("length_gain", 1.0))
    except (KeyError, TypeError, ValueError) as error:
        raise WeightsError(
            f"{path}: the model card is incomplete; expected every field of format {FORMAT}, found a fault at {error}; "
            "copy it again from where the weights came from"
        ) from error
    return ModelCard(**values)


def _parse_calibration(body: Mapping[str, Any]) -> Calibration:
    return Calibration(float(body["slope"]), float(body["offset"]), float(body.get("named", 0.0)))


def _parse_track(body: Mapping[str, Any]) -> TrackCalibration:
    best, mean, views, offset = (float(body[name]) for name in ("best", "mean", "views", "offset"))
    # Cards written before photos had a calibration of their own have no such values.
    once = {name: float(body[name]) for name in ("once_slope", "once_offset") if name in body}
    return TrackCalibration(best, mean, views, offset, int(body["counted"]), float(body["missing"]), **once)


def _parse_detection(body: Mapping[str, Any] | None) -> DetectionCurve | None:
    """Read a detection curve; cards written before one was kept have none."""
    if body is None:
        return None
    return DetectionCurve(
        length=float(body["length"]),
        blur=float(body["blur"]),
        both=float(body["both"]),
        offset=float(body["offset"]),
        ceiling=float(body["ceiling"]),
        most_length_px=float(body["most_length_px"]),
        most_sharpness=float(body["most_sharpness"]),
        follow_score=float(body["follow_score"]),
        larvae=int(body["larvae"]),
        looks=int(body["looks"]),
        found=int(body["found"]),
        explained=float(body["explained"]),
        expected_error=float(body["expected_error"]),
        table=tuple(_parse_count(row) for row in body["table"]),
        clip=_parse_clip_chance(body["clip"]),
    )


def _parse_count(body: Mapping[str, Any]) -> DetectionCount:
    shortest, longest = body["length_px"]
    softest, sharpest = body["sharpness"]
    return DetectionCount(
        (float(shortest), None if longest is None else float(longest)),
        (float(softest), float(sharpest)),
        int(body["found"]),
        int(body["of"]),
        float(body["expected"]),
    )


def _parse_clip_chance(body: Mapping[str, Any] | None) -> ClipChance | None:
    if body is None:
        return None
    frame, looks, offset = (float(body[name]) for name in ("frame", "looks", "offset"))
    return ClipChance(
        frame, looks, offset, int(body["larvae"]), int(body["found"]), float(body["silhouette_score"])
    )


def _parse_config(weights_path: Path, card: ModelCard) -> "NetworkConfig":
    from models.network import NetworkConfig

    try:
        values = {
            name: tuple(int(v) for v in value) if isinstance(value, list | tuple) else int(value)
            for name, value in card.config.items()
        }
        return NetworkConfig(**values)  # type: ignore[arg-type]  # names and kinds are checked by building with them
    except (TypeError, ValueError, AttributeError) as error:
        raise WeightsError(
            f"{find_card_path(weights_path)}: the network's shape cannot be read; expected the fields of "
            f"NetworkConfig, found: {error}; use weights and card of this version of Leafshade"
        ) from error


def _check_file(weights_path: Path, sha256: str) -> None:
    try:
        size = weights_path.stat().st_size
        found = hash_file(weights_path) if size <= MOST_WEIGHT_BYTES else "too much to be read"
    except OSError as error:
        raise WeightsError(
            f"{weights_path}: cannot be read as weights; expected the file that its card names, found: {error}; "
            "install Leafshade again or give the path of other weights"
        ) from error
    if found != sha256:
        raise WeightsError(
            f"{weights_path}: is not the weight file its card was written for; expected sha256 {sha256[:12]}..., "
            f"found {size} bytes with {found[:12]}...; it is cut off or another file: copy both again"
        )


def _fill_pair(weights_path: Path, config: "NetworkConfig") -> "NetworkPair":
    import pickle

    import torch

    from models.network import build_pair

    try:
        states = torch.load(weights_path, map_location="cpu", weights_only=True)
        pair = replace(build_pair(config, seed=0), ranges=states.get("ranges"))
        pair.seeker.load_state_dict(states["seeker"])
        pair.judge.load_state_dict(states["judge"])
    except (RuntimeError, KeyError, TypeError, AttributeError, EOFError, pickle.UnpicklingError) as error:
        first_line = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise WeightsError(
            f"{weights_path}: holds no weights of this network; expected the state of a seeker and a judge of the "
            f"card's shape, found: {first_line}; copy weights and card again from where they came from"
        ) from error
    return pair


def hash_file(path: Path) -> str:
    """Return the sha256 of a file, in hex."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
