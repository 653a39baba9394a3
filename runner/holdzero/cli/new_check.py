"""`new check`: write a small plugin distribution that works, and say what comes next."""

from __future__ import annotations

import importlib.util
import shlex
import shutil
from pathlib import Path

import typer

from holdzero.catalogue import Catalogue
from holdzero.cli.house import open_shop
from holdzero.errors import HoldzeroError
from holdzero.starting.check_files import check_files, name_of_check

__all__ = ["new_check"]


def new_check(name: str, folder: Path, named: Path | None) -> int:
    """Write the distribution; gives the exit code.

    Args:
        name: of the check, the plugin, the module and the distribution.
        folder: in which the folder of that name is made.
        named: the shop's file, where the user named one.

    Raises:
        HoldzeroError: the name is taken, the folder is there, or it can't be written.
    """
    name_of_check(name)
    _is_free(name, open_shop(named).catalogue)
    place = folder / name
    if place.exists():
        raise HoldzeroError(f"{place}: it is there already, and is not written into; choose another name or --in")
    _write(place, name)
    _tell_next(place, name)
    return 0


def _is_free(name: str, catalogue: Catalogue) -> None:
    for plugin in catalogue.plugins:
        if name == plugin.name or f"check {name}" in plugin.declares:
            where = f"{plugin.name} of {plugin.distribution}"
            raise HoldzeroError(f"the name {name} is taken by the plugin {where}\n    choose another name")
    for refusal in catalogue.refusals:
        if name == refusal.name:
            raise HoldzeroError(
                f"the name {name} is taken by a plugin that is not loaded: {refusal.reason}\n    choose another name"
            )
    spec = importlib.util.find_spec(name)
    if spec is not None and spec.origin is not None:
        raise HoldzeroError(f"a module {name} is installed already: {spec.origin}\n    choose another name")


def _write(place: Path, name: str) -> None:
    """All files, or none."""
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        place.mkdir()
    except OSError as error:
        raise HoldzeroError(f"{place}: can't be made: {error.strerror}") from None
    try:
        for path, text in check_files(name).items():
            (place / path).parent.mkdir(exist_ok=True)
            (place / path).write_text(text, "utf-8", newline="\n")
    except OSError as error:
        shutil.rmtree(place, ignore_errors=True)
        raise HoldzeroError(f"{place}: can't be written: {error.strerror}; nothing is left of it") from None


def _tell_next(place: Path, name: str) -> None:
    folder = shlex.quote(str(place))
    typer.echo(f"{place}: a check that works, with its tests")
    for path in sorted(check_files(name)):
        typer.echo(f"    {path}")
    typer.echo(
        "Try it (nothing has to be installed but holdzero[test], ruff and mypy):\n"
        f"  cd {folder} && python -m pytest\n"
        f"  cd {folder} && ruff check . && ruff format --check . && mypy\n"
        f"Then make it yours: {shlex.quote(str(place / 'src' / f'{name}.py'))}\n"
        "Use it, installed:\n"
        f"  pip install -e {folder} && holdzero plugins\n"
        f"or as a single file of the house folder: {shlex.quote(str(place / 'README.md'))} says how."
    )
