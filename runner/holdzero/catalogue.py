"""Loading plugins: entry points become declarations, or refusals that say why.

Built-ins first, then by name; each in its own try, so that no plugin can keep another or the tool
from starting. Nothing of a run is known here.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import inspect
import itertools
import threading
import traceback
from collections.abc import Callable, Container, Iterable, Sequence
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


def load_catalogue(
    entry_points: Iterable[importlib.metadata.EntryPoint] | None = None, *, needed: Container[str] | None = None
) -> Catalogue:
    """Load plugins that are installed.

    Args:
        entry_points: to load in place of the installed ones.
        needed: names of the built-in plugins that are wanted, so that a start need not wait for
            the others; None for all. A stranger's plugin is always loaded.
    """
    points = importlib.metadata.entry_points(group=GROUP) if entry_points is None else entry_points
    if needed is not None:
        points = [point for point in points if not point.value.startswith(BUILT_IN) or point.name in needed]
    ordered = sorted(points, key=lambda point: (not point.value.startswith(BUILT_IN), point.name, point.value))
    catalogue = Catalogue()
    loaded: list[tuple[Plugin, Sequence[Any]]] = []
    for point in ordered:
        made = _loaded(point)
        if isinstance(made, Refusal):
            catalogue.refusals.append(made)
        else:
            loaded.append(made)
    clashes = _clashes([plugin for plugin, _ in loaded])
    for plugin, declared in loaded:
        if plugin in clashes:
            catalogue.refusals.append(_refusal(plugin, clashes[plugin]))
        else:
            _enter(catalogue, plugin, declared)
    return catalogue


def _loaded(point: importlib.metadata.EntryPoint) -> tuple[Plugin, Sequence[Any]] | Refusal:
    name = point.dist.name if point.dist else "unknown"
    version = point.dist.version if point.dist else "unknown"
    try:
        module, declared = _within_limit(point)
    except PluginRefusedError as error:
        return Refusal(name=point.name, distribution=name, version=version, reason=str(error))
    except Exception as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
        trace = "".join(traceback.format_exception(error))
        reason = f"{type(error).__name__}: {error}"
        return Refusal(name=point.name, distribution=name, version=version, reason=reason, trace=trace)
    plugin = Plugin(
        name=point.name,
        distribution=name,
        version=version,
        module=module.__name__,
        file=getattr(module, "__file__", None) or "",
        declares=tuple(f"{type(item).__name__.lower()} {item.name}" for item in declared),
    )
    return plugin, declared


def _within_limit(point: importlib.metadata.EntryPoint) -> tuple[ModuleType, list[Any]]:
    """Import a plugin and call its hooks, in a thread of its own, so that one that never returns can be given up."""

    def work() -> tuple[ModuleType, list[Any]]:
        module = importlib.import_module(point.value)
        return module, _declarations(point.name, module)

    if point.value.startswith(BUILT_IN):
        return work()
    caught: list[tuple[ModuleType, list[Any]] | BaseException] = []

    def catch() -> None:
        try:
            caught.append(work())
        except BaseException as error:  # noqa: BLE001  even SystemExit must not end the tool
            caught.append(error)

    thread = threading.Thread(target=catch, daemon=True, name=f"plugin {point.name}")
    thread.start()
    thread.join(_IMPORT_LIMIT_S)
    if not caught:
        raise PluginRefusedError(f"it was not loaded within {_IMPORT_LIMIT_S:g} s")
    if isinstance(caught[0], tuple):
        return caught[0]
    if isinstance(caught[0], Exception):
        raise caught[0]
    raise PluginRefusedError(f"it raised {type(caught[0]).__name__} when it was loaded: {caught[0]}")


def _refusal(plugin: Plugin, reason: str) -> Refusal:
    return Refusal(name=plugin.name, distribution=plugin.distribution, version=plugin.version, reason=reason)


def _clashes(plugins: Sequence[Plugin]) -> dict[Plugin, str]:
    """Plugins that share a name or a declaration with another, and why they are refused.

    A built-in stands. Of two others none can be told to be the one that a routine means.
    """
    reasons: dict[Plugin, str] = {}
    for plugin, other in itertools.permutations(plugins, 2):
        shared = [word for word in plugin.declares if word in other.declares]
        if plugin in reasons or plugin.module.startswith(BUILT_IN) or not (shared or plugin.name == other.name):
            continue
        what = f"{shared[0]} is declared by" if shared else "its name is also that of"
        mend = "uninstall or rename one"
        reasons[plugin] = f"{what} {other.name} of {other.distribution} ({other.module}) too; {mend}"
    return reasons


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
    words = [(type(item), item.name) for item in declared]
    doubled = next((name for kind, name in words if words.count((kind, name)) > 1), None)
    if doubled is not None:
        raise PluginRefusedError(f"it declares {doubled} twice")
    if not declared:
        raise PluginRefusedError(f"it declares nothing; mark a function {next(iter(_HOOKS))} with @hookimpl")
    return declared


def _of_kind(hook: str, kind: type[Any], result: object) -> Sequence[Any]:
    if not isinstance(result, Sequence) or isinstance(result, str):
        raise PluginRefusedError(f"{hook} returned {type(result).__name__}, not a list of {kind.__name__}")
    for item in result:
        if type(item) is not kind:
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
        ("weigh", check.weigh, 3),
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
        tables[type(item)][item.name] = (plugin, item)
    catalogue.plugins.append(plugin)
