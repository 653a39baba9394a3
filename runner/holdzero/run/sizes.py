"""Sizes of what lies under the tip, and whether a number looks like one where the dial shows a deviation."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from holdzero.limit import Mask, exceeds
from holdzero.quantity import Number
from holdzero.routine import schema
from holdzero.run.plan import Slot, SlotKind

__all__ = ["like_a_size", "part_size_um", "sizes_at"]

# A size that is typed differs from the nominal by no more than a part or a block that was mistaken does
# (both a choice of ours).
_NEAR_UM, _NEAR_SHARE = 3000.0, 0.1


def sizes_at(routine: schema.Routine, reference: schema.Reference | None, slot: Slot) -> tuple[float, ...]:
    """Nominal sizes of what lies under the tip [um]; none where nothing is known of it.

    Args:
        routine: with the characteristics and the check standard.
        reference: the one in use.
        slot: that is read.
    """
    own = (reference.size,) if reference is not None else ()
    match slot.kind:
        case SlotKind.CHECK:
            return (routine.check_standard.size,) if routine.check_standard is not None else ()
        case SlotKind.READ:
            specs = [spec for spec in routine.characteristics.values() if slot.place in spec.at]
            sizes = [spec.nominal for spec in specs if spec.measure is schema.Measure.SIZE and spec.nominal is not None]
            return tuple(dict.fromkeys(sizes)) or own
        case _:
            return own


def part_size_um(routine: schema.Routine, reference: schema.Reference | None) -> float | None:
    """How large the part is, by its sizes and by what it is compared with: the largest of them [um].

    Args:
        routine: with the characteristics, and the reference that it asks for.
        reference: the one in use.

    Returns:
        None where nobody states a size.
    """
    asked = reference or routine.reference
    sizes = [asked.size] if isinstance(asked, schema.Reference | schema.RequiredReference) else []
    sizes += [spec.nominal for spec in routine.characteristics.values() if spec.nominal is not None]
    return max(sizes, default=None)


def like_a_size(length_um: Number, sizes_um: Sequence[float]) -> Mask:
    """Whether a length [um] lies so near to one of these sizes [um] that it looks like it."""
    near: Mask = False
    for size in sizes_um:
        off = np.abs(length_um - size)
        near = np.logical_or(near, np.logical_not(exceeds(off, min(_NEAR_UM, _NEAR_SHARE * size))))
    return near if isinstance(near, np.ndarray) and near.ndim else bool(near)
