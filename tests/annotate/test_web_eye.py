"""The pages of what is seen by eye, and of visits, over HTTP: what they take, once each, what they refuse, and what they show."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from annotate.field.field_photos import MOST_BYTES
from annotate.logbook.changes import list_record_changes
from annotate.logbook.observations import list_changes, list_observations
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.pictures import read_picture
from annotate.logbook.verdicts import give_verdict
from annotate.logbook.visits import list_visits
from annotate.web.desk import make_mark
from annotate.web.guards import Door
from tests.annotate import asking
from tests.annotate.conftest import Served
from tests.annotate.made_pages import serve_pages
from tests.annotate.made_records import LATER, add_trees, film, make_candidate, search
from tests.annotate.test_field_photos import draw_corner, write_photo
from tests.annotate.test_web_pages import TRICKY, Elements

EMPTY = dict.fromkeys(
    ("stage", "condition", "behaviour", "height_m", "aspect", "branch", "marker", "note"), ""
)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Served]:
    """A logbook with two trees and one confirmed record from footage, served; no clip needs to be filmed for it."""
    create_logbook(tmp_path / "book", zone="Europe/London", recorder="Maren")
    with open_logbook(tmp_path / "book") as logbook:
        add_trees(logbook, "OT01", "OT03")
        search(logbook, film(logbook, tree="OT03"), [make_candidate()])
        give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
        with serve_pages(logbook) as address:
            yield Served(logbook, address)


def post(served: Served, path: str, **body: Any) -> httpx.Response:
    """Send as the pages do."""
    return asking.post(f"{served.address}{path}", json=body, headers={"Origin": served.address})


def send(served: Served, entry: str = "e1", **body: Any) -> httpx.Response:
    """Send an entry of the form."""
    said = {"tree": "OT03", "date": "2026-05-17", "time": "10:20", "count": "1", **EMPTY, **body}
    return post(served, "/api/seen", entry=entry, key=f"out-{entry}", reviewer="Ines", **said)


def send_photo(served: Served, data: bytes, **query: str) -> httpx.Response:
    """Send a photo as the form does."""
    return asking.post(
        f"{served.address}/api/seen/photos",
        params=query,
        content=data,
        headers={"Origin": served.address, "Content-Type": "application/octet-stream"},
        timeout=60,
    )


def list_by_eye(logbook: Logbook) -> list[Any]:
    """What stands by eye."""
    return [one for one in list_observations(logbook) if one.source != "footage"]


def test_an_entry_is_taken_once(book: Served) -> None:
    """With all it says; sent again, after the program was restarted too, it is the same record."""
    answer = send(book, stage="L4", height_m="2,5", aspect="ne", marker="red thread", searched_min="12")
    assert answer.status_code == 200
    with serve_pages(book.logbook) as address:
        again = send(Served(book.logbook, address), stage="L4")
    assert again.json()["seen"]["id"] == answer.json()["seen"]["id"]
    (seen,) = list_by_eye(book.logbook)
    assert (seen.tree, seen.stage, seen.height_m, seen.aspect, seen.marker) == (
        "OT03",
        "L4",
        2.5,
        "NE",
        "red thread",
    )
    assert (seen.observer, seen.searched_min) == ("Ines", 12.0)
    assert seen.at == datetime(2026, 5, 17, 9, 20, tzinfo=UTC)


def test_now_is_the_moment_it_was_saved_not_when_it_arrived(book: Served) -> None:
    """The phone's moment comes with the entry, hours before the connection did."""
    send(book, date="", time="", at="2026-05-17T09:20:31.500Z")
    assert list_by_eye(book.logbook)[0].at == datetime(2026, 5, 17, 9, 20, 31, tzinfo=UTC)


NOT_TAKEN: tuple[tuple[dict[str, Any], str], ...] = (
    ({"tree": ""}, "expected the code of a tree"),
    ({"tree": "OT04"}, "did you mean"),
    ({"stage": "L9"}, "expected one of egg"),
    ({"count": "0", "stage": "L4"}, "expected 1 or more where stage is said"),
    ({"height_m": "tall"}, "expected a number of metres"),
    ({"date": "17.5.2026"}, "expected one such as 2026-05-17"),
    ({"date": "2126-05-17"}, "expected one that has been"),
    ({"at": "yesterday"}, "expected one such as 2026-05-17T"),
    ({"note": 2001 * "x"}, "at most 2000 letters"),
    ({"stage": 4}, "expected text"),
    ({"tree": ["OT03"]}, "expected text"),
)


def test_what_cannot_be_taken_is_told_for_good(book: Served) -> None:
    """The answer is final, so that the form shows it again instead of sending it for ever; nothing is written."""
    for body, said in NOT_TAKEN:
        answer = send(book, **body)
        assert answer.status_code == 422, body
        assert said in answer.json()["sentence"]
    assert list_by_eye(book.logbook) == []
    assert len(list_visits(book.logbook)) == 1


