"""What a stranger's check is handed: copies of its own, looked at again when it is done.

Nothing that it does to them reaches a result. Who changed them meant to, or made a mistake; either is said.
"""

from __future__ import annotations

import dataclasses
import pickle
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, TypeVar

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
    return next(_differences(before, after, name), None)


def _plainly_equal(before: object, after: object) -> bool:
    """Whether the two call themselves equal; arrays of many runs can't say."""
    try:
        return bool(before == after)
    except Exception:  # noqa: BLE001  whatever was put there may raise anything
        return False


def _differences(before: object, after: object, name: str) -> Iterator[str]:
    """Places that differ, in order."""
    if before is after:
        return
    if type(before) is not type(after):
        yield name
    elif isinstance(before, BaseModel):
        yield from _in_mapping(vars(before), vars(after), name)
    elif isinstance(before, Mapping):
        yield from _in_mapping(before, after, name)
    elif isinstance(before, (tuple, list)):
        yield from _in_order(before, after, name)
    elif dataclasses.is_dataclass(before):
        of = [field.name for field in dataclasses.fields(before)]
        then, now = ({key: getattr(thing, key, None) for key in of} for thing in (before, after))
        yield from _in_mapping(then, now, name)
    elif not _same(before, after):
        yield name


def _same(before: object, after: object) -> bool:
    """Whether two that have no parts are the same."""
    if isinstance(before, np.ndarray):
        return _same_array(before, after)
    return _plainly_equal(before, after) or (before != before and after != after)  # noqa: PLR0124  not a number


def _same_array(before: np.ndarray[tuple[int, ...], np.dtype[np.float64]], after: object) -> bool:
    # One that is shared was not changed: nobody could write into it.
    return isinstance(after, np.ndarray) and not after.flags.writeable and np.array_equal(before, after, equal_nan=True)


def _in_mapping(before: Mapping[Any, Any], after: object, name: str) -> Iterator[str]:
    if not isinstance(after, Mapping) or before.keys() != after.keys():
        yield name
        return
    for key, item in before.items():
        yield from _differences(item, after[key], f"{name}.{key}")


def _in_order(before: tuple[object, ...] | list[object], after: object, name: str) -> Iterator[str]:
    if not isinstance(after, (tuple, list)) or len(before) != len(after):
        yield name
        return
    for index, (one, other) in enumerate(zip(before, after, strict=True)):
        yield from _differences(one, other, f"{name}[{index}]")
