"""Records as rows of a field notebook: every cell in words, and where a cell would be empty, why it is."""

from collections.abc import Sequence
from typing import Any

from annotate.field.weather import say_weather
from annotate.histories import name_field, say_value
from annotate.logbook.effort import TreeEffort
from annotate.logbook.records import Clip, Count, Observation, ObservationChange, RecordChange, Tree, Visit
from annotate.logbook.visits import VisitSummary
from annotate.numbers import say_count
from annotate.observations import say_place
from annotate.web.cards import address_picture
from annotate.web.wording import say_clock, say_clock_with_zone, say_date, say_source, write_out

Row = dict[str, Any]

SOURCE_WORDS = {"footage": "from footage", "eye": "seen by eye", "none found": "searched, none found"}
NOT_SAID = "not said"


def describe_change(change: ObservationChange | RecordChange, *, zone: str) -> Row:
    """Return what was changed of a record as a row of its history."""
    return {
        "when": f"{say_date(change.at, zone)}, {say_clock_with_zone(change.at, zone)}",
        "who": change.who,
        "field": name_field(change),
        "old": say_value(change.field, change.old, zone=zone),
        "new": say_value(change.field, change.new, zone=zone),
    }


def describe_observation(observation: Observation) -> Row:
    """Return an observation as a row."""
    said = [observation.stage, observation.condition, observation.behaviour]
    return {
        "id": observation.id,
        "date": say_date(observation.at, observation.zone),
        "clock": say_clock_with_zone(observation.at, observation.zone),
        "site": observation.site,
        "tree": observation.tree,
        "taxon": observation.taxon,
        "stage": observation.stage or "",
        "condition": observation.condition or "",
        "behaviour": observation.behaviour or "",
        "is_silent": not any(said),
        "place": say_place(observation),
        "searched": say_searched(observation),
        "words": say_seen(observation),
        "address": f"/observations/{observation.id}",
        "is_withdrawn": observation.withdrawn_at is not None,
        "note": observation.note or "",
        "source": SOURCE_WORDS[observation.source],
        "count": observation.count,
        "observer": observation.observer,
        "picture": address_picture(observation.evidence) if observation.evidence else "",
        "label": _label_observation(observation),
        "candidate": observation.candidate_id,
    }


def describe_tree(
    tree: Tree, *, count: Count | None, observations: Sequence[Observation], visits: Sequence[Visit]
) -> Row:
    """Return a tree as a row, with what became of its footage and when it was last visited."""
    standing = [one for one in observations if one.count]
    last = max(visits, key=lambda visit: visit.date, default=None)
    return {
        "site": tree.site,
        "code": tree.code,
        "address": f"/trees/{tree.site}/{tree.code}",
        "host": tree.host_taxon,
        "position": _say_position(tree),
        "height": f"{tree.height_m:g} m" if tree.height_m is not None else "",
        "notes": tree.notes,
        "cautions": tree.cautions,
        "observations": len(standing),
        "last_visit": write_out(last.date) if last else "",
        "judged": _say_judged(count),
        "open": count.open if count else 0,
        "confirmed": count.confirmed if count else 0,
        "is_searched": count is not None or last is not None,
    }


def describe_visit(
    summary: VisitSummary,
    *,
    clips: Sequence[Clip],
    observations: Sequence[Observation],
    effort: Sequence[TreeEffort] = (),
) -> Row:
    """Return a visit as a row, with its clips and the pictures of what was found."""
    visit = summary.visit
    return {
        "id": visit.id,
        "date": write_out(visit.date),
        "site": visit.site,
        "times": _say_times(visit),
        "trees": ", ".join(summary.trees),
        "recorders": visit.recorders,
        "weather": say_weather(
            temperature_c=visit.temperature_c,
            wind_beaufort=visit.wind_beaufort,
            cloud_oktas=visit.cloud_oktas,
            words=visit.weather,
        ),
        "address": f"/visits/{visit.id}",
        "by_eye": _say_by_eye(effort),
        "notes": visit.notes,
        "footage": _say_footage(summary),
        "judged": _say_visit_judged(summary),
        "observations": summary.observations,
        "clips": [
            {
                "name": clip.name,
                "address": f"/clips/{clip.id}",
                "clock": say_clock(clip.recorded_at, clip.zone),
                "length": say_length(clip.duration_s),
                "source": say_source(clip.recorded_from),
            }
            for clip in clips
        ],
        "pictures": [describe_observation(one) for one in observations if one.evidence],
    }


def say_length(length_s: float) -> str:
    """Return a length of time: "45 s", "12 min 30 s", "1 h 5 min"."""
    seconds = round(length_s)
    hours, rest = divmod(seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {seconds} s" if minutes else f"{seconds} s"


def say_searched(observation: Observation) -> str:
    """Return how long was looked: "12 min"; empty where nobody said."""
    return "" if observation.searched_min is None else f"{observation.searched_min:g} min"


def say_seen(observation: Observation) -> str:
    """Return a record in a line: "2 × L4, alive, 2.5 m up" or "none found in 12 min"."""
    searched = say_searched(observation)
    if observation.count == 0:
        return f"none found in {searched}" if searched else "none found"
    many = f"{observation.count} × " if observation.count > 1 else ""
    said = [observation.stage or "stage not said", observation.condition, observation.behaviour]
    return many + ", ".join(part for part in (*said, say_place(observation)) if part)


def _label_observation(observation: Observation) -> str:
    parts = [
        observation.taxon,
        observation.stage or "stage not said",
        f"tree {observation.tree}" if observation.tree else "no tree given",
        f"{say_date(observation.at, observation.zone)} {say_clock(observation.at, observation.zone)}",
    ]
    return ", ".join(parts)


def _say_position(tree: Tree) -> str:
    if tree.latitude_deg is None or tree.longitude_deg is None:
        return ""
    within = f", within {tree.accuracy_m:g} m" if tree.accuracy_m is not None else ""
    return f"{tree.latitude_deg:.5f}°, {tree.longitude_deg:.5f}°{within}"


def _say_judged(count: Count | None) -> str:
    if count is None or count.all == 0:
        return ""
    return f"{count.judged:,} of {count.all:,} judged, {count.confirmed:,} confirmed"


def _say_visit_judged(summary: VisitSummary) -> str:
    if not summary.candidates:
        return ""
    return f"{summary.judged:,} of {say_count(summary.candidates, 'candidate')} judged"


def _say_times(visit: Visit) -> str:
    if visit.started_at is None or visit.ended_at is None:
        return ""
    start, end = (say_clock_with_zone(moment, visit.zone) for moment in (visit.started_at, visit.ended_at))
    by = ", by its footage" if visit.times_from == "footage" else ""
    return f"{start.partition(' ')[0]} to {end}{by}"


def _say_by_eye(effort: Sequence[TreeEffort]) -> str:
    minutes = [one.eye_min for one in effort if one.eye_min is not None]
    return f"{sum(minutes):g} min by eye on {say_count(len(minutes), 'tree')}" if minutes else ""


def _say_footage(summary: VisitSummary) -> str:
    if not summary.clips:
        return ""
    clips = say_count(summary.clips, "clip")
    return f"{clips}, {say_length(summary.searched_s)} searched, {say_length(summary.usable_s)} of it sharp enough"
