"""What listeners are sent: the newest state, once it changed. A slow listener misses what was between."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

from holdzero.live import Glance
from holdzero.outlook import Outlook
from holdzero.page.desk import Desk
from holdzero.page.pen import Pen
from holdzero.page.snapshot import Snapshot
from holdzero.wording import live_value

__all__ = ["BEAT_S", "Hub", "live_data"]

BEAT_S = 10.0  # so that a line that is dead is noticed, by both ends
_UNITS = {"um": "µm", "uin": "µin", "degC": "°C"}


class _Listener:
    """One page that listens: at most one event of each kind waits for it."""

    def __init__(self, page: str) -> None:
        self.page = page
        self.mine: bool | None = None
        self._waiting: dict[str, str] = {}
        self._news = asyncio.Event()

    @property
    def waits(self) -> int:
        """How much text waits for it [characters]."""
        return sum(map(len, list(self._waiting.values())))

    def put(self, kind: str, text: str) -> None:
        self._waiting[kind] = text
        self._news.set()

    async def take(self) -> str:
        """All that waits; a comment where nothing came for a while."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._news.wait(), BEAT_S)
        self._news.clear()
        waiting, self._waiting = self._waiting, {}
        return "".join(waiting.values()) or ": still here\n\n"


class Hub:
    """Sends every listener what changed. All but `wake` belongs to the thread of the server.

    Args:
        desk: what is shown.
        pen: who may write.
        fragment: makes the markup of a snapshot.
        rest: makes the markup of how near a soak is to rest.
    """

    def __init__(
        self,
        desk: Desk,
        pen: Pen,
        fragment: Callable[[Snapshot], str],
        rest: Callable[[Snapshot, Glance], str] = lambda *_: "",
    ) -> None:
        self.desk = desk
        self.pen = pen
        self.fragment = fragment
        self.rest = rest
        self._rested: tuple[Outlook | None, str] = (None, "")
        self.listeners: set[_Listener] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._woken = False
        self._over = False
        self._sent: tuple[int, Glance | None] = (-1, None)
        desk.on_change = pen.on_change = self.wake

    def wake(self) -> None:
        """Something changed. From any thread; it costs the run no more than this."""
        if self._loop is not None and not self._woken:
            self._woken = True
            with contextlib.suppress(RuntimeError):  # the server is gone
                self._loop.call_soon_threadsafe(self._spread)

    def close(self) -> None:
        """Let every listener go. From any thread."""
        self._over = True
        self.wake()

    async def events(self, page: str) -> AsyncIterator[str]:
        """What a page is sent, as text of server-sent events, until it goes."""
        self._loop = asyncio.get_running_loop()
        listener = _Listener(page)
        self.listeners.add(listener)
        if page:
            self.pen.came(page)
        try:
            snapshot, glance = self.desk.snapshot, self.desk.glance
            # It may be long since this was shown: the counter is set right for whoever comes now.
            self._tell_pen(listener)
            listener.put("sheet", self._sheet(self.now(snapshot)))
            if glance is not None:
                listener.put("live", self._live(snapshot, glance))
            while not self._over:
                yield await listener.take()
        finally:
            self.listeners.discard(listener)
            if page:
                self.pen.left(page)

    def now(self, snapshot: Snapshot) -> Snapshot:
        """A snapshot with its counter as it is now."""
        at_s = self.desk.counter_s()
        return replace(snapshot, now_s=snapshot.elapsed_s(at_s), at_s=at_s)

    def _spread(self) -> None:
        # First: what changes from here on wakes once more.
        self._woken = False
        snapshot, glance = self.desk.snapshot, self.desk.glance
        seq, shown = self._sent
        self._sent = (snapshot.seq, glance)
        # Made once, however many listen.
        sheet = self._sheet(snapshot) if snapshot.seq != seq and self.listeners else ""
        live = self._live(snapshot, glance) if glance is not shown and self.listeners else ""
        for listener in self.listeners:
            self._tell_pen(listener)
            if sheet:
                listener.put("sheet", sheet)
            if live:
                listener.put("live", live)
            if self._over:
                listener.put("over", "")  # nothing to be sent, and no beat to be waited for

    def _tell_pen(self, listener: _Listener) -> None:
        mine = self.pen.holds(listener.page)
        if mine is not listener.mine:
            listener.mine = mine
            listener.put("pen", _event("pen", {"mine": mine}))

    def _sheet(self, snapshot: Snapshot) -> str:
        return _event("sheet", {"seq": snapshot.seq, "html": self.fragment(snapshot)})

    def _live(self, snapshot: Snapshot, glance: Glance | None) -> str:
        data = live_data(glance)
        if data is None or glance is None:
            return _event("live", None)
        now = self.now(snapshot)
        # An outlook is made anew once a second at most; the value may change twenty-five times.
        if glance.outlook is not self._rested[0]:
            self._rested = (glance.outlook, self.rest(now, glance))
        routine = snapshot.run.state.routine if snapshot.run is not None else None
        # As all readings are shown, whatever unit the instrument sends.
        text, unit = live_value(glance.answer, glance.value_um, routine.routine.units if routine is not None else "mm")
        return _event("live", {**data, "text": text, "unit": unit, "rest": self._rested[1], "now_s": now.now_s})


def _event(kind: str, data: object) -> str:
    return f"event: {kind}\ndata: {json.dumps(data, ensure_ascii=False, allow_nan=False)}\n\n"


def _number(value: float | None, decimals: int) -> float | None:
    """A number as JSON holds it: what is none, or has no end in sight, is null."""
    return round(value, decimals) if value is not None and math.isfinite(value) else None


def _points(points: Iterable[tuple[float, float]]) -> list[list[float | None]]:
    return [[_number(time_s, 2), _number(value, 4)] for time_s, value in points if math.isfinite(value)]


def live_data(glance: Glance | None) -> dict[str, Any] | None:
    """What an instrument shows now, as a page is sent it; None where nothing is live.

    `stand` is the name of how the value stands, `word` the word that is shown for it.
    """
    if glance is None:
        return None
    text, _, unit = glance.answer.partition(" ")
    return {
        "text": text,
        "unit": _UNITS.get(unit, unit),
        "stand": glance.stand.name.lower(),
        "word": glance.stand.value,
        "why": glance.why,
        "taking": glance.taking,
        "temps": [{"of": of, "degC": _number(value, 3)} for of, value in glance.temperatures.items()],
        "outlook": None if glance.outlook is None else _outlook(glance.outlook),
        "trace": _points(glance.trace),
    }


def _outlook(outlook: Outlook) -> Mapping[str, Any]:
    numbers = ("now", "rate_per_min", "rate_u", "to_come", "bound", "within", "left_s")
    return {
        "of": outlook.of,
        "unit": _UNITS.get(outlook.unit, outlook.unit),
        **{name: _number(getattr(outlook, name), 4) for name in numbers},
        "settled": outlook.settled,
        "curve": _points(outlook.curve),
    }
