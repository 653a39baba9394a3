"""The conformance suites for step kinds, contrasts, decision rules, materials and names of units."""

from __future__ import annotations

import copy
import itertools
import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from holdzero.catalogue import Catalogue
from holdzero.contrast import contrast_weights
from holdzero.decide import Standing
from holdzero.errors import FileFaultsError, QuantityError
from holdzero.estimate import Estimate
from holdzero.expansion import expand
from holdzero.hooks import Contrast, GuardRule, Material, Settings, StepKind, UnitAlias
from holdzero.quantity import Dimension, parse_quantity
from holdzero.routine.resolve import Origins, Text
from holdzero.testing.complaint import Subject, hidden, subject_of
from holdzero.testing.draft import Draft
from holdzero.testing.drive import loaded_of

__all__ = ["contrast_conforms", "material_conforms", "rule_conforms", "step_conforms", "unit_conforms"]

__tracebackhide__ = hidden


# --- steps ------------------------------------------------------------------------------------


def step_conforms(kind: StepKind, catalogue: Catalogue, *, settings: Mapping[str, Any] | None = None) -> None:
    """Put a kind of step through its rules.

    Args:
        kind: declared by a plugin of the catalogue.
        catalogue: with it.
        settings: the step's keys; none if None.

    Raises:
        AssertionError: it breaks one; says which, what was found, how to mend it.
    """
    subject = subject_of(kind)
    subject.titled(kind.title)
    typed = subject.settled(kind.settings, settings)
    kept = copy.deepcopy(typed)
    table = {"do": kind.name, **(settings or {})}
    made, again = (_expanded(subject, kind, table) for _ in range(2))
    subject.answers_for(made, again, "the steps that it makes")
    kind.steps(typed)
    subject.require(
        good=typed == kept,
        rule="steps must not change the settings",
        found="they differ after the call",
        mend="copy what is to be changed",
    )
    try:
        loaded_of(Draft().with_step(kind.name, **(settings or {})), catalogue)
    except FileFaultsError as error:
        mend = "make steps as they would stand in the file, under names of their own"
        raise subject.broken("a routine with it must be valid", str(error), mend) from None


def _expanded(subject: Subject, kind: StepKind, table: dict[str, Any]) -> list[dict[str, Any]]:
    origins = Origins(Text(file="a sample", data={"steps": [table]}, lines={}))
    try:
        return expand(kind, kind.name, copy.deepcopy(table), origins, ("steps", 0))
    except FileFaultsError as error:
        mend = "return tables as they would stand in the file, quantities as text with their unit"
        raise subject.broken("it must make valid steps of the core", str(error), mend) from None


# --- contrasts --------------------------------------------------------------------------------

_FEWEST = 2
_FURTHER = 12  # places beyond the fewest, where the most is not said


def contrast_conforms(contrast: Contrast) -> None:
    """Put a contrast through its rules.

    Raises:
        AssertionError: it breaks one; says which, what was found, how to mend it.
    """
    subject = subject_of(contrast)
    subject.titled(contrast.title)
    most = contrast.most if contrast.most is not None else contrast.fewest + _FURTHER
    subject.require(
        good=_FEWEST <= contrast.fewest <= most,
        rule="fewest must be 2 or more, and not above most",
        found=f"fewest = {contrast.fewest}, most = {contrast.most}",
        mend="a difference within the part needs two places",
    )
    for places in range(contrast.fewest, most + 1):
        rule = f"weights for {places} places must be as many finite numbers, not all zero, that sum to zero"
        with subject.never_raising(rule, "make them sum to zero for every number of places, or say fewest and most"):
            made, again = contrast_weights(contrast, places), contrast_weights(contrast, places)
        subject.answers_for(made, again, f"weights for {places} places")


# --- rules ------------------------------------------------------------------------------------

_UNCERTAINTIES_UM = (0.0, 1e-6, 0.03, 0.4, 7.0, 1e5)
_DOFS = (1.0, 3.0, 50.0, math.inf)
_LIMITS_UM = ((-3.0, 3.0), (0.0, 0.0), (-0.001, 5e4), (None, 1.0), (-1.0, None))


def rule_conforms(rule: GuardRule, *, settings: Mapping[str, Any] | None = None) -> None:
    """Put a decision rule through its rules.

    Args:
        rule: declared by a plugin.
        settings: of `[decision.settings]`; empty if None.

    Raises:
        AssertionError: it breaks one; says which, what was found, how to mend it.
    """
    subject = subject_of(rule)
    subject.titled(rule.title)
    typed = subject.settled(rule.settings, settings)
    kept = copy.deepcopy(typed)
    _has_words(subject, rule, typed)
    for lower, upper in _LIMITS_UM:
        standings = [_standing(lower, upper, u, dof) for u, dof in itertools.product(_UNCERTAINTIES_UM, _DOFS)]
        singles = [_guard(subject, rule, typed, standing) for standing in standings]
        _as_arrays(subject, rule, typed, standings, singles)
    subject.require(
        good=typed == kept,
        rule="guard and words must not change the settings",
        found="they differ after the call",
        mend="copy what is to be changed",
    )


def _standing(lower_um: float | None, upper_um: float | None, standard_um: float, dof: float) -> Standing:
    factor = 2.0 if math.isinf(dof) else 2.0 + 10.0 / dof  # any that falls with dof; no rule may count on one
    return Standing(
        lower_um=lower_um,
        upper_um=upper_um,
        standard_uncertainty_um=standard_um,
        dof=dof,
        coverage_factor=factor,
        expanded_uncertainty_um=factor * standard_um,
    )


