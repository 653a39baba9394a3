"""A model worked out: its value and uncertainty by the order that the routine asks for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from holdzero.model import Propagated, Term, propagate
from holdzero.second_order import with_second_order

__all__ = ["Model", "Order", "worked_out"]

Order = Literal[1, 2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """The terms that stand together, and what comes of them.

    Attributes:
        terms: summands of the value.
        propagated: by the order that was asked for.
        second: with the terms of second order; None where first order was asked for and it is of many runs.
    """

    terms: tuple[Term, ...]
    propagated: Propagated
    second: Propagated | None

    @property
    def of_many(self) -> bool:
        """Whether it is of many runs at once."""
        p = self.propagated
        return any(np.ndim(number) > 0 for number in (p.value_um, p.standard_uncertainty_um, p.dof))


def worked_out(terms: list[Term], order: Order) -> Model:
    """Value and uncertainty.

    Args:
        terms: summands of the value [um each].
        order: 2 for JCGM 100:2008, 5.1.2 with its note; 1 for eq. (10) alone.

    Raises:
        Exception: a term is a plugin's function, and may raise anything.
    """
    first = propagate(terms)
    made = Model(terms=tuple(terms), propagated=first, second=None)
    if order == 1 and made.of_many:
        return made
    second = with_second_order(terms, first)
    return Model(terms=made.terms, propagated=first if order == 1 else second, second=second)
