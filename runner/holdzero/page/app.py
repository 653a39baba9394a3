"""The server of the bench page: what can be asked for, and what it is answered with. It decides nothing."""

from __future__ import annotations

import asyncio
import contextlib
import re
import secrets
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import escape
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import Send

from holdzero.json_text import read_json
from holdzero.live import Glance
from holdzero.page.box import Reply
from holdzero.page.desk import Desk
from holdzero.page.guard import Guard, Guarded
from holdzero.page.pen import Pen
from holdzero.page.posts import PostRefusedError, TakePen, is_page, read_post
from holdzero.page.sheet import sheet_of
from holdzero.page.snapshot import Snapshot
from holdzero.page.soaked import rest_now
from holdzero.page.stream import Hub
from holdzero.plain_text import plain

__all__ = ["MOST_LISTENERS", "Page", "Server", "bench_app", "report_of"]

_LARGEST = 65_536  # bytes of a post: a long list of serials
_BODY_S, _REPLY_S = 10.0, 20.0
MOST_LISTENERS = 256
_KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
# A written report brings its style along, and nothing else; it is no page of this server's.
_REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox allow-popups"
)
_REPORT = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,200}\.html")


class Page:
    """Makes the markup of a snapshot.

    Args:
        on_fault: is told what a template or the sheet raised: a page that can't be made must not stop a run.
    """

    def __init__(self, on_fault: Callable[[Exception], None]) -> None:
        self.on_fault = on_fault
        self._templates = Environment(
            loader=ChoiceLoader([PackageLoader("holdzero.page"), PackageLoader("holdzero.signs")]),
            autoescape=True,
            undefined=StrictUndefined,
            finalize=lambda item: plain(item) if type(item) is str else item,
            auto_reload=False,
        )

    def whole(self, snapshot: Snapshot, pen: str) -> str:
        """The page as a browser loads it."""
        return self._made("page.html", snapshot, pen=pen)

    def fragment(self, snapshot: Snapshot) -> str:
        """What is within `<main>`."""
        return self._made("", snapshot)

    def rest(self, snapshot: Snapshot, glance: Glance) -> str:
        """How near a soak is to rest; empty where none is asked for, or it can't be made."""
        try:
            rest = rest_now(snapshot, glance)
            return "" if rest is None else self._templates.get_template("rest.html").render(rest=rest)
        except Exception as error:  # noqa: BLE001  as below
            self.on_fault(error)
            return ""

    def _made(self, template: str, snapshot: Snapshot, **more: str) -> str:
        try:
            sheet = sheet_of(snapshot)
            made = self._templates.get_template(template or sheet.template)
            return made.render(sheet=sheet, seq=snapshot.seq, fragment=sheet.template, **more)
        except Exception as error:  # noqa: BLE001  the run goes on at the terminal's side, whatever is wrong here
            self.on_fault(error)
            return str(
                escape("A fault of the tool itself: this page could not be made. All that was accepted is safe.")
            )


class _Events(StreamingResponse):
    """A stream that is closed when its listener is gone, wherever it waits then."""

    async def stream_response(self, send: Send) -> None:
        async with contextlib.aclosing(self.body_iterator):  # type: ignore[type-var]  # it is a generator
            await super().stream_response(send)