def test_a_photo_follows_its_record(book: Served) -> None:
    """Before it, it is to come again; after it, it is the record's picture, upright and bare; once more changes nothing."""
    data = write_photo(draw_corner(), orientation=6)
    assert send_photo(book, data, entry="e1").status_code == 409
    send(book)
    for _ in range(2):
        answer = send_photo(book, data, entry="e1", who="Ines")
        assert answer.status_code == 200
    (seen,) = list_by_eye(book.logbook)
    kept = read_picture(book.logbook, seen.evidence)
    assert b"INVENTED CAMERA" not in kept
    shown = asking.get(f"{book.address}/pictures/{seen.evidence}.jpg")
    assert shown.content == kept and shown.headers["content-type"] == "image/jpeg"
    assert list_changes(book.logbook, seen.id) == ()


HOSTILE = (
    (b"", 422),
    (b"<script>alert(1)</script>", 422),
    (b"\xff\xd8\xff\xe0 broken", 422),
    (bytes(MOST_BYTES + 1), 413),
)


def test_hostile_photos_are_refused_for_good(book: Served) -> None:
    """Empty, a script, broken, huge: the record stands without, and no file is left in the evidence."""
    send(book)
    before = sorted((book.logbook.folder / "evidence").rglob("*"))
    for data, status in HOSTILE:
        answer = send_photo(book, data, entry="e1")
        assert answer.status_code == status
        assert answer.json()["sentence"]
    assert list_by_eye(book.logbook)[0].evidence is None
    assert sorted((book.logbook.folder / "evidence").rglob("*")) == before


def test_foreign_pages_and_other_logbooks_are_turned_away(book: Served) -> None:
    """A foreign origin, none at all, or the mark of another logbook writes nothing, with or without a photo."""
    for headers in ({"Origin": "http://evil.example"}, {}):
        for path in ("/api/seen", "/api/seen/correct", "/api/seen/stand", "/api/seen/photos", "/api/visits"):
            assert asking.post(f"{book.address}{path}", json={}, headers=headers).status_code == 403
    assert send(book, logbook="another").status_code == 409
    assert send_photo(book, b"x", entry="e1", logbook="another").status_code == 409
    assert send(book, entry="e2", logbook=make_mark(book.logbook)).status_code == 200
    assert len(list_by_eye(book.logbook)) == 1


def test_with_a_key_only_those_who_have_it_write(book: Served) -> None:
    """On the local network the address holds the key; without it neither form nor entry nor photo come in."""
    with serve_pages(book.logbook, door=Door(key="secret")) as address:
        served = Served(book.logbook, address)
        assert asking.get(f"{address}/by-eye").status_code == 403
        assert send(served).status_code == 403
        assert send_photo(served, b"x", entry="e1").status_code == 403
        with asking.open_client(follow_redirects=True) as client:
            assert client.get(f"{address}/by-eye?key=secret&tree=OT03").status_code == 200
            body = {"entry": "e1", "tree": "OT03", "date": "2026-05-17"}
            assert (
                client.post(f"{address}/api/seen", json=body, headers={"Origin": address}).status_code == 200
            )


def test_corrections_change_only_what_was_sent(book: Served) -> None:
    """Two people who correct different things do not undo each other; all of it stands in the history shown."""
    number = send(book, stage="L3", note="low").json()["seen"]["id"]
    for who, change in (
        ("Maren", {"stage": "L4"}),
        ("Ines", {"tree": "OT01", "time": "11:00", "date": "2026-05-18"}),
    ):
        assert post(book, "/api/seen/correct", observation=number, reviewer=who, **change).status_code == 200
    (seen,) = list_by_eye(book.logbook)
    assert (seen.stage, seen.tree, seen.note) == ("L4", "OT01", "low")
    assert seen.at == datetime(2026, 5, 18, 10, 0, tzinfo=UTC)
    text = asking.get(f"{book.address}/observations/{number}").text
    assert "OTTERHOLT/OT03" in text and "Ines" in text
    wrong = post(book, "/api/seen/correct", observation=number, count="0", stage="L4")
    assert wrong.status_code == 422
    none = post(book, "/api/seen/correct", observation=number, count="0")
    assert none.json()["seen"]["what"] == "none found"


def test_withdrawn_by_a_tap_and_brought_back(book: Served) -> None:
    """The page says which; records from footage keep to their verdict."""
    number = send(book).json()["seen"]["id"]
    assert post(book, "/api/seen/stand", observation=number, stands="no").json()["seen"]["is_withdrawn"]
    assert "Bring it back" in asking.get(f"{book.address}/observations/{number}").text
    assert list_by_eye(book.logbook) == []
    assert not post(book, "/api/seen/stand", observation=number, stands="yes").json()["seen"]["is_withdrawn"]
    (from_footage,) = [one for one in list_observations(book.logbook) if one.source == "footage"]
    assert post(book, "/api/seen/stand", observation=from_footage.id, stands="no").status_code == 422
    assert "data-stands" not in asking.get(f"{book.address}/observations/{from_footage.id}").text


