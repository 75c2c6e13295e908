"""The pages served on a port of this computer, until stopped. It prints nothing; the address is handed to the caller."""

import secrets
import socket
import webbrowser
from dataclasses import dataclass
from threading import Thread

import uvicorn
from starlette.applications import Starlette

from annotate.errors import AnnotateError
from annotate.web.guards import Door

FIRST_PORT = 8471
PORTS_TRIED = 20
"""Without a wish the first free port from `FIRST_PORT` on is taken, so that two logbooks can be reviewed at once. The numbers
are assigned to nobody (IANA Service Name and Port Number Registry, from memory)."""

LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})

LAST_ANSWERS_S = 3
"""How long answers under way are waited for when stopping."""

KEY_BYTES = 16

NOWHERE = ("192.0.2.1", 9)
"""An address kept for documentation, which nobody has (RFC 5737), and the port that discards."""


@dataclass(frozen=True, slots=True)
class Opening:
    """A port that is open and not yet served: its socket, the address to type, and how the pages may be reached."""

    socket: socket.socket
    address: str
    door: Door


def open_port(host: str, port: int | None) -> Opening:
    """Open a port for the pages; None takes the first free one.

    A host other than this computer's own loop is reachable by others, so it gets a key that stands in the address.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the port is taken or the host is none of this computer's.
    """
    ports = range(FIRST_PORT, FIRST_PORT + PORTS_TRIED) if port is None else [port]
    problem: OSError | None = None
    for tried in ports:
        try:
            opened = _bind(host, tried)
        except OSError as error:
            problem = error
            continue
        return _describe(opened, host)
    found = problem.strerror or str(problem) if problem else "none tried"
    wanted = (
        f"port {port}"
        if port is not None
        else f"a free port from {FIRST_PORT} to {FIRST_PORT + PORTS_TRIED - 1}"
    )
    raise AnnotateError(
        f"review: expected {wanted} on {host}; found '{found}'; choose another with --port, or close the other review"
    )


def serve(app: Starlette, opening: Opening) -> None:
    """Serve the app on an open port until the program is interrupted."""
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, ws="none", timeout_graceful_shutdown=LAST_ANSWERS_S
    )
    uvicorn.Server(config).run(sockets=[opening.socket])


def open_browser(address: str) -> None:
    """Open the page in the person's browser, which waits until the port is served; nothing happens where there is none."""
    Thread(target=webbrowser.open, args=(address,), name="browser", daemon=True).start()


def find_own_address() -> str:
    """Return the address by which others on the local network reach this computer, its name where that cannot be told.

    A phone seldom knows the names of the computers around it.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ask:
        try:
            # Connecting a datagram socket sends nothing; it only chooses the way out and with it the address.
            ask.connect(NOWHERE)
            found: str = ask.getsockname()[0]
        except OSError:
            return socket.gethostname()
    return found


def _bind(host: str, port: int) -> socket.socket:
    family, kind, protocol, _, place = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    opened = socket.socket(family, kind, protocol)
    try:
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        opened.bind(place)
        opened.listen()
    except BaseException:
        opened.close()
        raise
    return opened


def _describe(opened: socket.socket, host: str) -> Opening:
    port = opened.getsockname()[1]
    written = f"[{host}]" if ":" in host else host
    if host in LOOPBACK:
        return Opening(opened, f"http://{written}:{port}/", Door())
    key = secrets.token_urlsafe(KEY_BYTES)
    names = Door().host_names | {host.lower(), socket.gethostname().lower()}
    shown = find_own_address() if host in ("0.0.0.0", "::") else written
    return Opening(opened, f"http://{shown}:{port}/?key={key}", Door(host_names=names, key=key))
