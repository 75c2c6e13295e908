"""The pages as they come over HTTP: what they say, where they lead, and how they fare with nothing, one and odd words."""

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest

from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.records import Details
from annotate.logbook.review import find_candidate
from annotate.logbook.verdicts import give_verdict
from annotate.web.rendering import write_json_in_page
from annotate.web.wording import label_view, say_clock, say_date
from tests.annotate import asking
from tests.annotate.conftest import Served
from tests.annotate.made_pages import serve_pages

NOW = datetime(2026, 5, 17, 20, 0, tzinfo=UTC)
PAGES = (
    "/",
    "/all",
    "/observations",
    "/trees",
    "/trees/OTTERHOLT/OT03",
    "/visits",
    "/candidates/2",
    "/candidates/2/pictures",
)
TRICKY = "<img src=x onerror=alert(1)> & \"quotes\" 'single' </script>"


class Elements(HTMLParser):
    """All elements of a page with their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def get(served: Served, path: str) -> str:
    """The text of a page that must be there."""
    answer = asking.get(served.address + path)
    assert answer.status_code == 200, answer.text
    return answer.text


def confirm(logbook: Logbook, candidate: int, **details: str) -> None:
    """Confirm a candidate."""
    give_verdict(
        logbook,
        candidate,
        answer="confirm",
        reviewer="Maren",
        at=NOW,
        details=Details(**details) if details else None,
    )


def test_the_first_page_shows_the_best_candidate(served: Served) -> None:
    """The card of the highest score comes with the page, its pictures in place before any script has run."""
    text = get(served, "/")
    state = json.loads(re.search(r'id="state">(.*?)</script>', text, re.DOTALL)[1])  # type: ignore[index]
    assert state["card"]["id"] == 1
    assert state["card"]["title"] == "silhouette on OT03, 13:42:01"
    assert [view["rank"] for view in state["card"]["views"]] == [0, 1, 2, 3]
    assert f'src="{state["card"]["views"][0]["url"]}"' in text
    assert "Otterholt Wood: 0 of 5 judged, none confirmed." in text


def test_pictures_have_the_labels_of_the_plan(shown: Served) -> None:
    """A screen reader hears kind, size, score, tree and time."""
    candidate = find_candidate(shown.logbook, 1)
    assert label_view(candidate, candidate.views[0]) == "silhouette, 24 px, score 0.91, tree OT03, 13:42:01"
    feeding = find_candidate(shown.logbook, 4)
    assert (
        label_view(feeding, feeding.views[0])
        == "feeding damage, 14 % of the leaf gone, score 0.62, tree OT03, 13:42:01"
    )


@pytest.mark.parametrize("path", PAGES)
def test_every_picture_has_words_and_nothing_is_inline(shown: Served, path: str) -> None:
    """Each picture has a description, each field a label; no script, style or handler stands in the page itself."""
    elements = Elements(get(shown, path)).found
    for tag, attributes in elements:
        assert "style" not in attributes
        assert not [name for name in attributes if name.startswith("on")]
        if tag == "img":
            assert attributes.get("alt")
        if tag == "script":
            assert (
                attributes.get("src", "").startswith("/static/")
                or attributes.get("type") == "application/json"
            )
        for name in ("src", "href", "action"):
            assert (attributes.get(name) or "/").startswith(("/", "#"))


@pytest.mark.parametrize("path", PAGES[:-1])
def test_each_page_says_in_one_sentence_how_things_stand(shown: Served, path: str) -> None:
    """The sentence of sense is there, on every page."""
    sense = re.search(r'id="sense">(.*?)</p>', get(shown, path))
    assert sense
    assert sense[1].endswith(".")


def test_what_is_typed_cannot_become_part_of_a_page(served: Served) -> None:
    """Notes, names and words of an address are shown as they were typed, never run."""
    confirm(served.logbook, 1, note=TRICKY)
    for path in (
        "/observations",
        "/candidates/1",
        "/all?tree=" + "%3Cimg%20src%3Dx%3E",
        "/trees/OTTERHOLT/%3Cb%3E",
    ):
        text = asking.get(served.address + path).text
        assert "<img src=x" not in text
        assert "<b>" not in text
    assert "&lt;img src=x onerror=alert(1)&gt;" in get(served, "/observations")


def test_json_in_a_page_cannot_close_its_element() -> None:
    """Whatever is in it, it is read back as it was and holds none of the letters that end an element."""
    value = {"note": TRICKY + "<!--\u2028\u2029"}
    written = write_json_in_page(value)
    assert json.loads(written) == value
    assert not set("<>&\u2028\u2029") & set(written)


def test_an_empty_logbook_says_what_to_do(tmp_path: Path) -> None:
    """With nothing in it every page says why, and what comes next."""
    with open_logbook(create_logbook(tmp_path / "empty")) as logbook, serve_pages(logbook) as address:
        pages = {
            path: asking.get(address + path) for path in ("/", "/all", "/observations", "/trees", "/visits")
        }
    assert all(page.status_code == 200 for page in pages.values())
    assert "No footage has been searched yet." in pages["/"].text
    assert "leafshade search CLIP --tree CODE" in pages["/"].text
    assert "No search has found anything yet." in pages["/all"].text
    assert "an observation arises when a candidate is confirmed" in pages["/observations"].text
    assert "leafshade trees import FILE.csv" in pages["/trees"].text
    assert "one arises when a clip filmed under a tree is searched" in pages["/visits"].text


def test_when_all_is_judged_the_page_says_what_next(served: Served) -> None:
    """After the last one: how many, and where to go on; with a choice, that others are waiting."""
    give_verdict(served.logbook, 4, answer="dismiss", reviewer="Maren", at=NOW)
    assert "Elsewhere 4 are waiting" in get(served, "/?kind=feeding")
    for candidate in (1, 2, 3, 5):
        give_verdict(served.logbook, candidate, answer="confirm", reviewer="Maren", at=NOW)
    text = get(served, "/")
    assert "All 5 are judged, 4 confirmed." in text
    assert "look over the observations" in text
    assert "Otterholt Wood: all 5 judged, 4 confirmed." in text


def test_minutes_left_follow_the_persons_own_pace(served: Served) -> None:
    """After some verdicts at a steady pace the sentence says how long the rest will take; another's pace does not count."""
    for index in range(6):
        at = NOW.replace(minute=index)
        give_verdict(served.logbook, 1, answer="unsure", reviewer="Maren", at=at)
        give_verdict(served.logbook, 1, answer="unsure", reviewer="Jonas", at=at.replace(second=index))
    assert "About 4 minutes left." in get(served, "/")