def test_the_list_shows_by_eye_and_none_found(book: Served) -> None:
    """Each says how it was seen and where it is corrected; pictures by eye do not lead to a candidate; counts are told apart."""
    send(book, "e1", stage="L4", height_m="2.5", marker="thread 7")
    send_photo(book, write_photo(draw_corner()), entry="e1")
    send(book, "e2", tree="OT01", count="0", searched_min="12")
    text = asking.get(f"{book.address}/observations").text
    for said in (
        "seen by eye",
        "none found</strong> in 12 min",
        "2.5 m up; marker thread 7",
        "1 search that found none",
    ):
        assert said in text
    assert "/candidates/None" not in text
    for path in ("/visits", "/trees/OTTERHOLT/OT03", "/by-eye"):
        assert "/candidates/None" not in asking.get(f"{book.address}{path}").text


def test_visits_are_written_and_told(book: Served) -> None:
    """Weather in words, leaf stage and minutes of each tree, who changed what; a wrong one is refused whole."""
    (visit,) = list_visits(book.logbook)
    number = visit.visit.id
    trees = {"OT03": {"leaf_stage_bbch": "11", "eye_min": "12,5"}, "OT01": {"note": "no ladder"}}
    body = {"site": "OTTERHOLT", "date": "2026-05-17", "reviewer": "Ines", "trees": trees}
    answer = post(book, "/api/visits", **body, temperature_c="14,5", wind_beaufort="3", cloud_oktas="9")
    assert answer.json()["visit"] == {"id": number, "address": f"/visits/{number}", "is_new": False}
    text = asking.get(f"{book.address}/visits/{number}").text
    for said in ("12.5 min by eye", "11 first leaves unfolded", "no ladder", "OT03, leaf stage", "Ines"):
        assert said in text
    assert "14.5 °C, wind 3 (gentle breeze), sky obscured" in asking.get(f"{book.address}/visits").text
    told = len(list_record_changes(book.logbook, "visit", number))
    for wrong, said in (
        ({"trees": {"OT03": {"eye_min": "9", "leaf_stage_bbch": "22"}}}, "OT03: leaf stage"),
        ({"trees": {"OT99": {"eye_min": "9"}}}, "tree"),
        ({"trees": [1]}, "notes by tree"),
        ({"trees": {"OT03": "x"}}, "notes of OT03"),
        ({"wind_beaufort": "13", "notes": "lost"}, "Beaufort"),
        ({"started_at": "12:00", "ended_at": "11:00"}, "end after the start"),
    ):
        answer = post(book, "/api/visits", site="OTTERHOLT", date="2026-05-17", **wrong)
        assert answer.status_code == 422 and said in answer.json()["sentence"]
    assert len(list_record_changes(book.logbook, "visit", number)) == told
    new = post(book, "/api/visits", site="OTTERHOLT", date="2026-05-20", recorders="Maren").json()["visit"]
    assert new["is_new"] and "Maren" in asking.get(f"{book.address}{new['address']}").text


def test_nothing_typed_becomes_part_of_a_page(book: Served) -> None:
    """Words, names and notes are shown as they were typed; nothing inline runs, every field has a name to be read out."""
    number = send(book, branch=TRICKY[:100], note=TRICKY, marker=TRICKY[:100]).json()["seen"]["id"]
    post(
        book,
        "/api/visits",
        site="OTTERHOLT",
        date="2026-05-17",
        recorders=TRICKY,
        trees={"OT03": {"note": TRICKY}},
    )
    (visit,) = list_visits(book.logbook)
    for path in (
        "/by-eye",
        f"/observations/{number}",
        "/observations",
        f"/visits/{visit.visit.id}",
        "/visits",
        "/visits/new",
    ):
        text = asking.get(f"{book.address}{path}").text
        assert "<img src=x" not in text
        for tag, attributes in Elements(text).found:
            assert "style" not in attributes
            assert not [name for name in attributes if name.startswith("on")]
            if tag == "script":
                assert (attributes.get("src") or "").startswith("/static/") or attributes[
                    "type"
                ] == "application/json"


def test_empty_logbooks_say_what_to_do(tmp_path: Path) -> None:
    """Without trees, records or visits the pages stand and say the next step; numbers that name nothing are told."""
    create_logbook(tmp_path / "empty", zone="Europe/London")
    with open_logbook(tmp_path / "empty") as logbook, serve_pages(logbook) as address:
        assert "leafshade trees import" in asking.get(f"{address}/by-eye").text
        assert "leafshade trees import" in asking.get(f"{address}/visits/new").text
        for path in ("/observations/1", "/visits/1", "/observations/x", "/visits/x", f"/visits/{10**30}"):
            assert asking.get(f"{address}{path}").status_code == 404


def test_a_tree_looked_over_by_eye_counts_as_looked_over(book: Served) -> None:
    """A search in vain by eye is a visit of that tree: nobody is sent there as if it had never been looked at."""
    before = asking.get(f"{book.address}/trees").text
    send(book, tree="OT01", count="0", searched_min="12")
    after = asking.get(f"{book.address}/trees").text
    assert "1 not searched yet" in before and "not searched yet" not in after
