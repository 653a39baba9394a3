"""What a client of the bench page may have open, and for how long: who asks for nothing shuts nobody out."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Any, ClassVar

from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["Clients", "Line"]

HEAD_S = 10.0
MOST, EACH = 192, 128  # connections in all, and of one address; a page has two


class Clients:
    """The open connections; the newest is let in at the cost of one that nobody needs."""

    def __init__(self, most: int = MOST, each: int = EACH) -> None:
        self.most = most
        self.each = each
        self._lines: dict[Line, None] = {}  # in the order in which they came

    def came(self, line: Line) -> None:
        """A connection was made."""
        self._lines[line] = None
        of_its_host = [one for one in self._lines if one.host == line.host]
        if len(of_its_host) > self.each:
            self._let_one_go(of_its_host, line)
        elif len(self._lines) > self.most:
            self._let_one_go(list(self._lines), line)

    def left(self, line: Line) -> None:
        """A connection is gone."""
        self._lines.pop(line, None)

    def _let_one_go(self, among: Sequence[Line], newest: Line) -> None:
        """Who was never let in first, then the oldest. All users of this machine have all of its addresses.

        A stranger's request does not keep a line open: who never reads the answer would keep it for ever.
        """
        spare = [line for line in among if line is not newest and (line.idle or not line.let_in)]
        gone = min(spare, key=lambda line: line.let_in, default=newest)
        self.left(gone)
        gone.drop()


class Line(H11Protocol):
    """A connection whose requests come in time; who was not let in within that time is a stranger, and dropped.

    Attributes:
        clients: all connections of the server.
        host: address of the client.
    """

    clients: ClassVar[Clients]

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Called by the loop."""
        super().connection_made(transport)  # type: ignore[arg-type]  # as the base class has it
        self.host = self.client[0] if self.client else ""
        self._known = False
        self._ends: asyncio.TimerHandle | None = None
        self._wait()
        self.clients.came(self)

    def connection_lost(self, exc: Exception | None) -> None:
        """Called by the loop."""
        self._stop_waiting()
        self.clients.left(self)
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """Called by the base class."""
        self._known = self.let_in
        if self._known:
            # Whatever else arrives, a body that nobody asked for among it: the next head is waited for from now on.
            self._wait()
        super().on_response_complete()

    @property
    def idle(self) -> bool:
        """Whether no request is under way."""
        cycle: Any = self.cycle  # None before the first, whatever the base class says
        return cycle is None or bool(cycle.response_complete)

    @property
    def let_in(self) -> bool:
        """Whether a request of it was let in, that which is under way among them."""
        cycle: Any = self.cycle  # as above
        return self._known or (cycle is not None and bool(self.scope.get("holdzero.known")))

    def drop(self) -> None:
        """Close it at once: it may never read what would still be sent."""
        self._stop_waiting()
        self.transport.abort()

    def _wait(self) -> None:
        self._stop_waiting()
        self._ends = self.loop.call_later(HEAD_S, self._late)

    def _late(self) -> None:
        # What was let in may take its time, as a page does that listens.
        if self.idle or not self.let_in:
            self.drop()

    def _stop_waiting(self) -> None:
        if self._ends is not None:
            self._ends.cancel()
            self._ends = None
