"""`verify`, `explain` and `plugins`: look at what is there, change nothing."""

from __future__ import annotations

from pathlib import Path

import typer

from holdzero.catalogue import HOUSE
from holdzero.cli.house import open_shop
from holdzero.cli.routines import files_of
from holdzero.errors import HoldzeroError

__all__ = ["explain_record", "list_plugins", "verify_records"]

_VALID, _DIFFERS, _INVALID = 0, 1, 2


def verify_records(paths: list[Path], named: Path | None) -> int:
    """Recompute each record; gives the exit code."""
    from holdzero.record import loads, verify
    from holdzero.software import remarks_on

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
        differences = verify(record, catalogue)
        found = "DIFFERS" if differences else "recomputes identically"
        typer.echo(f"{path}: {found} (the record says {record.get('verdict')})")
        for difference in differences:
            typer.echo(f"    {difference}")
        for remark in remarks_on(record.get("software"), catalogue):
            typer.echo(f"    note: {remark}")
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