def _has_words(subject: Subject, rule: GuardRule, settings: Settings) -> None:
    mend = "return the rule in a sentence, with its numbers and its source"
    with subject.never_raising("words must not raise", mend):
        words: object = rule.words(settings)
        again: object = rule.words(settings)
    subject.require(
        good=isinstance(words, str) and " " in words and words == words.strip() and words.endswith("."),
        rule="words must be a sentence",
        found=f"{words!r}",
        mend=mend,
    )
    subject.answers_for(words, again, "words")


def _guard(subject: Subject, rule: GuardRule, settings: Settings, standing: Standing) -> float:
    mend = "return a guard band of 0 or more [um], infinite where nothing may be decided"
    with subject.never_raising(f"guard must give a number ({standing})", mend):
        made, again = float(rule.guard(settings, standing)), float(rule.guard(settings, standing))
    subject.require(
        good=made >= 0.0,
        rule="a guard band must be 0 or more",
        found=f"{made} for {standing}",
        mend=mend,
    )
    subject.answers_for(made, again, f"guard for {standing}")
    return made


def _as_arrays(
    subject: Subject, rule: GuardRule, settings: Settings, standings: list[Standing], singles: list[float]
) -> None:
    """One standing with arrays over runs gives what single ones give."""
    names = ("standard_uncertainty_um", "dof", "coverage_factor", "expanded_uncertainty_um")
    arrays: dict[str, Any] = {
        name: np.array([float(getattr(standing, name)) for standing in standings]) for name in names
    }
    together = replace(standings[0], **arrays)
    mend = "use numpy.where in place of if, numpy.maximum in place of max"
    with subject.never_raising("guard must take arrays over runs", mend):
        made = np.broadcast_to(np.asarray(rule.guard(settings, together), dtype=float), (len(singles),))
    subject.require(
        good=bool(np.allclose(made, singles, rtol=1e-12, atol=0.0)),
        rule="guard must give the same with arrays over runs as run by run",
        found=f"{made.tolist()} in arrays, {singles} run by run",
        mend=mend,
    )


# --- materials and units ----------------------------------------------------------------------

# Wider than any solid: sanity, not knowledge (common practice, no source).
_EXPANSION_PER_K = (-1e-5, 5e-4)
_MODULUS_GPA = (1e-3, 2e3)
# Of an isotropic body that is stable: Timoshenko and Goodier, Theory of Elasticity (from memory).
_POISSON = (-1.0, 0.5)
_POSITIVE = ("density_kg_m3", "heat_J_kgK", "conductivity_W_mK", "hardness_GPa", "yield_GPa")
# Diamond bears about 100 GPa (from memory).
_MOST_GPA = 200.0


def material_conforms(material: Material) -> None:
    """Put a material through its rules.

    Raises:
        AssertionError: it breaks one; says which, what was found, how to mend it.
    """
    subject = subject_of(material)
    _estimated(subject, "expansion", material.expansion, _EXPANSION_PER_K, "1/K")
    _estimated(subject, "modulus", material.modulus, _MODULUS_GPA, "GPa")
    poisson = material.poisson
    subject.require(
        good=poisson is None or _POISSON[0] < poisson <= _POISSON[1],
        rule="Poisson's ratio must lie between -1 and 0.5",
        found=f"{poisson}",
        mend="look at the number and its sign",
    )
    for name in _POSITIVE:
        number = getattr(material, name)
        subject.require(
            good=number is None or (math.isfinite(number) and number > 0.0),
            rule=f"{name} must be above zero",
            found=f"{number}",
            mend="leave out what is not known",
        )
    for name in ("hardness_GPa", "yield_GPa"):
        number = getattr(material, name)
        subject.require(
            good=number is None or number <= _MOST_GPA,
            rule=f"{name} must be a number that a solid can have, in GPa",
            found=f"{number}",
            mend="give it in GPa; is it in MPa, or a Vickers number?",
        )


def _estimated(subject: Subject, what: str, estimate: Estimate | None, within: tuple[float, float], unit: str) -> None:
    if estimate is None:
        return
    value, standard = float(estimate.value), float(estimate.standard_uncertainty)
    subject.require(
        good=within[0] <= value <= within[1] and 0.0 <= standard < math.inf and bool(estimate.dof > 0.0),
        rule=f"{what} must be a number that a solid can have, in {unit}",
        found=f"{value:g} with a standard uncertainty of {standard:g}",
        mend=f"give it in {unit}; is a power of ten lost?",
    )
    subject.require(
        good=bool(estimate.why.strip()),
        rule=f"{what} must say where it comes from",
        found="an empty why",
        mend='name the source: Estimate.within(…, why="…")',
    )


# No gauge shows readings in a unit beyond these [um]: sanity, not knowledge (common practice, no source).
_WORTH_UM = (1e-6, 1e6)


def unit_conforms(unit: UnitAlias) -> None:
    """Put a name of a unit through its rules.

    Raises:
        AssertionError: it breaks one; says which, what was found, how to mend it.
    """
    subject = subject_of(unit)
    subject.titled(unit.title)
    rule, mend = "its worth must be a length that a reading can have", 'write worth="0.0001 in", for example'
    try:
        worth_um = parse_quantity(unit.worth, Dimension.LENGTH).value
    except QuantityError as error:
        raise subject.broken(rule, str(error), mend) from None
    subject.require(
        good=_WORTH_UM[0] <= worth_um <= _WORTH_UM[1], rule=rule, found=f"{unit.worth} = {worth_um:g} um", mend=mend
    )
