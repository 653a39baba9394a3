"""Who may talk to the server: the right host, the right origin, the right key; and what a browser may do with a page.

Any page on the web can make a browser send something to this machine, and a name on the web can be made to
point at it. So a request must name this server as its host, a post must come from a page of this server,
and whoever comes, over the network or as another user of this machine, must have had the link that was printed where
the server was started.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["HEADER", "POLICY", "Barred", "Guard", "Guarded", "Keys", "is_loopback"]

HEADER = ("x-holdzero", "bench")
"""Only a script of the page itself can send it: another site's would have to ask first, and is not allowed."""
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
_MOST_VISITORS = 64
_HTTP_PORT = 80


@dataclass(frozen=True, slots=True)
class Barred:
    """A request that goes no further: the status and why."""

    status: int
    why: str


def is_loopback(address: str) -> bool:
    """Whether an address can be reached from this machine alone."""
    if address.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


class Keys:
    """Links that work once, and the cookies that they were exchanged for.

    Args:
        on_used: is told the key of a new link whenever one was used.
        known: digests of cookies that were given before, oldest first.
        on_given: is told the digests of all cookies that let in, whenever there is another one.
    """

    def __init__(
        self,
        on_used: Callable[[str], None] = lambda _: None,
        known: Sequence[str] = (),
        on_given: Callable[[Sequence[str]], object] = lambda _: None,
    ) -> None:
        self.on_used = on_used
        self.on_given = on_given
        self._lock = threading.Lock()
        self._link = secrets.token_urlsafe(32)
        self._digests: deque[str] = deque(known, maxlen=_MOST_VISITORS)

    @property
    def link(self) -> str:
        """The key that works next, once."""
        return self._link

    def exchange(self, key: str) -> str | None:
        """A cookie for the key of a link; None where it is not the one, or was used."""
        with self._lock:
            if not hmac.compare_digest(key.encode(), self._link.encode()):
                return None
            self._link = secrets.token_urlsafe(32)
            cookie = secrets.token_urlsafe(32)
            self._digests.append(_digest(cookie))
            self.on_given(tuple(self._digests))
        self.on_used(self._link)
        return cookie

    def knows(self, cookie: str) -> bool:
        """Whether this cookie was given."""
        given = _digest(cookie).encode()
        # Every one is compared, so that the time tells nothing.
        return sum(hmac.compare_digest(given, known.encode()) for known in tuple(self._digests)) > 0


def _digest(cookie: str) -> str:
    return hashlib.sha256(cookie.encode()).hexdigest()


@dataclass(frozen=True)
class Guard:
    """What a request must be like.

    Attributes:
        port: of the server.
        names: that the server goes by besides addresses, in small letters.
        keys: of visitors; None where whoever reaches the server is let in.
        network: whether it is reached by others than this machine.
    """

    port: int
    names: frozenset[str] = frozenset({"localhost"})
    keys: Keys | None = None
    network: bool = False
    cookie: str = field(init=False)

    def __post_init__(self) -> None:
        # Cookies do not know of ports: two servers on one machine must not take each other's.
        object.__setattr__(self, "cookie", f"holdzero-{self.port}")

    def barred(self, method: str, path: str, headers: Mapping[str, str]) -> Barred | None:
        """Why a request goes no further; None where it does.

        Args:
            method: of the request.
            path: that is asked for.
            headers: by their names in small letters.
        """
        host = headers.get("host", "")
        if not self._is_own(host):
            return Barred(421, "this server does not go by that name")
        site = headers.get("sec-fetch-site", "none")
        opened = method == "GET" and path == "/" and headers.get("sec-fetch-mode", "navigate") == "navigate"
        if site not in ("none", "same-origin") and not opened:
            return Barred(403, "this can be asked for by a page of this server alone")
        origin = headers.get("origin")
        if origin is not None and origin.lower() != f"http://{host.lower()}":
            return Barred(403, "this can be asked for by a page of this server alone")
        if method not in ("GET", "HEAD", "POST"):
            return Barred(405, "this server is asked with GET and told with POST")
        if method == "POST":
            return self._post(headers) or self._stranger(headers)
        return self._stranger(headers)

    def _post(self, headers: Mapping[str, str]) -> Barred | None:
        name, value = HEADER
        if headers.get(name) != value:
            return Barred(403, f"a post has the header {name}: {value}")
        if headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            return Barred(415, "a post is application/json")
        return None

    def _stranger(self, headers: Mapping[str, str]) -> Barred | None:
        if self.keys is None or self.keys.knows(self._cookie_of(headers)):
            return None
        return Barred(401, "open the link that was printed where this server was started; each works once")

    def _cookie_of(self, headers: Mapping[str, str]) -> str:
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(self.cookie)
        except CookieError:
            return ""
        return morsel.value if morsel is not None else ""

    def _is_own(self, host: str) -> bool:
        """Whether a host header means this server: an address can't be made to point here, a name can."""
        name, port = _host_and_port(host.lower())
        if port != self.port:
            return False
        if name in self.names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return self.network or address.is_loopback


