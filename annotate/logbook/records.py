"""What the logbook hands out: sites, trees, visits, clips, candidates with their views, verdicts, observations. Data only.

Moments are aware and in UTC, with the name of the local zone beside them (`annotate.zones` reads it). Places are WGS 84
degrees. Pixels are (row, column) of the upright full-resolution frame; a box is (first row, first column, end row, end
column), ends excluded. Pictures are named by the sha256 of their bytes (`annotate.logbook.pictures`).
"""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from annotate.words import Answer

CandidateKind = Literal["silhouette", "feeding"]
Source = Literal["footage", "eye", "none found"]
Standing = Literal["listed", "set aside", "same"]
FoundBy = Literal["search", "hand", "planted"]
Box = tuple[int, int, int, int]
Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Site:
    """A place with trees; the position is None where nobody gave one. `zone` decides the local date of a visit."""

    id: int
    code: str
    name: str
    latitude_deg: float | None
    longitude_deg: float | None
    zone: str


@dataclass(frozen=True, slots=True)
class Tree:
    """A plant of a site.

    Attributes
    ----------
    site, code : codes of the site and, within it, of the tree
    host_taxon : what plant it is
    latitude_deg, longitude_deg, accuracy_m : where it stands, and within how many metres that is right; None where not given
    height_m : None where not given
    notes, cautions : free text; cautions are what a visitor must know (dead wood, fences)
    expected_taxon : the animal looked for here; empty where it is the one of the settings
    walk_order : its place in the walk from tree to tree, 1 first; None where nobody said
    marker : the number on its card; None where it has none
    """

    id: int
    site: str
    code: str
    host_taxon: str
    latitude_deg: float | None
    longitude_deg: float | None
    accuracy_m: float | None
    height_m: float | None
    notes: str
    cautions: str
    expected_taxon: str
    walk_order: int | None = None
    marker: int | None = None


@dataclass(frozen=True, slots=True)
class Visit:
    """One outing to a site on one local date.

    Attributes
    ----------
    site : code of the site
    started_at, ended_at : None where unknown
    times_from : "footage" where start and end come from the clips, "given" where a person said them
    temperature_c, wind_beaufort, cloud_oktas : weather (`annotate.field.weather` has the words); None where nobody said
    """

    id: int
    site: str
    date: date
    started_at: datetime | None
    ended_at: datetime | None
    times_from: str
    zone: str
    recorders: str
    weather: str
    notes: str
    temperature_c: float | None = None
    wind_beaufort: int | None = None
    cloud_oktas: int | None = None


@dataclass(frozen=True, slots=True)
class Clip:
    """A video or a set of photos that was searched.

    Attributes
    ----------
    sha256 : of its bytes; by it a clip is known wherever it is moved
    path : where it was last seen; it may be gone
    recorded_at : moment of the first frame
    recorded_from : what the moment was read from, in words
    """

    id: int
    sha256: str
    path: str
    name: str
    kind: str
    width_px: int
    height_px: int
    frame_rate_hz: float
    duration_s: float
    codec: str
    recorded_at: datetime
    zone: str
    recorded_from: str
    added_at: datetime
    visit_id: int | None


@dataclass(frozen=True, slots=True)
class Stretch:
    """The part of a clip, in seconds from its first frame, filmed under one tree."""

    id: int
    clip_id: int
    site: str
    tree: str
    start_s: float
    end_s: float
    source: str


@dataclass(frozen=True, slots=True)
class PastSearch:
    """A search of a clip that is finished and saved.

    Attributes
    ----------
    offered : candidates it put into the review
    same_as_before : candidates that show what was judged after an older search, and were not put into the review again
    set_aside : unjudged candidates of older searches that this one took out of the review
    """

    id: int
    clip_id: int
    started_at: datetime
    finished_at: datetime
    scorer: str
    settings_sha256: str
    searched_s: float
    usable_s: float
    frames: int
    looked_at: int
    problems: tuple[str, ...]
    offered: int
    same_as_before: int
    set_aside: int


@dataclass(frozen=True, slots=True)
class QueuedView:
    """One view of a candidate, ready to be shown.

    Attributes
    ----------
    rank : 0 for the best
    at : moment, UTC
    box, outline : where it is in the frame; the outline is a closed polygon of (row, column)
    score, sharpness : 0 to 1
    picture : sha256 of the picture of its surroundings
    picture_origin_px, picture_size_px : (row, column) of the picture's top left pixel in the frame; (rows, columns)
    own_outline : the search's, where a person drew another that stands in its place; else None
    """

    rank: int
    time_s: float
    at: datetime
    frame_index: int
    box: Box
    outline: tuple[Place, ...]
    score: float
    length_px: float
    width_px: float
    sharpness: float
    picture: str
    picture_origin_px: tuple[int, int]
    picture_size_px: tuple[int, int]
    own_outline: tuple[Place, ...] | None = None


