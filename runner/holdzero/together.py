"""What a check said of many runs, one at a time, put together: masks in findings, arrays in terms and weights.

Runs of which nothing was said are stopped by whoever called; here they add nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from holdzero.errors import HoldzeroError
from holdzero.hooks import CharacteristicView, Estimate, Finding, Input, Number, Term, Weighting

__all__ = ["DifferError", "findings_together", "terms_together", "weighting_together"]


class DifferError(HoldzeroError):
    """Runs of one routine got things that can't stand side by side; the check's author must mend it."""


_MEND = (
    "a rehearsal puts the runs side by side: give the same in every run, with zero where there is nothing to correct"
)


def findings_together(made: Sequence[Sequence[Finding] | None]) -> list[Finding]:
    """Each finding once, with a mask of the runs that have it; words and numbers are those of the first one.

    Args:
        made: findings of each run; None where there are none to be had.
    """
    first: dict[tuple[str, str, str | None], Finding] = {}
    masks: dict[tuple[str, str, str | None], list[int]] = {}
    for number, findings in enumerate(made):
        for finding in findings or ():
            if np.any(finding.holds):
                key = (finding.level, finding.code, finding.characteristic)
                first.setdefault(key, finding)
                masks.setdefault(key, []).append(number)
    return [replace(finding, holds=_mask(masks[key], len(made))) for key, finding in first.items()]


def _mask(numbers: Sequence[int], runs: int) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    mask = np.zeros(runs, dtype=np.bool_)
    mask[list(numbers)] = True
    return mask


# --- terms ------------------------------------------------------------------------------------


def terms_together(made: Sequence[Sequence[Term] | None], shared: Sequence[Input] = ()) -> list[Term]:
    """The terms of all runs as terms of arrays; where a run has none, they are zero.

    Args:
        made: terms of each run; None where there are none to be had.
        shared: inputs of all runs that others have as well, and that the terms may name.

    Raises:
        DifferError: the runs have other terms or inputs.
    """
    _alike(made)
    first = next((terms for terms in made if terms is not None), ())
    inputs: dict[str, Input] = {}
    known = {item.name: item for item in shared}
    together: list[Term] = []
    for index, term in enumerate(first):
        own = [None if terms is None else terms[index] for terms in made]
        for place, item in enumerate(term.inputs):
            # Terms that name one input share it, and so they must in all runs together.
            if item.name not in inputs:
                of_each = [None if one is None else one.inputs[place] for one in own]
                inputs[item.name] = _input(of_each, known.get(item.name))
        functions = [None if one is None else one.function for one in own]
        shared = tuple(inputs[item.name] for item in term.inputs)
        together.append(replace(term, inputs=shared, function=_run_by_run(functions)))
    return together


def _alike(made: Sequence[Sequence[Term] | None]) -> None:
    """Refuse terms that are not the same in all runs but for their numbers."""
    known: tuple[int, Sequence[Term]] | None = None
    for number, terms in enumerate(made):
        if terms is None:
            continue
        if known is None:
            known = number, terms
            continue
        at, first = known
        names, others = [term.name for term in first], [term.name for term in terms]
        if names != others:
            one, other = (", ".join(each) or "none" for each in (names, others))
            raise DifferError(f"its terms are {one} in run {at + 1} and {other} in run {number + 1}; {_MEND}")
        for term, another in zip(first, terms, strict=True):
            if _form(term) != _form(another):
                raise DifferError(
                    f"the inputs of its term {term.name} have other names or units in run {at + 1} than in run "
                    f"{number + 1}; {_MEND}"
                )


def _form(term: Term) -> tuple[object, ...]:
    return tuple((item.name, item.unit) for item in term.inputs)


def _input(items: Sequence[Input | None], shared: Input | None) -> Input:
    """One input of all runs; the very same where it is the same in all of them, or one that others have as well."""
    first = next(item for item in items if item is not None)
    if shared is not None and _is_that(items, shared):
        return shared
    if all(item is None or item == first for item in items):
        return first
    known = [None if item is None else item.estimate for item in items]
    # First order asks for no shape, and nobody draws from an array of runs: distributions may differ from run to run.
    estimate = Estimate.of(
        _side_by_side([0.0 if one is None else one.value for one in known]),
        _side_by_side([0.0 if one is None else one.standard_uncertainty for one in known]),
        dof=_side_by_side([np.inf if one is None else one.dof for one in known]),
        why=first.estimate.why,
    )
    return replace(first, estimate=estimate)


def _is_that(items: Sequence[Input | None], shared: Input) -> bool:
    """Whether an input is, run by run, one of all runs; what differs in more than the last digits is another."""
    of_all = np.broadcast_to(np.asarray(shared.estimate.value, dtype=np.float64), (len(items),))
    return all(
        item is None
        or (item.unit == shared.unit and math.isclose(item.estimate.value, value, rel_tol=_SAME, abs_tol=_SAME))
        for item, value in zip(items, of_all.tolist(), strict=True)
    )


_SAME = 1e-12  # of sums of a few floats in another order, and of the unit where they cancel


def _side_by_side(numbers: Sequence[Number]) -> Number:
    """A number where all are the same, else an array of them."""
    column = np.array([float(number) for number in numbers])
    return float(column[0]) if np.all(column == column[0]) else column


def _run_by_run(functions: Sequence[Callable[..., Number] | None]) -> Callable[..., Number]:
    """A function that gives each run what its own gives of its own numbers; zero where it has none."""

    def function(*numbers: Number) -> Number:
        runs = len(functions)
        columns = [np.broadcast_to(np.asarray(number, dtype=np.float64), (runs,)).tolist() for number in numbers]
        rows = zip(*columns, strict=True) if columns else [()] * runs
        return np.array([0.0 if own is None else float(own(*row)) for own, row in zip(functions, rows, strict=True)])

    return function


# --- weights ----------------------------------------------------------------------------------


def weighting_together(
    made: Sequence[Sequence[Weighting] | None], characteristic: CharacteristicView
) -> list[Weighting]:
    """The weighting of all runs in a list, or none; a run that has none to be had keeps the weights that it had.

    Args:
        made: of each run, one or none in a list; None where there is none to be had.
        characteristic: whose readings are weighed, of all runs.

    Raises:
        DifferError: some runs are weighed and others not, or their degrees of freedom differ.
    """
    said = [list(own) for own in made if own is not None]
    weighed = [own[0] for own in said if own]
    if not weighed:
        return []
    if len(weighed) < len(said):
        raise DifferError(f"it weighs the readings of {len(weighed)} of {len(said)} runs and not of the rest; {_MEND}")
    dof = weighed[0].scatter[1]
    if any(own.scatter[1] != dof for own in weighed):
        raise DifferError(f"the degrees of freedom of its scatter are not the same in all runs; {_MEND}")
    runs, before = len(made), characteristic.weights
    there = np.array([own is not None for own in made])

    def spread(found: Sequence[Number], otherwise: Number) -> Number:
        column = np.array(np.broadcast_to(np.asarray(otherwise, dtype=np.float64), (runs,)))
        column[there] = [float(number) for number in found]
        return _side_by_side(column.tolist())

    weights = tuple(spread([own.weights[index] for own in weighed], number) for index, number in enumerate(before))
    scatter = spread([own.scatter[0] for own in weighed], weighed[0].scatter[0])
    return [Weighting(weights=weights, scatter=(scatter, dof))]
