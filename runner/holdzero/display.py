"""Numbers for people: rounding to the uncertainty, lengths in the routine's units.

Only for showing: nothing is decided on what this module gives.
"""

from __future__ import annotations

import math

__all__ = ["MICRO", "decimals_for", "in_micro", "length_text", "micro_text", "span_text", "value_and_uncertainty"]

# The small unit that goes with a routine's `units`, and micrometres in one of it.
MICRO = {"mm": ("µm", 1.0), "in": ("µin", 0.0254)}


_SMALLEST_EXPONENT = -300  # below it, a float has no two digits left


def decimals_for(uncertainty: float, digits: int = 2) -> int:
    """Decimals that show an uncertainty with `digits` significant digits (JCGM 100:2008, 7.2.6).

    >>> decimals_for(0.0317), decimals_for(93.0)
    (3, 0)
    """
    if not math.isfinite(uncertainty) or uncertainty <= 0.0:
        return 3
    exponent = max(math.floor(math.log10(uncertainty)), _SMALLEST_EXPONENT)
    if round(uncertainty / 10.0 ** (exponent - digits + 1)) >= 10**digits:
        exponent += 1
    return min(max(0, digits - 1 - exponent), 9)


def in_micro(value_um: float, units: str) -> float:
    """A length [um] in the small unit of `units`."""
    return value_um / MICRO[units][1]


def micro_text(value_um: float, units: str, uncertainty_um: float | None = None, *, sign: bool = True) -> str:
    """A small length with its unit, as many digits as its uncertainty allows.

    >>> micro_text(0.8381, "mm", 0.092)
    '+0.838 µm'
    """
    decimals = decimals_for(in_micro(uncertainty_um, units)) if uncertainty_um else 3 if units == "mm" else 1
    number = in_micro(value_um, units)
    text = f"{number:+z.{decimals}f}" if sign else f"{number:z.{decimals}f}"
    if uncertainty_um is None and "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{'+0' if sign and float(text) == 0.0 and not uncertainty_um else text} {MICRO[units][0]}".replace("-", "−")


def value_and_uncertainty(value_um: float, expanded_um: float, units: str) -> str:
    """A value and its expanded uncertainty, both with the same last digit.

    >>> value_and_uncertainty(0.838, 0.0927, "mm")
    '(+0.838 ± 0.093) µm'
    """
    decimals = decimals_for(in_micro(expanded_um, units))
    unit = MICRO[units][0]
    value, expanded = in_micro(value_um, units), in_micro(expanded_um, units)
    return f"({value:+z.{decimals}f} ± {expanded:.{decimals}f}) {unit}".replace("-", "−")


def span_text(seconds: float) -> str:
    """A span of time [s] in seconds or minutes.

    >>> span_text(2.0), span_text(1200.0)
    ('2 s', '20 min')
    """
    return f"{seconds:.0f} s" if seconds < _TWO_MINUTES_S else f"{seconds / 60.0:.3g} min"


_TWO_MINUTES_S = 120.0


def length_text(value_um: float, units: str) -> str:
    """A whole length in the routine's unit.

    >>> length_text(12000.0, "mm")
    '12 mm'
    """
    number = value_um / (1000.0 if units == "mm" else 25400.0)
    return f"{number:z.7f}".rstrip("0").rstrip(".") + f" {units}"
