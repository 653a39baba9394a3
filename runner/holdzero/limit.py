"""When a number is beyond its limit: the one comparison of a value with a limit, for floats and arrays.

Readings, limits and references are decimals that people write. The same decimal comes as another float
when it went another way: in another unit, or through a sum. So two numbers that are closer than a
millionth of what the instrument can show are equal, and what is equal to its limit is within it.
Nothing is rounded for it.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from holdzero.quantity import Number

__all__ = ["HAIR", "Mask", "between", "exceeds"]

Mask: TypeAlias = bool | NDArray[np.bool_]
"""Whether something holds; an array has one entry a run."""

HAIR = 1e-6
"""Two numbers that are closer than this share of the resolution are equal (a choice of ours): a hundred times what
rounding leaves of a metre that is read to 0.01 um, and a millionth of what anybody can tell."""


def exceeds(value: Number, limit: Number, resolution: float = 0.0) -> Mask:
    """Whether a number is above its limit; on it, it is not.

    A lower limit is the same question from the other side: `exceeds(lower, value, resolution)`.

    Args:
        value: in any unit; what is no number exceeds nothing.
        limit: in the same unit; it may be infinite.
        resolution: smallest difference that the instrument shows, in the same unit; 0 where there is none, and
            then numbers are equal that are closer than a millionth of the limit.

    Source: our own choice, see `HAIR`.

    >>> 0.1 + 0.2 > 0.3, exceeds(0.1 + 0.2, 0.3, 0.1), exceeds(0.300001, 0.3, 0.1)
    (True, False, True)
    """
    return _mask(value > _last(limit, resolution))


def between(value: Number, lower: Number | None, upper: Number | None, resolution: float = 0.0) -> Mask:
    """Whether a number lies within its limits, both of them included.

    Args:
        value: in any unit; what is no number lies within nothing.
        lower: in the same unit; None where there is none.
        upper: in the same unit; None where there is none.
        resolution: as for `exceeds`.

    Source: our own choice, see `HAIR`.

    >>> between(0.1 + 0.2, -0.3, 0.3), between(0.0, 0.1, None)
    (True, False)
    """
    above = True if lower is None else value >= -_last(-lower, resolution)
    below = True if upper is None else value <= _last(upper, resolution)
    return _mask(np.logical_and(above, below))


def _last(limit: Number, resolution: float) -> Number:
    """The last number that still is on a limit."""
    last: Number = limit + HAIR * resolution if resolution else limit * (1.0 + np.copysign(HAIR, limit))
    return last


def _mask(holds: object) -> Mask:
    return holds if isinstance(holds, np.ndarray) and holds.ndim else bool(holds)
