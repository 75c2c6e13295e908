"""Who may talk to the pages: asked over real HTTP, as a browser, a foreign page or a stranger would."""

import http.client
from collections.abc import Mapping
from urllib.parse import urlsplit

import pytest

from annotate.errors import AnnotateError
from annotate.logbook.opening import Logbook
from annotate.logbook.verdicts import find_last_verdict_id
from annotate.web.guards import Door
from annotate.web.serving import open_port
from tests.annotate import asking
from tests.annotate.conftest import Served
from tests.annotate.made_pages import serve_pages

# The shown logbook holds one verdict, and after every refusal still one.
VERDICT = {"candidate": 1, "answer": "dismiss", "known": 0, "key": "k1"}


def ask_raw(address: str, path: str, headers: Mapping[str, str] | None = None) -> tuple[int, bytes]:
    """Ask for a path exactly as written; httpx would tidy it first."""
    place = urlsplit(address)
    connection = http.client.HTTPConnection(place.hostname or "", place.port)
    try:
        connection.request("GET", path, headers=dict(headers or {}))
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "127.0.0.1.evil.example", "localhost.evil.example", ""]
)
def test_a_foreign_name_that_points_here_is_turned_away(shown: Served, host: str) -> None:
    """DNS rebinding: a request under a name that is not this computer's is refused, whatever it asks for."""
    for path in ("/", "/api/ahead", "/static/page.css", "/observations"):
        status, body = ask_raw(shown.address, path, {"Host": host})
        assert status == 421
        assert b"silhouette" not in body


@pytest.mark.parametrize("host", ["localhost:1", "LOCALHOST", "127.0.0.1:8471", "[::1]:8471"])
def test_own_names_are_let_in(shown: Served, host: str) -> None:
    """This computer's own names are let in on any port, in any case."""
    assert ask_raw(shown.address, "/all", {"Host": host})[0] == 200


@pytest.mark.parametrize(
    "origin", [None, "null", "http://evil.example", "http://localhost:1", "https://{host}"]
)
def test_a_verdict_from_another_page_is_refused(shown: Served, origin: str | None) -> None:
    """Cross-site requests: without this page's own origin nothing is written."""
    headers = {} if origin is None else {"Origin": origin.format(host=urlsplit(shown.address).netloc)}
    answer = asking.post(f"{shown.address}/api/verdicts", json=VERDICT, headers=headers)
    assert answer.status_code == 403
    assert find_last_verdict_id(shown.logbook) == 1


def test_a_form_cannot_judge(shown: Served) -> None:
    """A form of a foreign page can send no JSON; what comes as a form is refused even with the right origin."""
    answer = asking.post(
        f"{shown.address}/api/verdicts", data={"candidate": "1"}, headers={"Origin": shown.address}
    )
    assert answer.status_code == 415
    assert find_last_verdict_id(shown.logbook) == 1


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"{", 400),
        (b"[1]", 400),
        (b"x" * 70_000, 413),
        (b'{"candidate": "1", "answer": "dismiss"}', 422),
        (b'{"candidate": -1, "answer": "dismiss"}', 422),
        (b'{"candidate": 99, "answer": "dismiss"}', 422),
        (b'{"candidate": 1, "answer": "maybe"}', 422),
        (b'{"candidate": 1}', 422),
        (b'{"candidate": 1, "answer": "dismiss", "reviewer": 5}', 422),
        (b"\xff\xfe", 400),
    ],
)
def test_nonsense_is_answered_in_a_sentence(shown: Served, body: bytes, status: int) -> None:
    """Whatever is sent, the answer is a sentence and nothing is written."""
    answer = asking.post(
        f"{shown.address}/api/verdicts",
        content=body,
        headers={"Origin": shown.address, "Content-Type": "application/json"},
    )
    assert answer.status_code == status
    assert answer.json()["sentence"].endswith(".")
    assert find_last_verdict_id(shown.logbook) == 1


@pytest.mark.parametrize(
    "path",
    [
        "/pictures/../settings.toml",
        "/pictures/..%2f..%2fsettings.toml.jpg",
        "/pictures/%2e%2e/%2e%2e/logbook.db.jpg",
        "/pictures/" + "0" * 64 + ".jpg",
        "/pictures/" + "A" * 64 + ".jpg",
        "/loops/..%2f..%2flogbook.webp",
        "/loops/" + "0" * 64 + ".webp",
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/app.py",
        "/static//etc/passwd",
    ],
)
def test_nothing_outside_the_evidence_is_served(shown: Served, path: str) -> None:
    """Paths that climb, and names that are no evidence, find nothing."""
    status, body = ask_raw(shown.address, path)
    assert status == 404
    assert b"zone" not in body.lower() or b"expected" in body
    assert b"SQLite" not in body and b"root:" not in body and b"Starlette" not in body


def test_every_answer_carries_the_policy(shown: Served) -> None:
    """Pages, pictures, errors and refusals all forbid what comes from elsewhere, and framing."""
    for path in ("/", "/all", "/static/review.js", "/nothing", "/candidates/99", "/api/ahead"):
        headers = asking.get(shown.address + path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy and "http" not in policy
        assert headers["x-content-type-options"] == "nosniff"


def test_a_key_is_asked_for_beyond_this_computer(otterholt: Logbook) -> None:
    """With a key nothing is shown without it; given once in the address it is kept in a cookie that no script reads."""
    with (
        serve_pages(otterholt, door=Door(key="a key")) as address,
        asking.open_client(base_url=address) as client,
    ):
        assert client.get("/observations").status_code == 403
        assert client.get("/observations?key=another").status_code == 403
        opened = client.get("/all?kind=feeding&key=a%20key")
        assert opened.status_code == 303
        assert opened.headers["location"] == "/all?kind=feeding"
        assert "httponly" in opened.headers["set-cookie"].lower()
        assert "samesite=strict" in opened.headers["set-cookie"].lower()
        assert client.get("/all").status_code == 200
        assert (
            asking.post(f"{address}/api/verdicts", json=VERDICT, headers={"Origin": address}).status_code
            == 403
        )


def test_ports_are_found_or_refused_in_a_sentence() -> None:
    """Without a wish a free port is taken even when the first is not free; a wished one that is taken is an error."""
    with open_port("127.0.0.1", 0).socket as taken:
        number = taken.getsockname()[1]
        with pytest.raises(
            AnnotateError, match=rf"expected port {number} on 127.0.0.1; found .* choose another with --port"
        ):
            open_port("127.0.0.1", number)
    with open_port("127.0.0.1", None).socket as first, open_port("127.0.0.1", None).socket as second:
        assert first.getsockname()[1] != second.getsockname()[1]


def test_other_hosts_get_a_key_and_this_computer_none() -> None:
    """Only where others can reach the pages is a key made, a new one each time."""
    with open_port("0.0.0.0", 0).socket, open_port("127.0.0.1", 0).socket:
        pass
    doors = [open_port(host, 0) for host in ("0.0.0.0", "0.0.0.0", "127.0.0.1")]
    for door in doors:
        door.socket.close()
    keys = [door.door.key for door in doors]
    assert keys[2] == ""
    assert len({*keys}) == 3
    assert f"?key={keys[0]}" in doors[0].address
