"""Which software made a record: versions and digests of holdzero, its plugins and the libraries."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from holdzero import __version__
from holdzero.catalogue import Catalogue, Plugin

__all__ = ["digest_of_package", "not_loaded", "remarks_on", "software_of"]

_LIBRARIES = ("numpy", "pint", "pydantic", "scipy")


@cache
def digest_of_package() -> str:
    """SHA-256 over the names and contents of holdzero's own source files."""
    folder = Path(__file__).parent
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*.py")):
        digest.update(path.relative_to(folder).as_posix().encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return "sha256:" + digest.hexdigest()


def software_of(plugins: tuple[Plugin, ...]) -> dict[str, Any]:
    """What a record says of the software, for the plugins that it used."""
    return {
        "holdzero": {"version": __version__, "digest": digest_of_package()},
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        "libraries": {name: importlib.metadata.version(name) for name in _LIBRARIES},
        "plugins": [
            {
                "name": plugin.name,
                "distribution": plugin.distribution,
                "version": plugin.version,
                "digest": plugin.digest,
            }
            for plugin in dict.fromkeys(plugins)
        ],
    }


def remarks_on(said: object, catalogue: Catalogue) -> list[str]:
    """Where the software here is not the one that made a record, in words.

    Args:
        said: what the record says of the software.
        catalogue: what is loaded here.
    """
    if not isinstance(said, Mapping):
        return ["the record does not say what software made it"]
    remarks: list[str] = []
    here = {plugin.name: plugin for plugin in catalogue.plugins}
    refused = {refusal.name: refusal.reason for refusal in catalogue.refusals}
    own = said.get("holdzero")
    if isinstance(own, Mapping) and own.get("digest") != digest_of_package():
        remarks.append(f"it was made by holdzero {own.get('version')} with another text; here is {__version__}")
    plugins = said.get("plugins")
    built_in: list[str] = []
    for item in plugins if isinstance(plugins, list) else []:
        if not isinstance(item, Mapping):
            continue
        name, origin = str(item.get("name")), f"{item.get('distribution')} {item.get('version')}".strip()
        plugin = here.get(name)
        if plugin is None:
            why = f" ({refused[name]})" if name in refused else ""
            remarks.append(f"the plugin {name} of {origin}, which it used, is not loaded here{why}")
        elif plugin.digest != item.get("digest") and plugin.built_in:
            built_in.append(name)
        elif plugin.digest != item.get("digest"):
            remarks.append(f"the plugin {name} of {origin} has another text here")
    if built_in:
        remarks.append(f"the built-in plugins have another text here ({', '.join(built_in)})")
    return remarks


def not_loaded(said: object, catalogue: Catalogue) -> list[str]:
    """Names of the plugins that a record used and that are not loaded here.

    Args:
        said: what the record says of the software.
        catalogue: what is loaded here.
    """
    plugins = said.get("plugins") if isinstance(said, Mapping) else None
    here = {plugin.name for plugin in catalogue.plugins}
    used = plugins if isinstance(plugins, list) else []
    names = (str(item.get("name")) for item in used if isinstance(item, Mapping))
    return [name for name in names if name not in here]
