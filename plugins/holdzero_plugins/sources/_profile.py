"""A profile: how the lines of one kind of instrument look. The keys, and the usual line."""

from __future__ import annotations

import difflib
import re
import warnings
from functools import cache
from typing import Annotated, Literal, TypeAlias

from pydantic import BeforeValidator, Field, StringConstraints, TypeAdapter, ValidationError

from holdzero.hooks import Length, Settings, Size, Temperature, Time, refuse
from holdzero_plugins.sources._lines import Terminator
from holdzero_plugins.sources._pattern import Pattern, PatternError

__all__ = ["COMPARATOR", "GROUPS", "Profile", "Still", "brief", "known_unit", "usual"]

GROUPS = ("number", "sign", "unit", "channel", "error", "point")
"""Named groups that a pattern may have."""

COMPARATOR = "comparator"
"""The unit of a line that says none and means the comparator's; the channel that is the comparator."""

_USUAL = r"[ ]*(?P<sign>[+-]?)[ ]*(?P<number>[0-9]+\.?[0-9]*|\.[0-9]+)[ ]*(?P<unit>um|µm|μm|mm|in|)[ ]*"


def brief(raw: object) -> str:
    """A value as messages show it: one line, and not too long."""
    text = repr(raw)
    return text if len(text) <= _LINE else f"{text[: _LINE - 1]}…"


_LINE = 80


def _pattern(raw: object) -> object:
    if not isinstance(raw, str):
        raise refuse(brief(raw), "a regular expression as text", "put it in single quotation marks")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # what Python warns of is nothing that somebody meant
            groups = re.compile(raw).groupindex
            Pattern(raw)
    except PatternError as error:
        raise refuse(brief(raw), "a pattern that a line can be held against in bounded time", str(error)) from None
    except (re.error, RecursionError, OverflowError, Warning) as error:
        raise refuse(brief(raw), "a regular expression", f"mend it: {error}") from None
    if "number" not in groups:
        raise refuse(brief(raw), "the group (?P<number>…)", "name the digits: (?P<number>[0-9]+\\.[0-9]+)")
    if unknown := [name for name in groups if name not in GROUPS]:
        close = difflib.get_close_matches(unknown[0], GROUPS, 1)
        mend = f"did you mean {close[0]}?" if close else "leave its name out: (?:…)"
        raise refuse(f"the group {unknown[0]}", f"groups among {', '.join(GROUPS)}", mend)
    return raw


def _one(raw: object) -> object:
    if type(raw) is not int or raw != 1:
        raise refuse(brief(raw), "format = 1", "this version of holdzero reads format 1")
    return raw


def _no_truth(raw: object) -> object:
    # True equals 1, and is no number of anything.
    if isinstance(raw, bool):
        raise refuse(brief(raw), "a whole number", "write the number")
    return raw


_Format: TypeAlias = Annotated[Literal[1], BeforeValidator(_one)]
_Words: TypeAlias = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
_Places: TypeAlias = Annotated[int, Field(strict=True, ge=0, le=9)]
_Hangs: TypeAlias = Literal["part", "reference", "plate", "air"]


class Still(Settings):
    """When the value of a stream stands still."""

    number: Annotated[int, Field(strict=True, ge=2, le=1000)] = Field(5, description="Lines in a row that must agree.")
    within: Size = Field(0.5, description="How near they must be, largest less smallest.")


class Profile(Settings):
    """How an instrument's lines look. What may be left out has the value that most instruments have."""

    format: _Format = Field(description="Always 1.")
    title: _Words = Field(description="What kind of instrument it is, in a few words.")
    pattern: Annotated[str, BeforeValidator(_pattern)] = Field(
        description="A regular expression that matches the whole line without its terminator, with named groups."
    )
    dimension: Literal["length", "temperature"] = Field("length", description="What the number is.")
    unit: str | None = Field(
        None, description="Unit of a line that says none; `comparator` for that of the routine's comparator."
    )
    units: dict[str, str] = Field({}, description="What a unit in a line means, where it is not our spelling.")
    decimals: _Places | dict[str, _Places] | None = Field(
        None, description="How many decimals a line must have; a table where it depends on the unit."
    )
    signs: dict[str, Literal["+", "-"]] = Field(
        {"+": "+", "-": "-", " ": "+"}, description="What a sign in a line means. None at all is a plus."
    )
    errors: dict[str, _Words] = Field({}, description="What an error in a line means, in words.")
    channels: dict[str, Literal["part", "reference", "plate", "air", "comparator"]] = Field(
        {}, description="What hangs on a channel."
    )
    of: _Hangs = Field("part", description="Of a thermometer without channels: what it hangs on.")
    terminator: Terminator = Field(Terminator.EITHER, description="How a line ends.")
    encoding: Literal["ascii", "latin-1", "utf-8"] = Field("ascii", description="Of the text.")
    baud: Annotated[int, Field(strict=True, ge=50, le=4_000_000)] = Field(9600, description="Bits in a second.")
    bits: Literal[5, 6, 7, 8] = Field(8, description="Data bits.")
    parity: Literal["none", "even", "odd", "mark", "space"] = Field("none", description="Parity.")
    stop: Annotated[Literal[1, 2], BeforeValidator(_no_truth)] = Field(1, description="Stop bits.")
    dtr: bool = Field(True, strict=True, description="Whether the line DTR is on, which some cables live on.")
    rts: bool = Field(True, strict=True, description="Whether the line RTS is on, which some cables live on.")
    sends: Literal["press", "stream", "asked"] = Field("press", description="When it sends a line.")
    request: str = Field("", description="What asks for a line, where it sends when it is asked.")
    every: Time = Field(0.2, description="How often it is asked at the most. Left out: 0.2 s.")
    still: Still = Field(Still(), description="When a streamed value stands still. Left out: 5 within 0.5 um.")
    double: Time = Field(0.4, description="The same line again within this time is one press. Left out: 0.4 s.")
    silent: Time | None = Field(None, description="A stream without a line for so long is silent. Left out: 2 s.")
    idle: Time = Field(0.5, description="A line that stops in its middle for longer is broken. Left out: 0.5 s.")

    @property
    def silent_s(self) -> float:
        """Time without a line after which it is silent [s]; 0 where silence is usual."""
        if self.sends == "press":
            return 0.0
        return _SILENT_S if self.silent is None else self.silent


_SILENT_S = 2.0


@cache
def usual() -> Profile:
    """Taken where no profile is named: `+0.012`, `-1.25 um`, `0.0123 mm`; 9600 baud, 8 bits, no parity, 1 stop bit."""
    title = "the usual line: sign, number, unit"
    return Profile(format=1, title=title, pattern=_USUAL, unit=COMPARATOR, encoding="utf-8")


@cache
def _kind(dimension: str) -> TypeAdapter[float]:
    return TypeAdapter({"length": Length, "temperature": Temperature}[dimension])


def known_unit(unit: str, dimension: str) -> bool:
    """Whether a text is a unit of a dimension, as a person would type it."""
    if not unit.strip():
        return False
    try:
        _kind(dimension).validate_python(f"1 {unit}")
    except ValidationError:
        return False
    return True
