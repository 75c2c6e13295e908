"""The register's pages over HTTP: sites and trees are added and changed with history, and what is wrong is told by its field."""

from threading import Thread
from typing import Any

from annotate.logbook.changes import list_record_changes
from annotate.logbook.places import TreeEntry, find_tree, list_sites, list_trees, write_trees
from annotate.logbook.verdicts import give_verdict
from annotate.web.desk import make_mark
from tests.annotate import asking
from tests.annotate.conftest import Served
from tests.annotate.made_pages import RECORDED_AT

TRICKY = "<img src=x onerror=alert(1)> & \"q\" 'q'"


def get(served: Served, path: str) -> str:
    """The text of a page that must be there."""
    answer = asking.get(served.address + path)
    assert answer.status_code == 200, answer.text
    return answer.text


def send(served: Served, what: str, **fields: Any) -> dict[str, Any]:
    """What the server answers to a form."""
    body = {"logbook": make_mark(served.logbook), "reviewer": "Maren", **fields}
    answer = asking.post(
        f"{served.address}/api/register/{what}", json=body, headers={"Origin": served.address}
    )
    assert answer.status_code == 200, answer.text
    data: dict[str, Any] = answer.json()
    return data


def change(served: Served, was: str, **fields: str) -> dict[str, Any]:
    """Change a tree of Otterholt."""
    return send(served, "trees", site="OTTERHOLT", was=was, **fields)


def test_the_pages_say_what_is_there(shown: Served) -> None:
    """The sites, a site with its plan, a tree with its values and history; a code that is none leads back."""
    assert "Otterholt Wood (OTTERHOLT)" in get(shown, "/register")
    site = get(shown, "/register/OTTERHOLT")
    assert 'aria-label="Plan of Otterholt Wood (OTTERHOLT), north up' in site and "OT03" in site
    tree = get(shown, "/register/otterholt/trees/OT03")
    assert 'value="Populus tremula"' in tree and "Nothing has been changed since it was added" in tree
    assert "A new tree" in get(shown, "/register/OTTERHOLT/new-tree")
    assert "/register" in get(shown, "/trees") and "/register/OTTERHOLT/trees/OT03" in get(
        shown, "/trees/OTTERHOLT/OT03"
    )
    for path in ("/register/NOWHERE", "/register/OTTERHOLT/trees/OT99", "/register/OTTERHOLT?on=1999-01-01"):
        answer = asking.get(shown.address + path)
        assert answer.status_code == 404 and "xpected" in answer.text


def test_a_tree_is_changed_with_history(served: Served) -> None:
    """Only what is sent changes; the history says field, before, after and who; the same again leaves none."""
    done = change(served, "OT03", cautions="dead wood", height_m="12,5")
    assert done["saved"] and done["address"] == "/register/OTTERHOLT/trees/OT03"
    tree = find_tree(served.logbook, "OT03")
    assert (tree.cautions, tree.height_m, tree.host_taxon) == ("dead wood", 12.5, "Populus tremula")
    assert change(served, "OT03", cautions="dead wood")["saved"]
    history = [(c.field, c.old, c.new, c.who) for c in list_record_changes(served.logbook, "tree", tree.id)]
    assert history == [("height_m", None, "12.5", "Maren"), ("cautions", None, "dead wood", "Maren")]
    page = get(served, "/register/OTTERHOLT/trees/OT03")
    assert "<ins>dead wood</ins>" in page and "<strong>Caution:</strong> dead wood" in get(
        served, "/register/OTTERHOLT"
    )


def test_positions_in_every_way(served: Served) -> None:
    """A grid reference gives its square's middle and accuracy; half a position keeps the other half; emptied is gone."""
    assert change(served, "OT03", grid_ref="TQ336805")["saved"]
    tree = find_tree(served.logbook, "OT03")
    assert tree.accuracy_m == 70.7 and abs((tree.latitude_deg or 0) - 51.508084) < 1e-6
    assert change(served, "OT03", latitude_deg="51.6")["saved"]
    moved = find_tree(served.logbook, "OT03")
    assert moved.latitude_deg == 51.6 and abs((moved.longitude_deg or 0) - (tree.longitude_deg or 1)) < 1e-6
    done = change(served, "OT03", easting="3500000", northing="5500000", epsg="31467")
    assert done["saved"] and "within 3 m" in done["notes"][0]
    assert change(served, "OT03", latitude_deg="", longitude_deg="")["saved"]
    assert find_tree(served.logbook, "OT03").latitude_deg is None


