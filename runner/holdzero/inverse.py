"""A characteristic's model turned round: what has to be read so that a value comes out.

A value is a sum of terms. Those that hang on the difference read name it as an input, and are linear in it; so the
plugins' own formulas tell what a comparator shows of a part whose truth is known.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from holdzero.model import Input, Number, Term
from holdzero.result import Result
from holdzero.views import DIFFERENCE_READ

__all__ = ["difference_for_um", "difference_of_um", "is_difference_read", "sensitivity", "term_um", "value_um"]

_TRUE: Mapping[str, Number] = MappingProxyType({})
_STEP_UM = 1024.0  # any would do for what is linear; so long that no digits are lost


def is_difference_read(item: Input) -> bool:
    """Whether an input is a characteristic's measured difference."""
    return item.name.startswith(f"{DIFFERENCE_READ}, ")


def difference_of_um(result: Result) -> float:
    """The difference that was read of a characteristic, in one run [um]; 0 where it has no number."""
    items = (item for term in result.terms for item in term.inputs if is_difference_read(item))
    read = next(items, None)
    return 0.0 if read is None else float(read.estimate.value)


def term_um(term: Term, difference_um: Number, true: Mapping[str, Number] = _TRUE) -> Number:
    """What a term comes to [um].

    Args:
        term: of the characteristic.
        difference_um: that is read [um].
        true: values of inputs by name, in their units; of others their estimates.
    """
    numbers = (
        difference_um if is_difference_read(item) else true.get(item.name, item.estimate.value) for item in term.inputs
    )
    return term.function(*numbers)


def value_um(result: Result, difference_um: Number) -> Number:
    """The value of a characteristic where this difference is read, inputs at their estimates [um].

    Args:
        result: of the characteristic; without a number it is the difference itself.
        difference_um: that is read [um].
    """
    if not result.terms:
        return difference_um
    return sum((term_um(term, difference_um) for term in result.terms), start=0.0)


def sensitivity(result: Result, true: Mapping[str, Number] = _TRUE) -> Number:
    """By how much the value of a characteristic grows with the difference read [1].

    Args:
        result: of the characteristic.
        true: values of inputs by name, in their units; of others their estimates.
    """
    terms = [term for term in result.terms if any(map(is_difference_read, term.inputs))]
    if not terms:
        return 1.0
    grown = (term_um(term, _STEP_UM, true) - term_um(term, 0.0, true) for term in terms)
    return sum(grown, start=0.0) / _STEP_UM


def difference_for_um(result: Result, wanted_um: Number) -> Number:
    """The difference that has to be read so that a characteristic comes to a value, inputs at their estimates [um].

    Args:
        result: of the characteristic.
        wanted_um: its value [um].
    """
    read = difference_of_um(result)
    return read + (wanted_um - value_um(result, read)) / sensitivity(result)
