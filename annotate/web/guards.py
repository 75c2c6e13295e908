"""Who may talk to the pages, and what every answer carries: the host check, the same-origin check, the key, the headers.

The pages listen on this computer only unless told otherwise. Even then a foreign page open in the same browser can send
requests here, under its own name (cross-site requests) or under a name that it lets point here (DNS rebinding); the checks
close both ways. There are no accounts: whoever may use the computer, or has the key, may judge.
"""

import hmac
import ipaddress
from dataclasses import dataclass
from http.cookies import SimpleCookie
from urllib.parse import parse_qs, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

CONTENT_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
"""Nothing from elsewhere, nothing inline (W3C Content Security Policy Level 3)."""

HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}

KEY_COOKIE = "leafshade_key"
SAFE_METHODS = frozenset({"GET", "HEAD"})


@dataclass(frozen=True, slots=True)
class Door:
    """How the pages may be reached.

    Attributes
    ----------
    host_names : names allowed in the Host header, lower case, without port; addresses in figures are always allowed, since
        no foreign site can take one for its own
    key : what a browser must have been given once, in the address; empty where only this computer can reach the pages
    """

    host_names: frozenset[str] = frozenset({"localhost", "127.0.0.1", "[::1]"})
    key: str = ""


class Guard:
    """Middleware that turns away what may not come in, and puts the headers on what goes out."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app = app
        self._door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        answer = self._turn_away(scope)
        await (self._app if answer is None else answer)(scope, receive, send_with_headers)

    def _turn_away(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not _is_known_host(host, self._door.host_names):
            return _refuse(
                f"expected a request to this computer by one of its own names, found {host!r}; "
                "open the address that leafshade review printed",
                status=421,
            )
        if scope["method"] not in SAFE_METHODS and headers.get("origin") != f"{scope['scheme']}://{host}":
            return _refuse(
                f"expected the request to come from these pages, found origin {headers.get('origin')!r}; "
                "open the page and judge there",
                status=403,
            )
        return self._ask_for_key(scope, headers) if self._door.key else None

    def _ask_for_key(self, scope: Scope, headers: Headers) -> Response | None:
        cookie = SimpleCookie(headers.get("cookie", "")).get(KEY_COOKIE)
        if cookie is not None and _is_same(cookie.value, self._door.key):
            return None
        query = parse_qs(scope["query_string"].decode("latin-1"))
        given = query.pop("key", [""])[0]
        if scope["method"] == "GET" and _is_same(given, self._door.key):
            rest = urlencode(query, doseq=True)
            response = RedirectResponse(scope["path"] + (f"?{rest}" if rest else ""), status_code=303)
            response.set_cookie(KEY_COOKIE, self._door.key, httponly=True, samesite="strict")
            return response
        return _refuse(
            "expected the key of this review, found none or another; open the whole address that leafshade review printed",
            status=403,
        )


def _is_known_host(host: str, names: frozenset[str]) -> bool:
    name = host.rpartition("]")[0] + "]" if host.startswith("[") else host.partition(":")[0]
    return name.lower() in names or _is_address(name)


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True


def _is_same(given: str, key: str) -> bool:
    return hmac.compare_digest(given.encode(), key.encode())


def _refuse(sentence: str, *, status: int) -> Response:
    return PlainTextResponse(f"Not let in: {sentence}.\n", status_code=status)
