"""Texts of the HTML record: numbers with their units, times, and what is said where nothing is known.

Everything here takes plain data and gives plain text; no markup, and no escaping: the templates do that.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from holdzero.hooks import decimals_for, in_micro, micro_text

__all__ = [
    "MISSING",
    "at_places",
    "clock",
    "contribution_text",
    "css_string",
    "dof_text",
    "estimate_pair",
    "flat",
    "said",
    "sensitivity_text",
    "significant",
    "small_unit",
    "unit_text",
    "visible",
    "wall_text",
]

MISSING = "not recorded"
_UNITS = {"um": "µm", "degC": "°C", "1/K": "1/K"}
# Characters that nobody sees, or that turn the direction of what follows: shown by number instead.
_HIDDEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u2069\ufeff\ud800-\udfff]"
)
_PLAIN = re.compile(r"[A-Za-z0-9]")
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def visible(text: str) -> str:
    r"""The text with characters that can't be seen written as their number.

    >>> visible("a\u202eb")
    'a⟨U+202E⟩b'
    """
    return _HIDDEN.sub(lambda match: f"⟨U+{ord(match[0]):04X}⟩", text)


def said(item: object) -> str:
    """A field as text; `not recorded` where there is nothing in it."""
    if isinstance(item, bool):
        return "yes" if item else "no"
    text = "" if item is None else visible(str(item)).strip()
    return text or MISSING


def css_string(text: str) -> str:
    r"""The inside of a CSS string: everything but letters and digits as its number.

    >>> print(css_string("A-1"))
    A\00002d 1
    """
    return "".join(c if _PLAIN.fullmatch(c) else f"\\{ord(c):06x} " for c in visible(text))


def small_unit(units: str) -> str:
    """The small unit of length that goes with `mm` or `in`."""
    return micro_text(0.0, units).split()[-1]


def unit_text(unit: str, units: str) -> str:
    """A unit of the record as it is shown."""
    return small_unit(units) if unit == "um" else _UNITS.get(unit, unit)


def dof_text(dof: float | None) -> str:
    """Effective degrees of freedom; a record holds null where they are infinite.

    >>> dof_text(5.29), dof_text(None)
    ('5.29, truncated to 5', 'infinite')
    """
    if dof is None:
        return "infinite"
    # JCGM 100:2008, G.4.1, note 1: k is taken at the next lower integer.
    return significant(dof) + ("" if dof == math.floor(dof) else f", truncated to {math.floor(dof)}")


def significant(number: float, digits: int = 3) -> str:
    """A number with at least `digits` significant digits, in steps of thousands where it is very small or large.

    >>> significant(-3600.015), significant(0.0000231), significant(0.99999652)
    ('−3600', '23.1 × 10⁻⁶', '1.00')
    """
    return _scaled(number, _exponent(abs(number)), digits)


def _exponent(size: float) -> int:
    """Power of ten to take out: none where the number can be read as it is."""
    if not math.isfinite(size) or size == 0.0 or 1e-3 <= size < 1e6:  # noqa: PLR2004  what can be read as it is
        return 0
    return 3 * math.floor(math.log10(size) / 3.0)


def _scaled(number: float, exponent: int, digits: int) -> str:
    mantissa = number / 10.0**exponent
    decimals = decimals_for(abs(mantissa), digits) if mantissa else 0
    return _fixed(mantissa, decimals, exponent)


def _fixed(mantissa: float, decimals: int, exponent: int = 0) -> str:
    text = f"{mantissa:.{decimals}f}"
    if not any(digit in text for digit in "123456789"):
        text = text.removeprefix("-")
    power = f" × 10{str(exponent).translate(_SUPERSCRIPT)}" if exponent else ""
    return text.replace("-", "−") + power


def estimate_pair(estimate: float | None, uncertainty: float | None, unit: str, units: str) -> tuple[str, str]:
    """An estimate and its standard uncertainty, with the same last digit.

    >>> estimate_pair(2.31e-05, 1.334e-06, "1/K", "mm")
    ('23.1 × 10⁻⁶', '1.3 × 10⁻⁶')
    """
    if unit == "um":
        estimate, uncertainty = (None if x is None else in_micro(x, units) for x in (estimate, uncertainty))
    if estimate is None or uncertainty is None:
        return _alone(estimate), _alone(uncertainty)
    if uncertainty == 0.0:
        return significant(estimate, 6), "0"
    exponent = _exponent(max(abs(estimate), abs(uncertainty)))
    decimals = decimals_for(abs(uncertainty) / 10.0**exponent)
    texts = [_fixed(x / 10.0**exponent, decimals, exponent) for x in (estimate, uncertainty)]
    return texts[0], texts[1]


def _alone(number: float | None) -> str:
    return MISSING if number is None else significant(number)


def sensitivity_text(sensitivity: float | None, unit: str, units: str) -> str:
    """By how much the value changes with an input, with its unit."""
    if sensitivity is None:
        return MISSING
    if unit == "um":
        return significant(sensitivity)
    small = small_unit(units)
    per = {"degC": f"{small}/K", "K": f"{small}/K", "1/K": f"{small}·K", "": small, "1": small}
    return f"{significant(in_micro(sensitivity, units))} {per.get(unit, f'{small} per {unit}')}"


def contribution_text(contribution_um: float | None, standard_um: float | None, units: str) -> str:
    """A contribution in the small unit, one digit finer than the uncertainty that it is part of."""
    if contribution_um is None:
        return MISSING
    decimals = min(decimals_for(in_micro(standard_um, units)) + 1 if standard_um else 3, 9)
    text = f"{abs(in_micro(contribution_um, units)):.{decimals}f}"
    least = f"{10.0**-decimals:.{decimals}f}"
    return f"< {least}" if contribution_um and float(text) == 0.0 else text


def wall_text(wall: object) -> str:
    """A wall time to the second with its offset from UTC; as it stands where it is no ISO time.

    >>> wall_text("2026-11-25T07:27:32.797+00:00")
    '2026-11-25 07:27:32 +00:00'
    """
    text = said(wall)
    try:
        time = dt.datetime.fromisoformat(text)
    except ValueError:
        return text
    offset = time.strftime("%z")
    return time.strftime("%Y-%m-%d %H:%M:%S") + (f" {offset[:3]}:{offset[3:5]}" if offset else "")


def clock(seconds: float | None) -> str:
    """A span of time as h:mm:ss.

    >>> clock(1530.0)
    '0:25:30'
    """
    if seconds is None:
        return MISSING
    minutes, rest = divmod(max(0, round(seconds)), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}"


def at_places(places: Sequence[str]) -> str:
    """Places in words."""
    if len(places) <= 1:
        return f"at {places[0]}" if places else ""
    return f"at {', '.join(places[:-1])} and {places[-1]}"


def flat(item: object) -> str:
    """Nested plain data in one line: what a register says of a device.

    >>> flat({"value": "+0.05 um", "coverage": 2})
    'value +0.05 um, coverage 2'
    """
    if isinstance(item, Mapping):
        return ", ".join(f"{str(key).replace('_', ' ')} {flat(inner)}" for key, inner in item.items())
    if isinstance(item, Sequence) and not isinstance(item, str):
        return "; ".join(flat(inner) for inner in item)
    return said(item)


def number_or_missing(mapping: Mapping[str, Any], key: str) -> float | None:
    """A number of a record; None where it has none."""
    item = mapping.get(key)
    return float(item) if isinstance(item, int | float) and not isinstance(item, bool) else None
