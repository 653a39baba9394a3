"""Which software made a record: versions and digests of holdzero, its plugins and the libraries."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
from functools import cache
from pathlib import Path
from typing import Any

from holdzero import __version__
from holdzero.catalogue import Plugin

__all__ = ["digest_of_package", "software_of"]

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
        "libraries": {name: importlib.metadata.version(name) for name in _LIBRARIES},
        "plugins": [
            {
                "name": plugin.name,
                "distribution": plugin.distribution,
                "version": plugin.version,
                "digest": plugin.digest,
            }
            for plugin in plugins
        ],
    }
