"""The rule of arrays: readings that are arrays over runs give, run by run, what single runs give."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from holdzero.hooks import Term, Weighting
from holdzero.model import ModelError, propagate
from holdzero.run import Run
from holdzero.testing.complaint import hidden
from holdzero.testing.samples import side_by_side, worlds
from holdzero.testing.saying import Said, Suite

__all__ = ["many_at_once"]

__tracebackhide__ = hidden


def many_at_once(suite: Suite, run: Run) -> None:
    """Readings that are arrays over runs give, run by run, what single runs give."""
    if not suite.check.arrays:
        return
    comparator = run.state.comparator
    states = worlds(run.state, comparator.resolution if comparator is not None else 0.0)
    mend = "use masks in place of branches on a reading (numpy.where, holds=…), or drop arrays=True"
    single = [suite.said(suite.view(state)) for state in states]
    with suite.subject.never_raising("with arrays=True it must take readings that are arrays over runs", mend):
        together = suite.said(suite.view(side_by_side(states)))
    for number, alone in enumerate(single):
        for what, mine, theirs in _differences(alone, together, number, len(states)):
            rule = f"with arrays=True it must give, run by run, what single runs give: {what}"
            raise suite.subject.broken(rule, f"run {number}: alone {mine}, in an array {theirs}", mend)


def _differences(alone: Said, together: Said, number: int, count: int) -> Iterator[tuple[str, object, object]]:
    """Where one run in the array is not what it is alone."""
    mine, theirs = _held(alone, 0, 1), _held(together, number, count)
    if mine != theirs:
        yield "findings that hold", mine, theirs
    for (name, weighing), (_, other) in zip(alone.weighed, together.weighed, strict=True):
        here, there = _numbers(weighing, 0, 1), _numbers(other, number, count)
        if not _close(here, there):
            yield f"weights and scatter of {name}", here, there
    for (name, terms), (_, others) in zip(alone.terms, together.terms, strict=True):
        yield from _of_terms(name, terms, others, number, count)


def _of_terms(
    name: str, terms: Sequence[Term], others: Sequence[Term], number: int, count: int
) -> Iterator[tuple[str, object, object]]:
    try:
        one, many = propagate(list(terms)), propagate(list(others))
    except (ModelError, TypeError, ValueError) as error:
        yield f"terms of {name}", "numbers", f"{type(error).__name__}: {error}"
        return
    for what in ("value_um", "standard_uncertainty_um", "dof"):
        here, there = float(getattr(one, what)), _entry(getattr(many, what), number, count)
        if not _close([here], [there]):
            yield f"{what} of its terms for {name}", here, there


def _held(said: Said, number: int, count: int) -> list[tuple[str, str, str | None]]:
    kept = (f for f in said.findings if bool(_entry(f.holds, number, count)))
    return sorted({(str(f.level), f.code, f.characteristic) for f in kept}, key=str)


def _numbers(weighing: Weighting | None, number: int, count: int) -> list[float]:
    if weighing is None:
        return []
    return [float(_entry(item, number, count)) for item in (*weighing.weights, *weighing.scatter)]


def _entry(item: Any, number: int, count: int) -> float:
    """What an array says of one run; a number stands for all of them."""
    shape = np.shape(item)
    return float(np.broadcast_to(np.asarray(item), (count,))[number]) if shape else float(item)


def _close(one: Sequence[float], other: Sequence[float]) -> bool:
    return len(one) == len(other) and all(
        math.isclose(a, b, rel_tol=_SAME, abs_tol=_SAME) for a, b in zip(one, other, strict=True)
    )


_SAME = 1e-9  # of sums of floats in another order
