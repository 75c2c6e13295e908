"""The guarded connection to a label server: to its address and no other, JSON and nothing else, bounded in time and size.

Requests that only ask are repeated when the server is busy or the line breaks. One that makes something is repeated only where it
certainly was not received; otherwise `Interrupted` says that nobody knows, and the caller looks before it tries again. Redirects
are never followed and proxies never used: the token goes to the address that a person named. This file knows no task.
"""

import json
import logging
import ssl
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from urllib.parse import urlsplit

import httpx

from annotate.errors import AnnotateError
from annotate.exchange.addresses import DEFAULT_PORTS

WAITS_S = (0.5, 1.0, 2.0, 4.0)
"""Pauses between attempts where the server names none: five attempts within eight seconds, then a person decides."""

LONGEST_WAIT_S = 60.0
"""Longest pause that a server may ask for; longer ones are for a later run."""

CONNECT_S = 10.0
ANSWER_S = 30.0
"""Seconds to reach the server, and to wait for the next part of its answer."""

LONGEST_ANSWER_S = 300.0
"""Seconds for a whole answer, so that one that drips does not go on for ever."""

LARGEST_ANSWER = 128 * 2**20
"""Bytes of one answer: a page of 100 tasks with pictures of up to a megabyte."""

BUSY = 429
BROKEN = frozenset({500, 502, 503, 504})
REFUSED = frozenset({401, 403})
REDIRECTS = range(300, 400)
FINE = range(200, 300)

LOGGERS = (
    "httpx",
    "httpcore.connection",
    "httpcore.http11",
    "httpcore.http2",
    "httpcore.proxy",
    "httpcore.socks",
)

REFRESH_PATH = "/api/token/refresh/"
"""Asking for a new key changes nothing that is kept: it may be repeated."""


class Interrupted(AnnotateError):
    """The line broke after something was sent that makes something: it may have been made, or not."""


def open_client(address: str, *, hide_in: Callable[[str], str]) -> httpx.Client:
    """Return a client that speaks to this address alone; `hide_in` takes secrets out of what is said in errors."""
    # Where nothing is encrypted no certificates are read; the guard lets nothing but this address through, https neither.
    is_encrypted = address.startswith("https:")
    inner = httpx.HTTPTransport(verify=is_encrypted, trust_env=is_encrypted)
    transport = GuardedTransport(address, inner, hide_in=hide_in)
    timeout = httpx.Timeout(ANSWER_S, connect=CONNECT_S)
    return httpx.Client(transport=transport, timeout=timeout, follow_redirects=False, trust_env=False)


@contextmanager
def keep_out_of_logs(hide_in: Callable[[str], str]) -> Iterator[None]:
    """Take secrets out of what the libraries of the line log: they log headers, and a server may repeat the token in one."""

    def hide(record: logging.LogRecord) -> bool:
        record.msg, record.args = hide_in(record.getMessage()), ()
        return True

    loggers = [logging.getLogger(name) for name in LOGGERS]
    for logger in loggers:
        logger.addFilter(hide)
    try:
        yield
    finally:
        for logger in loggers:
            logger.removeFilter(hide)


