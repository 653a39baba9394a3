"""Where posts of pages wait for the thread of the run, which takes them one at a time and says what became of each."""

from __future__ import annotations

import queue
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import TypeAlias

from holdzero.page.pen import Pen
from holdzero.page.posts import Accept, Post, Request, Typed

__all__ = ["TAKEN", "Box", "Fits", "Reply"]

_BOUNCE_S = 0.3  # a key that repeats itself, or a pedal that bounces (common practice, no source)
_WAITING = 64  # posts; more than one is a race

Fits: TypeAlias = Callable[[Request], str]
"""Why a request can't be done now; empty where it can."""


@dataclass(frozen=True, slots=True)
class Reply:
    """What became of a post.

    Attributes:
        status: 200 taken, 409 too late or no pen, 422 can't be done, 503 too many at once.
        why: in words; empty where it was taken.
        soft: whether it was refused only as a press too many.
    """

    status: int
    why: str = ""
    soft: bool = False


TAKEN = Reply(200)
_NO_PEN = Reply(409, "another page answers now; this one only watches")
_LATE = Reply(409, "that is asked no more; look at what is asked now")
_TOO_SOON = Reply(422, "the step was only just shown", soft=True)


class Box:
    """Posts that wait, and the one that was taken and has no reply yet.

    `put` may be called from any thread; the rest belongs to the thread of the run.

    Args:
        pen: says which page may write.
        counter_s: of the machine [s]; it never goes back.

    Attributes:
        seq: of what is shown; a post must answer it.
        shown_at_s: when that was shown [s].
        open: whether what is shown was not answered yet.
    """

    def __init__(self, pen: Pen, counter_s: Callable[[], float]) -> None:
        self.pen = pen
        self.counter_s = counter_s
        self.seq = -1
        self.shown_at_s = 0.0
        self.open = False
        self._waiting: queue.Queue[tuple[Post, Future[Reply]]] = queue.Queue(_WAITING)
        self._taken: Future[Reply] | None = None

    def put(self, post: Post) -> Future[Reply]:
        """Hand a post in; the future is done when it was taken and is on disk, or was refused.

        A future that is cancelled before the run looked at it is not taken.
        """
        reply: Future[Reply] = Future()
        refused = self._late(post)
        if refused is None:
            try:
                self._waiting.put_nowait((post, reply))
            except queue.Full:
                refused = Reply(503, "too many posts at once")
        if refused is not None:
            reply.set_result(refused)
        return reply

    def shown(self, seq: int) -> None:
        """Something else is shown from now on, and waits for an answer."""
        self.seq, self.shown_at_s, self.open = seq, self.counter_s(), True

    def take(self, wait_s: float, fits: Fits) -> Request | None:
        """The next post, if one comes within a time [s] and can be done; `reply` has to follow."""
        try:
            post, reply = self._waiting.get(timeout=wait_s)
        except queue.Empty:
            return None
        if not reply.set_running_or_notify_cancel():
            return None
        refused = self._late(post) or self._unfit(post, fits)
        if refused is not None:
            reply.set_result(refused)
            return None
        self._taken = reply
        return post.request

    def reply(self, reply: Reply) -> None:
        """Say what became of the post that was taken last; nothing where that was said."""
        taken, self._taken = self._taken, None
        if taken is not None:
            taken.set_result(reply)

    def _late(self, post: Post) -> Reply | None:
        if not self.pen.holds(post.page):
            return _NO_PEN
        return None if self.open and post.seq == self.seq else _LATE

    def _unfit(self, post: Post, fits: Fits) -> Reply | None:
        bare = isinstance(post.request, Accept) or (isinstance(post.request, Typed) and not post.request.text.strip())
        if bare and self.counter_s() - self.shown_at_s < _BOUNCE_S:
            return _TOO_SOON
        why = fits(post.request)
        return Reply(422, why) if why else None
