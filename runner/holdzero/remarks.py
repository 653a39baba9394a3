"""What checks say of their tables before any run: keys without effect in a routine, values that are strange there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from holdzero.calling import BoundCheck, told
from holdzero.errors import Fault
from holdzero.handed import copied, unchanged
from holdzero.hooks import Remark, Slot
from holdzero.patience import within
from holdzero.routine.locate import KeyPath, dotted
from holdzero.routine.resolve import Origins
from holdzero.routine.schema import Routine
from holdzero.run.plan import plan_of
from holdzero.worded import worded

__all__ = ["remarks_of"]

_LIMIT_S = 2.0  # a stranger's check that takes longer over a table is not waited for


def remarks_of(
    bound: Sequence[BoundCheck], routine: Routine, origins: Origins, *, complete: bool = True
) -> tuple[Fault, ...]:
    """Faults and warnings of the tables of checks in a routine, located.

    Args:
        bound: checks with their settings.
        routine: typed.
        origins: where its keys were written.
        complete: whether all checks that it names are loaded.
    """
    faults = []
    for path, remark in (*_of_checks(bound, routine), *(_of_designs(bound, routine) if complete else ())):
        file, line = origins.place(path)
        fault = Fault(
            file=file,
            line=line,
            key=dotted(path),
            found=remark.found,
            expected=remark.expected,
            mend=remark.mend,
            warning=remark.warning,
        )
        faults.append(fault)
    return tuple(dict.fromkeys(faults))


def _of_checks(bound: Sequence[BoundCheck], routine: Routine) -> Iterator[tuple[KeyPath, Remark]]:
    asked = [item for item in bound if item.check.validate is not None]
    plan = plan_of(routine, (None,)) if asked else ()
    for item in asked:
        own = ("checks", item.check.name)
        try:
            remarks = _said(item, routine, plan)
        except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
            found, mend = f"a check that failed in validate: {told(error)}", "tell its author; nothing was looked at"
            remarks = [Remark(found=found, mend=mend, warning=True)]
        for remark in remarks:
            yield (*own, *(remark.key.split(".") if remark.key else ())), remark


def _said(item: BoundCheck, routine: Routine, plan: Sequence[Slot]) -> list[Remark]:
    def work() -> list[Remark]:
        validate = item.check.validate
        return [] if validate is None else [_sound(entry) for entry in validate(settings, own_routine, own_plan)]

    settings, own_routine, own_plan = item.settings, routine, plan
    if item.plugin.built_in:
        return work()
    settings, (own_routine, own_plan) = item.settings.model_copy(deep=True), copied((routine, plan))
    try:
        return within(_LIMIT_S, work, f"check {item.check.name}")
    finally:
        unchanged(None, ("routine", routine, own_routine), ("plan", plan, own_plan))


def _sound(entry: object) -> Remark:
    """What a check said, if it is what it should be.

    Raises:
        TypeError: it is not.
    """
    if not isinstance(entry, Remark):
        raise TypeError(f"it returned {type(entry).__name__}, not Remark")
    words: tuple[object, ...] = (entry.key, entry.found, entry.expected, entry.mend)
    if not all(isinstance(word, str) for word in words) or not isinstance(entry.warning, bool):
        raise TypeError("key, found, expected and mend of a remark must be text, warning true or false")
    for word in words:
        worded(word, "text of a remark")
    return entry


def _of_designs(bound: Sequence[BoundCheck], routine: Routine) -> Iterator[tuple[KeyPath, Remark]]:
    """Places beside a comparison that no design of the readings weighs."""
    if any(item.check.weigh is not None for item in bound):
        return
    expected, mend = "a check that weighs a design, such as [checks.drift]", "add [checks.drift], or drop with"
    remark = partial(Remark, expected=expected, mend=mend)
    for name, spec in routine.characteristics.items():
        if spec.beside is not None:
            found = f"{', '.join(spec.beside)}: read, and counted by nothing"
            yield ("characteristics", name, "with"), remark(found=found)
