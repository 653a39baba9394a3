"""Who may write: of all pages that are open, the one that holds the pen."""

from __future__ import annotations

import hmac
import threading
from collections import Counter
from collections.abc import Callable

__all__ = ["Pen"]


class Pen:
    """One pen for all pages; safe to use from several threads.

    A page that comes while nobody holds it, or while its holder is not there, gets it. A page that
    goes keeps it until another one comes or takes it: a network that is gone for a moment changes nothing.
    """

    def __init__(self) -> None:
        self.on_change: Callable[[], None] = lambda: None
        self._lock = threading.Lock()
        self._holder = ""
        self._there: Counter[str] = Counter()

    def came(self, page: str) -> None:
        """A page listens from now on."""
        with self._lock:
            self._there[page] += 1
            free = not self._there[self._holder]
            if free:
                self._holder = page
        if free:
            self.on_change()

    def left(self, page: str) -> None:
        """A page listens no more."""
        with self._lock:
            self._there[page] -= 1
            # The counter must not grow with every page that there ever was.
            self._there = +self._there

    def take(self, page: str) -> None:
        """From now on this page writes, and the one that did only watches."""
        with self._lock:
            self._holder = page
        self.on_change()

    def holds(self, page: str) -> bool:
        """Whether this page may write."""
        with self._lock:
            return bool(page) and hmac.compare_digest(page.encode(), self._holder.encode())
