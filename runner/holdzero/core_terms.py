"""The core's own terms: reference, difference read, error of the comparator, and what the routine adds by hand."""

from __future__ import annotations

from collections.abc import Iterable

from holdzero.hooks import CharacteristicView, RunView, reference_deviation
from holdzero.model import Input, Term
from holdzero.routine.schema import Measure

__all__ = ["core_terms"]


def core_terms(view: RunView, seen: CharacteristicView) -> Iterable[Term]:
    """The core's summands of a characteristic; everything else is the checks'."""
    spec, reference = seen.spec, view.reference
    if spec.measure is Measure.SIZE and reference is not None:
        offset = reference.size - (spec.nominal or 0.0)
        deviation = reference_deviation(reference)
        yield Term(
            name="reference",
            inputs=(deviation,),
            function=lambda dev: offset + dev,
            words=_of_reference(view, offset, float(deviation.estimate.value)),
            source="ISO 3650, deviation of a length from its nominal; JCGM 100:2008, eq. (H.3)",
        )
    read = seen.difference_read(view)
    yield Term(
        name="difference read",
        inputs=(read,),
        function=lambda d: d,
        words="the readings of the part, each less the zero that it was taken under",
        source="JCGM 100:2008, 4.2.1 (mean of the readings)",
    )
    if view.comparator is not None:
        error = Input(
            name="error of the comparator",
            estimate=view.comparator.error,
            unit="um",
            evaluation="B",
            why=view.comparator.error.why or "error of a difference that it shows",
        )
        yield Term(
            name="error of the comparator",
            inputs=(error,),
            function=lambda e: -e,
            words="what the comparator shows too much is taken off",
            source="JCGM 100:2008, 4.3",
        )
    for term in view.routine.terms:
        if term.characteristics is None or seen.name in term.characteristics:
            own = Input(name=term.name, estimate=term.estimate, unit="um", evaluation="B", why=term.why)
            words = "stated by the routine's author, and added as it stands"
            yield Term(name=term.name, inputs=(own,), function=lambda value: value, words=words)


def _of_reference(view: RunView, offset: float, deviation: float) -> str:
    longer = "longer" if deviation >= 0.0 else "shorter"
    words = f"the reference is {view.length(abs(deviation), 3)} {longer} than its nominal size, and so is the part"
    if offset:
        side = "above" if offset > 0.0 else "below"
        words += f"; its nominal size lies {view.length(abs(offset), 6)} {side} that of the part"
    return words
