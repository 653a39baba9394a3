"""Have modules of the tool loaded with another syntax tree than their files hold."""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable, Sequence
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder, SourceFileLoader
from types import CodeType, ModuleType

from tests.mutants.make import tree_of

__all__ = ["EARLY", "load_changed"]

EARLY = "loaded before it could be changed"

Change = Callable[[str], ast.Module]


def load_changed(change: Callable[[str, ast.Module], ast.Module], modules: Sequence[str]) -> None:
    """From now on these modules are loaded with their trees changed; none of them may have been loaded before.

    Args:
        change: gives the tree of a module, from its name and the tree of its file.
        modules: their names.
    """
    early = [name for name in modules if name in sys.modules]
    if early:
        raise RuntimeError(f"{EARLY}: {', '.join(early)}")
    sys.meta_path.insert(0, _Finder(lambda name: change(name, tree_of(name)), frozenset(modules)))


class _Finder(MetaPathFinder):
    def __init__(self, change: Change, modules: frozenset[str]) -> None:
        self._change = change
        self._modules = modules

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname not in self._modules:
            return None
        spec = PathFinder.find_spec(fullname, path, target)
        if spec is not None and spec.origin is not None:
            spec.loader = _Loader(fullname, spec.origin, self._change)
        return spec


class _Loader(SourceFileLoader):
    """Compiles the changed tree each time: what is kept of a module on disk is never that of a changed one."""

    def __init__(self, fullname: str, path: str, change: Change) -> None:
        super().__init__(fullname, path)
        self._change = change

    def get_code(self, fullname: str) -> CodeType:
        return compile(self._change(fullname), self.get_filename(fullname), "exec", dont_inherit=True)
