"""Limits that can't be meant as they stand: a size in place of a deviation, or a sign that was forgotten.

It knows the typed routine and where its keys stand; no plugin, no run.
"""

from __future__ import annotations

from collections.abc import Iterator

from holdzero.errors import Fault
from holdzero.routine import schema
from holdzero.routine.locate import KeyPath, dotted
from holdzero.routine.resolve import Origins

__all__ = ["like_a_size", "small", "wrong_limits"]

# A deviation that is within a tenth of the nominal itself was meant as a size (common practice, no source).
_LIKE_A_SIZE = 0.1
_MICRO_INCH_UM = 0.0254  # exactly, with the inch of 25.4 mm


def like_a_size(limit_um: float, nominal_um: float) -> bool:
    """Whether a limit was written as a size.

    Args:
        limit_um: a deviation from the nominal [um], as it should be.
        nominal_um: the nominal size [um].

    Source: common practice, no source.

    >>> like_a_size(5998.0, 6000.0), like_a_size(-2.0, 6000.0)
    (True, False)
    """
    return abs(limit_um - nominal_um) < _LIKE_A_SIZE * nominal_um


def small(value_um: float, units: str) -> str:
    """A small length [um] with its sign, as a routine in these units would write it.

    >>> small(-2.0, "mm"), small(0.508, "in")
    ('-2 um', '+20 uin')
    """
    return f"{value_um / _MICRO_INCH_UM:+.6g} uin" if units == "in" else f"{value_um:+.6g} um"


def wrong_limits(routine: schema.Routine, origins: Origins) -> tuple[Fault, ...]:
    """Faults of the limits of a valid routine."""
    faults = []
    for path, found, expected, mend in _wrong(routine):
        file, line = origins.place(path)
        faults.append(Fault(file=file, line=line, key=dotted(path), found=found, expected=expected, mend=mend))
    return tuple(faults)


def _wrong(routine: schema.Routine) -> Iterator[tuple[KeyPath, str, str, str]]:
    units = routine.routine.units
    for name, spec in routine.characteristics.items():
        absolute = False
        for key, limit in (("lower", spec.lower), ("upper", spec.upper)):
            if limit is None or spec.nominal is None or not like_a_size(limit, spec.nominal):
                continue
            absolute = True
            yield (
                ("characteristics", name, key),
                "a size",
                "a deviation from the nominal",
                f"take the nominal off: {small(limit - spec.nominal, units)}",
            )
        both = spec.lower is not None and spec.lower == spec.upper
        if both and not absolute and spec.lower is not None and spec.lower > 0.0:
            yield (
                ("characteristics", name, "lower"),
                f"{small(spec.lower, units)}, the same as upper",
                "limits that leave a width between them",
                f"did you mean {small(-spec.lower, units)}?",
            )
