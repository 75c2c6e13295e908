"""A second reading over HTTP: whatever the first reader said, every answer of every address is the same to the last byte."""

import re
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import timedelta
from itertools import product
from pathlib import Path

import httpx
import pytest
from starlette.routing import Route

from annotate.judging import promise
from annotate.logbook.drawn_in import draw_in
from annotate.logbook.opening import Logbook, open_logbook
from annotate.logbook.outlines import correct_outline
from annotate.logbook.records import Details
from annotate.logbook.review import find_candidate
from annotate.logbook.second_reading import ReadingPlan, list_disagreements
from annotate.logbook.verdicts import give_verdict, list_verdicts
from annotate.web.app import build_app
from annotate.web.desk import make_mark
from annotate.words import Answer
from tests.annotate import asking
from tests.annotate.made_pages import RECORDED_AT, SIZE_PX, fill_logbook, serve_pages

SAID: tuple[tuple[Answer, ...], ...] = (
    ("confirm", "dismiss", "unsure", "dismiss", "confirm"),
    ("dismiss", "confirm", "dismiss", "unsure", "unsure"),
)
"""What Maren says of candidates 1 to 5 in two logbooks that are alike in everything else."""

PATIENCE_S = 60.0
EVENING = RECORDED_AT + timedelta(hours=9)
QUERIES = (
    "",
    "?answer=confirm",
    "?answer=dismiss",
    "?score=0.5",
    "?order=doubtful",
    "?tree=OT03",
    "?kind=feeding",
)


class Book:
    """A logbook that Maren has judged, and clients of its second reading by Tove and of its usual review."""

    def __init__(self, logbook: Logbook, second: httpx.Client, usual: httpx.Client) -> None:
        self.logbook, self.second, self.usual = logbook, second, usual

    def get(self, client: httpx.Client, path: str) -> tuple[int, bytes]:
        """Status and body, without the mark by which logbooks are told apart."""
        answer = client.get(path)
        return answer.status_code, answer.content.replace(make_mark(self.logbook).encode(), b"MARK")


def judge(logbook: Logbook, answers: tuple[Answer, ...]) -> None:
    """Let Maren judge, say something of the animal, draw one larva in, and correct the outline of one she confirmed."""
    view = find_candidate(logbook, 1).views[0]
    row, column = view.picture_origin_px
    draw_in(
        logbook,
        clip_id=1,
        time_s=view.time_s,
        frame_index=view.frame_index,
        outline_px=[
            (row + 5.0, column + 5.0),
            (row + 5.0, column + 25.0),
            (row + 12.0, column + 25.0),
            (row + 12.0, column + 5.0),
        ],
        picture=view.picture,
        picture_origin_px=view.picture_origin_px,
        frame_size_px=SIZE_PX,
        reviewer="Maren",
        at=EVENING,
    )
    for number, answer in enumerate(answers, start=1):
        give_verdict(
            logbook,
            number,
            answer=answer,
            reviewer="Maren",
            at=EVENING,
            reason="twig" if answer == "dismiss" else "",
            details=Details(stage="L4", note="a note of hers") if answer == "confirm" else None,
        )
        if answer == "confirm":
            found = find_candidate(logbook, number).views[0]
            moved = [(row + 3.0, column + 2.0) for row, column in found.outline]
            correct_outline(logbook, number, rank=0, outline=moved, reviewer="Maren", at=EVENING)


@contextmanager
def open_client(logbook: Logbook, second: ReadingPlan | None) -> Iterator[httpx.Client]:
    """Serve Tove's pages; give a client that sends as they do."""
    with (
        serve_pages(logbook, reviewer="Tove", second=second) as address,
        asking.open_client(base_url=address, headers={"Origin": address}) as client,
    ):
        yield client


