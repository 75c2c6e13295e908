"""What a walked track and a corrected clock do to a logbook's clips, with the sentences to tell it by.

Local times that a change to or from summer time makes doubtful are told. It prints nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from annotate.errors import AnnotateError
from annotate.field.clock_offsets import estimate_offset, read_offset, say_offset
from annotate.field.gpx_tracks import read_gpx
from annotate.field.track_stretches import FilmedSpan, StandingTree, WalkedTrack, plan_track_stretches
from annotate.logbook.clips import find_clip
from annotate.logbook.clocks import find_clips_named, list_clips_of_visit, read_offsets, set_clock
from annotate.logbook.opening import Logbook
from annotate.logbook.places import list_sites
from annotate.logbook.records import Clip
from annotate.logbook.tracks import cut_by_track, list_known_places, list_spans, list_standing_trees
from annotate.zones import read_zone, write_clock, write_date

DAY_S = 86400.0
MOST_NAMED = 12
"""Clips named in one line; of more there is the number."""


@dataclass(frozen=True, slots=True)
class FollowedTrack:
    """What a track did: `clock` tells of the camera's clock, `notes` what a person should know."""

    positions: int
    clips: int
    certain: int
    asked: int
    changed: int
    clock: str
    notes: tuple[str, ...]


def follow_track(logbook: Logbook, path: Path, *, offset: str, site: str, who: str) -> FollowedTrack:
    """Cut the clips that a GPX track reaches into stretches; all of it or nothing.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the file is none, no tree has a place, no clip lies along the way, or the clock cannot be told.
    """
    read = read_gpx(path)
    known = [one.code for one in list_sites(logbook)]
    site = next((code for code in known if code.casefold() == site.strip().casefold()), site)
    if site and site not in known:
        raise AnnotateError(
            f"site: expected the code of a site ({', '.join(known) or 'none yet'}); found {site!r}; choose one of these"
        )
    trees = list_standing_trees(logbook, site=site)
    if not trees:
        raise AnnotateError(
            f"trees{' of ' + site if site else ''}: expected some with a position; found none; give them with: "
            "leafshade trees import FILE.csv, columns latitude_deg and longitude_deg"
        )
    first, last = float(read.walked.times_s[0]), float(read.walked.times_s[-1])
    spans = tuple(
        span
        for span in list_spans(logbook)
        if span.start_s + span.duration_s > first - DAY_S and span.start_s < last + DAY_S
    )
    offset_s, clock = _find_offset(logbook, read.walked, offset, trees=trees, spans=spans)
    moved = [replace(span, start_s=span.start_s + offset_s) for span in spans]
    planned = plan_track_stretches(read.walked, trees=trees, spans=moved)
    if not planned:
        raise AnnotateError(
            f"{path}: expected clips filmed along the track, from {_say(first)} to {_say(last)}; found none with {clock}; "
            "search the clips first, or give --offset"
        )
    changed = cut_by_track(logbook, read, planned=planned, offset_s=offset_s, who=who)
    cut = [one for stretches in planned.values() for one in stretches]
    empty = [find_clip(logbook, clip_id).name for clip_id, stretches in planned.items() if not stretches]
    notes = list(read.notes)
    if empty:
        notes.append(f"filmed along the way, but under no tree of the register: {_list_some(empty)}")
    asked = sum(bool(one.doubt) for one in cut)
    return FollowedTrack(
        len(read.walked.times_s), len(planned), len(cut) - asked, asked, changed, clock, tuple(notes)
    )


