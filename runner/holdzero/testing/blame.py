"""What an exception of a plugin's own code tells its author: where it was raised, what is there, what to mend."""

from __future__ import annotations

import dataclasses
import difflib
import traceback
from collections.abc import Container
from pathlib import Path

__all__ = ["found_of", "mend_of"]

_ABSENT = "a run can be abandoned at any moment: look whether what is needed is there, and say nothing if not"
_OWN = str(Path(__file__).parents[1])
# As repr and str write the type of None.
_NOTHING = "NoneType"


def found_of(error: BaseException, files: Container[str] = ()) -> str:
    """The exception in a line: type, words, file and line; of an unknown attribute, those that exist.

    Args:
        error: raised by what a plugin declares, or on its behalf.
        files: of the plugin's own code; the last line there is named, or the last outside holdzero.
    """
    words = f"{type(error).__name__}: {error}"
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if frame.filename in files]
    own = own or [frame for frame in frames if not frame.filename.startswith(_OWN)]
    place = f" ({Path(own[-1].filename).name}, line {own[-1].lineno})" if own else ""
    return f"{words}{place}{_instead(error)}"


def mend_of(error: BaseException) -> str:
    """What to do about an exception that a check raised at some moment of a run."""
    if _of_nothing(error):
        return _ABSENT
    match error:
        case AttributeError():
            required = type(error.obj).__name__.startswith("Required")
            more = "; a device that is only required is in the view itself, once it is chosen" if required else ""
            return f"use one of the attributes that exist{more}"
        case NameError():
            return "define the name, import it, or mend its spelling"
        case TypeError():
            return "pass what the function takes, and use each value as what it is"
        case KeyError():
            return "look whether the key is there (in, .get): what was not read or chosen yet has none"
        case _:
            return _ABSENT


def _of_nothing(error: BaseException) -> bool:
    """Whether something was None that is there at other moments."""
    if isinstance(error, AttributeError):
        return error.obj is None
    return isinstance(error, TypeError) and _NOTHING in str(error)


def _instead(error: BaseException) -> str:
    """The attributes that exist, the likeliest first."""
    if not isinstance(error, AttributeError) or error.obj is None:
        return ""
    there = _attributes(error.obj)
    close = difflib.get_close_matches(error.name or "", there, 1)
    names = ", ".join(dict.fromkeys((*close, *there)))
    return f"; {type(error.obj).__name__} has: {names}" if there else ""


def _attributes(thing: object) -> list[str]:
    """Fields first, then what else is public; of a model, its keys and what it adds to them."""
    kind = type(thing)
    fields = getattr(kind, "model_fields", None)
    if fields is not None:
        added = (name for base in kind.__mro__ if "holdzero" in base.__module__ for name in vars(base))
        return [*fields, *sorted({name for name in added if _public(name)} - set(fields))]
    known = [field.name for field in dataclasses.fields(kind)] if dataclasses.is_dataclass(kind) else []
    return [*known, *(name for name in dir(thing) if _public(name) and name not in known)]


def _public(name: str) -> bool:
    return not name.startswith(("_", "model_"))