class Server:
    """Answers requests.

    Args:
        desk: is shown, and gets the posts.
        pen: says who may write.
        out: folder of the records.
        on_fault: is told of faults of our own.
    """

    def __init__(self, desk: Desk, pen: Pen, out: Path, on_fault: Callable[[Exception], None]) -> None:
        self.desk = desk
        self.pen = pen
        self.out = out
        self.page = Page(on_fault)
        self.hub = Hub(desk, pen, self.page.fragment, self.page.rest)
        self._still = _still_files()

    @property
    def routes(self) -> list[Route]:
        """What can be asked for."""
        return [
            Route("/", self.whole),
            Route("/stream", self.stream),
            Route("/do", self.do, methods=["POST"]),
            Route("/record/{name}", self.report),
            Route("/static/{name}", self.still),
        ]

    async def whole(self, request: Request) -> Response:
        """The page as it stands."""
        del request
        return HTMLResponse(self.page.whole(self.hub.now(self.desk.snapshot), secrets.token_urlsafe(16)))

    async def stream(self, request: Request) -> Response:
        """What changes, as server-sent events."""
        if request.method == "HEAD":
            return Response(media_type="text/event-stream")
        if len(self.hub.listeners) >= MOST_LISTENERS:
            return _refused(503, "too many pages are open")
        name = request.query_params.get("pen", "")
        return _Events(self.hub.events(name if is_page(name) else ""), media_type="text/event-stream")

    async def do(self, request: Request) -> Response:
        """Hand in a post; the answer comes when it is on disk, or refused."""
        try:
            post = read_post(_data(await asyncio.wait_for(_body(request), _BODY_S)))
        except PostRefusedError as error:
            return _refused(400, str(error))
        except _TooLargeError:
            return _refused(413, f"a post has at most {_LARGEST} bytes")
        except (TimeoutError, ClientDisconnect):
            return _refused(408, "the post did not arrive whole")
        if isinstance(post.request, TakePen):
            self.pen.take(post.page)
            return JSONResponse({"ok": True})
        try:
            reply = await asyncio.wait_for(asyncio.wrap_future(self.desk.post(post)), _REPLY_S)
        except TimeoutError:
            reply = Reply(504, "the run is busy; look at what is asked now")
        return _replied(reply)

    async def report(self, request: Request) -> Response:
        """The written report of a run."""
        path = report_of(self.out, request.path_params["name"])
        if path is None:
            return _nothing()
        content = await asyncio.to_thread(path.read_bytes)
        return HTMLResponse(content, headers={"Content-Security-Policy": _REPORT_POLICY})

    async def still(self, request: Request) -> Response:
        """Script, style and pictures of the page."""
        found = self._still.get(request.path_params["name"])
        if found is None:
            return _nothing()
        content, kind = found
        return Response(content, media_type=kind, headers={"Cache-Control": "no-cache"})


def bench_app(
    desk: Desk, pen: Pen, guard: Guard, out: Path, on_fault: Callable[[Exception], None] = lambda _: None
) -> tuple[Guarded, Hub]:
    """The application, and what sends its listeners what changed; arguments as of `Server`."""

    async def nothing(_: Request, __: Exception) -> Response:
        return _nothing()

    async def fault(_: Request, __: Exception) -> Response:
        return _refused(500, "a fault of the tool itself")

    server = Server(desk, pen, out, on_fault)
    app = Starlette(routes=server.routes, exception_handlers={404: nothing, Exception: fault})
    return Guarded(app, guard, on_fault), server.hub


def _nothing() -> Response:
    return PlainTextResponse("There is nothing here.", 404)


class _TooLargeError(Exception):
    """More than a post can be."""


async def _body(request: Request) -> bytes:
    """The body, given up as soon as it is too large."""
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > _LARGEST:
            raise _TooLargeError
    return bytes(body)


def _data(body: bytes) -> object:
    try:
        return read_json(body)
    except ValueError:
        raise PostRefusedError("a post is JSON") from None


def _replied(reply: Reply) -> Response:
    if not reply.why and not reply.soft:
        return JSONResponse({"ok": True})
    said = {"ok": False, "why": reply.why}
    return JSONResponse({**said, "soft": True} if reply.soft else said, reply.status)


def _refused(status: int, why: str) -> Response:
    return _replied(Reply(status, why))


def report_of(out: Path, name: str) -> Path | None:
    """The report of a run in the folder of the runs; None where there is none of that name."""
    if not _REPORT.fullmatch(name):
        return None
    path = out / name
    # A report has its record beside it: no other page that lies there is shown.
    beside = out / f"{name.removesuffix('.html')}.record.json"
    return path if path.is_file() and beside.is_file() else None


def _still_files() -> dict[str, tuple[bytes, str]]:
    """Files that never change while the server is up, and what they are."""
    folder = files("holdzero.page") / "static"
    found = {}
    for item in folder.iterdir():
        kind = _KINDS.get(Path(item.name).suffix)
        if kind is not None:
            found[item.name] = (item.read_bytes(), kind)
    return found