@dataclass(frozen=True, slots=True)
class QueuedCandidate:
    """A candidate with everything a page shows of it.

    Attributes
    ----------
    tree_id, site, tree : id and codes; 0 and empty where no stretch says under which tree this was filmed
    clip_id, clip_name, clip_path, clip_sha256, clip_duration_s : the clip it comes from
    at, zone : moment of the best view, UTC, and the local zone
    first_s, last_s, best_s : in the clip, first seen, last seen, and the best view
    frame_picture : sha256 of the whole frame of the best view, reduced; `frame_size_px` is that of the full-resolution frame
    answer : the newest verdict's, "open" where there is none
    standing : "listed" where it takes part in the review
    observation_id : the observation that stands because it was confirmed; None where there is none
    views : best first; only the best one in a list
    found_by : "search", "hand" where a person drew it in, "planted" where it was put there to measure with
    """

    id: int
    kind: CandidateKind
    score: float
    tree_id: int
    site: str
    tree: str
    clip_id: int
    clip_name: str
    clip_path: str
    clip_sha256: str
    clip_duration_s: float
    at: datetime
    zone: str
    first_s: float
    last_s: float
    best_s: float
    views_seen: int
    length_px: float
    missing_percent: float
    frame_picture: str
    frame_size_px: tuple[int, int]
    answer: Answer
    standing: Standing
    observation_id: int | None
    views: tuple[QueuedView, ...]
    found_by: FoundBy = "search"


@dataclass(frozen=True, slots=True)
class Count:
    """How many candidates of one tree, or of all, have which answer.

    `tree_id` is 0, and `site` and `tree` are empty, for "no tree known" and for a sum.
    """

    tree_id: int
    site: str
    tree: str
    confirmed: int
    dismissed: int
    unsure: int
    open: int

    @property
    def judged(self) -> int:
        """Candidates with an answer."""
        return self.confirmed + self.dismissed + self.unsure

    @property
    def all(self) -> int:
        """Candidates, judged or not."""
        return self.judged + self.open


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a reviewer said of a candidate.

    Attributes
    ----------
    takes_back_id : the verdict that this one undoes, None for an ordinary one
    reason : why it was dismissed, one of `annotate.words.REASONS`; empty where nobody said
    blind : whether what others said of it was not shown
    batch : names verdicts that were given together; empty for one given alone
    stands_for : how many candidates it stands for where only a share was drawn to be read again, else 1
    """

    id: int
    candidate_id: int
    answer: Answer
    reviewer: str
    at: datetime
    takes_back_id: int | None
    reason: str = ""
    blind: bool = False
    batch: str = ""
    stands_for: float = 1.0


@dataclass(frozen=True, slots=True)
class Details:
    """What a reviewer adds to a confirmed candidate; None where nothing is said. Words are those of `annotate.words`."""

    stage: str | None = None
    condition: str | None = None
    behaviour: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Observation:
    """A dated record linked to a tree.

    Attributes
    ----------
    at, zone : moment, UTC, and the local zone
    site, tree : codes; empty where no tree is known yet
    source : "footage", "eye" or "none found"
    candidate_id, verdict_id : what it rests on, for footage
    count : how many animals; 0 for "none found"
    observer : who confirmed or saw it
    evidence : sha256 of the picture; None where there is none
    withdrawn_at : None while it stands
    height_m, aspect, branch : where on the tree; None where not said
    marker : what was tied there to find the animal again
    searched_min : how long was looked, by whoever looked
    length_mm, length_error_mm, length_from : of the body, and what it was measured by
    entry_key : names the entry it came from, so that one sent twice stands once; empty for footage
    """

    id: int
    at: datetime
    zone: str
    site: str
    tree: str
    visit_id: int | None
    source: Source
    candidate_id: int | None
    verdict_id: int | None
    taxon: str
    stage: str | None
    condition: str | None
    behaviour: str | None
    note: str | None
    count: int
    observer: str
    evidence: str | None
    withdrawn_at: datetime | None
    height_m: float | None = None
    aspect: str | None = None
    branch: str | None = None
    marker: str | None = None
    searched_min: float | None = None
    length_mm: float | None = None
    length_error_mm: float | None = None
    length_from: str | None = None
    entry_key: str = ""


@dataclass(frozen=True, slots=True)
class ObservationChange:
    """One field of an observation that was changed after it was made."""

    field: str
    old: str | None
    new: str | None
    who: str
    at: datetime


@dataclass(frozen=True, slots=True)
class RecordChange:
    """One field of a site, tree, visit, clip or stretch that was changed after it was made."""

    field: str
    old: str | None
    new: str | None
    who: str
    at: datetime