def test_what_is_wrong_is_told_by_its_field_and_nothing_is_saved(served: Served) -> None:
    """Several at once; a code that is taken; two ways of giving a position; a new tree without a code."""
    before = list_trees(served.logbook)

    def wrong(was: str, **fields: str) -> dict[str, str]:
        answer = change(served, was, **fields)
        assert not answer["saved"]
        return {one["field"]: one["sentence"] for one in answer["problems"]}

    found = wrong("OT03", height_m="tall", walk_order="1.5", notes="fine")
    assert set(found) == {"height_m", "walk_order"} and "write digits only" in found["height_m"]
    assert "found 'OT01'" in wrong("OT03", code="ot01")["code"]
    assert "given in one way" in wrong("OT03", grid_ref="TQ336805", latitude_deg="51.5")[""]
    assert "expected a short name" in wrong("", notes="x")["code"]
    assert "without '/'" in wrong("OT03", code="A/B")["code"]
    assert list_trees(served.logbook) == before
    write_trees(served.logbook, [TreeEntry("OTTERHOLT", "OT01", {"marker": 7})])
    assert "on the card of 'OT01'" in wrong("", code="X", marker="7")["code"]


def test_trees_and_sites_are_added_and_renamed(served: Served) -> None:
    """A new site, a tree in it, both under another name later; the addresses hold letters of all kinds."""
    done = send(served, "sites", was="", code="Höh & Tal?", name="Höhe")
    assert done["saved"] and get(served, done["address"])
    added = send(served, "trees", site="Höh & Tal?", was="", code="Ü#1", notes=TRICKY)
    page = get(served, added["address"])
    assert "<img" not in page and "&lt;img" in page
    renamed = send(served, "trees", site="Höh & Tal?", was="Ü#1", code="Ü2")
    assert renamed["saved"] and "<del>Ü#1</del>" in get(served, renamed["address"])
    assert send(served, "sites", was="Höh & Tal?", name="Andere", zone="Europe/Berlin")["saved"]
    site = next(one for one in list_sites(served.logbook) if one.code == "Höh & Tal?")
    assert (site.name, site.zone) == ("Andere", "Europe/Berlin")
    assert len(list_record_changes(served.logbook, "site", site.id)) == 2
    for fields, field in (
        ({"was": "", "code": "OTTERHOLT"}, "code"),
        ({"was": "", "code": ""}, "code"),
        ({"was": "", "code": "NEU", "zone": "Europe/Nowhere"}, "zone"),
        ({"was": "OTTERHOLT", "zone": "Mars"}, "zone"),
        ({"was": "OTTERHOLT", "name": "x" * 201}, "name"),
    ):
        answer = send(served, "sites", **fields)
        assert not answer["saved"] and answer["problems"][0]["field"] == field
    assert len(list_sites(served.logbook)) == 2


def test_the_plan_of_one_day_and_of_all(served: Served) -> None:
    """What was found when, by tree; a day without a find says so; the way walked is drawn through the trees in order."""
    give_verdict(served.logbook, 1, answer="confirm", reviewer="Maren", at=RECORDED_AT)
    trees = list_trees(served.logbook)
    for place, tree in enumerate(trees, start=1):
        write_trees(served.logbook, [TreeEntry(tree.site, tree.code, {"walk_order": place})])
    page = get(served, "/register/OTTERHOLT")
    day = page.split('<option value="2')[1][:9]
    assert 'class="walk" d="M' in page and page.count('class="step"') == len(
        [tree for tree in trees if tree.latitude_deg is not None]
    )
    one = get(served, f"/register/OTTERHOLT?on=2{day}")
    assert 'class="spot full"' in one and "OT03 · 1" in one and "Found that day" in one


def test_two_who_change_different_things_keep_both(served: Served) -> None:
    """Ten threads at once, two fields: both stand, and the history has every change."""
    answers: list[bool] = []

    def act(number: int) -> None:
        field = "notes" if number % 2 else "cautions"
        answers.append(bool(change(served, "OT03", **{field: f"{field} {number}"})["saved"]))

    threads = [Thread(target=act, args=(number,)) for number in range(10)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    tree = find_tree(served.logbook, "OT03")
    assert (
        answers == [True] * 10 and tree.notes.startswith("notes ") and tree.cautions.startswith("cautions ")
    )
    assert len(list_record_changes(served.logbook, "tree", tree.id)) == 10


def test_a_form_sent_twice_counts_once_and_foreign_ones_never(served: Served) -> None:
    """The same key adds one tree; another origin, another logbook and a form of old are turned away."""
    first = send(served, "trees", site="OTTERHOLT", was="", code="OT90", key="k1")
    again = send(served, "trees", site="OTTERHOLT", was="", code="OT90", key="k1")
    assert first["saved"] and again == first
    address = f"{served.address}/api/register/trees"
    body = {"site": "OTTERHOLT", "was": "", "code": "OT91"}
    assert asking.post(address, json=body, headers={"Origin": "http://elsewhere"}).status_code == 403
    ours = {"Origin": served.address}
    assert asking.post(address, data=body, headers=ours).status_code == 415
    assert asking.post(address, json={**body, "logbook": "other"}, headers=ours).status_code == 409
    assert asking.post(address, json={**body, "code": 5}, headers=ours).status_code == 422
    assert "OT91" not in [tree.code for tree in list_trees(served.logbook)]