def test_the_pace_is_of_the_person_and_not_of_the_spelling(served: Served) -> None:
    """Verdicts under the same name with other capitals tell the pace too."""
    for index in range(6):
        at = NOW.replace(minute=index)
        give_verdict(served.logbook, 1, answer="unsure", reviewer="MAREN" if index % 2 else "maren", at=at)
    assert "About 4 minutes left." in get(served, "/")


@pytest.mark.parametrize(
    ("query", "ids"),
    [
        ("", [1, 2, 3, 4, 5]),
        ("kind=feeding", [4]),
        ("answer=confirm", [2]),
        ("answer=open&kind=silhouette", [1, 3, 5]),
        ("score=0.7", [1, 2, 3]),
        ("score=0.7&order=tree", [1, 2, 3]),
        ("tree=ot03", [1, 2, 3, 4, 5]),
        ("tree=OT01", []),
        ("tree=(none)", []),
        ("after=3", [4, 5]),
    ],
)
def test_the_list_shows_what_was_chosen(shown: Served, query: str, ids: list[int]) -> None:
    """Filters by answer, kind, tree and score, alone and together, best first."""
    text = get(shown, f"/all?{query}")
    assert [int(number) for number in re.findall(r'<li><a href="/candidates/(\d+)"', text)] == ids
    if not ids:
        assert "Nothing fits what is chosen above" in text