@pytest.fixture
def books(tmp_path: Path, film: Path) -> Iterator[tuple[Book, Book]]:
    """Two logbooks that differ only in what Maren said."""
    with ExitStack() as stack:

        def open_book(name: str, answers: tuple[Answer, ...]) -> Book:
            folder = fill_logbook(tmp_path / name / "Otterholt", film, has_clip=False)
            logbook = stack.enter_context(open_logbook(folder))
            judge(logbook, answers)
            clients = (stack.enter_context(open_client(logbook, second)) for second in (ReadingPlan(), None))
            return Book(logbook, *clients)

        yield open_book("one", SAID[0]), open_book("other", SAID[1])


def list_addresses(book: Book) -> list[str]:
    """Every address that answers GET, in the second reading and in the usual review, filled with what is there."""
    view = find_candidate(book.logbook, 1).views[0]
    fillings = {
        "candidate": ["1", "6", "99"],
        "rank": ["0"],
        "sha256": [view.picture],
        "name": ["0" * 64],
        "site": ["OTTERHOLT"],
        "code": ["OT03"],
        "rest": ["nothing"],
    }
    found = []
    for second in (ReadingPlan(), None):
        for route in build_app(book.logbook, reviewer="Tove", second=second).routes:
            if not isinstance(route, Route) or "GET" not in (route.methods or ()):
                continue
            names = re.findall(r"\{(\w+)(?::\w+)?\}", route.path)
            for chosen in product(*(fillings.get(name, ["1"]) for name in names)):
                path = route.path
                for name, word in zip(names, chosen, strict=True):
                    path = re.sub(rf"\{{{name}(:\w+)?\}}", word, path)
                found += [
                    path + query for query in (QUERIES if path in ("/", "/api/second/ahead") else QUERIES[:1])
                ]
    return [*dict.fromkeys(found), "/api/changes?since=0", "/api/second/ahead?limit=12"]


def test_no_address_tells_what_the_first_reader_said(books: tuple[Book, Book]) -> None:
    """All that can be got is the same whatever Maren said, names neither her nor a note, and shows nothing as drawn by hand."""
    one, other = books
    differing = 0
    addresses = list_addresses(one)
    for address in addresses:
        status, body = one.get(one.second, address)
        assert (status, body) == other.get(other.second, address), address
        for word in (b"Maren", b"a note of hers", b"twig", b"by hand", b"core 0.", b"L4"):
            assert word not in body, (address, word)
        differing += one.get(one.usual, address) != other.get(other.usual, address)
    # The usual pages do tell: the comparison would see it.
    assert len(addresses) > 40 and differing > 10


def test_giving_and_taking_back_tells_nothing_either(books: tuple[Book, Book]) -> None:
    """Answers to verdicts and undo are the same whatever Maren said; both are kept blind, and the usual addresses stay closed."""
    said = []
    for book in books:
        replies = []
        for number, answer in ((1, "confirm"), (2, "dismiss"), (6, "unsure")):
            sent = {"candidate": number, "answer": answer, "one_in": 1, "key": f"k{number}"}
            replies.append(book.second.post("/api/second/verdicts", json=sent).json())
        replies.append(book.second.post("/api/second/take-back", json={"candidate": 1}).json())
        for path in ("verdicts", "take-back", "details", "outlines", "drawn-in", "groups"):
            refused = book.second.post(f"/api/{path}", json={"candidate": 1, "answer": "confirm"})
            assert refused.status_code == 409 and "--second" in refused.json()["sentence"]
        replies.append(book.get(book.second, "/candidates/2"))
        said.append(replies)
        blind = [(one.answer, one.blind) for one in list_verdicts(book.logbook, 2) if one.reviewer == "Tove"]
        assert blind == [("dismiss", True)]
        (slip,) = [one for one in list_verdicts(book.logbook, 1) if one.takes_back_id is not None]
        assert slip.blind
    assert said[0] == said[1]
    assert said[0][0] == {"sense": "Second reading: 1 of 6 read"}
    assert said[0][3] == {"sense": "Second reading: 2 of 6 read"}
    assert b"You dismissed this" in said[0][4][1]


