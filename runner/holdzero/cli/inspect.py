"""`verify`, `explain` and `plugins`: look at what is there, change nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import typer

from holdzero.catalogue import HOUSE, Catalogue
from holdzero.cli.house import open_shop
from holdzero.cli.routines import files_of
from holdzero.errors import HoldzeroError

__all__ = ["explain_record", "list_plugins", "verify_records"]

_VALID, _DIFFERS, _INVALID = 0, 1, 2
# Differences that no missing plugin makes: the record itself is not what it was.
_OF_THE_RECORD = ("digest:", "events", "structure:")


def verify_records(paths: list[Path], named: Path | None) -> int:
    """Recompute each record; gives the exit code."""
    from holdzero.record import loads

    catalogue = open_shop(named).catalogue
    files = files_of(paths, "*.record.json")
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
        code = max(code, _verified(path, record, catalogue))
    return code


def _verified(path: Path, record: dict[str, Any], catalogue: Catalogue) -> int:
    """Say what recomputing one record came to; gives the exit code."""
    from holdzero.record import verify
    from holdzero.software import not_loaded, remarks_on

    differences = verify(record, catalogue)
    missing = not_loaded(record.get("software"), catalogue)
    changed = any(difference.startswith(_OF_THE_RECORD) for difference in differences)
    found = "DIFFERS" if differences else "recomputes identically"
    if differences and missing and not changed:
        plugins = f"plugin {missing[0]}" if len(missing) == 1 else f"plugins {', '.join(missing)}"
        verb = "is" if len(missing) == 1 else "are"
        found = f"can't be recomputed here: the {plugins} that it used {verb} not loaded"
    run = record.get("run")
    trial = ", trial" if isinstance(run, dict) and run.get("purpose") == "trial" else ""
    typer.echo(f"{path}: {found} (the record says {record.get('verdict')}{trial})")
    for difference in differences:
        typer.echo(f"    {difference}")
    for remark in remarks_on(record.get("software"), catalogue):
        typer.echo(f"    note: {remark}")
    return _DIFFERS if differences else _VALID


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


def list_plugins(named: Path | None, *, trace: bool) -> int:
    """List plugins that were loaded and those that were refused; gives the exit code."""
    catalogue = open_shop(named).catalogue
    if not catalogue.has_built_ins:
        typer.echo("No built-in plugins are installed: reinstall holdzero.", err=True)
    width = max((len(plugin.name) for plugin in catalogue.plugins), default=0)
    for plugin in catalogue.plugins:
        origin = f"{plugin.distribution} {plugin.version}".rstrip()
        where = plugin.file if plugin.distribution == HOUSE else plugin.module
        typer.echo(f"{plugin.name:<{width}}  {', '.join(plugin.declares)}")
        typer.echo(f"{'':<{width}}  from {origin}: {where}")
    for refusal in catalogue.refusals:
        origin = f"{refusal.distribution} {refusal.version}".rstrip()
        typer.echo(f"REFUSED  {refusal.name}  from {origin}\n    {refusal.reason}")
        if trace and refusal.trace:
            typer.echo(refusal.trace)
    return _VALID