def _host_and_port(host: str) -> tuple[str, int]:
    """A host header taken apart; no port is 80, and what is none is -1."""
    if host.startswith("["):
        name, _, rest = host[1:].partition("]")
        colon, port = rest[:1], rest[1:]
    else:
        name, colon, port = host.partition(":")
    if not colon:
        return name, _HTTP_PORT
    return name, int(port) if port.isascii() and port.isdigit() and len(port) <= len("65535") else -1


class Guarded:
    """An application behind a guard. What the application raises ends here, in a few plain words.

    Args:
        app: what is guarded.
        guard: says what goes further.
        on_fault: is told what the application raised.
    """

    def __init__(self, app: ASGIApp, guard: Guard, on_fault: Callable[[Exception], None] = lambda _: None) -> None:
        self.app = app
        self.guard = guard
        self.on_fault = on_fault

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            return
        begun = False

        async def guarded(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                said = {name.lower() for name, _ in message["headers"]}
                own = [(name.lower().encode(), value.encode()) for name, value in _HEADERS.items()]
                message["headers"] = [*message["headers"], *(item for item in own if item[0] not in said)]
            await send(message)

        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        method, path = str(scope["method"]), str(scope["path"])
        try:
            answer = self._answer(method, path, scope, headers)
            await (answer or self.app)(scope, receive, guarded)
        except Exception as error:  # noqa: BLE001  no traceback reaches a page, whatever went wrong
            self.on_fault(error)
            if not begun:
                await self._words(path, Barred(500, "a fault of the tool itself"))(scope, receive, guarded)

    def _answer(self, method: str, path: str, scope: Scope, headers: Mapping[str, str]) -> Response | None:
        """What is said instead of going further; None where it goes further."""
        barred = self.guard.barred(method, path, headers)
        if barred is None:
            scope["holdzero.known"] = True  # a connection of somebody who was let in is not the first to be dropped
            return None
        # A browser that only looks ahead must not use the link up.
        ahead = "prefetch" in headers.get("sec-purpose", "") or "prefetch" in headers.get("purpose", "")
        if self.guard.keys is not None and barred.status == 401 and path == "/" and method == "GET" and not ahead:  # noqa: PLR2004
            cookie = self.guard.keys.exchange(_key_of(scope["query_string"]))
            if cookie is not None:
                return self._welcome(cookie)
        return self._words(path, barred)

    def _welcome(self, cookie: str) -> Response:
        # The page opens itself once more: a browser sends the new cookie only where it comes from this server.
        words = 'This browser is let in. <a href="/">Go on to the bench page</a>.'
        response = HTMLResponse(_page(words, '<meta http-equiv="refresh" content="0; url=/">'))
        response.set_cookie(self.guard.cookie, cookie, httponly=True, samesite="strict", path="/")
        return response

    def _words(self, path: str, barred: Barred) -> Response:
        if path == "/":
            return HTMLResponse(_page(f"{barred.why[0].upper()}{barred.why[1:]}."), barred.status)
        return JSONResponse({"ok": False, "why": barred.why}, barred.status)


def _key_of(query: bytes) -> str:
    """The key of a link; empty where there is none."""
    try:
        return parse_qs(query.decode("latin-1"), max_num_fields=4).get("key", [""])[0]
    except ValueError:  # more of them than any link has
        return ""


def _page(words: str, head: str = "") -> str:
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8">{head}<title>holdzero bench</title></head>'
        f"<body><main><p>{words}</p></main></body></html>"
    )
