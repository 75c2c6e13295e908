"""From files to saved searches: each clip is opened, dated, searched, and saved in the logbook with its candidates.

A search keeps its progress in the logbook's folder `progress`, so that one that was killed goes on; the clip is locked meanwhile,
so that two people do not search it twice at once. Nothing of a clip stands in the logbook before its search is finished. This
file finds nothing in a clip (`detect` does) and prints nothing.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from annotate.errors import AnnotateError
from annotate.json_files import write_json
from annotate.logbook.clip_places import cut_by_place
from annotate.logbook.clips import add_clip, add_stretch, find_clip_by_sha256, list_stretches
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Clip, PastSearch, Tree
from annotate.logbook.searches import find_current_search, save_search
from annotate.logbook.sightings import CardCut, cut_by_cards
from annotate.logbook.sizes import keep_focal_length
from annotate.logbook.stretches import POSITION, TRACK
from annotate.zones import read_zone

if TYPE_CHECKING:
    from detect.candidates import Candidate
    from detect.clips import ClipInfo
    from detect.scoring import Scorer
    from detect.search import ClipSearch, SearchSettings

PROGRESS_NAME = "progress"
SHORTEST_STRETCH_S = 0.05
"""A clip of a single frame still gets a stretch with a length."""

OnProgress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class SearchOrder:
    """What a person asked for, the same for all clips of one command.

    Attributes
    ----------
    tree : under which tree the clips were filmed; None where nobody said
    again : search clips that were searched before
    recorded_at : moment of the first frame, said by a person; None to read it from the file
    """

    tree: Tree | None
    again: bool
    recorded_at: datetime | None


@dataclass(frozen=True, slots=True, eq=False)
class SearchedClip:
    """What became of one clip.

    Attributes
    ----------
    search : the finished search that stands in the logbook
    found : what it found, its pictures in the logbook alone; None where the clip had been searched before and was left alone
    warnings : about its date and what could not be read, in sentences
    linked : the tree it was linked to by this order; empty where nothing changed
    cut : the stretches that tree cards in the footage cut, and what to know about them
    """

    clip: Clip
    search: PastSearch
    found: "ClipSearch | None"
    warnings: tuple[str, ...]
    linked: str
    cut: CardCut


@dataclass(frozen=True, slots=True)
class _Moment:
    """When a clip began, in which local zone, how that is known, and what to know about it."""

    at: datetime
    zone: str
    source: str
    warnings: tuple[str, ...]


def choose_settings(logbook: Logbook) -> "SearchSettings":
    """Return the search settings of a logbook."""
    from detect.search import SearchSettings

    chosen = logbook.settings.search
    return SearchSettings(
        window_s=chosen.window_s,
        silhouette_score=chosen.silhouette_score,
        feeding_score=chosen.feeding_score,
        kept_views=chosen.kept_views,
    )


def search_into_logbook(
    logbook: Logbook,
    info: "ClipInfo",
    *,
    order: SearchOrder,
    scorer: "Scorer",
    on_progress: OnProgress | None = None,
) -> SearchedClip:
    """Search one clip and save what was found; a clip that was searched before is left alone unless told otherwise.

    Raises
    ------
    annotate.errors.AnnotateError
        Where someone else is searching the same clip, its date is not known, or the logbook cannot be written.
    detect.errors.DetectError
        Where the clip cannot be read.
    """
    from detect.clip_places import read_place
    from detect.lenses import read_focal_length
    from detect.search import search_clip

    with _hold_clip(logbook, info) as progress_path:
        clip = find_clip_by_sha256(logbook, info.sha256)
        past = None if clip is None else find_current_search(logbook, clip.id)
        if clip is not None and past is not None and not order.again:
            linked = _link(logbook, clip, order.tree)
            # Trees may have got their cards since.
            return SearchedClip(clip, past, None, (), linked, cut_by_cards(logbook, clip.id))
        moment = _date_clip(logbook, info, order)
        settings = choose_settings(logbook)
        started_at = datetime.now(UTC)
        found = search_clip(
            info, settings, scorer=scorer, checkpoint_path=progress_path, on_progress=on_progress
        )
        clip = add_clip(
            logbook,
            info,
            recorded_at=moment.at,
            zone=moment.zone,
            recorded_from=moment.source,
            duration_s=found.duration_s,
        )
        keep_focal_length(logbook, clip.id, read_focal_length(info.path))
        linked = _link(logbook, clip, order.tree)
        cut = cut_by_cards(logbook, clip.id, found.cards)
        asked = cut_by_place(logbook, clip.id, read_place(info.path))
        search = save_search(
            logbook,
            clip.id,
            found=found,
            scorer=scorer.name,
            settings_sha256=settings.digest(),
            started_at=started_at,
            finished_at=datetime.now(UTC),
        )
        progress_path.unlink(missing_ok=True)
        look_at_found(logbook, clip.id, scorer)
        found.close()
        doubts = (f"{clip.name}: {asked}; answer with: leafshade stretches",) if asked else ()
        return SearchedClip(clip, search, found, moment.warnings + doubts + found.problems, linked, cut)


def look_at_found(logbook: Logbook, clip_id: int, scorer: "Scorer") -> None:
    """Keep what the candidates of a clip look like, where the scorer can say: the order of judging goes by it."""
    from annotate.judging.looks import make_looks
    from annotate.judging.promise import renew_promises
    from detect.scoring import Describer

    if isinstance(scorer, Describer):
        make_looks(logbook, scorer, clip_id=clip_id)
    renew_promises(logbook)


def write_candidates(path: Path, searched: Sequence[SearchedClip]) -> None:
    """Write every candidate of freshly searched clips with its views as JSON, under a temporary name first.

    The format is described by its own keys: pixels are (row, column) of the upright frame, a box is [first row, first column,
    end row, end column] with ends excluded, times are seconds from the clip's first frame.
    """
    clips = [
        {
            "clip": item.clip.name,
            "sha256": item.clip.sha256,
            "recorded_at": item.clip.recorded_at.isoformat(),
            "searched_s": item.search.searched_s,
            "usable_s": item.search.usable_s,
            "scorer": item.search.scorer,
            "candidates": [_describe(candidate) for candidate in item.found.candidates],
        }
        for item in searched
        if item.found is not None
    ]
    advice = "the search itself is saved; choose another file"
    write_json(path, {"clips": clips}, what="the candidates", advice=advice)


def _describe(candidate: "Candidate") -> dict[str, Any]:
    return {
        "kind": candidate.kind,
        "score": candidate.score,
        "first_s": candidate.first_s,
        "last_s": candidate.last_s,
        "length_px": candidate.length_px,
        "missing_percent": candidate.missing_percent,
        "views_seen": candidate.views_seen,
        "views": [
            {
                "time_s": view.time_s,
                "frame_index": view.frame_index,
                "kind": candidate.kind,
                "score": view.score,
                "box": list(view.box),
                "outline": [[round(float(row), 2), round(float(column), 2)] for row, column in view.outline],
                "length_px": view.length_px,
                "width_px": view.width_px,
                "sharpness": view.sharpness,
            }
            for view in candidate.views
        ],
    }


@contextmanager
def _hold_clip(logbook: Logbook, info: "ClipInfo") -> Iterator[Path]:
    """Lock a clip for one search and give the file its progress is kept in."""
    from filelock import FileLock, Timeout

    folder = logbook.folder / PROGRESS_NAME
    lock = FileLock(folder / f"{info.sha256[:32]}.lock")
    try:
        folder.mkdir(exist_ok=True)
        lock.acquire(timeout=0)
    except Timeout as error:
        raise AnnotateError(
            f"{info.path}: expected a clip nobody is searching, found it being searched into this logbook by another "
            "command; wait until that one has finished"
        ) from error
    except OSError as error:
        raise AnnotateError(
            f"logbook {logbook.folder}: expected a folder that can be written, found: {error.strerror}; "
            "correct the rights, or free some space"
        ) from error
    try:
        yield folder / f"{info.sha256[:32]}.jsonl"
    finally:
        lock.release()


def _date_clip(logbook: Logbook, info: "ClipInfo", order: SearchOrder) -> _Moment:
    """Find when a clip began: as said, else from the file, in the logbook's zone."""
    from detect.recording_time import NoRecordingTime, read_recording_time

    zone = logbook.settings.place.zone
    if order.recorded_at is not None:
        return _Moment(order.recorded_at, zone, "given", ())
    try:
        read = read_recording_time(info.path, zone=_find_named_zone(zone))
    except NoRecordingTime as error:
        raise AnnotateError(f"{error}, with: --recorded-at 2026-05-17T12:30") from error
    return _Moment(read.at_utc, read.zone, read.source, read.warnings)


def _find_named_zone(zone: str) -> ZoneInfo:
    """Return a zone of the IANA database; a fixed offset of whole hours has one too (its sign is turned round there)."""
    known = read_zone(zone)
    if isinstance(known, ZoneInfo):
        return known
    ahead = known.utcoffset(None) or timedelta(0)
    hours, rest = divmod(round(ahead.total_seconds()), 3600)
    if rest:
        raise AnnotateError(
            f"zone: expected a name such as 'Asia/Kolkata' for a zone of broken hours, found {zone!r}; "
            "write the name into settings.toml"
        )
    return ZoneInfo(f"Etc/GMT{-hours:+d}" if hours else "UTC")


def _link(logbook: Logbook, clip: Clip, tree: Tree | None) -> str:
    """Say that the whole clip was filmed under a tree, unless its stretches already say something."""
    weak = (TRACK, POSITION)
    if tree is None or any(one.source not in weak for one in list_stretches(logbook, clip.id)):
        return ""
    end_s = max(clip.duration_s, SHORTEST_STRETCH_S)
    stretch = add_stretch(logbook, clip.id, tree_id=tree.id, start_s=0.0, end_s=end_s)
    return stretch.tree
