"""A server in a thread of its own: its socket, its start and its end. It prints nothing but what it is told to."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from holdzero.errors import HoldzeroError

if TYPE_CHECKING:
    from starlette.types import ASGIApp

__all__ = ["bound", "needed", "serving"]

FIRST, _TRIED = 8020, 20
_START_S, _END_S = 10.0, 5.0
_QUEUE = 64  # connections that were not looked at yet


def needed() -> None:
    """See whether what the server is made of is installed.

    Raises:
        HoldzeroError: it is not.
    """
    try:
        import starlette
        import uvicorn
    except ImportError as error:
        lost = f"the bench page needs {error.name}, which is not installed"
        raise HoldzeroError(f'{lost}\n    install it: pip install "holdzero[bench]"') from None
    del starlette, uvicorn


def bound(address: str, port: int | None) -> socket.socket:
    """A socket at an address, on the port or, where None is named, on the first free one.

    Raises:
        HoldzeroError: the address is not this machine's, or the port is taken.
    """
    try:
        family, kind, protocol, _, place = socket.getaddrinfo(
            address, None, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
    except (OSError, UnicodeError):
        raise HoldzeroError(f"--listen {address}: there is no such address; an address of this machine") from None
    ports = (port,) if port is not None else tuple(range(FIRST, FIRST + _TRIED))
    why = ""
    for number in ports:
        made = socket.socket(family, kind, protocol)
        try:
            _own(made)
            made.bind((place[0], number, *place[2:]))
            made.listen(_QUEUE)
        except OSError as error:
            made.close()
            why = error.strerror or "it can't be had"
        else:
            return made
    named = f"--port {port}" if port is not None else f"ports {FIRST} to {ports[-1]}"
    raise HoldzeroError(f"{named} at {address}: {why}\n    name another: --port NUMBER, or --listen ADDRESS")


def _own(made: socket.socket) -> None:
    """Start again at once on a port that was just left; never share one with another program."""
    if os.name == "nt":
        made.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)  # type: ignore[attr-defined,unused-ignore]
    else:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)


@contextlib.contextmanager
def serving(app: ASGIApp, at: socket.socket, on_end: Callable[[], None]) -> Iterator[None]:
    """Serve while the block goes on.

    Args:
        app: what is served.
        at: a socket that listens.
        on_end: is called when the server ends, for whatever reason, in its thread.

    Raises:
        HoldzeroError: it does not start.
    """
    import uvicorn

    from holdzero.cli.clients import Clients, Line

    class OfThisServer(Line):
        clients = Clients()

    config = uvicorn.Config(
        app,
        http=OfThisServer,
        ws="none",
        lifespan="off",
        log_config=None,
        log_level="critical",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        backlog=_QUEUE,
        timeout_graceful_shutdown=1,
    )
    server = uvicorn.Server(config)

    def work() -> None:
        try:
            server.run(sockets=[at])
        finally:
            on_end()

    thread = threading.Thread(target=work, name="bench page", daemon=True)
    thread.start()
    try:
        end_s = time.monotonic() + _START_S
        while not server.started:
            if not thread.is_alive() or time.monotonic() > end_s:
                raise HoldzeroError("the server did not start")
            time.sleep(0.01)
        yield
    finally:
        server.should_exit = True
        thread.join(_END_S)
        at.close()
