"""Work done by other processes, none of which outlives the one that began them.

Each is held by a pipe of its own. Nothing else is shared, no lock and no queue: whatever breaks in, and wherever,
there is nothing that could be left locked, and ending a process needs nobody's consent.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import queue
import signal
import threading
import traceback
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future
from functools import partial
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any, ParamSpec, TypeVar

__all__ = ["Processes"]

P = ParamSpec("P")
T = TypeVar("T")
_Piece = tuple[Future[Any], Callable[[], Any]]


class Processes(Executor):
    """So many processes that work, each at one piece at a time; all are begun when this is made.

    Args:
        count: how many.
    """

    def __init__(self, count: int) -> None:
        # Spawned and not forked: the parent has threads and an open database.
        context = multiprocessing.get_context("spawn")
        self._pieces: queue.SimpleQueue[_Piece | None] = queue.SimpleQueue()
        self._begun: list[SpawnProcess] = []
        for _ in range(count):
            ours, its = context.Pipe()
            process = context.Process(target=_serve, args=(its,), daemon=True)
            process.start()
            its.close()
            self._begun.append(process)
            threading.Thread(target=self._hand_on, args=(process, ours), daemon=True).start()

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Called by whoever hands work out; a process that came to its end gives `BrokenExecutor`."""
        future: Future[T] = Future()
        self._pieces.put((future, partial(fn, *args, **kwargs)))
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End all processes at once, also in the midst of a piece; whatever was wanted of them is there by now."""
        del wait, cancel_futures  # there is nothing left to wait for, and nobody to do what waits
        for process in self._begun:
            process.kill()
        for process in self._begun:
            process.join()
            self._pieces.put(None)

    def _hand_on(self, process: SpawnProcess, line: Connection) -> None:
        """In a thread for each process: give it the pieces that it takes."""
        with line:
            while (piece := self._pieces.get()) is not None:
                future, work = piece
                if not future.set_running_or_notify_cancel():
                    continue
                try:
                    good, found = _asked(process, line, work)
                except (EOFError, OSError):
                    future.set_exception(BrokenExecutor("a process came to its end"))
                except Exception as error:  # noqa: BLE001  it can't be sent; whoever asks for the result gets it
                    future.set_exception(error)
                else:
                    (future.set_result if good else future.set_exception)(found)


def _asked(process: SpawnProcess, line: Connection, work: Callable[[], Any]) -> tuple[bool, Any]:
    """What came of a piece of work, and whether it is good.

    Raises:
        EOFError: the process came to its end.
        Exception: what is sent, this way or that, can't be.
    """
    line.send(work)
    if line not in wait([line, process.sentinel]):
        raise EOFError
    good, found = line.recv()
    return good, found


def _serve(line: Connection) -> None:
    """In the other process: do what comes over the line, until that ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the parent, which tells what was found so far
    threading.Thread(target=_end_with_the_parent, daemon=True).start()
    with contextlib.suppress(EOFError, OSError):
        while True:
            line.send_bytes(_done(line.recv_bytes()))


def _end_with_the_parent() -> None:
    """Nobody is there who could take a result, or end this process: it does so by itself, at once."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _done(sent: bytes) -> bytes:
    """What came of a piece of work, whether good or not, as it is sent."""
    try:
        return pickle.dumps((True, pickle.loads(sent)()))  # noqa: S301  from the parent, and from nobody else
    except Exception as error:  # noqa: BLE001  whoever asks for the result gets it
        error.add_note(f"in another process:\n{traceback.format_exc()}")
        return pickle.dumps((False, error))
