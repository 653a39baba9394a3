"""What a stranger's check is handed: copies of its own, looked at again when it is done.

Nothing that it does to them reaches a result. Who changed them meant to, or made a mistake; either is said.
"""

from __future__ import annotations

import dataclasses
import pickle
from abc import ABCMeta
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Any, TypeAlias, TypeVar

import numpy as np
from pydantic import BaseModel

from holdzero.errors import HoldzeroError
from holdzero.hooks import CharacteristicView, RunView, Settings
from holdzero.untouched import Untouched

__all__ = ["ChangedError", "Handed", "copied", "handed_copies", "unchanged", "where_changed"]

T = TypeVar("T")


class ChangedError(HoldzeroError):
    """A plugin changed what it was handed, or the tool."""


@dataclass(frozen=True, slots=True)
class Handed:
    """What a check is called with.

    Attributes:
        settings: its own.
        view: of the run.
        seen: characteristics of it.
    """

    settings: Settings
    view: RunView
    seen: tuple[CharacteristicView, ...]


@contextmanager
def handed_copies(given: Handed, tool: Untouched | None) -> Iterator[Handed]:
    """Copies to hand out while the block goes on; arrays are shared, and can only be read.

    Args:
        given: what is copied.
        tool: as it was before; None where nobody looks.

    Raises:
        ChangedError: at the end: a copy, or the tool, is not as it was. The tool is put back.
    """
    # Views anew, without what they have worked out so far: that is a copy's own to work out.
    view = replace(given.view, materials=dict(given.view.materials))
    plain = (view, tuple(replace(one) for one in given.seen))
    own = Handed(given.settings.model_copy(deep=True), *copied(plain))
    try:
        yield own
    finally:
        unchanged(
            tool,
            ("run", plain[0], own.view),
            ("characteristics", plain[1], own.seen),
            ("settings", given.settings, own.settings),
        )


def unchanged(tool: Untouched | None, *pairs: tuple[str, object, object]) -> None:
    """Make sure that things and the tool are as they were.

    Args:
        tool: as it was before; it is put back.
        pairs: what a thing is called, the thing, and the copy that was handed out.

    Raises:
        ChangedError: one is not.
    """
    changed = tool.put_back() if tool is not None else []
    if changed:
        # How many more were changed depends on what was imported by then: a verification would differ.
        raise ChangedError(f"it put something else in the place of {changed[0]}; that was put back")
    for name, before, after in pairs:
        if (where := where_changed(before, after, name)) is not None:
            raise ChangedError(f"it changed what it was handed ({where}); that was a copy, and nothing came of it")


def copied(thing: T) -> T:
    """A copy down to the last part, of which arrays can only be read."""
    buffers: list[pickle.PickleBuffer] = []
    text = pickle.dumps(thing, protocol=5, buffer_callback=buffers.append)
    # Made here a moment ago, of our own objects.
    own: T = pickle.loads(text, buffers=[buffer.raw().toreadonly() for buffer in buffers])  # noqa: S301
    return own


def where_changed(before: object, after: object, name: str) -> str | None:
    """Where a copy is not what it was made of, in words; None where it is.

    Args:
        before: what it was made of.
        after: the copy.
        name: what it is called.
    """
    # Never by what the two say of themselves: what was put there may call itself equal to anything.
    place = _place(before, after)
    return None if place is None else name + place


def _place(before: object, after: object) -> str | None:
    """Where within the two they differ first, as `.key[0]`; None where they do not.

    It is asked of every part of a run at every call of a check, nearly always in vain: a name is made on the way back.
    """
    if before is after:
        return None
    kind = type(before)
    return _way(kind)(before, after) if kind is type(after) else ""


Way: TypeAlias = Callable[[Any, Any], str | None]
"""How two things of one type are compared."""


def _way(kind: type) -> Way:
    meta = type(kind)
    # A class of another kind may call itself equal to any other.
    return _known_way(kind) if meta is type or meta is ABCMeta or meta is _MODEL else _way_of(kind)


def _way_of(kind: type) -> Way:
    """How things of a type are compared: by their parts, where they have any."""
    if issubclass(kind, BaseModel):
        return _in_model
    if issubclass(kind, Mapping):
        return _in_mapping
    if issubclass(kind, (tuple, list)):
        return _in_order
    if dataclasses.is_dataclass(kind):
        return partial(_in_fields, [field.name for field in dataclasses.fields(kind)])
    return _in_array if issubclass(kind, np.ndarray) else _in_itself


_known_way = cache(_way_of)
_MODEL = type(BaseModel)
_NOTHING = object()


def _in_itself(before: object, after: object) -> str | None:
    """Of two that have no parts."""
    return None if _plainly_equal(before, after) or (before != before and after != after) else ""  # noqa: PLR0124  NaN


def _plainly_equal(before: object, after: object) -> bool:
    """Whether the two call themselves equal."""
    try:
        return bool(before == after)
    except Exception:  # noqa: BLE001  whatever was put there may raise anything
        return False


def _in_array(before: np.ndarray[tuple[int, ...], np.dtype[np.float64]], after: np.ndarray[Any, Any]) -> str | None:
    # One that is shared was not changed: nobody could write into it.
    return None if not after.flags.writeable and np.array_equal(before, after, equal_nan=True) else ""


def _in_model(before: BaseModel, after: BaseModel) -> str | None:
    return _in_mapping(vars(before), vars(after))


def _in_fields(names: list[str], before: object, after: object) -> str | None:
    for name in names:
        place = _place(getattr(before, name, _NOTHING), getattr(after, name, _NOTHING))
        if place is not None:
            return f".{name}{place}"
    return None


def _in_mapping(before: Mapping[Any, Any], after: Mapping[Any, Any]) -> str | None:
    if before.keys() != after.keys():
        return ""
    for key, item in before.items():
        place = _place(item, after[key])
        if place is not None:
            return f".{key}{place}"
    return None


def _in_order(before: Sequence[object], after: Sequence[object]) -> str | None:
    if len(before) != len(after):
        return ""
    for index, (one, other) in enumerate(zip(before, after, strict=True)):
        place = _place(one, other)
        if place is not None:
            return f"[{index}]{place}"
    return None
