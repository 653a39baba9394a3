"""Words for people that every face says alike: spans of time, verdicts, values, limits."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from holdzero.display import MICRO, decimals_for, length_text, micro_text, value_and_uncertainty
from holdzero.errors import QuantityError
from holdzero.quantity import Dimension, parse_quantity

__all__ = [
    "VERDICT_WORDS",
    "clock_text",
    "drift_text",
    "limits_text",
    "live_value",
    "measured_text",
    "percent_text",
    "risk_text",
    "small_text",
    "stops_of",
    "typed_length",
    "typed_temperature",
]

VERDICT_WORDS = {"pass": "PASS", "fail": "FAIL", "undecided": "UNDECIDED", "reported": "REPORTED"}
_NEARLY = 1e-9  # so that the logarithm of a power of ten is not just below a whole number


def clock_text(seconds: float) -> str:
    """A span of time [s] as h:mm:ss or m:ss.

    >>> clock_text(3725.0)
    '1:02:05'
    """
    minutes, rest = divmod(max(0, round(seconds)), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def percent_text(probability: float) -> str:
    """A probability in percent, never rounded towards a certainty that is not there.

    >>> percent_text(0.94996), percent_text(0.99999), percent_text(0.05004), percent_text(0.5 - 1e-16)
    ('94.9 %', '> 99.9 %', '5.1 %', '50.0 %')
    """
    # What the rounding of floats took from a tenth of a percent is given back first.
    tenths = round(probability * 1000.0, 6)
    if tenths > _MOST_TENTHS:
        return "> 99.9 %"
    if tenths < 1.0:
        return "< 0.1 %"
    return f"{(math.floor(tenths) if tenths >= _EVEN_TENTHS else math.ceil(tenths)) / 10.0:.1f} %"


_EVEN_TENTHS, _MOST_TENTHS = 500.0, 999.0


def risk_text(share: float) -> str:
    """A share of the parts of a process in percent, with two digits that count: risks are small.

    >>> risk_text(0.000123), risk_text(0.07), risk_text(0.845), risk_text(1e-9), risk_text(0.0)
    ('0.012 %', '7.0 %', '84 %', '< 0.0001 %', '0 %')
    """
    if 0.0 < share < _LEAST_SHARE:
        return f"< {100.0 * _LEAST_SHARE:g} %"
    if share == 0.0 or share >= _TENTH:
        return f"{100.0 * share:.0f} %"
    return f"{100.0 * share:#.2g} %"


_LEAST_SHARE, _TENTH = 1e-6, 0.0995


def stops_of(record: Mapping[str, Any], name: str) -> tuple[str, ...]:
    """What stops a characteristic of a record: its value stands there, and decides nothing.

    Args:
        record: as plain data.
        name: of the characteristic.
    """
    return tuple(
        str(found["text"])
        for found in record["findings"]
        if found["level"] == "stop" and found["characteristic"] in (None, name)
    )


def measured_text(result: Mapping[str, Any], units: str) -> str:
    """A result of a record: its nominal, value and expanded uncertainty.

    Args:
        result: of one characteristic, as plain data.
        units: `mm` or `in`.
    """
    if result["value_um"] is None:
        return "not measured"
    nominal = f"{length_text(result['nominal_um'], units)} " if result["nominal_um"] is not None else ""
    return nominal + value_and_uncertainty(result["value_um"], result["expanded_uncertainty_um"], units)


def small_text(value: float, *, sign: bool = True) -> str:
    """A number of a live display: two digits that count, and none finer than a thousandth.

    >>> small_text(-8.8e-24), small_text(0.0472), small_text(-612.3), small_text(1.5, sign=False)
    ('0', '+0.047', '−612', '1.5')
    """
    near = round(value, 3) + 0.0
    if near == 0.0:
        return "0"
    decimals = max(0, 1 - math.floor(math.log10(abs(near))))
    number = f"{near:+.{min(decimals, 3)}f}" if sign else f"{near:.{min(decimals, 3)}f}"
    return (number.rstrip("0").rstrip(".") if "." in number else number).replace("-", "−")


def drift_text(per_min: float, expanded: float, unit: str) -> str:
    """A drift and its expanded uncertainty (k = 2), both with the same last digit, none finer than a thousandth.

    >>> drift_text(-1.3034, 0.0892, "µm"), drift_text(0.0, 1e-9, "K")
    ('−1.303 ± 0.089 µm/min', '0.000 ± 0.000 K/min')
    """
    decimals = min(decimals_for(expanded), 3)
    sign = "+" if round(per_min, decimals) else ""
    return f"{per_min:{sign}z.{decimals}f} ± {expanded:.{decimals}f} {unit}/min".replace("-", "−")


def typed_length(raw: str, value_um: float, units: str) -> str:
    """What was typed beside what was understood [um], with all its digits.

    >>> typed_length("0.0015", 0.0015, "mm"), typed_length("1.5 um", 1.5, "in")
    ('typed 0.0015; understood +0.0015 µm', 'typed 1.5 um; understood +59.055118 µin')
    """
    unit, worth = MICRO[units]
    return _typed(raw, f"{value_um / worth:+z.6f}", unit)


def typed_temperature(raw: str, value_degC: float) -> str:  # noqa: N803  the unit's own capital
    """The same of a temperature [degC].

    >>> typed_temperature("68 degF", 20.0)
    'typed 68 degF; understood 20 °C'
    """
    return _typed(raw, f"{value_degC:z.4f}", "°C")


def _typed(raw: str, number: str, unit: str) -> str:
    return f"typed {raw.strip()}; understood {number.rstrip('0').rstrip('.').replace('-', '−')} {unit}"


def limits_text(lower_um: float | None, upper_um: float | None, units: str) -> str:
    """Limits [um] in words.

    >>> limits_text(None, 1.5, "mm"), limits_text(-3.0, 3.0, "mm")
    ('at most +1.5 µm', '−3 µm to +3 µm')
    """
    if lower_um is None:
        return "none" if upper_um is None else f"at most {micro_text(upper_um, units)}"
    if upper_um is None:
        return f"at least {micro_text(lower_um, units)}"
    return f"{micro_text(lower_um, units)} to {micro_text(upper_um, units)}"


def live_value(answer: str, value_um: float | None, units: str) -> tuple[str, str]:
    """A live value and its unit as readings are shown, with as many digits as the instrument sends.

    Args:
        answer: of the instrument, with its unit.
        value_um: the same [um]; None where there is none.
        units: of the routine.

    >>> live_value("+0.0012 mm", 1.2, "mm"), live_value("-0.00005 in", -1.27, "in")
    (('+1.2', 'µm'), ('−50', 'µin'))
    """
    number, _, unit = answer.partition(" ")
    if value_um is None or not number:
        return "", ""
    name, small_um = MICRO[units]
    try:
        worth = parse_quantity(f"1 {unit}", Dimension.LENGTH).value / small_um
    except QuantityError:
        return number.replace("-", "−"), unit
    sent = len(number.partition(".")[2])
    decimals = max(0, sent - math.floor(math.log10(worth) + _NEARLY))
    return f"{value_um / small_um:+z.{decimals}f}".replace("-", "−"), name
