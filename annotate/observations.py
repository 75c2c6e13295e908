"""Observations as data: stable names, units in the names, UTC and local time side by side; and a place on a tree in words."""

from annotate.field.visits import write_local, write_utc
from annotate.logbook.records import Observation
from annotate.sheets import Cell
from annotate.zones import find_local_date

COLUMNS = (
    "id",
    "date",
    "at_local",
    "at_utc",
    "zone",
    "site",
    "tree",
    "taxon",
    "stage",
    "condition",
    "behaviour",
    "note",
    "count",
    "source",
    "observer",
    "evidence_sha256",
    "candidate_id",
    "withdrawn_at_utc",
    "height_m",
    "aspect",
    "branch",
    "marker",
    "searched_min",
    "length_mm",
    "length_error_mm",
    "length_from",
    "entry_key",
)


def describe_observation(observation: Observation) -> dict[str, Cell]:
    """Return an observation as data: the date is that of the local calendar, moments are ISO 8601 to the second."""
    return {
        "id": observation.id,
        "date": find_local_date(observation.at, observation.zone).isoformat(),
        "at_local": write_local(observation.at, observation.zone),
        "at_utc": write_utc(observation.at),
        "zone": observation.zone,
        "site": observation.site,
        "tree": observation.tree,
        "taxon": observation.taxon,
        "stage": observation.stage,
        "condition": observation.condition,
        "behaviour": observation.behaviour,
        "note": observation.note,
        "count": observation.count,
        "source": observation.source,
        "observer": observation.observer,
        "evidence_sha256": observation.evidence,
        "candidate_id": observation.candidate_id,
        "withdrawn_at_utc": write_utc(observation.withdrawn_at),
        "height_m": observation.height_m,
        "aspect": observation.aspect,
        "branch": observation.branch,
        "marker": observation.marker,
        "searched_min": observation.searched_min,
        "length_mm": observation.length_mm,
        "length_error_mm": observation.length_error_mm,
        "length_from": observation.length_from,
        "entry_key": observation.entry_key,
    }


def say_place(observation: Observation) -> str:
    """Return where on the tree it was: "2.5 m up, NE side, low twig; marker red thread 7"; empty where nobody said."""
    parts = [] if observation.height_m is None else [f"{observation.height_m:g} m up"]
    parts += [f"{observation.aspect} side"] if observation.aspect else []
    parts += [observation.branch] if observation.branch else []
    marker = f"marker {observation.marker}" if observation.marker else ""
    return "; ".join(part for part in (", ".join(parts), marker) if part)
