"""The conformance suite in one call: all that a plugin declares, held against the rules of the surface."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from pathlib import Path
from types import ModuleType
from typing import Any

from holdzero.catalogue import Catalogue
from holdzero.declared import declarations
from holdzero.errors import PluginRefusedError
from holdzero.hooks import HOOKS, Check, Contrast, GuardRule, Material, Source, StepKind, UnitAlias, Writer, hookimpl
from holdzero.testing.complaint import hidden, subject_of
from holdzero.testing.draft import Draft
from holdzero.testing.drive import Answers
from holdzero.testing.loading import catalogue_of, module_of
from holdzero.testing.of_check import check_conforms
from holdzero.testing.of_others import (
    contrast_conforms,
    material_conforms,
    rule_conforms,
    step_conforms,
    unit_conforms,
)
from holdzero.testing.of_source import source_conforms
from holdzero.testing.of_writer import writer_conforms

__all__ = ["assert_conforms"]

__tracebackhide__ = hidden


def assert_conforms(
    what: object,
    *,
    settings: Mapping[str, Any] | None = None,
    argument: str = "",
    routine: str | Path | Draft | None = None,
    answers: Answers | None = None,
    silent: bool = False,
) -> None:
    """Put what a plugin declares through the rules of the surface.

    Args:
        what: a plugin's module, the path of a single file, or one declaration.
        settings: of a check, a kind of step or a rule, as a routine writes them; empty if None. For a
            module that declares several of these, settings by the declaration's name.
        argument: with which a source opens: what stands behind the colon of `--source NAME:ARGUMENT`.
        routine: of the sample runs of a check or source: text, file or draft; the check's table is put
            in where it has none. If None, one that suits: for a check it has three places, two zeros, a
            soak, temperatures, a check standard, questions, revision A; and another for a batch of two.
        answers: of the sample run, as a readings file has them; for a check that run is the only one
            then. If None, virtual ones: readings near the nominal, and of a check once more with
            a reading struck out, with readings that scatter, drift or stick, and in a batch.
        silent: whether a check may say nothing in all sample runs, which else is a fault: what never
            speaks was not tried.

    Raises:
        AssertionError: a rule is broken; says by which declaration, which rule, what was found and
            how to mend it.
    """
    declared, catalogue = _declared(what)
    answered = None if answers is None else list(answers)
    for item in declared:
        _conforms(item, catalogue, _settings_of(item, declared, settings), argument, routine, answered, silent=silent)


def _declared(what: object) -> tuple[list[Any], Catalogue]:
    """What is to be looked at, and a catalogue that has it."""
    try:
        if isinstance(what, ModuleType | Path):
            module = module_of(what)
            return declarations(module.__name__, module), catalogue_of(module)
        subject_of(what)
        built_in = catalogue_of()
        known = any(what == item for table in _tables(built_in) for _, item in table.values())
        return [what], built_in if known else catalogue_of(_module_with(what))
    except PluginRefusedError as error:
        raise AssertionError(f"{what!r:.200} can't be loaded as a plugin\n    found: {error}") from None


_FUNCTIONS = ("judge", "watch", "terms", "weigh", "expected", "apart", "shows")


def _module_with(declaration: Any) -> ModuleType:
    """A module that declares one thing, as if it stood in the file of its functions."""
    hook = next(hook for hook, (_, kind) in HOOKS.items() if type(declaration) is kind)
    module = ModuleType(str(declaration.name))
    functions = (getattr(declaration, word, None) for word in _FUNCTIONS)
    module.__file__ = next((item.__code__.co_filename for item in functions if inspect.isfunction(item)), None)

    def declare() -> list[Any]:
        return [declaration]

    setattr(module, hook, hookimpl(declare))
    return module


def _tables(catalogue: Catalogue) -> tuple[Mapping[str, Any], ...]:
    return (
        catalogue.steps,
        catalogue.contrasts,
        catalogue.checks,
        catalogue.sources,
        catalogue.writers,
        catalogue.materials,
        catalogue.rules,
        catalogue.units,
    )


def _settings_of(item: Any, declared: list[Any], settings: Mapping[str, Any] | None) -> Mapping[str, Any] | None:
    """The settings of one declaration: all of them, or those under its name."""
    several = sum(hasattr(other, "settings") for other in declared) > 1
    if settings is None or not hasattr(item, "settings"):
        return None
    return settings.get(item.name) if several else settings


def _conforms(
    item: Any,
    catalogue: Catalogue,
    settings: Mapping[str, Any] | None,
    argument: str,
    routine: str | Path | Draft | None,
    answers: list[str | tuple[float, str]] | None,
    *,
    silent: bool,
) -> None:
    match item:
        case Check():
            check_conforms(item, catalogue, settings=settings, routine=routine, answers=answers, silent=silent)
        case Source():
            source_conforms(item, catalogue, argument=argument, routine=routine, answers=answers)
        case Writer():
            writer_conforms(item, catalogue)
        case StepKind():
            step_conforms(item, catalogue, settings=settings)
        case Contrast():
            contrast_conforms(item)
        case GuardRule():
            rule_conforms(item, settings=settings)
        case Material():
            material_conforms(item)
        case UnitAlias():
            unit_conforms(item)
        case _:
            raise AssertionError(f"{item!r:.100} has no rules: this kit is older than the surface")
