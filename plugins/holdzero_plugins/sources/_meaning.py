"""What a whole line says, by its profile: all of it is understood, or none of it is used.

Numbers stay text: the digits that the instrument sent are the digits that the run takes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from holdzero_plugins.sources._lines import LONGEST
from holdzero_plugins.sources._pattern import Pattern
from holdzero_plugins.sources._profile import COMPARATOR, Profile, known_unit

__all__ = ["Meaning", "Meant"]

_DIGITS = re.compile(r"([+-]?) *(?:([0-9]+)(?:[.,]([0-9]*))?|[.,]([0-9]+))", re.ASCII)
_MINUS = str.maketrans({"\u2212": "-", "\u2013": "-"})


@dataclass(frozen=True, slots=True)
class Meant:
    """What a line means.

    Attributes:
        answer: as a person would type it; None where the line can't be taken.
        why: why it can't.
        of: what a thermometer hangs on; empty for the comparator.
        matched: whether the line has the profile's form, be it an error or a number.
    """

    answer: str | None
    why: str = ""
    of: str = ""
    matched: bool = True


class _NotUnderstoodError(Exception):
    """A part of a line that matches has no meaning."""


class Meaning:
    """Reads lines by a profile.

    >>> from holdzero_plugins.sources._profile import usual
    >>> Meaning(usual()).of_line("+  0.00125 mm").answer
    '+0.00125 mm'
    >>> Meaning(usual()).of_line("0.0.1 mm").answer is None
    True
    """

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        self._pattern = Pattern(profile.pattern)

    def of_line(self, text: str) -> Meant:
        """What a line without its terminator means."""
        match = self._pattern.fullmatch(text) if len(text) <= LONGEST else None
        groups = match or {}
        if (error := groups.get("error", "") or text.strip()) in self._profile.errors:
            return Meant(None, f"the instrument says {error}: {self._profile.errors[error]}")
        if match is None:
            return Meant(None, "it has not the form that the profile says", matched=False)
        if groups.get("error"):
            return Meant(None, f"the instrument says {error}; look into its manual")
        try:
            of = self._of(groups.get("channel"))
            sign, whole, decimals = self._number(groups)
            unit = self._unit(groups.get("unit", ""))
            self._counts(decimals, unit)
        except _NotUnderstoodError as error:
            return Meant(None, str(error))
        number = f"{sign}{whole}.{decimals}" if decimals else f"{sign}{whole}"
        return Meant(f"{number} {unit}".strip() if unit != COMPARATOR else number, of=of)

    def _number(self, groups: dict[str, str]) -> tuple[str, str, str]:
        """Sign, digits before the point and digits behind it."""
        number = groups.get("number", "").strip(" ").translate(_MINUS)
        digits = _DIGITS.fullmatch(number)
        if digits is None:
            raise _NotUnderstoodError(f"{number!r} is no number")
        own, whole, behind, alone = (found or "" for found in digits.groups())
        whole, behind = whole or "0", behind or alone
        if point := groups.get("point", ""):
            whole, behind = _placed(whole, behind, point, number)
        if sign := groups.get("sign", ""):
            if own:
                raise _NotUnderstoodError("it has two signs")
            return self._sign(sign), whole, behind
        return own, whole, behind

    def _sign(self, sign: str) -> str:
        for spelling in (sign, sign.strip() or " "):
            if spelling in self._profile.signs:
                return self._profile.signs[spelling]
        raise _NotUnderstoodError(f"the sign {sign!r} is not in the profile")

    def _unit(self, unit: str) -> str:
        """The unit as a person would type it."""
        text = unit.strip()
        if not text:
            if self._profile.unit is None:
                raise _NotUnderstoodError("it has no unit")
            return self._profile.unit
        meant = self._profile.units.get(unit) or self._profile.units.get(text, text)
        if not known_unit(meant, self._profile.dimension):
            raise _NotUnderstoodError(f"the unit {text!r} is not in the profile")
        return meant

    def _counts(self, decimals: str, unit: str) -> None:
        """A changed count of decimals is a changed unit or resolution of the instrument."""
        expected = self._profile.decimals
        if isinstance(expected, dict):
            if unit not in expected:
                raise _NotUnderstoodError(f"the profile says no number of decimals for {unit}")
            expected = expected[unit]
        if expected is not None and len(decimals) != expected:
            mend = "were unit or resolution changed at the instrument?"
            raise _NotUnderstoodError(f"it has {len(decimals)} decimals in place of {expected}: {mend}")

    def _of(self, channel: str | None) -> str:
        if channel is None:
            return self._profile.of if self._profile.dimension == "temperature" else ""
        of = self._profile.channels.get(channel) or self._profile.channels.get(channel.strip())
        if of is None:
            raise _NotUnderstoodError(f"the channel {channel!r} is not in the profile")
        return "" if of == COMPARATOR else of


def _placed(whole: str, behind: str, point: str, number: str) -> tuple[str, str]:
    """The digits with the point where a digit of the line puts it, counted from the right."""
    if behind or not re.fullmatch("[0-9]", point):
        raise _NotUnderstoodError(f"{number!r} with the place of the point {point!r} is no number")
    places = int(point)
    digits = whole.zfill(places + 1)
    return (digits[:-places], digits[-places:]) if places else (digits, "")
