"""`verify`, `explain` and `plugins`: look at what is there, change nothing."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path

import typer

from holdzero.catalogue import HOUSE, Catalogue
from holdzero.cli.house import open_shop
from holdzero.cli.routines import files_of
from holdzero.errors import HoldzeroError

__all__ = ["explain_record", "list_plugins", "verify_records"]

_VALID, _DIFFERS, _INVALID = 0, 1, 2
# Differences that no missing plugin makes: the record itself is not what it was.
_OF_THE_RECORD = ("digest:", "events", "structure:", "amends:")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Verified:
    """What recomputing one record came to.

    Attributes:
        code: exit code, if it were the only one.
        lines: what to print.
        complaint: what to print on standard error in their place.
    """

    code: int
    lines: tuple[str, ...] = ()
    complaint: str = ""


# With fewer files than this for each worker, a second process would take longer to start than to work.
_WORTH_SHARING = 50
_A_PIECE = 20


def verify_records(paths: list[Path], named: Path | None, workers: int | None = None) -> int:
    """Recompute each record; gives the exit code.

    Args:
        paths: of records, or folders of them.
        named: settings of the shop.
        workers: processes; as many as are worth it if None.
    """
    from holdzero.cli.workers import cores, executor_for, in_order, once

    files = files_of(paths, "*.record.json")
    if not files:
        typer.echo("holdzero: no record was found", err=True)
        return _INVALID
    if workers is None:
        workers = min(cores(), len(files) // _WORTH_SHARING)
    pieces = [files[start : start + _A_PIECE] for start in range(0, len(files), _A_PIECE)]
    work = partial(_verify_files, shop=named.resolve() if named is not None else None, command=once())
    code = _VALID
    with executor_for(workers) as (executor, ahead):
        for verified in chain.from_iterable(in_order(executor, ahead, work, pieces)):
            for line in verified.lines:
                typer.echo(line)
            if verified.complaint:
                typer.echo(verified.complaint, err=True)
            code = max(code, verified.code)
    return code


def _verify_files(files: list[Path], shop: Path | None, command: str) -> list[_Verified]:
    """Runs in a worker."""
    from holdzero.cli.workers import shared_catalogue

    catalogue = shared_catalogue(shop, command)
    return [_verified(path, catalogue) for path in files]


def _verified(path: Path, catalogue: Catalogue) -> _Verified:
    from holdzero.record import loads, verify
    from holdzero.software import not_loaded, remarks_on

    try:
        record = loads(path.read_text("utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        return _Verified(code=_INVALID, complaint=f"{path}: can't be read: {error}")
    except HoldzeroError as error:
        return _Verified(code=_INVALID, complaint=str(error))
    differences = verify(record, catalogue)
    found = _found(differences, not_loaded(record.get("software"), catalogue))
    run = record.get("run")
    trial = ", trial" if isinstance(run, dict) and run.get("purpose") == "trial" else ""
    lines = [f"{path}: {found} (the record says {record.get('verdict')}{trial})"]
    lines += [f"    {difference}" for difference in differences]
    lines += [f"    note: {remark}" for remark in remarks_on(record.get("software"), catalogue)]
    return _Verified(code=_DIFFERS if differences else _VALID, lines=tuple(lines))


def _found(differences: list[str], missing: list[str]) -> str:
    """What came of a record in a word or two."""
    changed = any(difference.startswith(_OF_THE_RECORD) for difference in differences)
    if differences and missing and not changed:
        plugins = f"plugin {missing[0]}" if len(missing) == 1 else f"plugins {', '.join(missing)}"
        verb = "is" if len(missing) == 1 else "are"
        return f"can't be recomputed here: the {plugins} that it used {verb} not loaded"
    return "DIFFERS" if differences else "recomputes identically"


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