class GuardedTransport(httpx.BaseTransport):
    """Carries requests to one server: repeats what may be repeated, and lets in only whole JSON of a bounded size."""

    def __init__(self, address: str, inner: httpx.BaseTransport, *, hide_in: Callable[[str], str]) -> None:
        self._address = address
        self._hide_in = hide_in
        self._own = _find_origin(httpx.URL(address))
        self._inner = inner

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        """Send a request and return the whole answer."""
        if _find_origin(request.url) != self._own:
            raise self._say(
                f"to speak to this address alone; found a request to {request.url.host}", "report it"
            )
        found = ""
        for pause_s in (*WAITS_S, None):
            try:
                response = self._fetch(request)
            except (httpx.ConnectError, httpx.ConnectTimeout) as error:
                # Nothing was sent yet.
                found = self._explain_connecting(error)
            except httpx.TransportError as error:
                found = f"a broken line ({type(error).__name__})"
                self._stop_if_made(request, found)
            else:
                if response.status_code != BUSY and response.status_code not in BROKEN:
                    return self._check(response)
                found = f"HTTP {response.status_code}"
                if response.status_code != BUSY:
                    self._stop_if_made(request, found)
                pause_s = _find_pause(response, pause_s)
            if pause_s is None:
                break
            time.sleep(pause_s)
        raise self._say(f"an answer; found {found}, again and again", "try later: the same command goes on")

    def close(self) -> None:
        """Close all connections."""
        self._inner.close()

    def _fetch(self, request: httpx.Request) -> httpx.Response:
        response = self._inner.handle_request(request)
        response.request = request
        try:
            body = b"".join(self._read_bounded(response))
        except httpx.DecodingError:
            raise self._say("an answer packed as it says; found another", "ask who runs the server") from None
        finally:
            response.close()
        kept = [(name, value) for name, value in response.headers.items() if name.lower() in KEPT_HEADERS]
        return httpx.Response(response.status_code, headers=kept, content=body, request=request)

    def _read_bounded(self, response: httpx.Response) -> Iterator[bytes]:
        began_s, size = time.monotonic(), 0
        for part in response.iter_bytes():
            size += len(part)
            if size > LARGEST_ANSWER:
                raise self._say(
                    f"an answer under {LARGEST_ANSWER // 2**20} MiB; found a larger one", "ask who runs it"
                )
            if time.monotonic() - began_s > LONGEST_ANSWER_S:
                raise self._say(
                    f"a whole answer within {LONGEST_ANSWER_S:.0f} s; found it unfinished", "try later"
                )
            yield part

    def _stop_if_made(self, request: httpx.Request, found: str) -> None:
        """Raise where the request may have made something that a repeat would make twice."""
        if request.method != "GET" and not request.url.path.endswith(REFRESH_PATH):
            raise Interrupted(
                f"label server {self._address}: expected to hear whether it was kept; found {found}; run the same again to go on"
            )

    def _explain_connecting(self, error: httpx.TransportError) -> str:
        cause: BaseException | None = error
        while cause is not None and not isinstance(cause, ssl.SSLError):
            cause = cause.__cause__ or cause.__context__
        if isinstance(cause, ssl.SSLCertVerificationError):
            raise self._say(
                f"a certificate that this computer trusts; found one it does not ({cause.verify_message})",
                "check the address; where your organisation signs its own, name its file in SSL_CERT_FILE",
            ) from None
        if isinstance(cause, ssl.SSLError):
            raise self._say(
                f"an encrypted line; found none ({cause.reason or 'no TLS'})",
                "check the address and whether it is https",
            ) from None
        return "nobody there"

    def _check(self, response: httpx.Response) -> httpx.Response:
        status = response.status_code
        if status in REDIRECTS:
            raise self._say(
                f"an answer; found a redirect to {_find_target(response)}, which is not followed: the token is for this address",
                "give the address where the server itself answers",
            )
        if status in REFUSED:
            raise self._say(
                f"a token that may do this; found it refused (HTTP {status})",
                "check the token and what its account may do",
            )
        if status in FINE and response.content:
            self._check_json(response)
        return response

    def _check_json(self, response: httpx.Response) -> None:
        try:
            json.loads(response.content, parse_constant=_refuse_constant)
        except (ValueError, RecursionError):
            start = response.content[:200].lstrip().lower()
            found = "a web page" if start.startswith(b"<") else "something else"
            raise self._say(
                f"an answer in JSON; found {found}", "check that the address is that of the label server"
            ) from None

    def _say(self, expected_and_found: str, advice: str) -> AnnotateError:
        return AnnotateError(
            self._hide_in(f"label server {self._address}: expected {expected_and_found}; {advice}")
        )


KEPT_HEADERS = frozenset({"content-type", "location", "retry-after"})
"""Of an answer; its lengths and encodings no longer hold once it was read, and nothing else is used."""


def _find_origin(url: httpx.URL) -> tuple[str, str, int | None]:
    return (url.scheme, url.host, url.port or DEFAULT_PORTS.get(url.scheme))


def _find_pause(response: httpx.Response, usual_s: float | None) -> float | None:
    """Return how long to wait: as the server asks, else as usual; None after the last attempt, or where it asks for long."""
    asked = response.headers.get("retry-after", "").strip()
    if usual_s is None or not asked.isascii() or not asked.isdigit():
        return usual_s
    asked_s = float(asked[:6])
    return asked_s if asked_s <= LONGEST_WAIT_S else None


def _find_target(response: httpx.Response) -> str:
    try:
        host = urlsplit(response.headers.get("location", "")).hostname or "another place"
    except ValueError:
        host = "another place"
    return host if host.isascii() and host.isprintable() and len(host) < 256 else "another place"


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is no JSON")
