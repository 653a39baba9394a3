"""What a plugin module declares through its hooks, looked at before anything uses it."""

from __future__ import annotations

import dataclasses
import inspect
from collections.abc import Callable, Sequence
from types import ModuleType, SimpleNamespace
from typing import Any

import pluggy

from holdzero import hooks
from holdzero.errors import PluginRefusedError, QuantityError
from holdzero.quantity import Dimension, parse_quantity

__all__ = ["declarations"]

# Words of the core that no plugin can take.
_RESERVED: dict[type[Any], frozenset[str]] = {
    hooks.StepKind: frozenset(
        {"prepare", "ask", "soak", "temperature", "zero", "check", "read", "repeat", "return", "compare"}
    ),
    hooks.Contrast: frozenset(hooks.Measure),
    hooks.GuardRule: frozenset(hooks.Rule),
    hooks.Source: frozenset({"keyboard", "virtual"}),
    hooks.UnitAlias: frozenset({*Dimension.LENGTH.spellings, "div", "divs", "division", "divisions"}),
}


# The specifications and nothing else: a module is gone through name by name, for each plugin anew.
_SPECS = ModuleType("hook specifications")
vars(_SPECS).update({hook: getattr(hooks, hook) for hook in hooks.HOOKS})


def declarations(name: str, module: ModuleType) -> list[Any]:
    """Call the plugin's hooks and look at what they return.

    Args:
        name: of the plugin.
        module: imported.

    Raises:
        PluginRefusedError: something about it is not as the surface says.
    """
    _made_for_this(module)
    manager = pluggy.PluginManager("holdzero")
    manager.add_hookspecs(_SPECS)
    try:
        manager.register(_own(module), name)
        manager.check_pending()
    except pluggy.PluginValidationError as error:
        raise PluginRefusedError(str(error)) from None
    known = ", ".join(hooks.HOOKS)
    unknown = [word for word in vars(module) if word.startswith("holdzero_") and word not in hooks.HOOKS]
    if unknown:
        raise PluginRefusedError(f"{unknown[0]} is no hook; the hooks are {known}")
    declared: list[Any] = []
    for hook, (_, kind) in hooks.HOOKS.items():
        for result in getattr(manager.hook, hook)():
            declared.extend(_of_kind(hook, kind, result))
    words = [(type(item), item.name) for item in declared]
    doubled = next((name for kind, name in words if words.count((kind, name)) > 1), None)
    if doubled is not None:
        raise PluginRefusedError(f"it declares {doubled} twice")
    if not declared:
        raise PluginRefusedError(f"it declares nothing; mark one of the functions {known} with @hookimpl")
    return declared


def _own(module: ModuleType) -> SimpleNamespace:
    """The functions of a module that are marked, or named as hooks are."""
    own = {
        word: item
        for word, item in vars(module).items()
        if word.startswith("holdzero_") or (inspect.isfunction(item) and hasattr(item, "holdzero_impl"))
    }
    return SimpleNamespace(**own)


def _made_for_this(module: ModuleType) -> None:
    api: object = getattr(module, "HOLDZERO_API", 1)
    if not isinstance(api, int) or isinstance(api, bool) or api < 1:
        raise PluginRefusedError(f"HOLDZERO_API = {api!r}; write the version of the plugin surface, a whole number")
    if api > hooks.PLUGIN_API:
        raise PluginRefusedError(
            f"it is made for version {api} of the plugin surface, and this holdzero has {hooks.PLUGIN_API}: "
            "install a newer holdzero"
        )


def _of_kind(hook: str, kind: type[Any], result: object) -> Sequence[Any]:
    if not isinstance(result, Sequence) or isinstance(result, str):
        raise PluginRefusedError(f"{hook} returned {type(result).__name__}, not a list of {kind.__name__}")
    own: list[Any] = []
    for item in result:
        if type(item) is not kind:
            raise PluginRefusedError(f"{hook} returned {type(item).__name__}, not {kind.__name__}")
        # A copy: who declared it may have kept it, and change it later.
        own.append(dataclasses.replace(item, name=_plain(item.name)))
        _is_named(hook, own[-1])
        _is_whole(own[-1], hooks.HOOKS[hook][0])
    return own


