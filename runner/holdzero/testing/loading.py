"""Plugins given as modules or files, loaded beside the built-in ones without being installed."""

from __future__ import annotations

import hashlib
import importlib.metadata
import importlib.util
import sys
from pathlib import Path
from types import ModuleType

from holdzero.catalogue import BUILT_IN, GIVEN, GROUP, Catalogue, load_catalogue
from holdzero.errors import PluginRefusedError

__all__ = ["catalogue_of", "module_of"]


def module_of(plugin: ModuleType | Path) -> ModuleType:
    """The module of a plugin; a file is imported anew.

    Raises:
        PluginRefusedError: the file can't be loaded, or it is a folder and no module.
    """
    if isinstance(plugin, ModuleType):
        _is_no_folder(plugin)
        return plugin
    # Two files of one name in two folders are two modules.
    folder = hashlib.sha256(str(plugin.resolve().parent).encode()).hexdigest()[:8]
    spec = importlib.util.spec_from_file_location(f"holdzero_given_{folder}.{plugin.stem}", plugin)
    if spec is None or spec.loader is None or not plugin.is_file():
        raise PluginRefusedError(f"{plugin} can't be loaded: give the path of a Python file")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # data classes look their module up
    spec.loader.exec_module(module)
    return module


def _is_no_folder(module: ModuleType) -> None:
    """Refuse what Python makes of a folder without `__init__.py`: it has a path, no file, and declares nothing.

    Raises:
        PluginRefusedError: it is one.
    """
    if hasattr(module, "__path__") and getattr(module, "__file__", None) is None:
        name = module.__name__
        raise PluginRefusedError(f"this is the folder {name} and not the module {name}.py: run pytest inside it")


def catalogue_of(*plugins: ModuleType | Path, built_ins: bool = True) -> Catalogue:
    """The built-in plugins and these, and nothing else that may be installed.

    Args:
        plugins: modules, or paths of single files; a module of a built-in plugin is there already.
        built_ins: whether the built-in plugins are there.

    Raises:
        PluginRefusedError: one of them is refused, with the reason.
    """
    installed = importlib.metadata.entry_points(group=GROUP) if built_ins else ()
    modules = [module_of(plugin) for plugin in plugins]
    catalogue = load_catalogue(
        [point for point in installed if point.value.startswith(BUILT_IN)],
        modules=[module for module in modules if not module.__name__.startswith(BUILT_IN)],
    )
    refused = [refusal for refusal in catalogue.refusals if refusal.distribution == GIVEN]
    if refused:
        reasons = "\n".join(f"{refusal.name}: {refusal.reason}\n{refusal.trace}".strip() for refusal in refused)
        raise PluginRefusedError(f"refused: {reasons}")
    return catalogue
