"""Sites and trees in the logbook: written, found by code, listed."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from unicodedata import normalize

from sqlalchemy import Row, Select, select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.changes import note_changes
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Site, Tree
from annotate.logbook.tables import SiteRow, TreeRow
from annotate.zones import read_zone

TREE_VALUES = (
    "host_taxon",
    "latitude_deg",
    "longitude_deg",
    "accuracy_m",
    "height_m",
    "notes",
    "cautions",
    "expected_taxon",
    "walk_order",
    "marker",
)

SITE_VALUES = ("name", "zone", "latitude_deg", "longitude_deg")

UNKNOWN_WRITER = "import"
"""Stands in the history where nobody is named who changed a record."""

TreeValue = str | float | int | None


@dataclass(frozen=True, slots=True)
class TreeEntry:
    """What someone says of one tree. `values` holds the fields said, by their names in `Tree`; the rest stays as it is."""

    site: str
    code: str
    values: Mapping[str, TreeValue]


@dataclass(frozen=True, slots=True)
class TreeChange:
    """What writing one entry did.

    Attributes
    ----------
    is_new : the tree was not there before
    is_new_site : nor was its site
    changed : field, value before, value now
    """

    site: str
    code: str
    is_new: bool
    is_new_site: bool
    changed: tuple[tuple[str, TreeValue, TreeValue], ...]


def add_site(
    logbook: Logbook,
    code: str,
    *,
    name: str = "",
    zone: str = "",
    latitude_deg: float | None = None,
    longitude_deg: float | None = None,
) -> Site:
    """Add a site; without `zone` it has that of the settings."""
    if zone:
        read_zone(zone)
    with logbook.writing() as session:
        if session.scalar(select(SiteRow).where(SiteRow.code == code)) is not None:
            raise AnnotateError(
                f"site {code!r}: expected a new code; found a site that has it; choose another code"
            )
        row = SiteRow(
            code=code,
            name=name,
            zone=zone or logbook.settings.place.zone,
            latitude_deg=latitude_deg,
            longitude_deg=longitude_deg,
        )
        session.add(row)
        session.flush()
        return to_site(row)


def change_site(logbook: Logbook, code: str, *, values: Mapping[str, str | float | None], who: str) -> Site:
    """Change name, zone or position of a site, with history; what is not said stays.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such site, or the zone is none.
    """
    if "zone" in values:
        read_zone(str(values["zone"]))
    with logbook.writing() as session:
        row = session.scalar(select(SiteRow).where(SiteRow.code == code))
        if row is None:
            raise AnnotateError(
                f"site {code!r}: expected the code of a site; found none; see them with: leafshade trees"
            )
        changed = [
            (name, getattr(row, name), values[name])
            for name in SITE_VALUES
            if name in values and getattr(row, name) != values[name]
        ]
        for name, _, new in changed:
            setattr(row, name, new)
        note_changes(session, "site", record_id=row.id, changed=changed, who=who, at=datetime.now(UTC))
        session.flush()
        return to_site(row)


def list_sites(logbook: Logbook) -> tuple[Site, ...]:
    """Return all sites by code."""
    with logbook.reading() as session:
        return tuple(to_site(row) for row in session.scalars(select(SiteRow).order_by(SiteRow.code)))


def write_trees(
    logbook: Logbook, entries: Sequence[TreeEntry], *, who: str = UNKNOWN_WRITER
) -> tuple[TreeChange, ...]:
    """Add or update trees, and add their sites where new, all in one transaction; return what each entry did.

    Codes that differ only in capitals are the same tree; the spelling of the first time stays. What is changed of a tree that
    was there stays in its history, under the name of `who`.

    Raises
    ------
    annotate.errors.AnnotateError
        Where a marker is that of another tree, or would change: cards are printed. Nothing is written then.
    """
    with logbook.writing() as session:
        sites = {row.code.casefold(): row for row in session.scalars(select(SiteRow))}
        trees = {(row.site_id, row.code.casefold()): row for row in session.scalars(select(TreeRow))}
        changes = []
        now = datetime.now(UTC)
        for entry in entries:
            site = sites.get(entry.site.casefold())
            is_new_site = site is None
            if site is None:
                site = SiteRow(code=entry.site, name="", zone=logbook.settings.place.zone)
                session.add(site)
                session.flush()
                sites[entry.site.casefold()] = site
            key = (site.id, entry.code.casefold())
            is_new = key not in trees
            tree = trees.setdefault(key, TreeRow(site_id=site.id, code=entry.code))
            _check_marker(tree, entry, known=trees.values())
            changed = _set_values(tree, entry.values)
            session.add(tree)
            session.flush()
            if not is_new:
                note_changes(session, "tree", record_id=tree.id, changed=changed, who=who, at=now)
            changes.append(
                TreeChange(
                    site=site.code,
                    code=tree.code,
                    is_new=is_new,
                    is_new_site=is_new_site,
                    changed=() if is_new else changed,
                )
            )
        return tuple(changes)


def add_tree(logbook: Logbook, entry: TreeEntry) -> Tree:
    """Add one tree to a site that is there.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the site is not there, or has a tree of this code, or the marker is that of another tree.
    """
    with logbook.writing() as session:
        site = session.scalar(select(SiteRow).where(SiteRow.code == entry.site))
        if site is None:
            raise AnnotateError(
                f"site {entry.site!r}: expected the code of a site; found none; add the site first"
            )
        _check_code(session, site, entry.code, but=None)
        tree = TreeRow(site_id=site.id, code=entry.code)
        _check_marker(tree, entry, known=session.scalars(select(TreeRow)))
        _set_values(tree, entry.values)
        session.add(tree)
        session.flush()
        return _read_tree(session, tree.id)


def change_tree(logbook: Logbook, tree_id: int, *, entry: TreeEntry, who: str) -> Tree:
    """Change a tree, its code too, with history; what is not said stays, and so does its site.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the site has another tree of this code, or a marker would change or is that of another tree.
    """
    with logbook.writing() as session:
        tree = session.get_one(TreeRow, tree_id)
        site = session.get_one(SiteRow, tree.site_id)
        _check_code(session, site, entry.code, but=tree)
        _check_marker(tree, entry, known=session.scalars(select(TreeRow)))
        changed = list(_set_values(tree, entry.values))
        if tree.code != entry.code:
            changed.append(("code", tree.code, entry.code))
            tree.code = entry.code
        note_changes(session, "tree", record_id=tree.id, changed=changed, who=who, at=datetime.now(UTC))
        session.flush()
        return _read_tree(session, tree.id)


def _check_code(session: Session, site: SiteRow, code: str, *, but: TreeRow | None) -> None:
    others = session.scalars(select(TreeRow).where(TreeRow.site_id == site.id))
    taken = next(
        (row.code for row in others if row is not but and row.code.casefold() == code.casefold()), None
    )
    if taken is not None:
        raise AnnotateError(
            f"tree {code!r}: expected a code that no other tree of {site.code} has; found {taken!r}; choose another"
        )


def _read_tree(session: Session, tree_id: int) -> Tree:
    return to_tree(session.execute(select_trees().where(TreeRow.id == tree_id)).one())


def assign_markers(logbook: Logbook, tree_ids: Sequence[int], *, markers: int) -> int:
    """Give each of these trees that has none the lowest free marker, in the order given; return how many got one.

    Parameters
    ----------
    markers : how many different ones there are, numbered from 0

    Raises
    ------
    annotate.errors.AnnotateError
        Where there are not enough; no tree gets one then.
    """
    with logbook.writing() as session:
        taken = set(session.scalars(select(TreeRow.marker).where(TreeRow.marker.is_not(None))))
        free = (number for number in range(markers) if number not in taken)
        rows = [session.get_one(TreeRow, tree_id) for tree_id in tree_ids]
        without = [row for row in rows if row.marker is None]
        for row in without:
            row.marker = next(free, None)
            if row.marker is None:
                raise AnnotateError(
                    f"cards: expected at most {markers} trees with cards in a logbook; found {len(taken) + len(without)}; "
                    "keep sites that are far apart in logbooks of their own"
                )
        return len(without)


def list_trees(logbook: Logbook, *, site: str = "") -> tuple[Tree, ...]:
    """Return the trees, of one site where named, by site and code."""
    wanted = select_trees().order_by(SiteRow.code, TreeRow.code)
    if site:
        wanted = wanted.where(SiteRow.code == site)
    with logbook.reading() as session:
        return tuple(to_tree(row) for row in session.execute(wanted))


def find_tree(logbook: Logbook, code: str) -> Tree:
    """Return the tree with this code, written "OT03" or, where several sites have it, "OTTERHOLT/OT03".

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none, or more than one.
    """
    site, _, tree = code.strip().rpartition("/")
    trees = list_trees(logbook)
    alike = [item for item in trees if item.code.casefold() == tree.casefold()]
    found = [item for item in alike if not site or item.site.casefold() == site.casefold()]
    if len(found) == 1:
        return found[0]
    if found:
        named = ", ".join(f"{item.site}/{item.code}" for item in found)
        raise AnnotateError(
            f"tree {code!r}: expected a code of one tree; found {named}; write it with its site"
        )
    raise AnnotateError(
        f"tree {code!r}: expected the code of a tree in the logbook; {_say_known(tree, trees)}"
    )


def _say_known(code: str, trees: Sequence[Tree]) -> str:
    from difflib import get_close_matches

    if not trees:
        return "found no trees at all; import them first: leafshade trees import FILE.csv"
    known = [item.code for item in trees]
    nearest = get_close_matches(code, known, n=1)
    advice = f"did you mean {nearest[0]!r}?" if nearest else "see them with: leafshade trees"
    return f"found none among {len(known)} trees; {advice}"


def _check_marker(tree: TreeRow, entry: TreeEntry, *, known: Iterable[TreeRow]) -> None:
    """Refuse a marker that another tree has, or another than the tree has."""
    marker = entry.values.get("marker")
    if marker is None:
        return
    if tree.marker not in (None, marker):
        raise AnnotateError(
            f"tree {entry.code!r}: expected marker {tree.marker}, which its printed card has; found {marker}; "
            "leave the marker as it is"
        )
    other = next((row.code for row in known if row.marker == marker and row is not tree), None)
    if other is not None:
        raise AnnotateError(
            f"tree {entry.code!r}: expected a marker that no other tree has; found {marker}, which is on the card of "
            f"{other!r}; give it another, or none"
        )


def _set_values(tree: TreeRow, values: Mapping[str, TreeValue]) -> tuple[tuple[str, Any, Any], ...]:
    """Set the fields that are said; return (field, value before, value now) of those that were different."""
    changed = []
    for name in TREE_VALUES:
        if name == "marker" and values.get(name) is None:
            continue  # A card stays with its tree, also where a table leaves the cell empty.
        if name not in values:
            continue
        given = values[name]
        # One way to write each letter, as files are read: a form may send an accent apart from its letter.
        value = normalize("NFC", given) if isinstance(given, str) else given
        if getattr(tree, name) != value:
            changed.append((name, getattr(tree, name), value))
            setattr(tree, name, value)
    return tuple(changed)


def select_trees() -> "Select[TreeRow, str]":
    """Return the query of trees with the codes of their sites."""
    return select(TreeRow, SiteRow.code).join(SiteRow, SiteRow.id == TreeRow.site_id)


def to_tree(row: "Row[TreeRow, str]") -> Tree:
    """Return what leaves this room of a tree and the code of its site."""
    tree, site = row
    return Tree(id=tree.id, site=site, code=tree.code, **{name: getattr(tree, name) for name in TREE_VALUES})


def to_site(row: SiteRow) -> Site:
    """Return what leaves this room of a site."""
    return Site(
        id=row.id,
        code=row.code,
        name=row.name,
        latitude_deg=row.latitude_deg,
        longitude_deg=row.longitude_deg,
        zone=row.zone,
    )
