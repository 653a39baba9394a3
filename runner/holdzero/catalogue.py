"""Loading plugins: installed ones and those of a house folder become declarations, or refusals that say why.

Built-ins first, then by name; each in its own try, so that no plugin can keep another or the tool
from starting. Nothing of a run is known here.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import importlib.util
import itertools
import re
import sys
import traceback
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

from holdzero import hooks
from holdzero.declared import declarations
from holdzero.errors import PluginRefusedError
from holdzero.patience import GivenUpError, named, within
from holdzero.untouched import Untouched

__all__ = [
    "GIVEN",
    "GROUP",
    "HOUSE",
    "IMPORT_LIMIT_S",
    "Catalogue",
    "House",
    "Plugin",
    "Refusal",
    "digest_of",
    "load_catalogue",
]

GROUP = "holdzero.plugins"
BUILT_IN = "holdzero_plugins."
HOUSE = "house folder"
GIVEN = "given"
IMPORT_LIMIT_S = 10.0


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
    def built_in(self) -> bool:
        """Whether it comes with the tool."""
        return self.module.startswith(BUILT_IN)

    @property
    def digest(self) -> str:
        """SHA-256 of what it is made of: its file, or all files of the package that it is in."""
        if not self.file or not Path(self.file).is_file():
            return ""
        depth = self.module.count(".")
        return digest_of(Path(self.file) if depth == 0 else Path(self.file).parents[depth - 1])


_NO_SOURCE = frozenset({".pyc", ".pyo"})


@cache
def digest_of(path: Path) -> str:
    """Of a file, or of the names and contents of all files in a folder."""
    if path.is_file():
        return "sha256:" + hashlib.sha256(path.read_bytes()).hexdigest()
    digest = hashlib.sha256()
    for item in sorted(path.rglob("*")):
        if item.is_file() and item.suffix not in _NO_SOURCE:
            digest.update(item.relative_to(path).as_posix().encode())
            digest.update(hashlib.sha256(item.read_bytes()).digest())
    return "sha256:" + digest.hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """What the shop says of plugins.

    Attributes:
        folder: with single files; None where the shop has none.
        enabled: names of the files in it that are plugins, without `.py`.
        off: names of plugins that are not to be loaded, wherever they come from.
        trusted: whether the user named the settings that say so. Settings that merely lie in the
            current folder must not run code.
    """

    folder: Path | None = None
    enabled: tuple[str, ...] = ()
    off: tuple[str, ...] = ()
    trusted: bool = True


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
    """All that plugins declare, by name; built-in plugins may still wait until they are asked for."""

    steps: dict[str, tuple[Plugin, hooks.StepKind]] = field(default_factory=dict)
    contrasts: dict[str, tuple[Plugin, hooks.Contrast]] = field(default_factory=dict)
    checks: dict[str, tuple[Plugin, hooks.Check]] = field(default_factory=dict)
    sources: dict[str, tuple[Plugin, hooks.Source]] = field(default_factory=dict)
    writers: dict[str, tuple[Plugin, hooks.Writer]] = field(default_factory=dict)
    materials: dict[str, tuple[Plugin, hooks.Material]] = field(default_factory=dict)
    rules: dict[str, tuple[Plugin, hooks.GuardRule]] = field(default_factory=dict)
    units: dict[str, tuple[Plugin, hooks.UnitAlias]] = field(default_factory=dict)
    plugins: list[Plugin] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    _waiting: dict[str, importlib.metadata.EntryPoint] = field(default_factory=dict)

    @property
    def has_built_ins(self) -> bool:
        """Whether the built-in plugins are installed; without them hardly anything can be judged."""
        return bool(self._waiting) or any(plugin.built_in for plugin in self.plugins)

    def want(self, *names: str) -> None:
        """Load the built-in plugins of these names, if they wait; each is named after what it declares."""
        for name in names:
            if (point := self._waiting.pop(name, None)) is not None:
                made = _of_point(point)
                if isinstance(made, Refusal):
                    self.refusals.append(made)
                else:
                    self._enter(*made)

    def want_all(self) -> None:
        """Load all built-in plugins that still wait."""
        self.want(*self._waiting)

    def _enter(self, plugin: Plugin, declared: Sequence[Any]) -> None:
        tables: dict[type[Any], dict[str, Any]] = {
            hooks.StepKind: self.steps,
            hooks.Contrast: self.contrasts,
            hooks.Check: self.checks,
            hooks.Source: self.sources,
            hooks.Writer: self.writers,
            hooks.Material: self.materials,
            hooks.GuardRule: self.rules,
            hooks.UnitAlias: self.units,
        }
        for item in declared:
            tables[type(item)][item.name] = (plugin, item)
        self.plugins.append(plugin)


Loaded = tuple[Plugin, Sequence[Any]]
_NO_HOUSE = House()


def load_catalogue(
    entry_points: Iterable[importlib.metadata.EntryPoint] | None = None,
    *,
    house: House = _NO_HOUSE,
    modules: Iterable[ModuleType] = (),
    lazily: bool = False,
    built_in: bool = False,
) -> Catalogue:
    """Load plugins that are installed, and those of the house.

    Args:
        entry_points: to load in place of the installed ones.
        house: what the shop says of plugins.
        modules: imported already, taken as strangers' plugins are.
        lazily: whether built-in plugins wait until they are asked for, so that a start need not wait
            for them. A stranger's plugin is always loaded.
        built_in: whether of the entry points only those of built-in plugins are loaded.
    """
    points = importlib.metadata.entry_points(group=GROUP) if entry_points is None else entry_points
    if built_in:
        points = [point for point in points if point.value.startswith(BUILT_IN)]
    catalogue = Catalogue()
    made: list[Loaded | Refusal] = []
    waiting: list[importlib.metadata.EntryPoint] = []
    others: list[importlib.metadata.EntryPoint] = []
    for point in sorted(points, key=lambda point: (point.name, point.value)):
        if point.name in house.off:
            catalogue.refusals.append(_off(point.name, *_origin(point)))
        elif point.value.startswith(BUILT_IN):
            waiting.append(point)
        else:
            others.append(point)
    # What a built-in declares is known by loading it: a clash can only be seen then. And what is loaded before a
    # stranger's plugin is looked after while that is.
    catalogue._waiting.update((point.name, point) for point in waiting)  # noqa: SLF001  made here
    given = tuple(modules)
    if others or given or not lazily or (house.trusted and house.enabled):
        catalogue.want_all()
    else:
        catalogue.want(*_TABLES)
    made.extend(_of_point(point) for point in others)
    made.extend(_of_house(house))
    made.extend(_of_module(module) for module in given)
    strangers = [item for item in made if not isinstance(item, Refusal)]
    catalogue.refusals.extend(item for item in made if isinstance(item, Refusal))
    _enter_strangers(catalogue, strangers)
    return catalogue


# Each declares many things under names that are not its own.
_TABLES = ("materials", "units")


def _enter_strangers(catalogue: Catalogue, strangers: Sequence[Loaded]) -> None:
    clashes = _clashes(catalogue.plugins, [plugin for plugin, _ in strangers])
    for plugin, declared in strangers:
        if plugin in clashes:
            catalogue.refusals.append(_refusal(plugin, clashes[plugin]))
        else:
            catalogue._enter(plugin, declared)  # noqa: SLF001  made here


def _origin(point: importlib.metadata.EntryPoint) -> tuple[str, str]:
    return _named(point.dist) if point.dist else ("unknown", "unknown")


@cache
def _named(distribution: importlib.metadata.Distribution) -> tuple[str, str]:
    """Name and version; each time they are asked for, a whole file is parsed."""
    return distribution.name, distribution.version


def _of_point(point: importlib.metadata.EntryPoint) -> Loaded | Refusal:
    distribution, version = _origin(point)

    def load() -> tuple[ModuleType, list[Any]]:
        module = importlib.import_module(point.value)
        return module, declarations(point.name, module)

    built_in = point.value.startswith(BUILT_IN)
    return _loaded(point.name, distribution, version, load, built_in=built_in, module_name=point.value)


def _of_house(house: House) -> list[Loaded | Refusal]:
    """The enabled files of the house folder, by name."""
    made: list[Loaded | Refusal] = []
    for name in sorted(house.enabled):
        if name in house.off:
            made.append(_off(name, HOUSE, ""))
        elif not house.trusted:
            reason = (
                "the settings that enable it lie in the current folder and were not named: "
                "name them with --shop, or in the environment variable HOLDZERO_SHOP"
            )
            made.append(Refusal(name=name, distribution=HOUSE, version="", reason=reason))
        else:
            made.append(_of_file(house.folder, name))
    return made


def _of_module(module: ModuleType) -> Loaded | Refusal:
    name = module.__name__.rpartition(".")[2]
    return _loaded(
        name,
        GIVEN,
        "",
        lambda: (module, declarations(name, module)),
        built_in=False,
        module_name=module.__name__,
    )


def _of_file(folder: Path | None, name: str) -> Loaded | Refusal:
    path = (folder or Path()) / f"{name}.py"

    def load() -> tuple[ModuleType, list[Any]]:
        if folder is None:
            raise PluginRefusedError("the settings enable it and name no folder; add folder to [plugins]")
        if not name.isidentifier():
            rule = "it must be that of a file in the folder, without .py: letters, digits and _"
            raise PluginRefusedError(f"{name!r} can't be its name; {rule}")
        if not path.is_file():
            raise PluginRefusedError(f"there is no file {path}")
        spec = importlib.util.spec_from_file_location(f"holdzero_house_{name}", path)
        if spec is None or spec.loader is None:
            raise PluginRefusedError(f"{path} can't be loaded")
        module = importlib.util.module_from_spec(spec)
        sys.modules[spec.name] = module  # data classes look their module up
        spec.loader.exec_module(module)
        return module, declarations(name, module)

    return _loaded(name, HOUSE, "", load, built_in=False, module_name=f"holdzero_house_{name}")


def _loaded(
    name: str,
    distribution: str,
    version: str,
    load: Callable[[], tuple[ModuleType, list[Any]]],
    *,
    built_in: bool,
    module_name: str,
) -> Loaded | Refusal:
    """What a plugin declares; a stranger's is given up if it does not come to an end, refused if it changes the tool.

    What it is called is known before it is loaded: it may call itself anything.
    """
    tool = None if built_in else _whole_tool()
    try:
        module, declared = load() if built_in else within(IMPORT_LIMIT_S, load, f"plugin {name}")
    except (PluginRefusedError, GivenUpError) as error:
        return Refusal(name=name, distribution=distribution, version=version, reason=_lasting(str(error)))
    except Exception as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
        trace = _trace(error)
        return Refusal(name=name, distribution=distribution, version=version, reason=_reason(error), trace=trace)
    finally:
        changed = tool.put_back() if tool is not None else []
    if changed:
        reason = f"it put something else in the place of {changed[0]}; that was put back"
        return Refusal(name=name, distribution=distribution, version=version, reason=reason)
    words = {kind: word for word, kind in hooks.HOOKS.values()}
    plugin = Plugin(
        name=name,
        distribution=distribution,
        version=version or str(getattr(module, "__version__", "")),
        module=module_name,
        file=getattr(module, "__file__", None) or "",
        declares=tuple(f"{words[type(item)]} {item.name}" for item in declared),
    )
    return plugin, declared


def _trace(error: Exception) -> str:
    try:
        return "".join(traceback.format_exception(error))
    except BaseException:  # noqa: BLE001  it asks the error, which may raise anything
        return named(error)


def _lasting(reason: str) -> str:
    """A reason that is the same whenever it is given: it stands in records, which are computed anew."""
    return re.sub(r" at 0x[0-9a-fA-F]+", "", reason)


def _whole_tool() -> Untouched:
    """The tool as it is, all of it that makes and shows a result: what is imported later is not looked after."""
    for name in _LOOKED_AFTER:
        importlib.import_module(name)
    return Untouched.now()


# By name: what stands on this module can't be imported by it.
_LOOKED_AFTER = (
    "holdzero.verify",
    "holdzero.session",
    "holdzero.explain",
    "holdzero.cli.conduct",
    "holdzero.cli.summary",
)


def _reason(error: Exception) -> str:
    reason = _lasting(named(error))
    if isinstance(error, ImportError) and error.name == "holdzero.hooks":
        reason += f"; this holdzero has version {hooks.PLUGIN_API} of the plugin surface: is it made for a newer one?"
    return reason


def _refusal(plugin: Plugin, reason: str) -> Refusal:
    return Refusal(name=plugin.name, distribution=plugin.distribution, version=plugin.version, reason=reason)


def _off(name: str, distribution: str, version: str) -> Refusal:
    reason = "it is switched off in the settings of the shop"
    return Refusal(name=name, distribution=distribution, version=version, reason=reason)


def _clashes(built_in: Sequence[Plugin], strangers: Sequence[Plugin]) -> dict[Plugin, str]:
    """Strangers' plugins that share a name or a declaration with another, and why they are refused.

    A built-in stands. Of two others none can be told to be the one that a routine means.
    """
    reasons: dict[Plugin, str] = {}
    for plugin, other in itertools.product(strangers, (*built_in, *strangers)):
        if plugin is other or plugin in reasons:
            continue
        shared = [word for word in plugin.declares if word in other.declares]
        if not (shared or plugin.name == other.name):
            continue
        what = f"declares the {shared[0]} too" if shared else "has the same name"
        mend = "rename yours" if other.built_in else "keep one of the two: take the other away, or rename it"
        reasons[plugin] = f"the plugin {other.name}, {_whence(other)}, {what}; {mend}"
    return reasons


def _whence(plugin: Plugin) -> str:
    """Where a plugin comes from, for whoever has to choose between two."""
    if plugin.built_in:
        return "built into holdzero"
    where = plugin.file or f"module {plugin.module}"
    if plugin.distribution in (HOUSE, GIVEN):
        return f"from the {HOUSE} ({where})" if plugin.distribution == HOUSE else f"given beside it ({where})"
    return f"installed with {plugin.distribution} {plugin.version} ({where})"
