"""How long to wait until heat is gone, in words: by how the part may stand or lie meanwhile."""

from __future__ import annotations

import math

from holdzero.hooks import Material, Way, time_constant_s

__all__ = ["waiting_words"]

_WAYS: tuple[tuple[Way, str], ...] = (("air", "in still air"), ("standing", "standing on"), ("lying", "lying flat on"))
_PLATE = "a metal plate"
_SOURCE = "(lumped body, Bergman and others, 5.1)"


def waiting_words(
    material: Material | None,
    size_um: float | None,
    section_um: tuple[float, float] | None,
    *,
    left_um: float,
    limit_um: float,
) -> str:
    """How long until no more than a limit of a length is heat, in each way to wait: a part of a sentence.

    Args:
        material: of the part; None where it is not known.
        size_um: the part's length [um]; None where it is not known.
        section_um: width and depth across it [um]; None: of a gauge block.
        left_um: how much of the length is heat now [um].
        limit_um: how much may be [um].

    Returns:
        Empty where material or size is not known well enough, or there is nothing to wait for.

    Source: left·exp(−t/τ) = limit, with τ of `time_constant_s`.

    >>> from holdzero_plugins.tables.materials import materials
    >>> waiting_words(materials()["steel"], 100e3, None, left_um=0.2, limit_um=0.02)
    'in still air 40 to 96 min, standing on a metal plate 12 to 27, lying flat on one 1 to 5 (lumped body, Bergman and \
others, 5.1)'
    """
    if material is None or size_um is None or not 0.0 < limit_um < abs(left_um):
        return ""
    factor = math.log(abs(left_um) / limit_um)
    told: list[str] = []
    for way, words in _WAYS:
        try:
            shortest, longest = time_constant_s(material, size_um, way, section_um=section_um)
        except ValueError:  # what this way needs is not known, or it is no length of a body at a bench
            continue
        plate = "" if way == "air" else " one" if any(_PLATE in one for one in told) else f" {_PLATE}"
        unit = "" if told else " min"
        told.append(f"{words}{plate} {_minutes(shortest * factor)} to {_up(longest * factor)}{unit}")
    return f"{', '.join(told)} {_SOURCE}" if told else ""


def _minutes(seconds: float) -> int:
    return max(1, round(seconds / 60.0))


def _up(seconds: float) -> int:
    """Rounded up, so that nobody comes back too early."""
    return max(1, math.ceil(seconds / 60.0))
