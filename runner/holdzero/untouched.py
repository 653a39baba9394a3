"""Whether somebody's code changed the tool itself: its modules and classes in memory, and what stands in them.

It sees what was put in another's place, or beside it, while a plugin was called, and puts it back. It can't see all:
whoever runs in the same process can change the libraries beneath, or this.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from functools import cached_property, partial
from itertools import chain
from operator import attrgetter, call, is_, itemgetter
from types import FunctionType, ModuleType
from typing import Any

__all__ = ["Untouched"]

_OWN = ("holdzero", "holdzero_plugins")
_CODE = attrgetter("__code__", "__defaults__", "__kwdefaults__")
# pydantic and Python itself write these when somebody asks for them.
_BUILT_LATE = "__pydantic_"
_KEPT = frozenset({"__annotations__", "__warningregistry__", "__signature__", "__slotnames__", "__dict__"})


@dataclass(frozen=True, slots=True)
class _Owner:
    """A module, a class, a member of an enumeration or a dict, and what stands in it by name."""

    name: str
    there: Mapping[str, Any]
    put: Callable[[str, Any], None]
    take_out: Callable[[str], None]
    names: tuple[str, ...]
    parts: tuple[object, ...]

    def put_back(self) -> Iterator[str]:
        """Put what stood there where it stood; the names of what did not."""
        there = self.there
        for name, part in zip(self.names, self.parts, strict=True):
            if name not in there or there[name] is not part:
                self.put(name, part)
                yield f"{self.name}.{name}"
        for name in [name for name in there if name not in self.names and not _comes_by_itself(self, name)]:
            self.take_out(name)
            yield f"{self.name}.{name}"


class _Owners:
    """All of them, looked through at once: in nearly all nothing was changed, and no line of Python is run for each."""

    def __init__(self, owners: Iterable[_Owner]) -> None:
        self._all = tuple(owners)
        self._there = [owner.there for owner in self._all]
        self._counts = list(map(len, self._there))
        named = [owner for owner in self._all if owner.names]
        self._where_named = [owner.there for owner in named]
        # The first name twice, so that it gives a tuple where there is one alone.
        self._getters = [itemgetter(owner.names[0], *owner.names) for owner in named]
        self._parts = [part for owner in named for part in (owner.parts[0], *owner.parts)]

    def put_back(self) -> Iterator[str]:
        """Put what stood there where it stood; the names of what did not."""
        counts = list(map(len, self._there))
        if not self._all_there():
            looked_at: Iterable[_Owner] = self._all
        elif counts != self._counts:  # something came besides: by itself, most often
            looked_at = [one for one, now, then in zip(self._all, counts, self._counts, strict=True) if now != then]
        else:
            return
        for owner in looked_at:
            yield from owner.put_back()

    def _all_there(self) -> bool:
        """Whether what stood there stands there."""
        try:
            found = chain.from_iterable(map(call, self._getters, self._where_named))
            return all(map(is_, found, self._parts))
        except KeyError:
            return False


@dataclass(frozen=True, slots=True)
class Untouched:
    """The tool as it was before somebody's code was called."""

    _modules: dict[str, ModuleType]
    _owners: _Owners
    _functions: tuple[FunctionType, ...]
    _codes: tuple[tuple[Any, ...], ...]

    @classmethod
    def now(cls) -> Untouched:
        """The tool as it is now."""
        modules = {name: module for name, module in list(sys.modules.items()) if name.partition(".")[0] in _OWN}
        owners: list[_Owner] = []
        functions: list[FunctionType] = []
        for module_name, module in modules.items():
            owners.append(_owner(module))
            owners.extend(_dicts(module))
            for item in list(vars(module).values()):
                if getattr(item, "__module__", None) != module_name:
                    continue
                functions.extend(_functions_of(item))
                if isinstance(item, type):
                    owners.extend((_owner(item), *_dicts(item), *_members(item)))
                    functions.extend(f for member in list(vars(item).values()) for f in _functions_of(member))
        return cls(modules, _Owners(owners), tuple(functions), tuple(map(_CODE, functions)))

    def put_back(self) -> list[str]:
        """Put back what was changed since.

        Returns:
            Names of what was changed, in order; empty where nothing was.
        """
        changed = [name for name, module in self._modules.items() if sys.modules.get(name) is not module]
        sys.modules.update({name: self._modules[name] for name in changed})
        changed.extend(self._owners.put_back())
        if tuple(map(_CODE, self._functions)) == self._codes:
            return changed
        for function, before in zip(self._functions, self._codes, strict=True):
            if _CODE(function) != before:
                function.__code__, function.__defaults__, function.__kwdefaults__ = before
                changed.append(f"{function.__module__}.{function.__qualname__}")
        return changed


def _comes_by_itself(owner: _Owner, name: str) -> bool:
    """Whether a name comes with nobody's doing, as a module that is imported stands in its package."""
    item = owner.there[name]
    return (
        name in _KEPT
        or name.startswith(_BUILT_LATE)
        or (isinstance(item, ModuleType) and item.__name__ == f"{owner.name}.{name}")
    )


def _owner(owner: ModuleType | type) -> _Owner:
    name = owner.__name__ if isinstance(owner, ModuleType) else f"{owner.__module__}.{owner.__qualname__}"
    late = not vars(owner).get("__pydantic_complete__")
    parts = {
        key: part for key, part in vars(owner).items() if not (key in _KEPT or (late and key.startswith(_BUILT_LATE)))
    }
    put, take_out = (type.__setattr__, type.__delattr__) if isinstance(owner, type) else (setattr, delattr)
    names, held = tuple(parts), vars(owner)
    return _Owner(name, held, partial(put, owner), partial(take_out, owner), names, tuple(parts.values()))


def _members(kind: type) -> Iterator[_Owner]:
    """The members of an enumeration: what they are worth can be written over."""
    for member in kind.__members__.values() if issubclass(kind, Enum) else ():
        yield _held(f"{kind.__module__}.{kind.__qualname__}.{member.name}", vars(member))


def _dicts(owner: ModuleType | type) -> Iterator[_Owner]:
    """The tables of a module or class, by name."""
    for key, held in list(vars(owner).items()):
        if type(held) is dict and not key.startswith("__"):
            yield _held(f"{owner.__name__}.{key}", held)


def _held(name: str, held: dict[str, Any]) -> _Owner:
    return _Owner(name, held, held.__setitem__, held.__delitem__, tuple(held), tuple(held.values()))


def _functions_of(item: object) -> Iterable[FunctionType]:
    """The functions in what a class or module holds under one name."""
    if isinstance(item, property):
        found: tuple[object, ...] = (item.fget, item.fset)
    elif isinstance(item, cached_property):
        found = (item.func,)
    else:
        found = (item, getattr(item, "__func__", None), getattr(item, "__wrapped__", None))
    return [one for one in found if isinstance(one, FunctionType)]
