"""Names of units that the trade says and writes, for readings. Common practice, no source."""

from __future__ import annotations

from collections.abc import Sequence

from holdzero.hooks import UnitAlias, hookimpl

# Only words that mean one thing in every shop: a "tenth" or a "mil" does not.
_WORDS = (
    ("micron", "1 um", "a micrometre"),
    ("microns", "1 um", "micrometres"),
    ("microinch", "1 uin", "a millionth of an inch"),
    ("microinches", "1 uin", "millionths of an inch"),
    ("millionths", "1 uin", "millionths of an inch"),
    ("inch", "1 in", "an inch"),
    ("inches", "1 in", "inches"),
)


@hookimpl
def holdzero_units() -> Sequence[UnitAlias]:
    """The words."""
    return [UnitAlias(name=name, worth=worth, title=title) for name, worth, title in _WORDS]
