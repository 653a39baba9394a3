"""What a client of the bench page may have open, and for how long: who asks for nothing shuts nobody out."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Sequence
from typing import Any, ClassVar

from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["Clients", "Line"]

HEAD_S = 10.0
MOST, EACH = 192, 128  # connections in all, and of one address; a page has two


class Clients:
    """The open connections; the newest is let in at the cost of one that asks for nothing."""

    def __init__(self, most: int = MOST, each: int = EACH) -> None:
        self.most = most
        self.each = each
        self._lines: dict[Line, None] = {}  # in the order in which they came

    def came(self, line: Line) -> None:
        """A connection was made."""
        self._lines[line] = None
        of_each = Counter(one.host for one in self._lines)
        if of_each[line.host] > self.each:
            self._let_one_go(line.host, line)
        elif len(self._lines) > self.most:
            self._let_one_go(of_each.most_common(1)[0][0], line)

    def left(self, line: Line) -> None:
        """A connection is gone."""
        self._lines.pop(line, None)

    def _let_one_go(self, host: str, newest: Line) -> None:
        """Of an address: who was never let in first, then the oldest. All users of this machine have one address."""
        idle = [line for line in self._lines if line.host == host and line.idle and line is not newest]
        gone = _first(idle) or newest
        self.left(gone)
        gone.drop()


def _first(lines: Sequence[Line]) -> Line | None:
    return min(lines, key=lambda line: line.known, default=None)


class Line(H11Protocol):
    """A connection whose requests come in time.

    Attributes:
        clients: all connections of the server.
        host: address of the client.
        known: whether a request of it was let in.
    """

    clients: ClassVar[Clients]

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Called by the loop."""
        super().connection_made(transport)  # type: ignore[arg-type]  # as the base class has it
        self.host = self.client[0] if self.client else ""
        self.known = False
        self._ends: asyncio.TimerHandle | None = None
        self._wait_for_head()
        self.clients.came(self)

    def connection_lost(self, exc: Exception | None) -> None:
        """Called by the loop."""
        self._stop_waiting()
        self.clients.left(self)
        super().connection_lost(exc)

    def handle_events(self) -> None:
        """Called by the base class when something arrived."""
        before: Any = self.cycle
        super().handle_events()
        if self.cycle is not before and not self.idle:
            self._stop_waiting()

    def on_response_complete(self) -> None:
        """Called by the base class."""
        self.known = self.known or bool(self.scope.get("holdzero.known"))
        # Whatever else arrives, a body that nobody asked for among it: the next head is waited for from now on.
        self._wait_for_head()
        super().on_response_complete()

    @property
    def idle(self) -> bool:
        """Whether no request is under way."""
        cycle: Any = self.cycle  # None before the first, whatever the base class says
        return cycle is None or bool(cycle.response_complete)

    def drop(self) -> None:
        """Close it at once: it may never read what would still be sent."""
        self._stop_waiting()
        self.transport.abort()

    def _wait_for_head(self) -> None:
        self._stop_waiting()
        self._ends = self.loop.call_later(HEAD_S, self.drop)

    def _stop_waiting(self) -> None:
        if self._ends is not None:
            self._ends.cancel()
            self._ends = None
