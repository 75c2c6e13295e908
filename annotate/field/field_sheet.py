"""What a field sheet says for the next visit of a site: trees in walking order, known finds, what was searched, what to look for.

The day is given, never read from a clock. Trees without a place in the walk come last, by code. Of each tree the newest finds are
told, those of one marker once; a stage is expected where the calendar of a taxon profile has it, which is no promise. Everything
is gathered here as words and data; how it stands on paper is in `annotate.field.field_sheet_pages`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from annotate.errors import AnnotateError
from annotate.field.site_plan import SitePlan, draw_plan
from annotate.field.trees import sort_by_walk
from annotate.lengths.stages import SEASON_DAYS, count_days_off
from annotate.lengths.taxon_profiles import Instar, TaxonProfile, choose_profiles, list_profiles
from annotate.logbook.effort import TreeEffort, list_effort
from annotate.logbook.observations import list_observations
from annotate.logbook.opening import Logbook
from annotate.logbook.pictures import read_picture
from annotate.logbook.places import find_tree, list_sites, list_trees
from annotate.logbook.records import Box, Observation, Site, Tree
from annotate.logbook.review import count_candidates, find_candidate
from annotate.logbook.visits import list_visits
from annotate.observations import say_place
from annotate.zones import find_local_date, to_local, write_date

MOST_FINDS = 4
"""Newest finds of a tree that the sheet tells of: a page holds a tree with so many. Own choice."""

MOST_SEARCHES = 3
"""Newest searches that found nothing, likewise."""

SOURCE_WORDS = {"footage": "from footage", "eye": "by eye"}


@dataclass(frozen=True, slots=True)
class Picture:
    """An evidence picture.

    Attributes
    ----------
    data : the bytes of its file; empty where it cannot be shown
    box : where the animal is in it, in its own px; None where not known
    problem : why it cannot be shown, else empty
    """

    data: bytes
    box: Box | None = None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Find:
    """A known find in words: when and how, what was said of the animal, where on the tree, the note; and its last picture."""

    when: str
    what: str
    place: str
    note: str
    picture: Picture | None


@dataclass(frozen=True, slots=True)
class SheetTree:
    """One tree of the sheet.

    Attributes
    ----------
    number : its place on the sheet, 1 first
    finds : newest first; `older` says how many more the logbook has
    looked : sentences on when it was looked at and what was searched in vain
    look_for : a sentence
    """

    number: int
    tree: Tree
    finds: tuple[Find, ...]
    older: int
    looked: tuple[str, ...]
    look_for: str


@dataclass(frozen=True, slots=True)
class FieldSheet:
    """A sheet: the site by name, the day of the visit, its trees in order, the calendar of each animal, the plan.

    `order` says in words by what the trees are ordered.
    """

    site: str
    day: date
    trees: tuple[SheetTree, ...]
    order: str
    seasons: tuple[str, ...]
    plan: SitePlan


def choose_site(logbook: Logbook, code: str = "") -> Site:
    """Return the site of a code, or the only one where none is named.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none, or several and none is named.
    """
    sites = list_sites(logbook)
    if not sites:
        raise AnnotateError(
            "field sheet: expected a site with trees; found none in the logbook; import them: leafshade trees import FILE.csv"
        )
    named = ", ".join(site.code for site in sites)
    found = [site for site in sites if site.code.casefold() == code.strip().casefold()] if code else sites
    if not found:
        raise AnnotateError(
            f"field sheet: expected the code of a site ({named}); found {code!r}; choose one of these"
        )
    if len(found) > 1:
        raise AnnotateError(
            f"field sheet: expected one site; found {len(found)} ({named}); name one with: --site"
        )
    return found[0]


def gather_sheet(logbook: Logbook, site: Site, *, day: date, codes: Sequence[str] = ()) -> FieldSheet:
    """Return what the sheet of a site says for a visit on a day, of all its trees or of those named by code.

    Raises
    ------
    annotate.errors.AnnotateError
        Where a tree is not of the site, or the site has none, or a taxon profile has a mistake.
    """
    trees = _choose_trees(logbook, site, codes)
    walked = any(tree.walk_order is not None for tree in trees)
    observations = list_observations(logbook, site=site.code)
    profiles = list_profiles(logbook.folder)
    open_counts = {count.tree_id: count.open for count in count_candidates(logbook)}
    effort = _list_effort_by_tree(logbook, site)
    taxa = [tree.expected_taxon or logbook.settings.record.taxon for tree in trees]
    told = []
    for number, (tree, taxon) in enumerate(zip(trees, taxa, strict=True), start=1):
        finds = _join_marked([one for one in observations if one.tree == tree.code and one.count])
        told.append(
            SheetTree(
                number=number,
                tree=tree,
                finds=tuple(_tell_find(logbook, *find) for find in finds[:MOST_FINDS]),
                older=max(0, len(finds) - MOST_FINDS),
                looked=_tell_looked(effort.get(tree.id, ()), left=open_counts.get(tree.id, 0)),
                look_for=tell_expected(choose_profiles(profiles, taxon), taxon, day=day),
            )
        )
    plan = draw_plan([replace(one.tree, walk_order=one.number) for one in told])
    return FieldSheet(
        site=f"{site.name} ({site.code})" if site.name else site.code,
        day=day,
        trees=tuple(told),
        order="in walking order" if walked else "by their codes, as no walking order is given",
        seasons=tuple(
            line
            for taxon in dict.fromkeys(taxa)
            for line in tell_season(choose_profiles(profiles, taxon), taxon, day=day)
        ),
        # Without a walk that somebody gave there is no way to show.
        plan=plan if walked else replace(plan, walk=()),
    )


def tell_expected(profiles: Sequence[TaxonProfile], taxon: str, *, day: date) -> str:
    """Return in short which stages of an animal to look for on a day: "Apatura iris: L4, L5; perhaps L3"."""
    if not profiles:
        return f"{taxon}: no profile, so the season says nothing"
    now, near = (
        sorted({instar.name for profile in profiles for instar in part(profile, day)})
        for part in (_list_in_season, _list_near_season)
    )
    near = [name for name in near if name not in now]
    parts = [", ".join(now)] if now else []
    parts += [f"perhaps {', '.join(near)}"] if near else []
    return f"{taxon}: {'; '.join(parts) or 'no larval stage is in season'}"


def tell_season(profiles: Sequence[TaxonProfile], taxon: str, *, day: date) -> list[str]:
    """Return a sentence for each profile: the stages in season on a day with their lengths, those near it, the usual plants."""
    if not profiles:
        return [
            f"{taxon}: there is no profile of it, so nothing is said of its stages by season; "
            "one can be written: leafshade taxa --example."
        ]
    return [_tell_profile(profile, day) for profile in profiles]


def _tell_profile(profile: TaxonProfile, day: date) -> str:
    now, near = _list_in_season(profile, day), _list_near_season(profile, day)
    text = f"{profile.taxon}: " + (
        ", ".join(_tell_instar(one) for one in now) if now else "no larval stage is in season by the calendar"
    )
    text += f"; early or late perhaps {', '.join(_tell_instar(one) for one in near)}" if near else ""
    text += f". Usual plants: {', '.join(profile.hosts)}" if profile.hosts else ""
    return f"{text}."


def _tell_instar(instar: Instar) -> str:
    shortest, longest = instar.length_mm
    return f"{instar.name} ({shortest:.2g} to {longest:.2g} mm)"


def _list_in_season(profile: TaxonProfile, day: date) -> list[Instar]:
    """Return the instars met with on a day; one without a known season may be met with on any."""
    return [one for one in profile.instars if one.season is None or count_days_off(one.season, day) == 0]


def _list_near_season(profile: TaxonProfile, day: date) -> list[Instar]:
    """Return the instars whose season is as near as springs differ."""
    return [
        one
        for one in profile.instars
        if one.season is not None and 0 < count_days_off(one.season, day) <= SEASON_DAYS
    ]


def _choose_trees(logbook: Logbook, site: Site, codes: Sequence[str]) -> list[Tree]:
    if not codes:
        trees = list_trees(logbook, site=site.code)
    else:
        chosen = [find_tree(logbook, code if "/" in code else f"{site.code}/{code}") for code in codes]
        trees = tuple({tree.id: tree for tree in chosen}.values())
        strange = [tree for tree in trees if tree.site != site.code]
        if strange:
            raise AnnotateError(
                f"field sheet: expected trees of site {site.code!r}; found {strange[0].code!r} of {strange[0].site!r}; "
                "make a sheet for each site"
            )
    if not trees:
        raise AnnotateError(
            f"field sheet: expected trees of site {site.code!r}; found none; add them first: leafshade trees import FILE.csv"
        )
    return sort_by_walk(trees)


def _list_effort_by_tree(logbook: Logbook, site: Site) -> Mapping[int, Sequence[tuple[date, TreeEffort]]]:
    """Return what was done at each tree, newest visit first, by tree id."""
    efforts = list_effort(logbook)
    days = {one.visit.id: one.visit.date for one in list_visits(logbook, site=site.code)}
    found: dict[int, list[tuple[date, TreeEffort]]] = {}
    for visit_id, day in sorted(days.items(), key=lambda item: item[1], reverse=True):
        for effort in efforts.get(visit_id, ()):
            if _is_looked_at(effort):
                found.setdefault(effort.tree_id, []).append((day, effort))
    return found


def _is_looked_at(effort: TreeEffort) -> bool:
    return bool(effort.filmed_s or effort.found or effort.none_found or effort.eye_min)


def _tell_looked(efforts: Sequence[tuple[date, TreeEffort]], *, left: int) -> tuple[str, ...]:
    """Return sentences on when a tree was looked at last, what was searched in vain, and what footage is not judged."""
    if not efforts:
        return ("Not looked at yet.",)
    day, last = efforts[0]
    sentences = [f"Last looked at on {write_date(day)}{_say_work(last)}."]
    vain = [
        f"{write_date(on)}{_say_work(effort)}"
        for on, effort in efforts
        if not effort.found and (effort.none_found or not left)
    ]
    if vain:
        more = f", and {len(vain) - MOST_SEARCHES} times before" if len(vain) > MOST_SEARCHES else ""
        sentences.append(f"Searched and nothing found: {'; '.join(vain[:MOST_SEARCHES])}{more}.")
    if left:
        sentences.append(f"{left} of its candidates from footage not judged yet.")
    return tuple(sentences)


def _say_work(effort: TreeEffort) -> str:
    """Return " (12 min by eye, 45 s of sharp footage)", or nothing where nobody said how long."""
    parts = [f"{effort.eye_min:g} min by eye"] if effort.eye_min else []
    parts += [f"{effort.usable_s:.0f} s of sharp footage"] if effort.filmed_s else []
    return f" ({', '.join(parts)})" if parts else ""


def _join_marked(observations: Sequence[Observation]) -> list[tuple[Observation, int, str | None]]:
    """Return (last record, how many records, last picture) of each find, newest first; records of one marker are one find."""
    found: dict[str, tuple[Observation, int, str | None]] = {}
    for one in sorted(observations, key=lambda item: (item.at, item.id)):
        key = f"marker {one.marker.strip().casefold()}" if one.marker else f"record {one.id}"
        _, times, picture = found.get(key, (one, 0, None))
        found[key] = (one, times + 1, one.evidence or picture)
    return sorted(found.values(), key=lambda item: (item[0].at, item[0].id), reverse=True)


def _tell_find(logbook: Logbook, last: Observation, times: int, picture: str | None) -> Find:
    local = to_local(last.at, last.zone)
    day = write_date(find_local_date(last.at, last.zone))
    seen = f", {times} records of it" if times > 1 else ""
    many = f"{last.count} × " if last.count > 1 else ""
    length = "" if last.length_mm is None else f"{last.length_mm:.0f} mm long"
    said = [last.stage or "stage not said", last.condition or "condition not said", last.behaviour, length]
    return Find(
        when=f"{day}, {local:%H:%M} {local.tzname() or last.zone}, {SOURCE_WORDS[last.source]}{seen}",
        what=f"{many}{last.taxon}: {', '.join(part for part in said if part)}",
        place=say_place(last) or "place on the tree not said",
        note=last.note or "",
        picture=_take_picture(logbook, last, picture) if picture else None,
    )


def _take_picture(logbook: Logbook, last: Observation, sha256: str) -> Picture:
    """Return a picture with the place of the animal in it; one that is gone leaves the sheet whole."""
    try:
        data = read_picture(logbook, sha256)
    except AnnotateError:
        return Picture(b"", problem="its picture is missing or damaged")
    if last.candidate_id is None:
        return Picture(data)
    views = [view for view in find_candidate(logbook, last.candidate_id).views if view.picture == sha256]
    if not views:
        return Picture(data)
    row, column = views[0].picture_origin_px
    top, left, end_row, end_column = views[0].box
    return Picture(data, box=(top - row, left - column, end_row - row, end_column - column))
