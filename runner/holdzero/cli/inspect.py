"""`verify`, `explain` and `plugins`: look at what is there, change nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from holdzero.catalogue import HOUSE, Catalogue
from holdzero.cli.house import open_shop
from holdzero.cli.routines import files_of
from holdzero.errors import HoldzeroError
from holdzero.plain_text import of_line, plain
from holdzero.whole_file import read_whole_text

if TYPE_CHECKING:
    from holdzero.verify import Recomputed

__all__ = ["explain_record", "list_plugins", "verify_records"]

_VALID, _DIFFERS, _INVALID, _OTHER_MODEL = 0, 1, 2, 5
# Of many records the gravest decides.
_GRAVITY = (_VALID, _OTHER_MODEL, _DIFFERS, _INVALID)
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


def verify_records(paths: list[Path], named: Path | None, workers: int | None = None, *, built_in: bool = False) -> int:
    """Recompute each record; gives the exit code.

    Args:
        paths: of records, or folders of them.
        named: settings of the shop.
        workers: processes; as many as are worth it if None.
        built_in: whether plugins that do not come with the tool are left out.
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
    work = partial(work, built_in=built_in)
    code = _VALID
    with executor_for(workers) as (executor, ahead):
        for verified in chain.from_iterable(in_order(executor, ahead, work, pieces)):
            for line in verified.lines:
                typer.echo(of_line(line))  # what a record says begins no line of its own
            if verified.complaint:
                typer.echo(plain(verified.complaint), err=True)
            code = max(code, verified.code, key=_GRAVITY.index)
    return code


def _verify_files(files: list[Path], shop: Path | None, command: str, *, built_in: bool) -> list[_Verified]:
    """Runs in a worker."""
    from holdzero.cli.workers import shared_catalogue

    catalogue = shared_catalogue(shop, command, built_in=built_in)
    return [_verified(path, catalogue, built_in=built_in) for path in files]


def _verified(path: Path, catalogue: Catalogue, *, built_in: bool) -> _Verified:
    from holdzero.record import loads
    from holdzero.software import not_loaded, remarks_on
    from holdzero.verify import Outcome, recompute

    try:
        record = loads(read_whole_text(path), str(path))
    except (OSError, UnicodeDecodeError) as error:
        return _Verified(code=_INVALID, complaint=f"{path}: can't be read: {error}")
    except HoldzeroError as error:
        return _Verified(code=_INVALID, complaint=str(error))
    again = recompute(record, catalogue, built_in=built_in)
    if built_in and again.verdict is not None:
        return _by_built_ins(path, record, again)
    other = again.outcome is Outcome.OTHER_MODEL
    missing = not_loaded(record.get("software"), catalogue)
    found = again.outcome.value if other else _found(list(again.differences), missing)
    run = record.get("run")
    trial = ", trial" if isinstance(run, dict) and run.get("purpose") == "trial" else ""
    lines = [f"{path}: {found} (the record says {record.get('verdict')}{trial})"]
    lines += [f"    {line}" for line in (_compared(record, again) if other else again.differences)]
    lines += [f"    note: {remark}" for remark in remarks_on(record.get("software"), catalogue)]
    code = _OTHER_MODEL if other else _DIFFERS if again.differences else _VALID
    return _Verified(code=code, lines=tuple(lines))


def _by_built_ins(path: Path, record: Mapping[str, Any], again: Recomputed) -> _Verified:
    """What the built-in plugins make of the events by themselves, beside what the record says."""
    said = record.get("results")
    changed = [
        line
        for name, here in again.results.items()
        if (line := _beside(name, said.get(name) if isinstance(said, dict) else None, here))
    ]
    broken = [line for line in again.differences if line.startswith(_OF_THE_RECORD)]
    differs = bool(changed or broken) or again.verdict != record.get("verdict")
    found = "the built-in plugins alone come to " + ("ANOTHER RESULT" if differs else "the same result")
    lines = [f"{path}: {found}: {again.verdict} (the record says {record.get('verdict')})"]
    lines += [f"    {line}" for line in (*broken, *changed)]
    lines += [f"    not recomputed: {line}" for line in again.left_out]
    return _Verified(code=_DIFFERS if differs else _VALID, lines=tuple(lines))


def _beside(name: str, there: object, here: Mapping[str, Any]) -> str:
    """A result of the record beside the one here; empty where they are the same."""
    keys = ("value_um", "standard_uncertainty_um", "expanded_uncertainty_um", "verdict")
    if isinstance(there, Mapping) and all(there.get(key) == here[key] for key in keys):
        return ""
    then = {key: there.get(key) for key in keys} if isinstance(there, Mapping) else dict.fromkeys(keys)
    value, _, expanded, verdict = keys
    return (
        f"{name}: the record {then[value]} um, U {then[expanded]} um, {then[verdict]}; "
        f"here {here[value]} um, U {here[expanded]} um, {here[verdict]}"
    )


def _compared(record: Mapping[str, Any], again: Recomputed) -> list[str]:
    try:
        return list(_by_both_models(record, again))
    except (KeyError, TypeError, AttributeError, ValueError):  # the results of a record may be anything
        return list(again.differences)


def _by_both_models(record: Mapping[str, Any], again: Recomputed) -> Iterator[str]:
    """The numbers of a record beside those of the model here, and whether the verdict is another."""
    from holdzero.model_version import MODEL_VERSION, MODEL_VERSIONS
    from holdzero.wording import measured_text

    units = record["routine"]["document"]["routine"].get("units", "mm")
    model = record["model"]
    yield f"model {model}: {MODEL_VERSIONS.get(model, 'not known here; a newer holdzero knows it')}"
    yield f"model {MODEL_VERSION}: {MODEL_VERSIONS[MODEL_VERSION]}"
    for name, here in again.results.items():
        there = record["results"].get(name)
        then = "nothing" if there is None else f"{measured_text(there, units)}, {there['verdict']}"
        now = f"{measured_text(here, units)}, {here['verdict']}"
        yield f"{name}: model {model} (the record) {then}; model {MODEL_VERSION} {now}"
    same = "is the same" if again.verdict == record["verdict"] else f"CHANGES to {again.verdict}"
    yield f"the verdict {same}"


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
        text = read_whole_text(path)
    except (OSError, UnicodeDecodeError) as error:
        raise HoldzeroError(f"{path}: can't be read: {error}") from None
    record = loads(text, str(path))
    try:
        lines = explain(record, characteristic)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        found = f"{type(error).__name__}: {error}"
        raise HoldzeroError(f"{path}: the record is not whole ({found}); see: holdzero verify {path}") from None
    for line in lines:
        typer.echo(of_line(line))
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
