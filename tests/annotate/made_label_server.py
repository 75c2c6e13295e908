"""A label server for tests on this machine's loopback: the endpoints the SDK calls, with state, and failing when told to.

Projects, tasks and suggestions are held to the SDK's own validation, as a real one holds them to its own. Lists come in pages,
with 404 past the last one. Everything that was asked is kept, so that a test can look for what must not be there.
"""

import base64
import json
import re
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from label_studio_sdk.label_interface import LabelInterface

TOKEN = "tok-5f3b9c0e7a41d28866"
Reply = tuple[int, dict[str, str], bytes]


@dataclass
class Asked:
    """One request as it came in."""

    method: str
    path: str
    query: dict[str, str]
    headers: dict[str, str]
    body: bytes


@dataclass
class Trouble:
    """What goes wrong with requests that match, `times` times: answered by `reply`, or the line is dropped.

    `after` is whether the request is carried out first, so that what was asked for is done and nobody hears of it.
    """

    method: str
    path: str
    reply: Reply | None = None
    times: int = 1
    after: bool = False


@dataclass
class MadeServer:
    """The state of a label server."""

    token: str = TOKEN
    projects: dict[int, dict[str, Any]] = field(default_factory=dict)
    tasks: dict[int, dict[str, Any]] = field(default_factory=dict)
    people: list[dict[str, Any]] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    asked: list[Asked] = field(default_factory=list)
    twist: Callable[[str, Any], Any] | None = None
    address: str = ""
    refreshed: str = ""
    last_number: int = 0
    largest_page: int = 100
    lock: threading.Lock = field(default_factory=threading.Lock)

    def number(self) -> int:
        self.last_number += 1
        return self.last_number

    def answer_task(
        self,
        number: int,
        word: str,
        *,
        by: int,
        at: datetime,
        points: list[list[float]] | None = None,
        reason: str = "",
        annotation: int = 0,
        **more: Any,
    ) -> int:
        """Let a person answer a task as an editor does: from its suggestion, with a choice, perhaps moving the outline."""
        task = self.tasks[number]
        results = json.loads(json.dumps(task["predictions"][-1]["result"])) if task["predictions"] else []
        if points is not None:
            results[0]["value"]["points"] = points
        for name, said in (("answer", word), ("reason", reason)):
            if said:
                results.append(
                    {"id": name, "from_name": name, "to_name": "picture", "type": "choices"}
                    | {"value": {"choices": [said]}}
                )
        config = LabelInterface(self.projects[task["project"]]["label_config"])
        assert config.validate_annotation({"result": results})
        stamp = at.astimezone(UTC).isoformat().replace("+00:00", "Z")
        if annotation:
            (one,) = [one for one in task["annotations"] if one["id"] == annotation]
            one.update(result=results, updated_at=stamp, **more)
            return annotation
        made = {
            "id": self.number(),
            "completed_by": by,
            "result": results,
            "was_cancelled": False,
            "created_at": stamp,
            "updated_at": stamp,
            "task": number,
            **more,
        }
        task["annotations"].append(made)
        return int(made["id"])

    def find_keyed(self, key: str) -> list[int]:
        return [number for number, task in self.tasks.items() if task["data"]["candidate"] == key]


@contextmanager
def run_label_server(*, wrap: ssl.SSLContext | None = None, **state: Any) -> Iterator[MadeServer]:
    """Serve a label server until the block ends; encrypted where a context is given."""
    made = MadeServer(**state)
    handler = type("Handler", (_Handler,), {"made": made})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    if wrap is not None:
        server.socket = wrap.wrap_socket(server.socket, server_side=True)
    made.address = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    try:
        yield made
    finally:
        server.shutdown()
        server.server_close()
        thread.join(timeout=10)


def make_signed_key(lives_s: float, *, kind: str = "refresh") -> str:
    """A signed key as servers give them, its signature worth nothing."""
    parts = ({"alg": "HS256", "typ": "JWT"}, {"exp": int(time.time() + lives_s), "token_type": kind})
    coded = [base64.urlsafe_b64encode(json.dumps(part).encode()).rstrip(b"=").decode() for part in parts]
    return ".".join([*coded, "c2lnbmF0dXJl"])


