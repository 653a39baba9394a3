"""What a stranger's check gave, made anew of plain parts: what it does to its own later reaches nobody."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from holdzero.estimate import Part
from holdzero.hooks import Apart, Estimate, Finding, Input, Level, Number, Offer, Shape, Term, Weighting
from holdzero.patience import named
from holdzero.views import Act
from holdzero.worded import Words, real, worded

__all__ = ["locked", "taken_over", "with_shared"]


def taken_over(entry: Any, kind: type[Any], words: Words) -> Any:
    """An entry of our own.

    Args:
        entry: of that kind, as a check gave it.
        kind: finding, term, weighting or what lies apart.
        words: counts its text.

    Raises:
        Exception: something in it can't stand in a record, or is of the wrong type.
    """
    return _MADE[kind](entry, words)


def _finding(entry: Finding, words: Words) -> Finding:
    holds = np.array(entry.holds, dtype=np.bool_)
    offer = entry.offer
    return Finding(
        level=Level(entry.level),
        code=words.take(entry.code, "code of a finding"),
        text=words.take(entry.text, "text of a finding"),
        characteristic=None if entry.characteristic is None else worded(entry.characteristic, "a characteristic"),
        data={
            words.take(name, "name of a number"): float(real(number, "a number of a finding"))
            for name, number in entry.data.items()
        },
        holds=holds if holds.ndim else bool(holds),
        offer=None if offer is None else Offer(act=Act(offer.act), entries=tuple(int(one) for one in offer.entries)),
    )


def _term(entry: Term, words: Words) -> Term:
    return Term(
        name=words.take(entry.name, "name of a term"),
        inputs=tuple(_input(item, words) for item in entry.inputs),
        function=_locked_in(entry.function),
        words=words.take(entry.words, "words of a term"),
        source=words.take(entry.source, "source of a term"),
        linear_in=words.take(entry.linear_in, "linear_in of a term"),
    )


def _input(item: Input, words: Words) -> Input:
    name = words.take(item.name, "name of an input")
    if item.evaluation not in ("A", "B"):
        raise ValueError(f"{name}: evaluation must be A or B, found {item.evaluation!r:.40}")
    parts = tuple(
        Part(
            value=real(part.value, f"{name}: a value"),
            standard_uncertainty=real(part.standard_uncertainty, f"{name}: a standard uncertainty"),
            dof=real(part.dof, f"{name}: degrees of freedom"),
            shape=Shape(part.shape),
            halfwidth=float(real(part.halfwidth, f"{name}: a half-width")),
            inner=float(real(part.inner, f"{name}: an inner half-width")),
        )
        for part in item.estimate.parts
    )
    why = words.take(item.estimate.why, "why of an estimate")
    return Input(
        name=name,
        estimate=Estimate(parts=parts, why=why),
        unit=words.take(item.unit, "unit of an input"),
        evaluation="A" if item.evaluation == "A" else "B",
        why=words.take(item.why, "why of an input"),
    )


def _locked_in(function: Callable[..., Number]) -> Callable[..., Number]:
    """A function that can't write into what it is given, and gives real numbers alone."""

    def given(*numbers: Number) -> Number:
        try:
            made: Number = function(*map(locked, numbers))
        except (Exception, KeyboardInterrupt):  # one that is a plugin's is not told from a person's
            raise
        except BaseException as error:  # noqa: BLE001  even SystemExit must not end the tool
            raise ValueError(f"it raised {named(error)}") from None
        if np.iscomplexobj(made):
            raise TypeError(f"it gives a complex number, {made!r:.80}")
        return made  # whoever works it out looks whether it is finite

    return given


def locked(number: Number) -> Number:
    """A number as it is; of an array, one of the same memory that can only be read."""
    if not isinstance(number, np.ndarray):
        return number
    view = number.view()
    view.flags.writeable = False
    return view


def _weighting(entry: Weighting, words: Words) -> Weighting:
    del words
    s, dof = (real(number, "a number of its scatter") for number in entry.scatter)
    weights = tuple(real(weight, "a weight") for weight in entry.weights)
    if not all(np.all(np.isfinite(number)) for number in (s, *weights)) or np.any(np.asarray(s) < 0.0):
        raise ValueError("weights and scatter must be finite, and the scatter not below zero")
    if not np.all(np.asarray(dof) > 0.0):
        raise ValueError(f"{dof!r:.80} can't be degrees of freedom")
    return Weighting(weights=weights, scatter=(s, dof))


def _apart(entry: Apart, words: Words) -> Apart:
    place = words.take(entry.place, "a place")
    return Apart(
        place=place, above=tuple(words.take(one, "a place") for one in entry.above), term=_term(entry.term, words)
    )


_MADE: dict[type[Any], Callable[[Any, Words], Any]] = {
    Finding: _finding,
    Term: _term,
    Weighting: _weighting,
    Apart: _apart,
}


def with_shared(term: Term, shared: Input) -> Term:
    """A term that names an input which others have as well, with that very one in its place.

    Of many runs two arrays can't say whether they are equal; who has a copy of an input means the input.

    Args:
        term: of a stranger's check.
        shared: the input of all.
    """
    inputs = tuple(shared if _is_that(item, shared) else item for item in term.inputs)
    return Term(
        name=term.name,
        inputs=inputs,
        function=term.function,
        words=term.words,
        source=term.source,
        linear_in=term.linear_in,
    )


def _is_that(item: Input, shared: Input) -> bool:
    if (item.name, item.unit, item.evaluation) != (shared.name, shared.unit, shared.evaluation):
        return False
    if len(item.estimate.parts) != len(shared.estimate.parts):
        return False
    return all(
        np.array_equal(one.value, other.value)
        and np.array_equal(one.standard_uncertainty, other.standard_uncertainty)
        and np.array_equal(one.dof, other.dof)
        for one, other in zip(item.estimate.parts, shared.estimate.parts, strict=True)
    )