def _plain(name: object) -> Any:
    """A text as a plain one, and anything else as it is: that is refused."""
    return str.__str__(name) if isinstance(name, str) else name


def _is_named(hook: str, item: Any) -> None:
    name: object = item.name
    if isinstance(item, hooks.Material):
        sound = isinstance(name, str) and name.isprintable() and name.strip() == name != ""
        rule = "use plain letters, no blanks around them"
    elif isinstance(item, hooks.UnitAlias):
        sound = isinstance(name, str) and name.isalpha()
        rule = "use letters alone"
    else:
        sound = isinstance(name, str) and name.isidentifier()
        rule = "use letters, digits and _"
    if not sound:
        raise PluginRefusedError(f"{hook}: {name!r} can't be a name; {rule}")
    if name in _RESERVED.get(type(item), ()):
        raise PluginRefusedError(f"{hook}: {name!r} is a word of the core's own; choose another name")


# The functions of each declaration, and how many arguments each is given; one that is left out is None.
_FUNCTIONS: dict[type[Any], dict[str, int]] = {
    hooks.StepKind: {"steps": 1},
    hooks.Contrast: {"weights": 1},
    hooks.Check: {"watch": 2, "terms": 3, "judge": 3, "weigh": 3, "expected": 2, "apart": 2, "shows": 2, "validate": 3},
    hooks.Source: {"open": 2, "listen": 2, "log": 1},
    hooks.Writer: {"write": 1, "report": 2},
    hooks.GuardRule: {"guard": 2, "words": 1},
}
_OPTIONAL = frozenset(
    {"watch", "terms", "judge", "weigh", "expected", "apart", "shows", "validate", "report", "open", "listen", "log"}
)


def _is_whole(item: Any, word: str) -> None:
    """A declaration has what it needs, and its functions take what they are given."""
    what = f"{word} {item.name}"
    if hasattr(item, "settings"):
        _settings(what, item.settings)
    for name, count in _FUNCTIONS.get(type(item), {}).items():
        function = getattr(item, name)
        if function is not None or name not in _OPTIONAL:
            _takes(what, name, function, count)
    if isinstance(item, hooks.UnitAlias):
        _worth(what, item)
    if isinstance(item, hooks.Source):
        _one_way(what, item)


def _one_way(what: str, source: hooks.Source) -> None:
    """A source answers by itself, is an instrument that is listened to, or a log of temperatures."""
    if sum(way is not None for way in (source.open, source.listen, source.log)) != 1:
        raise PluginRefusedError(f"{what}: give one of open, listen and log, and no other")
    if source.listen is not None and (source.keeps_time or not source.interactive):
        raise PluginRefusedError(f"{what}: with listen, write interactive=True, keeps_time=False: a person is there")


def _worth(what: str, unit: hooks.UnitAlias) -> None:
    try:
        worth_um = parse_quantity(unit.worth, Dimension.LENGTH).value
    except (QuantityError, TypeError, AttributeError) as error:
        raise PluginRefusedError(f"{what}: worth {unit.worth!r}: {error}") from None
    if worth_um <= 0.0:
        raise PluginRefusedError(f"{what}: worth {unit.worth!r} must be above zero")


def _settings(what: str, settings: object) -> None:
    if not (inspect.isclass(settings) and issubclass(settings, hooks.Settings)):
        raise PluginRefusedError(f"{what}: settings must be a class that derives from hooks.Settings")


def _takes(what: str, word: str, function: Callable[..., Any], count: int) -> None:
    try:
        inspect.signature(function).bind(*range(count))
    except (TypeError, ValueError):
        raise PluginRefusedError(f"{what}: {word} must take {count} argument{'s' if count > 1 else ''}") from None