class _Handler(BaseHTTPRequestHandler):
    made: MadeServer
    protocol_version = "HTTP/1.1"
    timeout = 10

    def log_message(self, format: str, *args: object) -> None:
        pass

    def do_GET(self) -> None:
        self.answer()

    def do_POST(self) -> None:
        self.answer()

    def answer(self) -> None:
        parts = urlsplit(self.path)
        query = {name: values[-1] for name, values in parse_qs(parts.query).items()}
        body = self.rfile.read(int(self.headers.get("content-length", 0)))
        asked = Asked(self.command, parts.path, query, dict(self.headers.items()), body)
        with self.made.lock:
            self.made.asked.append(asked)
            trouble = self.find_trouble(asked)
            if trouble is not None and not trouble.after:
                reply = trouble.reply
            else:
                reply = self.carry_out(asked)
                reply = reply if trouble is None else trouble.reply
        if reply is None:
            self.close_connection = True
            self.connection.close()
            return
        status, headers, content = reply
        self.send_response(status)
        for name, value in {"content-length": str(len(content)), **headers}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(content)

    def find_trouble(self, asked: Asked) -> Trouble | None:
        for trouble in self.made.troubles:
            if trouble.times and trouble.method == asked.method and re.fullmatch(trouble.path, asked.path):
                trouble.times -= 1
                return trouble
        return None

    def carry_out(self, asked: Asked) -> Reply:
        status, answer = self.choose(asked)
        if self.made.twist is not None:
            answer = self.made.twist(asked.path, answer)
        content = json.dumps(answer).encode()
        return status, {"content-type": "application/json"}, content

    def choose(self, asked: Asked) -> tuple[int, Any]:
        made = self.made
        if asked.path == "/api/token/refresh/":
            made.refreshed = make_signed_key(300, kind="access")
            good = json.loads(asked.body) == {"refresh": made.token}
            return (200, {"access": made.refreshed}) if good else (401, {"detail": "no"})
        sent = asked.headers.get("Authorization", asked.headers.get("authorization", ""))
        if sent not in (f"Token {made.token}", f"Bearer {made.refreshed}"):
            return 401, {"detail": "Invalid token."}
        body = json.loads(asked.body) if asked.body else {}
        if match := re.fullmatch(r"/api/(projects|tasks)/(\d+)/", asked.path):
            found = getattr(made, match[1]).get(int(match[2]))
            return (200, self.show(found)) if found else (404, {"detail": "Not found."})
        routes = {
            ("GET", "/api/projects/"): self.list_projects,
            ("POST", "/api/projects/"): self.make_project,
            ("GET", "/api/tasks/"): self.list_tasks,
            ("POST", "/api/tasks/"): self.make_task,
            ("POST", "/api/predictions/"): self.make_suggestion,
            ("GET", "/api/users/"): lambda query, body: (200, made.people),
        }
        route = routes.get((asked.method, asked.path))
        return route(asked.query, body) if route else (404, {"detail": "Not found."})

    def show(self, found: dict[str, Any]) -> dict[str, Any]:
        if "predictions" not in found:
            return found
        return found | {
            "total_predictions": len(found["predictions"]),
            "total_annotations": len(found["annotations"]),
        }

    def cut_page(self, items: list[Any], query: dict[str, str]) -> list[Any] | None:
        size = min(int(query.get("page_size", 30)), self.made.largest_page)
        start = (int(query.get("page", 1)) - 1) * size
        return None if start and start >= len(items) else items[start : start + size]

    def list_projects(self, query: dict[str, str], body: Any) -> tuple[int, Any]:
        items = list(self.made.projects.values())
        page = self.cut_page(items, query)
        if page is None:
            return 404, {"detail": "Invalid page."}
        return 200, {"count": len(items), "next": None, "previous": None, "results": page}

    def make_project(self, query: dict[str, str], body: Any) -> tuple[int, Any]:
        if not LabelInterface(body["label_config"]).is_valid:
            return 400, {"label_config": ["not valid"]}
        number = self.made.number()
        self.made.projects[number] = {"id": number, **body}
        return 201, self.made.projects[number]

    def list_tasks(self, query: dict[str, str], body: Any) -> tuple[int, Any]:
        items = [task for task in self.made.tasks.values() if str(task["project"]) == query["project"]]
        page = self.cut_page(items, query)
        if page is None:
            return 404, {"detail": "Not found."}
        whole = {"total": len(items), "total_annotations": 0, "total_predictions": 0}
        return 200, whole | {"tasks": [self.show(task) for task in page]}

    def make_task(self, query: dict[str, str], body: Any) -> tuple[int, Any]:
        config = LabelInterface(self.made.projects[body["project"]]["label_config"])
        if not config.validate_task({"data": body["data"]}):
            return 400, {"data": ["not valid"]}
        number = self.made.number()
        self.made.tasks[number] = {"id": number, "annotations": [], "predictions": [], **body}
        return 201, self.show(self.made.tasks[number])

    def make_suggestion(self, query: dict[str, str], body: Any) -> tuple[int, Any]:
        task = self.made.tasks[body["task"]]
        config = LabelInterface(self.made.projects[task["project"]]["label_config"])
        errors = config.validate_prediction(body, return_errors=True)
        if errors:
            return 400, {"validation_errors": errors}
        task["predictions"].append({"id": self.made.number(), **body})
        return 201, task["predictions"][-1]
