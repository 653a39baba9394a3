"""A rehearsal shared out: a true size is a piece of work, and comes to the same whoever does it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from holdzero.checks import bind
from holdzero.cli.workers import in_order, once, shared_catalogue
from holdzero.evaluate import Evaluation
from holdzero.rehearse import Point, rehearsed
from holdzero.rehearse.many import Rehearsal
from holdzero.rehearse.scenario import Scenario
from holdzero.routine.load import routine_from_document

__all__ = ["shared_points"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Task:
    """What is rehearsed, as it can be sent to another process."""

    command: str
    shop: Path | None
    document: Mapping[str, Any]
    digest: str
    of: str
    scatter_um: float
    seed: int
    entries: Mapping[str, Mapping[str, Any]]
    scenario: Scenario | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """One true size of it."""

    task: _Task
    number: int
    true_um: float
    runs: int


def shared_points(
    what: Rehearsal, sizes_um: Sequence[float], runs: int, executor: Executor, ahead: int, shop: Path | None
) -> Iterator[Point]:
    """Points of the curve, in the order of the sizes, whoever made them.

    Args:
        what: is rehearsed.
        sizes_um: true sizes [um].
        runs: of each size.
        executor: does the work.
        ahead: how many pieces may wait for it.
        shop: settings that were named.
    """
    task = _Task(
        command=once(),
        shop=shop,
        document=what.document,
        digest=what.digest,
        of=what.of,
        scatter_um=what.scatter_um,
        seed=what.seed,
        entries=what.entries,
        scenario=what.scenario,
    )
    pieces = (_Piece(task=task, number=number, true_um=true_um, runs=runs) for number, true_um in enumerate(sizes_um))
    return in_order(executor, ahead, _point, pieces)


# What this process has bound, for one command at a time.
_KEPT: dict[str, tuple[Rehearsal, Evaluation]] = {}


def _point(piece: _Piece) -> Point:
    what, ideal = _bound(piece.task)
    return Point(true_um=piece.true_um, tally=rehearsed(what, ideal, piece.true_um, piece.runs, (piece.number,)))


def _bound(task: _Task) -> tuple[Rehearsal, Evaluation]:
    """What is rehearsed with the plugins of this process, and its ideal run; made once for each command."""
    if task.command not in _KEPT:
        checks, _ = bind(routine_from_document(task.document), shared_catalogue(task.shop, task.command))
        what = Rehearsal(
            document=task.document,
            digest=task.digest,
            checks=checks,
            of=task.of,
            scatter_um=task.scatter_um,
            seed=task.seed,
            entries=task.entries,
            scenario=task.scenario,
        )
        _KEPT.clear()
        _KEPT[task.command] = (what, what.ideal())
    return _KEPT[task.command]
