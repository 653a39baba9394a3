"""`validate` and `approve`: look after routines before anybody measures with them."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Sequence
from pathlib import Path

import typer

from holdzero.checks import bind
from holdzero.cli.house import Shop, open_shop
from holdzero.cli.register_book import keep_changes
from holdzero.cli.released import looked_at, remember
from holdzero.errors import Fault, FileFaultsError, HoldzeroError
from holdzero.expansion import kinds_of
from holdzero.foresee import foreseen
from holdzero.register_history import RegisterError
from holdzero.remarks import remarks_of
from holdzero.routine.approval import approval_state, with_approval
from holdzero.routine.limits import wrong_limits
from holdzero.routine.lint import unwise
from holdzero.routine.load import LoadedRoutine, load_routine, members
from holdzero.routine.strange import strange
from holdzero.whole_file import UnconfirmedError, write_whole

__all__ = ["approve_routine", "files_of", "validate_routines"]

_VALID, _INVALID = 0, 2


def validate_routines(paths: list[Path], named: Path | None) -> int:
    """Check each routine, every member of a part family; gives the exit code."""
    shop = open_shop(named)
    files = files_of(paths, "*.toml")
    if not files:
        typer.echo("holdzero: no routine was found", err=True)
        return _INVALID
    errors = 0
    for path in files:
        faults = _faults(path, shop)
        for fault in faults:
            typer.echo(str(fault))
        wrong = sum(not fault.warning for fault in faults)
        errors += wrong
        warnings = len(faults) - wrong
        typer.echo(
            f"{path}: {'NOT VALID' if wrong else 'valid'}: {_count(wrong, 'error')}, {_count(warnings, 'warning')}"
        )
    return _INVALID if errors else _VALID


def approve_routine(path: Path, named: Path | None, *, by: str, note: str) -> int:
    """Write into a valid routine who answers for its text; gives the exit code."""
    shop = open_shop(named)
    faults = _faults(path, shop)
    wrong = [fault for fault in faults if not fault.warning]
    if wrong:
        raise FileFaultsError(tuple(wrong))
    if not by.strip():
        raise HoldzeroError("--by: say who answers for the routine")
    every = _every_member(path, shop)
    loaded = every[0]
    looked_at(every)
    text = path.read_text("utf-8-sig")
    today = _written(path, text, shop, every, by=by.strip(), note=note.strip())
    if trouble := keep_changes(shop.path):
        typer.echo(f"holdzero: {trouble}", err=True)
    for fault in faults:
        if fault.key != "approval.digest":  # that is what was mended now
            typer.echo(str(fault))
    typer.echo(f"{path}: approved by {by.strip()} on {today}: {loaded.text_digest}")
    return _VALID


def _written(path: Path, text: str, shop: Shop, every: Sequence[LoadedRoutine], *, by: str, note: str) -> dt.date:
    """Have the shop remember an approval and write it into the text; where one of them fails, the file is as it was."""
    today = dt.datetime.now().astimezone().date()
    written = with_approval(text, by=by, on=today, digest=every[0].text_digest, note=note)
    try:
        remember(path, shop, every, by=by, on=today, note=note, then=lambda: _put_in(path, written, shop))
    except UnconfirmedError as error:
        unsure = f"it is approved, and the system could not say that this is on disk: {error.strerror}"
        raise HoldzeroError(f"{path}: {unsure}\n    see to the disk; then look: holdzero validate {path}") from None
    except OSError as error:
        mend = "it is not approved; see to its folder and the disk, then approve it again"
        raise HoldzeroError(f"{path}: its approval could not be written: {error.strerror}\n    {mend}") from None
    except RegisterError as error:
        raise HoldzeroError(f"{path}: not approved: its shop's history could not be written: {error}") from None
    return today


def _put_in(path: Path, text: str, shop: Shop) -> None:
    """Write an approved text, if it is approved when it is read again."""
    before = path.read_bytes()
    write_whole(path, text.encode("utf-8"))
    try:
        again = _every_member(path, shop)[0]
        holds = approval_state(again.document.get("approval"), again.text_digest) == "approved"
    except FileFaultsError:
        holds = False
    if not holds:
        write_whole(path, before)
        raise HoldzeroError(f"{path}: its approval could not be written; write the table [approval] last in the file")


def files_of(paths: list[Path], pattern: str) -> list[Path]:
    """The files named, and in the folders named those of a pattern: no fragments, lines, scenarios, registers."""
    files: list[Path] = []
    for path in paths:
        found = sorted(path.rglob(pattern)) if path.is_dir() else [path]
        files.extend(item for item in found if not path.is_dir() or _is_own(item, path))
    return files


_NO_ROUTINES = frozenset({"fragments", "lines", "practice"})


def _is_own(path: Path, folder: Path) -> bool:
    inner = path.relative_to(folder).parts
    return _NO_ROUTINES.isdisjoint(inner[:-1]) and path.name not in ("shop.toml", "pyproject.toml")


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _every_member(path: Path, shop: Shop) -> list[LoadedRoutine]:
    names: tuple[str | None, ...] = members(path) or (None,)
    return [load_routine(path, member, kinds_of(shop.catalogue)) for member in names]


def _faults(path: Path, shop: Shop) -> list[Fault]:
    try:
        names: tuple[str | None, ...] = members(path) or (None,)
    except FileFaultsError as error:
        return list(error.faults)
    faults: dict[Fault, None] = {}
    for member in names:
        try:
            loaded = load_routine(path, member, kinds_of(shop.catalogue))
        except FileFaultsError as error:
            faults.update(dict.fromkeys(error.faults))
            continue
        faults.update(dict.fromkeys(_faults_of(loaded, shop)))
    return list(faults)


def _faults_of(loaded: LoadedRoutine, shop: Shop) -> list[Fault]:
    """What is wrong or unwise in a routine that could be loaded."""
    checks, wrong = bind(loaded.routine, shop.catalogue, loaded.origins)
    today = dt.datetime.now().astimezone().date()
    limits = wrong_limits(loaded.routine, loaded.origins)
    remarks = remarks_of(checks.bound, loaded.routine, loaded.origins, complete=not checks.missing)
    odd = (remark for remark in remarks if remark.warning)
    slips = strange(loaded.routine, loaded.document, loaded.origins)
    faults = [*wrong, *limits, *unwise(loaded.routine, loaded.origins, today), *slips, *odd]
    if not wrong:
        faults.extend(fault for fault in foreseen(loaded, checks) if not (fault.warning and limits))
    for failure in checks.missing:
        file, line = loaded.origins.place(("checks", failure.plugin))
        close = difflib.get_close_matches(failure.plugin.lower(), list(shop.catalogue.checks), 1)
        fault = Fault(
            file=file,
            line=line,
            key=f"checks.{failure.plugin}",
            found="a check that is not loaded",
            expected="one of " + ", ".join(shop.catalogue.checks),
            mend=f"did you mean {close[0]}?" if close else failure.message,
        )
        faults.append(fault)
    if approval_state(loaded.document.get("approval"), loaded.text_digest) == "changed":
        file, line = loaded.origins.place(("approval", "digest"))
        fault = Fault(
            file=file,
            line=line,
            key="approval.digest",
            found="a text that was changed after its approval",
            expected="",
            mend="have it approved again (holdzero approve); until then it is for trials only",
            warning=True,
        )
        faults.append(fault)
    return faults
