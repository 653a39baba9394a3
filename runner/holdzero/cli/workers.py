"""Work shared out: in this process, on all cores, or on an engine that runs already; results in their order.

Whatever does the work has the interface of `concurrent.futures.Executor`, so that nobody who hands
work out needs to know which it is.
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import uuid
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future
from functools import lru_cache
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from holdzero.catalogue import Catalogue
from holdzero.cli.output import tell_at_once
from holdzero.errors import HoldzeroError
from holdzero.worker_processes import Processes

__all__ = ["cores", "executor_for", "heard_between_pieces", "in_order", "once", "shared_catalogue"]

P = ParamSpec("P")
T = TypeVar("T")
R = TypeVar("R")

_AHEAD = 3  # pieces of work that wait for each worker: none is idle, and memory stays flat
_AT_ONCE = 64  # pieces on an engine whose number of workers is its own business


def cores() -> int:
    """How many cores this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity is not None else os.cpu_count() or 1


class _Here(Executor):
    """Works at once, in this process: one worker needs no other."""

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Called by whoever hands work out."""
        future: Future[T] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:  # noqa: BLE001  whoever asks for the result gets it
            future.set_exception(error)
        return future


@contextlib.contextmanager
def executor_for(workers: int, scheduler: str | None = None) -> Iterator[tuple[Executor, int]]:
    """What does the work, and how many pieces may wait for it.

    Args:
        workers: processes on this computer.
        scheduler: address of an engine that runs already, in their place.

    Raises:
        HoldzeroError: the engine can't be reached, or its library is not installed.
    """
    if scheduler is not None:
        with _on_an_engine(scheduler) as executor:
            yield executor, _AT_ONCE
        return
    if workers <= 1:
        yield _Here(), 1
        return
    with _keyboard(signal.SIG_IGN):  # what starts now is deaf to Ctrl-C from its first moment on
        pool = Processes(workers)
    try:
        yield pool, workers * _AHEAD
    finally:
        with _keyboard(signal.SIG_IGN):  # one more Ctrl-C must not break into this
            pool.shutdown()


@contextlib.contextmanager
def _keyboard(handler: signal.Handlers | Callable[[int, Any], None]) -> Iterator[None]:
    """What Ctrl-C does meanwhile; only the main thread may say so."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextlib.contextmanager
def heard_between_pieces(piece: str = "what is at work now") -> Iterator[Callable[[], bool]]:
    """Whether Ctrl-C was pressed, for whoever looks between two pieces of work; pressed again it breaks in.

    Args:
        piece: what is finished first, in words.
    """
    pressed: list[int] = []

    def handler(number: int, frame: Any) -> None:
        if pressed:
            signal.default_int_handler(number, frame)
        pressed.append(number)
        tell_at_once(f"\nholdzero: stops when {piece} is done; Ctrl-C again stops at once")

    with _keyboard(handler):
        yield lambda: bool(pressed)


@contextlib.contextmanager
def _on_an_engine(address: str) -> Iterator[Executor]:
    try:
        from distributed import Client
    except ImportError:
        mend = 'install it (pip install "holdzero[dask]"), or leave --scheduler out: all cores here do the work'
        raise HoldzeroError(f"--scheduler {address}: the library for that is not installed\n    {mend}") from None
    try:
        client = Client(address, timeout="10s")
    except (OSError, ValueError, TypeError) as error:
        raise HoldzeroError(f"--scheduler {address}: it can't be reached: {error}") from None
    with client, client.get_executor() as executor:
        yield executor


def in_order(executor: Executor, ahead: int, work: Callable[[T], R], pieces: Iterable[T]) -> Iterator[R]:
    """The results of work on each piece, in the order of the pieces, whoever is done first.

    Args:
        executor: does the work.
        ahead: how many pieces may wait for it.
        work: can be sent to another process.
        pieces: taken one by one, as there is room.

    Raises:
        HoldzeroError: a worker, or the engine that has them, came to its end in the midst of it.
    """
    waiting: deque[Future[Any]] = deque()
    try:
        for piece in pieces:
            waiting.append(executor.submit(work, piece))
            if len(waiting) >= ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    except BrokenExecutor:
        raise HoldzeroError("a worker came to its end (is memory short?); try again with --workers 1") from None
    except CancelledError:
        raise HoldzeroError("the engine gave the work up (is its scheduler still there?); try again") from None
    finally:
        for future in waiting:
            future.cancel()


def once() -> str:
    """A word that no other command has: what a worker keeps, it keeps for one command."""
    return uuid.uuid4().hex


@lru_cache(maxsize=1)
def shared_catalogue(shop: Path | None, command: str, *, built_in: bool = False) -> Catalogue:
    """The plugins that a worker recomputes with, loaded once for each worker and command.

    Args:
        shop: settings that were named.
        command: made by `once`.
        built_in: whether no plugin is loaded but those that come with the tool, whatever the shop says.
    """
    del command  # only sets this one apart from others
    if built_in:
        from holdzero.catalogue import load_catalogue

        return load_catalogue(built_in=True)
    from holdzero.cli.house import open_shop

    return open_shop(shop).catalogue
