"""Text to floats: every quantity of a routine or of a readings file, in micrometres, °C, K, 1/K, N or seconds.

Source: `routines/README.md`, "Quantities and estimates". 1 in = 25.4 mm exactly (NIST SP 811, appendix B; from memory).
"""

from __future__ import annotations

import re

WORTH = {
    "um": 1.0,
    "µm": 1.0,
    "nm": 1e-3,
    "mm": 1e3,
    "in": 25400.0,
    "uin": 0.0254,
    "degC": 1.0,
    "K": 1.0,
    "1/K": 1.0,
    "N": 1.0,
    "s": 1.0,
    "min": 60.0,
    "h": 3600.0,
}
_QUANTITY = re.compile(r"\s*([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(\S*)\s*")


def number_and_unit(text: str) -> tuple[float, str]:
    """A number and the unit behind it; an empty text where there is none."""
    found = _QUANTITY.fullmatch(text.replace(",", "."))
    if found is None:
        raise ValueError(f"{text!r} is no quantity")
    return float(found[1]), found[2]


def quantity(text: str, bare_unit: str = "") -> float:
    """A quantity in its inside unit; a bare number is in `bare_unit`."""
    number, unit = number_and_unit(text)
    return number * WORTH[unit or bare_unit]