def test_the_usual_review_keeps_a_second_readings_answers_waiting(books: tuple[Book, Book]) -> None:
    """What a page of a second reading sends to a usual review is neither taken nor given up: it is to be sent again."""
    before = list_verdicts(books[0].logbook, 1)
    refused = books[0].usual.post("/api/second/verdicts", json={"candidate": 1, "answer": "confirm"})
    assert refused.status_code == 409 and "leafshade review --second" in refused.json()["sentence"]
    assert list_verdicts(books[0].logbook, 1) == before


def test_a_share_is_read_and_weighed(books: tuple[Book, Book]) -> None:
    """Of the dismissed only a share comes, and a verdict on one of them stands for as many as the share leaves out."""
    logbook = books[0].logbook
    with open_client(logbook, ReadingPlan(dismissed_one_in=1000)) as client:
        ids = {card["id"] for card in client.get("/api/second/ahead?limit=12").json()["cards"]}
        assert ids == {1, 3, 5, 6}
        assert "Second reading: 0 of 4 read" in client.get("/").text
        assert "Second reading, no tree given: 0 of 0 read" in client.get("/?tree=(none)").text
        assert "Nothing of what you chose is left" in client.get("/?tree=(none)").text


def test_disagreements_are_listed_with_their_number_and_vanish(books: tuple[Book, Book]) -> None:
    """Nothing is said of them while there are none; then who said what and for whom it waits; settled ones are gone."""
    book = books[0]
    assert "Disagreements" not in book.usual.get("/observations").text
    assert "Nobody disagrees" in book.usual.get("/disagreements").text
    book.second.post("/api/second/verdicts", json={"candidate": 1, "answer": "dismiss"})
    page = book.usual.get("/disagreements").text
    assert 'href="/disagreements">Disagreements (1)' in book.usual.get("/observations").text
    assert 'aria-current="page">Disagreements (1)' in page
    assert "1 open disagreement, 1 waits for Tove." in page
    assert "waits for Maren and Tove" in page and 'href="/candidates/1?from=disagreements"' in page
    assert re.findall(r"<p>(\w+): <span.*?</svg>(\w+)</span>", page, re.DOTALL) == [
        ("Maren", "confirmed"),
        ("Tove", "dismissed"),
    ]
    assert "Disagreements" not in book.second.get("/").text
    card = book.usual.get("/candidates/1").text
    assert "Maren: confirmed. Tove: dismissed. It counts as unsure until all say the same." in card
    given = book.usual.post("/api/verdicts", json={"candidate": 1, "answer": "confirm"}).json()
    assert given["differ"] == "" and list_disagreements(book.logbook) == ()
    assert "Nobody disagrees" in book.usual.get("/disagreements").text
    again = book.usual.post("/api/verdicts", json={"candidate": 1, "answer": "unsure"}).json()
    assert again["differ"].startswith("Maren: confirmed. Tove: unsure.")
    assert again["differ"].endswith("Answer anew, or say the same once more.")
    sent = {"candidate": 1, "answer": "confirm", "reviewer": "Maren"}
    # Once more changes nothing now, and nobody is told to.
    assert "talk it over" in book.usual.post("/api/verdicts", json=sent).json()["differ"]
    assert "everyone looked again; they still differ" in book.usual.get("/disagreements").text


def test_a_second_reading_is_learned_from(books: tuple[Book, Book], monkeypatch: pytest.MonkeyPatch) -> None:
    """Verdicts of a second reading, and slips taken back, count towards the next renewal of the order, as usual ones do."""
    renewed = threading.Event()
    monkeypatch.setattr(promise, "renew_promises", lambda logbook: renewed.set())
    assert not renewed.is_set()
    for number in range(promise.RENEW_EVERY // 2):
        sent = {"candidate": 2, "answer": "confirm", "one_in": 1, "key": f"r{number}"}
        assert books[0].second.post("/api/second/verdicts", json=sent).status_code == 200
        assert books[0].second.post("/api/second/take-back", json={"candidate": 2}).status_code == 200
    assert renewed.wait(PATIENCE_S)
