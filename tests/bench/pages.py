"""How long the review page lets a person wait, with 100,000 candidates in the logbook. Run `python -m tests.bench.pages`.

It fills a logbook in a temporary folder, a third of it judged, serves the pages as `leafshade review` does, in a process of its
own, and asks over real HTTP on the loopback as the page does: the page with its first candidate and that candidate's picture, a
verdict, its details, an undo, the cards ahead, the look round, and the list of all. Times are wall times of whole requests in
ms; the last line can be read by a program. Options: --candidates N --rounds N.
"""

import argparse
import multiprocessing
import random
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from statistics import median, quantiles

import httpx
from PIL import Image
from sqlalchemy import update

from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.pictures import keep_picture
from annotate.logbook.tables import CandidateRow, ViewRow
from tests.bench.logbook import CANDIDATES, fill

ROUNDS = 60
PICTURE_SIDE_PX = 240
FIRST_LIMIT_MS = 200
VERDICT_LIMIT_MS = 50


def main() -> None:
    """Fill, serve, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--candidates", type=int, default=CANDIDATES)
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = create_logbook(Path(folder) / "bench", recorder="Bench", zone="Europe/London")
        began = time.perf_counter()
        with open_logbook(path) as logbook:
            fill(logbook, options.candidates, rng=random.Random(1))
            give_pictures(logbook)
        print(f"filled with {options.candidates} candidates in {time.perf_counter() - began:.1f} s")
        with serve(path) as address:
            times = measure(address, options.rounds)
    for name, taken in times.items():
        print(f"{name:24} median {median(taken):7.1f} ms   95 % within {quantiles(taken, n=20)[-1]:7.1f} ms")
    print(
        "pages-ms "
        + " ".join(f"{name.replace(' ', '_')}={median(taken):.1f}" for name, taken in times.items())
    )
    print(f"wanted: first_candidate under {FIRST_LIMIT_MS}, verdict under {VERDICT_LIMIT_MS}")


def give_pictures(logbook: Logbook) -> None:
    """Let every view and frame show one real picture, so that what the page fetches is there."""
    noise = random.Random(3).randbytes(3 * PICTURE_SIDE_PX**2)
    stream = BytesIO()
    Image.frombytes("RGB", (PICTURE_SIDE_PX, PICTURE_SIDE_PX), noise).save(stream, "JPEG", quality=90)
    sha256 = keep_picture(logbook, stream.getvalue())
    with logbook.writing() as session:
        session.execute(update(ViewRow).values(picture=sha256))
        session.execute(update(CandidateRow).values(frame_picture=sha256))


@contextmanager
def serve(folder: Path) -> Iterator[str]:
    """Serve the pages of a logbook in a process of its own, as the command does; give their address."""
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_serve, args=(folder, there), daemon=True)
    process.start()
    try:
        yield here.recv()
    finally:
        process.terminate()
        process.join()


def _serve(folder: Path, pipe: "multiprocessing.connection.Connection") -> None:  # type: ignore[name-defined]
    from annotate.web.app import build_app
    from annotate.web.serving import open_port, serve

    opening = open_port("127.0.0.1", 0)
    pipe.send(opening.address.rstrip("/"))
    with open_logbook(folder) as logbook:
        serve(build_app(logbook, reviewer="Bench", door=opening.door), opening)


def measure(address: str, rounds: int) -> dict[str, list[float]]:
    """Return by request the ms each round took. A round judges one candidate, as a person does."""
    times: dict[str, list[float]] = {}
    with httpx.Client(base_url=address, headers={"Origin": address}) as client:

        def take(name: str, act: Callable[[], httpx.Response]) -> httpx.Response:
            began = time.perf_counter()
            reply = act()
            times.setdefault(name, []).append(1000 * (time.perf_counter() - began))
            reply.raise_for_status()
            return reply

        began = time.perf_counter()
        client.get("/").raise_for_status()
        print(f"the very first page after the start: {1000 * (time.perf_counter() - began):.1f} ms")
        for round_ in range(rounds):
            judge_one(client, take, round_)
    return times


def judge_one(
    client: httpx.Client, take: Callable[[str, Callable[[], httpx.Response]], httpx.Response], round_: int
) -> None:
    """Ask once for everything that judging one candidate asks for."""
    card = client.get("/api/ahead?limit=1").json()["cards"][0]

    def open_first() -> httpx.Response:
        # What must be there before a person sees the candidate: the page and the enlarged view.
        page = client.get("/")
        picture = client.get(card["views"][0]["url"])
        return page if page.is_error else picture

    def post(path: str, **sent: object) -> Callable[[], httpx.Response]:
        return lambda: client.post(path, json={"candidate": card["id"], "key": f"{path}{round_}", **sent})

    answer = "confirm" if round_ % 3 == 0 else "dismiss"
    take("first candidate", open_first)
    given = take("verdict", post("/api/verdicts", answer=answer, known=card["known"])).json()["verdict"]
    if answer == "confirm":
        take("details", post("/api/details", stage="L4", condition="", behaviour="", note=""))
    take("one card ahead", lambda: client.get("/api/ahead?limit=1"))
    take("look round", lambda: client.get(f"/api/changes?since={given['id'] - 1}"))
    take("undo", post("/api/take-back"))
    client.post("/api/verdicts", json={"candidate": card["id"], "answer": answer, "key": "", "known": 0})
    take("list of all", lambda: client.get("/all"))
    take("list of unsure by tree", lambda: client.get("/all?order=tree&answer=unsure"))
    take("first by tree", lambda: client.get("/?order=tree"))


if __name__ == "__main__":
    main()
