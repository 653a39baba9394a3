"""Whether somebody's code changed the tool itself: its functions and classes, as they are in memory.

It sees what was put in another's place while a plugin was called, and puts it back. It can't see all: whoever runs
in the same process can change the libraries beneath, or this.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from operator import attrgetter, is_
from types import FunctionType, ModuleType
from typing import Any

__all__ = ["Untouched"]

_OWN = "holdzero"
_KINDS = (FunctionType, property, classmethod, staticmethod)
_CODE = attrgetter("__code__", "__defaults__", "__kwdefaults__")


@dataclass(frozen=True, slots=True)
class _Owner:
    """A module or class, and what stands in it by name."""

    owner: ModuleType | type
    names: tuple[str, ...]
    parts: tuple[object, ...]

    def put_back(self) -> Iterator[str]:
        """Put what stood there where it stood; the names of what did not."""
        there = vars(self.owner)
        # Of nearly all owners nothing was changed: one pass without a line of Python for each name.
        if all(map(is_, map(there.get, self.names), self.parts)):
            return
        for name, part in zip(self.names, self.parts, strict=True):
            if there.get(name) is not part:
                setattr(self.owner, name, part)
                yield f"{_name_of(self.owner)}.{name}"


@dataclass(frozen=True, slots=True)
class Untouched:
    """The tool as it was before somebody's code was called."""

    _modules: dict[str, ModuleType]
    _owners: tuple[_Owner, ...]
    _functions: tuple[FunctionType, ...]
    _codes: tuple[tuple[Any, ...], ...]

    @classmethod
    def now(cls) -> Untouched:
        """The tool as it is now."""
        modules = {name: module for name, module in list(sys.modules.items()) if name.partition(".")[0] == _OWN}
        owners: list[_Owner] = []
        functions: list[FunctionType] = []
        for module_name, module in modules.items():
            found = {name: item for name, item in vars(module).items() if isinstance(item, (FunctionType, type))}
            owners.append(_owner(module, found))
            for item in found.values():
                if item.__module__ != module_name:
                    continue
                if isinstance(item, FunctionType):
                    functions.append(item)
                    continue
                members = {name: member for name, member in vars(item).items() if isinstance(member, _KINDS)}
                owners.append(_owner(item, members))
                functions.extend(member for member in members.values() if isinstance(member, FunctionType))
        return cls(modules, tuple(owners), tuple(functions), tuple(map(_CODE, functions)))

    def put_back(self) -> list[str]:
        """Put back what was changed since.

        Returns:
            Names of what was changed, in order; empty where nothing was.
        """
        changed = [name for name, module in self._modules.items() if sys.modules.get(name) is not module]
        sys.modules.update({name: self._modules[name] for name in changed})
        for owner in self._owners:
            changed.extend(owner.put_back())
        for function, before in zip(self._functions, self._codes, strict=True):
            if _CODE(function) != before:
                function.__code__, function.__defaults__, function.__kwdefaults__ = before
                changed.append(f"{function.__module__}.{function.__qualname__}")
        return changed


def _owner(owner: ModuleType | type, parts: dict[str, Any]) -> _Owner:
    return _Owner(owner, tuple(parts), tuple(parts.values()))


def _name_of(owner: ModuleType | type) -> str:
    return owner.__name__ if isinstance(owner, ModuleType) else f"{owner.__module__}.{owner.__qualname__}"
