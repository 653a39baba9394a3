"""`verify`, `validate` and `plugins`: look at what is there, change nothing."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import typer

from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.checks import bind
from holdzero.errors import Fault, FileFaultsError, HoldzeroError
from holdzero.register import load_register
from holdzero.routine.lint import unwise
from holdzero.routine.load import load_routine, members

__all__ = ["explain_record", "list_plugins", "validate_routines", "verify_records"]

_VALID, _DIFFERS, _INVALID = 0, 1, 2


def verify_records(paths: list[Path]) -> int:
    """Recompute each record; gives the exit code."""
    from holdzero.record import loads, verify

    catalogue = load_catalogue()
    files = _files(paths, "*.record.json")
    if not files:
        typer.echo("holdzero: no record was found", err=True)
        return _INVALID
    code = _VALID
    for path in files:
        try:
            record = loads(path.read_text("utf-8"), str(path))
        except (OSError, UnicodeDecodeError) as error:
            typer.echo(f"{path}: can't be read: {error}", err=True)
            code = _INVALID
            continue
        except HoldzeroError as error:
            typer.echo(str(error), err=True)
            code = _INVALID
            continue
        differences = verify(record, catalogue)
        found = "DIFFERS" if differences else "recomputes identically"
        typer.echo(f"{path}: {found} (the record says {record.get('verdict')})")
        for difference in differences:
            typer.echo(f"    {difference}")
        code = max(code, _DIFFERS if differences else _VALID)
    return code


def explain_record(path: Path, characteristic: str | None) -> int:
    """Print how the numbers of a record came about; gives the exit code."""
    from holdzero.explain import explain
    from holdzero.record import loads

    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise HoldzeroError(f"{path}: can't be read: {error}") from None
    record = loads(text, str(path))
    try:
        lines = explain(record, characteristic)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        found = f"{type(error).__name__}: {error}"
        raise HoldzeroError(f"{path}: the record is not whole ({found}); see: holdzero verify {path}") from None
    for line in lines:
        typer.echo(line)
    return _VALID


def validate_routines(paths: list[Path], shop: Path) -> int:
    """Check each routine, every member of a part family; gives the exit code."""
    catalogue = load_catalogue()
    load_register(shop)
    files = _files(paths, "*.toml")
    if not files:
        typer.echo("holdzero: no routine was found", err=True)
        return _INVALID
    errors = 0
    for path in files:
        faults = _faults(path, catalogue)
        for fault in faults:
            typer.echo(str(fault), err=not fault.warning)
        wrong = sum(not fault.warning for fault in faults)
        errors += wrong
        warnings = len(faults) - wrong
        typer.echo(
            f"{path}: {'NOT VALID' if wrong else 'valid'}: {_count(wrong, 'error')}, {_count(warnings, 'warning')}"
        )
    return _INVALID if errors else _VALID


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _files(paths: list[Path], pattern: str) -> list[Path]:
    """The files named, and those of a pattern in the folders named; fragments and registers are no routines."""
    files: list[Path] = []
    for path in paths:
        found = sorted(path.rglob(pattern)) if path.is_dir() else [path]
        files.extend(item for item in found if not path.is_dir() or _is_own(item, path))
    return files


def _is_own(path: Path, folder: Path) -> bool:
    inner = path.relative_to(folder).parts
    return "fragments" not in inner[:-1] and path.name != "shop.toml"


def _faults(path: Path, catalogue: Catalogue) -> list[Fault]:
    try:
        names: tuple[str | None, ...] = members(path) or (None,)
    except FileFaultsError as error:
        return list(error.faults)
    faults: dict[Fault, None] = {}
    for member in names:
        try:
            loaded = load_routine(path, member)
        except FileFaultsError as error:
            faults.update(dict.fromkeys(error.faults))
            continue
        checks, wrong = bind(loaded.routine, catalogue, loaded.origins)
        today = dt.datetime.now().astimezone().date()
        faults.update(dict.fromkeys((*wrong, *unwise(loaded.routine, loaded.origins, today))))
        for failure in checks.missing:
            file, line = loaded.origins.place(("checks", failure.plugin))
            fault = Fault(
                file=file,
                line=line,
                key=f"checks.{failure.plugin}",
                found="a check that is not loaded",
                expected="one of " + ", ".join(catalogue.checks),
                mend=failure.message,
            )
            faults[fault] = None
    return list(faults)


def list_plugins(*, trace: bool) -> int:
    """List plugins that were loaded and those that were refused; gives the exit code."""
    catalogue = load_catalogue()
    if not catalogue.has_built_ins:
        typer.echo("No built-in plugins are installed: reinstall holdzero.", err=True)
    width = max((len(plugin.name) for plugin in catalogue.plugins), default=0)
    for plugin in catalogue.plugins:
        origin = f"{plugin.distribution} {plugin.version}"
        typer.echo(f"{plugin.name:<{width}}  {', '.join(plugin.declares)}")
        typer.echo(f"{'':<{width}}  from {origin}: {plugin.module}")
    for refusal in catalogue.refusals:
        typer.echo(f"REFUSED  {refusal.name}  from {refusal.distribution} {refusal.version}\n    {refusal.reason}")
        if trace and refusal.trace:
            typer.echo(refusal.trace)
    return _VALID
