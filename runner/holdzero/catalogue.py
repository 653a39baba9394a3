"""Loading plugins: entry points become declarations, or refusals that say why.

Built-ins first, then by name; each in its own try, so that no plugin can keep another or the tool
from starting. Nothing of a run is known here.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import inspect
import sys
import threading
import traceback
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import pluggy

from holdzero import hooks
from holdzero.errors import PluginRefusedError

__all__ = ["GROUP", "Catalogue", "Plugin", "Refusal", "load_catalogue"]

GROUP = "holdzero.plugins"
BUILT_IN = "holdzero_plugins."
_IMPORT_LIMIT_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plugin:
    """A plugin that was loaded: where it comes from, and what it declares."""

    name: str
    distribution: str
    version: str
    module: str
    file: str
    declares: tuple[str, ...]

    @property
    def digest(self) -> str:
        """SHA-256 of its source file; empty where it has none."""
        path = Path(self.file)
        return "sha256:" + hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A plugin that was not loaded, and why; `trace` for its author."""

    name: str
    distribution: str
    version: str
    reason: str
    trace: str = ""


@dataclass(slots=True)
class Catalogue:
    """All that plugins declare, by name."""

    checks: dict[str, tuple[Plugin, hooks.Check]] = field(default_factory=dict)
    sources: dict[str, tuple[Plugin, hooks.Source]] = field(default_factory=dict)
    writers: dict[str, tuple[Plugin, hooks.Writer]] = field(default_factory=dict)
    plugins: list[Plugin] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)

    @property
    def has_built_ins(self) -> bool:
        """Whether the built-in plugins are installed; without them hardly anything can be judged."""
        return any(plugin.module.startswith(BUILT_IN) for plugin in self.plugins)


def load_catalogue(entry_points: Iterable[importlib.metadata.EntryPoint] | None = None) -> Catalogue:
    """Load all plugins that are installed.

    Args:
        entry_points: to load in place of the installed ones.
    """
    points = importlib.metadata.entry_points(group=GROUP) if entry_points is None else entry_points
    catalogue = Catalogue()
    ordered = sorted(points, key=lambda point: (not point.value.startswith(BUILT_IN), point.name, point.value))
    for point in ordered:
        _load(point, catalogue)
    return catalogue


def _load(point: importlib.metadata.EntryPoint, catalogue: Catalogue) -> None:
    name = point.dist.name if point.dist else "unknown"
    version = point.dist.version if point.dist else "unknown"
    try:
        _name_is_free(point.name, catalogue)
        module = _import(point.value)
        declared = _declarations(point.name, module)
        plugin = Plugin(
            name=point.name,
            distribution=name,
            version=version,
            module=module.__name__,
            file=getattr(module, "__file__", None) or "",
            declares=tuple(f"{type(item).__name__.lower()} {item.name}" for item in declared),
        )
        _enter(catalogue, plugin, declared)
    except PluginRefusedError as error:
        catalogue.refusals.append(Refusal(name=point.name, distribution=name, version=version, reason=str(error)))
    except Exception as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
        reason = f"{type(error).__name__}: {error}"
        refusal = Refusal(
            name=point.name, distribution=name, version=version, reason=reason, trace=traceback.format_exc()
        )
        catalogue.refusals.append(refusal)


def _name_is_free(name: str, catalogue: Catalogue) -> None:
    if any(plugin.name == name for plugin in catalogue.plugins):
        raise PluginRefusedError("another plugin of this name was loaded before it; rename one")


def _import(name: str) -> ModuleType:
    """Import a module in a thread of its own, so that one that never returns can be given up."""
    if name.startswith(BUILT_IN) or name in sys.modules:
        return importlib.import_module(name)
    caught: list[ModuleType | BaseException] = []

    def work() -> None:
        try:
            caught.append(importlib.import_module(name))
        except BaseException as error:  # noqa: BLE001  even SystemExit must not end the tool
            caught.append(error)

    thread = threading.Thread(target=work, daemon=True, name=f"import {name}")
    thread.start()
    thread.join(_IMPORT_LIMIT_S)
    if not caught:
        raise PluginRefusedError(f"its import did not end within {_IMPORT_LIMIT_S:g} s")
    if isinstance(caught[0], Exception):
        raise caught[0]
    if isinstance(caught[0], BaseException):
        raise PluginRefusedError(f"its import raised {type(caught[0]).__name__}: {caught[0]}")
    return caught[0]


_HOOKS: dict[str, type[Any]] = {
    "holdzero_checks": hooks.Check,
    "holdzero_sources": hooks.Source,
    "holdzero_writers": hooks.Writer,
}


def _declarations(name: str, module: ModuleType) -> list[Any]:
    """Call the plugin's hooks and look at what they return."""
    manager = pluggy.PluginManager("holdzero")
    manager.add_hookspecs(hooks)
    try:
        manager.register(module, name)
        manager.check_pending()
    except pluggy.PluginValidationError as error:
        raise PluginRefusedError(str(error)) from None
    unknown = [word for word in vars(module) if word.startswith("holdzero_") and word not in _HOOKS]
    if unknown:
        raise PluginRefusedError(f"{unknown[0]} is no hook; the hooks are {', '.join(_HOOKS)}")
    declared: list[Any] = []
    for hook, kind in _HOOKS.items():
        for result in getattr(manager.hook, hook)():
            declared.extend(_of_kind(hook, kind, result))
    if not declared:
        raise PluginRefusedError(f"it declares nothing; mark a function {next(iter(_HOOKS))} with @hookimpl")
    return declared


def _of_kind(hook: str, kind: type[Any], result: object) -> Sequence[Any]:
    if not isinstance(result, Sequence) or isinstance(result, str):
        raise PluginRefusedError(f"{hook} returned {type(result).__name__}, not a list of {kind.__name__}")
    for item in result:
        if not isinstance(item, kind):
            raise PluginRefusedError(f"{hook} returned {type(item).__name__}, not {kind.__name__}")
        if not isinstance(item.name, str) or not item.name.isidentifier():
            raise PluginRefusedError(f"{hook}: {item.name!r} can't be a name; use letters, digits and _")
        if isinstance(item, hooks.Check):
            _check_is_whole(item)
    return result


def _check_is_whole(check: hooks.Check) -> None:
    settings: object = check.settings
    if not (inspect.isclass(settings) and issubclass(settings, hooks.Settings)):
        raise PluginRefusedError(f"check {check.name}: settings must be a class that derives from hooks.Settings")
    wanted: tuple[tuple[str, Callable[..., Any] | None, int], ...] = (
        ("watch", check.watch, 2),
        ("terms", check.terms, 3),
        ("judge", check.judge, 3),
    )
    for word, function, count in wanted:
        if function is None:
            continue
        try:
            inspect.signature(function).bind(*range(count))
        except (TypeError, ValueError):
            raise PluginRefusedError(f"check {check.name}: {word} must take {count} arguments") from None


def _enter(catalogue: Catalogue, plugin: Plugin, declared: Sequence[Any]) -> None:
    tables: dict[type[Any], dict[str, Any]] = {
        hooks.Check: catalogue.checks,
        hooks.Source: catalogue.sources,
        hooks.Writer: catalogue.writers,
    }
    for item in declared:
        if item.name in tables[type(item)]:
            other = tables[type(item)][item.name][0]
            raise PluginRefusedError(f"{type(item).__name__.lower()} {item.name} is declared by {other.name} already")
    for item in declared:
        tables[type(item)][item.name] = (plugin, item)
    catalogue.plugins.append(plugin)