@pytest.mark.parametrize(
    ("path", "sentence"),
    [
        ("/all?kind=feedin", "did you mean &#39;feeding&#39;?"),
        ("/all?score=2", "expected a number from 0 to 1"),
        ("/all?score=nan", "expected a number from 0 to 1"),
        ("/all?tree=OT33", "did you mean &#39;OT03&#39;?"),
        ("/?order=worst", "Order: expected one of best, tree"),
        ("/candidates/99", "which this logbook lacks"),
        ("/candidates/x", "expected a whole number"),
        ("/candidates/99999999999999999999", "expected a whole number"),
        ("/all?after=-1", "expected a whole number"),
        ("/trees/OTTERHOLT/OT99", "Tree &#39;OTTERHOLT/OT99&#39;: expected the code of a tree"),
        ("/nothing", "There is no such page"),
    ],
)
def test_odd_addresses_get_a_sentence_and_a_way_on(shown: Served, path: str, sentence: str) -> None:
    """No word of an address is silently taken for another."""
    answer = asking.get(shown.address + path)
    assert answer.status_code == 404
    assert sentence in answer.text
    assert "Go on with the review" in answer.text


def test_observations_read_like_a_notebook(served: Served) -> None:
    """Date written out, local time with its zone, tree, what and who; what was not said says so."""
    confirm(served.logbook, 1, stage="L4", behaviour="feeding", note="on the tip")
    confirm(served.logbook, 2)
    text = re.sub(r"<[^>]+>|\s+", " ", get(served, "/observations"))
    text = re.sub(r"\s+", " ", text)
    assert "17 May 2026 13:42 BST OT03 Apatura , L4, feeding from footage on the tip Maren" in text
    assert "stage and condition not said" in text
    assert "no note" in text
    assert "2 observations of 2 animals, the last on 17 May 2026. 1 still without a stage." in text


def test_dismissing_takes_an_observation_off_the_page(served: Served) -> None:
    """What is withdrawn is not shown among the observations."""
    confirm(served.logbook, 1)
    give_verdict(served.logbook, 1, answer="dismiss", reviewer="Maren", at=NOW)
    assert "Nothing stands here yet" in get(served, "/observations")


def test_trees_and_visits_say_what_became_of_them(served: Served) -> None:
    """Searched and unsearched trees are told apart in words, visits with their footage and finds."""
    confirm(served.logbook, 1)
    trees = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", get(served, "/trees")))
    assert "OT03 Populus tremula 17 May 2026 1 observation 1 of 5 judged, 1 confirmed judge 4" in trees
    assert "OT01 Populus tremula never filmed not searched no candidates nothing left nothing noted" in trees
    visits = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", get(served, "/visits")))
    assert "17 May 2026 13:42 to 13:42 BST, by its footage OT03" in visits
    assert "1 clip, 2 s searched, 2 s of it sharp enough 1 observation 1 of 5 candidates judged" in visits


def test_moments_are_told_in_their_own_zone(otterholt: Logbook) -> None:
    """Summer and winter time, and fixed offsets, by the zone kept with the record."""
    winter = datetime(2026, 12, 31, 23, 30, tzinfo=UTC)
    assert say_clock(winter, "Europe/London") == "23:30:00"
    assert (say_clock(winter, "+01:00"), say_date(winter, "+01:00")) == ("00:30:00", "1 January 2027")
    summer = replace(find_candidate(otterholt, 1), zone="Europe/London")
    assert say_clock(summer.at, summer.zone) == "13:42:01"


def test_ahead_hands_out_the_next_ones_in_order(served: Served) -> None:
    """Cards come in the chosen order, without those left out and without those judged."""
    give_verdict(served.logbook, 2, answer="dismiss", reviewer="Jonas", at=NOW)
    cards = asking.get(f"{served.address}/api/ahead?limit=3&except=1,5").json()["cards"]
    assert [card["id"] for card in cards] == [3, 4]
    assert asking.get(f"{served.address}/api/ahead?limit=x").status_code == 404


def test_pictures_are_evidence_and_kept_for_good(served: Served) -> None:
    """A picture's bytes are those of its hash, and a browser need never ask again; a changed file is not shown."""
    view = find_candidate(served.logbook, 1).views[0]
    answer = asking.get(f"{served.address}/pictures/{view.picture}.jpg")
    assert answer.headers["content-type"] == "image/jpeg"
    assert "immutable" in answer.headers["cache-control"]
    path = served.logbook.folder / "evidence" / view.picture[:2] / f"{view.picture}.jpg"
    assert answer.content == path.read_bytes()
    path.write_bytes(b"something else")
    changed = asking.get(f"{served.address}/pictures/{view.picture}.jpg")
    assert changed.status_code == 404
    assert "the file was changed or damaged" in changed.json()["sentence"]
