"""What is true in each run: every input of the routine's own model, drawn from its own distribution.

A measured value is a sum of terms. At the estimates of all inputs an ideal reading gives the wanted value; where the
inputs are in truth something else, the same part makes the comparator show something else. So the plugins' own
formulas, turned round (see `holdzero.inverse`), tell what it shows.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from holdzero.estimate import Estimate
from holdzero.hooks import Input, Number, Term
from holdzero.inverse import difference_of_um, is_difference_read, sensitivity, term_um
from holdzero.montecarlo import draw
from holdzero.rehearse.draws import Draws
from holdzero.result import Evaluation, Result

__all__ = ["REFERENCE", "Floats", "drawn", "drawn_of", "inputs_of", "known_reference", "shift_um", "split_um"]

REFERENCE = "deviation of the reference"
"""What the input goes by (see `views.reference_deviation`)."""

Floats = NDArray[np.float64]


def _systematic(result: Result) -> Iterable[Term]:
    """Terms that are no reading and no scatter: what is the same for all readings of a run."""
    return (term for term in result.terms if any(item.evaluation == "B" for item in term.inputs))


def drawn(ideal: Evaluation, draws: Draws, runs: int) -> Mapping[str, Floats]:
    """True values of all inputs, one a run, by name; inputs of one name are one.

    Args:
        ideal: of the routine with ideal readings.
        draws: generators by name.
        runs: how many.

    Source: JCGM 101:2008, 6.4 (distributions); the state of knowledge that the routine states is taken as what
    happens.
    """
    return {name: drawn_of(name, item.estimate, draws, runs) for name, item in inputs_of(ideal).items()}


def inputs_of(ideal: Evaluation) -> Mapping[str, Input]:
    """All inputs that are no reading and no scatter, by name."""
    terms = (
        *(term for result in ideal.results for term in _systematic(result)),
        *ideal.check_standard,
        *(known.term for known in ideal.apart),
    )
    items = (item for term in terms for item in term.inputs)
    return {item.name: item for item in items if not is_difference_read(item)}


def drawn_of(name: str, estimate: Estimate, draws: Draws, runs: int) -> Floats:
    """True values of one quantity, one a run: the sum of what is drawn of its parts.

    Args:
        name: of the quantity.
        estimate: of it.
        draws: generators by name.
        runs: how many.
    """
    generator = draws(f"input {name}")
    first, *rest = (draw(part, generator, runs) for part in estimate.parts)
    return sum(rest, start=first)


def shift_um(result: Result, true: Mapping[str, Floats], difference_um: Number) -> Number:
    """By how much more the comparator shows of a characteristic than with all inputs at their estimates [um].

    Args:
        result: of the characteristic, with ideal readings.
        true: of all inputs, by name.
        difference_um: what it shows with all inputs at their estimates [um].
    """
    lacks: Number = sum((share for _, share in shares_um(result, true, difference_um)), start=0.0)
    return lacks / sensitivity(result, true)


def shares_um(result: Result, true: Mapping[str, Floats], difference_um: Number) -> Iterator[tuple[str, Floats]]:
    """By how much more is measured for each term, where this difference is read: its name, and the share [um]."""
    for term in _systematic(result):
        yield term.name, np.asarray(term_um(term, difference_um) - term_um(term, difference_um, true))


def split_um(
    result: Result, true: Mapping[str, Floats], given: Collection[str]
) -> Iterator[tuple[str, Floats, Floats]]:
    """By how much more is measured for each term: for what is drawn of what the routine states, and for what is set.

    Args:
        result: of the characteristic, with ideal readings.
        true: of all inputs, by name.
        given: names of inputs that were set.

    Returns:
        For each term its name, what was drawn and what was set [um].
    """
    read = difference_of_um(result)
    only_set = {name: true[name] for name in given}
    for (name, both), (_, of_set) in zip(shares_um(result, true, read), shares_um(result, only_set, read), strict=True):
        yield name, both - of_set, of_set


def known_reference(ideal: Evaluation, error_um: float, runs: int) -> Mapping[str, Floats]:
    """The true deviation of the reference, where it is known to be off its certificate by so much [um]."""
    found: dict[str, Floats] = {}
    for result in ideal.results:
        for term in result.terms:
            for item in term.inputs:
                if item.name == REFERENCE:
                    found[item.name] = np.full(runs, float(item.estimate.value) + error_um)
    return found