def _list_some(names: Sequence[str]) -> str:
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _find_offset(
    logbook: Logbook,
    track: WalkedTrack,
    given: str,
    *,
    trees: Sequence[StandingTree],
    spans: Sequence[FilmedSpan],
) -> tuple[float, str]:
    """Return the offset of the camera's clock, and a sentence on it."""
    if given:
        offset_s = read_offset(given)
        return offset_s, f"the camera's clock taken with {say_offset(offset_s)}, as given"
    known = list_known_places(logbook, spans)
    found = estimate_offset(track, trees=trees, spans=spans, known=known)
    if found is None or not found.is_clear:
        best = (
            "no agreement"
            if found is None
            else f"{say_offset(found.offset_s)} with only {100 * found.share:.0f} %"
        )
        raise AnnotateError(
            f"clock: expected one offset at which the clips were filmed under trees; found {best}; film the receiver's clock and "
            "give --offset, such as --offset 0 for a camera set by it, or tie some clips to their trees first"
        )
    return (
        found.offset_s,
        f"the camera's clock taken with {say_offset(found.offset_s)}, by agreement with the trees, "
        f"give or take {max(found.deviation_s, 1):.0f} s ({100 * found.share:.0f} %)",
    )


def correct_clock(
    logbook: Logbook, offset: str, *, clips: Sequence[str], visit: str, site: str, who: str
) -> list[str]:
    """Set the offset of clips, or of all clips of a visit; return lines that tell what moved.

    Raises
    ------
    annotate.errors.AnnotateError
        Where no clip is meant, or the offset is none.
    """
    offset_s = read_offset(offset)
    if bool(clips) == bool(visit):
        raise AnnotateError(
            "clock: expected --clip or --visit; found both or neither; name clips, or the local date of a visit"
        )
    ids = list_clips_of_visit(logbook, site=site, date=visit) if visit else []
    for name in clips:
        found = find_clips_named(logbook, name)
        if len(found) > 1:
            numbers = ", ".join(str(clip.id) for clip in found)
            raise AnnotateError(
                f"clip: expected one clip named {name!r}; found several, numbers {numbers}; name it by its number"
            )
        ids.append(found[0].id)
    ids = list(dict.fromkeys(ids))
    was = read_offsets(logbook)
    before = {clip_id: find_clip(logbook, clip_id) for clip_id in ids}
    count = set_clock(logbook, ids, offset_s=offset_s, who=who)
    lines = []
    for clip_id in ids:
        after = find_clip(logbook, clip_id)
        lines.append(
            f"{after.name}: {_say_moment(before[clip_id])} is now {_say_moment(after)} "
            f"(clock {say_offset(was[clip_id])} before, {say_offset(offset_s)} now)."
        )
        doubt = tell_change_of_clocks(after.recorded_at, after.zone)
        if doubt:
            lines.append(f"Note: {after.name}: {doubt}.")
    lines.append(f"{count} of {len(ids)} {'clip' if len(ids) == 1 else 'clips'} moved.")
    return lines


def tell_change_of_clocks(moment: datetime, zone: str) -> str:
    """Return in words what is special of a moment on a day when clocks change, empty where nothing.

    An hour that comes twice is told with which of the two is meant; a camera that was not put forward is told by the hour
    that clocks left out: the camera would have shown it now.
    """
    where = read_zone(zone)
    if not isinstance(where, ZoneInfo):
        return ""
    local = moment.astimezone(where)
    other = local.replace(fold=1 - local.fold)
    if local.utcoffset() != other.utcoffset():
        which = "second, after" if local.fold else "first, before"
        return f"the clock in {zone} shows {local:%H:%M} twice that day; this is the {which} it was put back ({local.tzname()})"
    start, end = (
        datetime(local.year, local.month, local.day, hour, minute, tzinfo=where).utcoffset()
        for hour, minute in ((0, 0), (23, 59))
    )
    if start == end or start is None or end is None:
        return ""
    change = "forward" if end > start else "back"
    return (
        f"clocks in {zone} were put {change} that day; if the camera's was not, correct it with --offset "
        f"{say_offset((end - start).total_seconds())}"
    )


def _say_moment(clip: Clip) -> str:
    local = clip.recorded_at.astimezone(read_zone(clip.zone))
    return f"{write_date(local.date())}, {write_clock(clip.recorded_at, clip.zone)}"


def _say(moment_s: float) -> str:
    return f"{datetime.fromtimestamp(moment_s, UTC):%Y-%m-%d %H:%M} UTC"
