"""Whether a routine may be used for production, and what a shop remembers of approvals."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable, Sequence
from pathlib import Path

from holdzero.cli.house import Shop
from holdzero.errors import Fault, FileFaultsError, HoldzeroError
from holdzero.register_history import Routine, approved_before, keep_approval
from holdzero.routine.approval import approval_state, open_looks
from holdzero.routine.load import LoadedRoutine
from holdzero.routine.schema import Header

__all__ = ["looked_at", "released", "remember"]


def released(path: Path, loaded: LoadedRoutine, shop: Shop, *, trial: bool) -> str:
    """Refuse for production a routine that nobody answers for as it stands; gives how its approval stands.

    Raises:
        HoldzeroError: it is not approved, and has to be.
    """
    approval = loaded.document.get("approval")
    state = approval_state(approval, loaded.text_digest)
    if trial or state == "approved":
        return state
    mend = f"have it approved (holdzero approve {path} --by NAME), or try it out: --trial"
    if approval is None:
        before = approved_before(shop.path, _which(path, shop.path, loaded.routine.routine))
        if before is not None:
            by, on = before["by"], before["on"]
            raise HoldzeroError(f"{path}: {by} approved it on {on}, and its approval was taken out since\n    {mend}")
        if shop.register.routines.approval == "asked":
            return state
        raise HoldzeroError(f"{path}: it has no approval, and the shop requires one for production\n    {mend}")
    by, on = approval["by"], approval["on"]
    raise HoldzeroError(f"{path}: its text was changed after {by} approved it on {on}\n    {mend}")


def looked_at(every: Sequence[LoadedRoutine]) -> None:
    """Refuse a routine with lines that ask somebody to look, where nobody has said that it was done.

    Raises:
        FileFaultsError: with every such line, of its fragments too.
    """
    if unseen := [fault for file in _files_of(every) for fault in _unseen(file)]:
        raise FileFaultsError(tuple(unseen))


def _files_of(every: Sequence[LoadedRoutine]) -> list[Path]:
    """The file of a routine, and its fragments."""
    names = {text.file: None for loaded in every for text in (loaded.origins.main, *loaded.origins.texts)}
    return [Path(name) for name in names]


def _unseen(file: Path) -> list[Fault]:
    """Lines that ask somebody to look, and nobody has said that it was done."""
    return [
        Fault(
            file=str(file),
            line=line,
            key="LOOK",
            found="a line that nobody has looked at yet",
            expected="",
            mend="look at what it says; then take the word LOOK out, or the whole comment",
        )
        for line in open_looks(file.read_text("utf-8-sig"))
    ]


def remember(
    path: Path,
    shop: Shop,
    every: Sequence[LoadedRoutine],
    *,
    by: str,
    on: dt.date,
    note: str,
    then: Callable[[], None],
) -> None:
    """Have the shop remember an approval: taking the table out of the text must not undo it.

    Args:
        path: of the routine.
        shop: whose register has a history; one without a register remembers nothing.
        every: the routine that is approved, each member of its family.
        by: who approved it.
        on: on which day.
        note: what was looked at.
        then: writes the approval into the text.

    Raises:
        RegisterError: the history can't be read, or somebody else holds it.
        OSError: it, or the text, can't be written.
    """
    if not shop.path.exists():
        then()
        return
    named = _which(path, shop.path, *(loaded.routine.routine for loaded in every))
    keep_approval(shop.path, named, by=by, on=on, digest=every[0].text_digest, note=note, then=then)


def _which(path: Path, shop: Path, *headers: Header) -> Routine:
    """Which routine is meant, for the memory of a shop.

    Args:
        path: of the routine.
        shop: file of the shop's register.
        headers: of the routine, one for each member of its family.
    """
    try:
        file = Path(os.path.relpath(path.resolve(), shop.resolve().parent)).as_posix()
    except ValueError:  # on another drive
        file = path.resolve().as_posix()
    parts = tuple(dict.fromkeys(header.part for header in headers))
    return Routine(file=file, title=headers[0].title, parts=parts)
