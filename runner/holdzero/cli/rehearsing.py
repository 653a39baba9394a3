"""A rehearsal shared out: a true size is a piece of work, and comes to the same whoever does it."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from itertools import chain, zip_longest
from pathlib import Path
from typing import Any

from holdzero.checks import Checks, bind
from holdzero.cli.workers import in_order, once, shared_catalogue
from holdzero.process import ProductionProcess
from holdzero.rehearse import Point, Process, process_of, rehearsed
from holdzero.rehearse.many import Rehearsal
from holdzero.rehearse.scenario import Scenario
from holdzero.result import Evaluation
from holdzero.routine.load import routine_from_document

__all__ = ["Plan", "Subject", "Work", "shared_out"]

# Parts of a process in one piece of work, at least: enough that they are quick together, and few enough that Ctrl-C is
# soon heard where a check takes them one at a time.
_LOT = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What is rehearsed, as it can be sent to another process: all of a `Rehearsal` but its checks."""

    document: Mapping[str, Any]
    digest: str
    of: str
    scatter_um: float
    seed: int
    entries: Mapping[str, Mapping[str, Any]]
    scenario: Scenario | None

    def with_checks(self, checks: Checks) -> Rehearsal:
        """As it is rehearsed, with the checks of this process."""
        return Rehearsal(
            document=self.document,
            digest=self.digest,
            checks=checks,
            of=self.of,
            scatter_um=self.scatter_um,
            seed=self.seed,
            entries=self.entries,
            scenario=self.scenario,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is done of a subject.

    Attributes:
        subject: is rehearsed.
        sizes_um: true sizes of the curve [um].
        process: of which as many parts are rehearsed as there are runs on the curve; None for none.
    """

    subject: Subject
    sizes_um: tuple[float, ...]
    process: ProductionProcess | None

    def lots(self, runs: int) -> tuple[int, ...]:
        """How many parts of the process are in each lot, where each true size has so many runs."""
        each, whole = max(runs, _LOT), runs * len(self.sizes_um)
        return () if self.process is None else tuple(min(each, whole - start) for start in range(0, whole, each))

    def pieces(self, runs: int) -> int:
        """How many pieces of work it is."""
        return len(self.sizes_um) + len(self.lots(runs))


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Who does it.

    Attributes:
        executor: does the work.
        ahead: how many pieces may wait for it.
        shop: settings that were named.
    """

    executor: Executor
    ahead: int
    shop: Path | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """So many runs of a true size of the curve [um], or a lot of so many parts of a process."""

    plan: int
    subject: Subject
    number: int
    runs: int
    true_um: float = 0.0
    process: ProductionProcess | None = None


def shared_out(
    plans: Sequence[Plan], runs: int, work: Work, *, beside: bool = False
) -> Iterator[tuple[int, Point | Process]]:
    """Points of curves and lots of processes, in the order of the plans, whoever made them.

    Args:
        plans: what is done.
        runs: of each true size.
        work: who does it.
        beside: whether the plans go on side by side, and not one after another.

    Yields:
        The number of the plan, and what came of a piece of it.
    """
    each = [_pieces(number, plan, runs) for number, plan in enumerate(plans)]
    pieces: Iterable[_Piece] = chain.from_iterable(each)
    if beside:
        pieces = (piece for row in zip_longest(*each) for piece in row if piece is not None)
    shop = work.shop.resolve() if work.shop is not None else None
    return in_order(work.executor, work.ahead, partial(_done, command=once(), shop=shop), pieces)


def _pieces(number: int, plan: Plan, runs: int) -> Iterator[_Piece]:
    for place, true_um in enumerate(plan.sizes_um):
        yield _Piece(plan=number, subject=plan.subject, number=place, runs=runs, true_um=true_um)
    if plan.process is not None:
        for lot, parts in enumerate(plan.lots(runs)):
            yield _Piece(plan=number, subject=plan.subject, number=lot, runs=parts, process=plan.process)


# What this process has bound, by command and plan, and who may bind now: a worker may have several threads.
_KEPT: dict[tuple[str, int], tuple[Rehearsal, Evaluation]] = {}
_MOST_KEPT = 8
_BINDING = threading.Lock()


def _done(piece: _Piece, command: str, shop: Path | None) -> tuple[int, Point | Process]:
    """Runs in a worker."""
    what, ideal = _bound(piece, command, shop)
    if piece.process is not None:
        return piece.plan, process_of(what, piece.process, piece.runs, piece.number, ideal=ideal)
    tally = rehearsed(what, ideal, piece.true_um, piece.runs, (piece.number,))
    return piece.plan, Point(true_um=piece.true_um, tally=tally)


def _bound(piece: _Piece, command: str, shop: Path | None) -> tuple[Rehearsal, Evaluation]:
    """What is rehearsed with the plugins of this process, and its ideal run; made once for each command and plan."""
    key = (command, piece.plan)
    with _BINDING:
        if key not in _KEPT:
            checks, _ = bind(routine_from_document(piece.subject.document), shared_catalogue(shop, command))
            what = piece.subject.with_checks(checks)
            while len(_KEPT) >= _MOST_KEPT:
                _KEPT.pop(next(iter(_KEPT)))
            _KEPT[key] = (what, what.ideal())
        return _KEPT[key]
