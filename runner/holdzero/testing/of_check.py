"""The conformance suite for a check: at every moment of a run, in every unit, one run at a time or many.

The last rule is about slips: a check that catches its own `TypeError` and makes a stop of it hides
what the engine would have told its author.
"""

from __future__ import annotations

import copy
import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np

from holdzero.catalogue import Catalogue, Plugin
from holdzero.checks import BoundCheck, bind
from holdzero.evaluate import evaluate
from holdzero.hooks import Check, Finding, Level, Remark, RunView, Settings, Term
from holdzero.model import propagate
from holdzero.routine.load import LoadedRoutine
from holdzero.routine.schema import ReferencePlace, RequiredComparator, RequiredReference, RequiredThermometer, Routine
from holdzero.run import Run
from holdzero.run.plan import plan_of
from holdzero.testing.at_once import many_at_once
from holdzero.testing.complaint import Subject, hidden, subject_of
from holdzero.testing.draft import Draft
from holdzero.testing.drive import Answers, begun, driven, loaded_of, scripted
from holdzero.testing.samples import BATCH, TWO, in_inches, say_for, with_a_strike, with_table, worlds
from holdzero.testing.saying import SERIAL, Said, Suite, value_of

__all__ = ["check_conforms"]

__tracebackhide__ = hidden


def check_conforms(
    check: Check,
    catalogue: Catalogue,
    *,
    settings: Mapping[str, Any] | None = None,
    routine: str | Path | Draft | None = None,
    answers: Answers | None = None,
    silent: bool = False,
) -> None:
    """Put a check through its rules.

    Args:
        check: declared by a plugin of the catalogue.
        catalogue: with it.
        settings: of its table in the routine; empty if None.
        routine: of the sample run; one that has a little of everything if None.
        answers: of the sample run; virtual ones if None.
        silent: whether it may say nothing in all sample runs.

    Raises:
        AssertionError: it breaks one; says which, what was found, how to mend it.
    """
    subject = subject_of(check)
    subject.titled(check.title)
    said = None if answers is None else list(answers)
    loaded = loaded_of(with_table(routine, check.name, settings), catalogue)
    typed = subject.settled(check.settings, loaded.routine.checks.get(check.name, settings or {}))
    suite = _suite(subject, check, typed, catalogue, loaded)
    runs = list(driven(begun(loaded), say_for(loaded, said)))
    _remarks(suite, loaded)
    moments = list(_moments(suite, runs))
    if said is None:
        batch = loaded_of(with_table(BATCH, check.name, settings), catalogue) if routine is None else loaded
        moments += _as_it_might_go(suite, loaded, batch)
    moments += _as_it_might_end(suite, runs[-1])
    spoke = _at_every_moment(suite, moments)
    _in_inches(suite, loaded, runs)
    many_at_once(suite, runs[-1])
    subject.require(
        good=spoke or silent,
        rule="this check never spoke in the sample runs",
        found="neither watch, terms, weigh nor judge gave anything, so that most of it was not tried",
        mend="give routine= and answers= with which it does, or silent=True if that is right",
    )


def _suite(subject: Subject, check: Check, settings: Settings, catalogue: Catalogue, loaded: LoadedRoutine) -> Suite:
    checks, faults = bind(loaded.routine, catalogue, loaded.origins)
    subject.require(
        good=not faults,
        rule="the routine of the sample run must be valid with it",
        found="; ".join(str(fault) for fault in faults),
        mend="give settings={…} or routine=… that fit",
    )
    plugin = catalogue.checks[check.name][0]
    alone = replace(checks, bound=(BoundCheck(plugin=plugin, check=check, settings=settings),), missing=())
    return Suite(subject=subject, check=check, settings=settings, checks=checks, alone=alone, plugin=plugin)


def _remarks(suite: Suite, loaded: LoadedRoutine) -> None:
    """What it says of its table follows from the routine alone."""
    validate = suite.check.validate
    if validate is None:
        return
    plan = plan_of(loaded.routine, (None,))
    with suite.subject.never_raising("validate may not raise", None, files=_files_of(suite.plugin)):
        first, again = (list(validate(suite.settings, loaded.routine, plan)) for _ in range(2))
    suite.subject.require(
        good=all(isinstance(item, Remark) for item in first),
        rule="validate must return what the surface says",
        found=", ".join(type(item).__name__ for item in first),
        mend="return Remark as holdzero.hooks describes it",
    )
    suite.subject.answers_for(first, again, "what it says of its table")


# --- every moment -----------------------------------------------------------------------------


def _at_every_moment(suite: Suite, views: Sequence[tuple[str, RunView]]) -> bool:
    """Nothing is raised, nothing is nonsense, nothing is changed, and the same is said twice; whether anything is."""
    first: list[object] = []
    spoke = False
    files = _files_of(suite.plugin)
    for when, view in views:
        kept = copy.deepcopy((view, suite.settings))
        with suite.subject.never_raising(f"no function of it may raise ({when})", None, files=files):
            said, slips = _witnessed(suite, view)
        suite.subject.require(
            good=(view, suite.settings) == kept,
            rule=f"it must not change what it is given ({when})",
            found="view or settings differ after the call",
            mend="copy what is to be changed",
        )
        _sound(suite, when, view, said)
        _no_slip(suite, when, said, slips)
        first.append(said.plain)
        spoke = spoke or said.anything
    # In the other order: what it says must not hang on what it was asked before.
    for (when, view), before in reversed(list(zip(views, first, strict=True))):
        suite.subject.answers_for(before, suite.said(view).plain, f"what it says ({when})")
    return spoke


def _moments(suite: Suite, runs: Sequence[Run]) -> Iterator[tuple[str, RunView]]:
    """Views of every prefix of the run: as the routine states devices, and as it only requires them."""
    start = suite.view(runs[0].state)
    bare = _only_required(start.routine)
    nothing = replace(start, routine=bare, reference=None, comparator=None, thermometer=None)
    yield "before any device is chosen", nothing
    yield "abandoned before any device is chosen", replace(nothing, finished=True)
    for run in runs:
        view = suite.view(run.state)
        when = f"after {len(run.events)} events"
        yield when, view
        yield f"{when}, devices named at the bench", replace(view, routine=bare)
        yield f"abandoned {when}", replace(view, finished=True)


def _as_it_might_go(suite: Suite, loaded: LoadedRoutine, batch: LoadedRoutine) -> Iterator[tuple[str, RunView]]:
    """Views of a run with a reading that was struck out, and of a batch of two where the routine takes batches."""
    for run in with_a_strike(begun(loaded), say_for(loaded, None)):
        yield f"after {len(run.events)} events, with a reading struck out", suite.view(run.state)
    if not batch.routine.takes_batches:
        return
    for run in driven(begun(batch, serials=TWO), say_for(batch, None)):
        last = run.state.live[-1].slot.serial if run.state.live else None
        yield f"after {len(run.events)} events, in a batch of two", suite.view(run.state, last or SERIAL)


def _as_it_might_end(suite: Suite, run: Run) -> Iterator[tuple[str, RunView]]:
    """Views of the end of a run, with readings that are alike, scattered, drift, hold an outlier or are stuck."""
    for state in worlds(run.state, suite.view(run.state).resolution_um):
        yield "at the end, with readings moved", suite.view(state)


def _only_required(routine: Routine) -> Routine:
    """The routine with devices that are only required, not stated."""
    thermometer = RequiredThermometer.model_construct(largest_expanded=1.0) if routine.thermometer else None
    return routine.model_copy(
        update={
            "reference": RequiredReference.model_construct(
                size=routine.reference.size, material=routine.reference.material, largest_expanded=None
            )
            if not isinstance(routine.reference, ReferencePlace)
            else routine.reference,
            "comparator": RequiredComparator.model_construct(largest_resolution=1e3, smallest_travel=None),
            "thermometer": thermometer,
        }
    )


def _sound(suite: Suite, when: str, view: RunView, said: Said) -> None:
    """What it says is what the surface promises, in finite numbers."""
    nonsense = suite.nonsense(view)
    suite.subject.require(
        good=not nonsense,
        rule=f"it must return what the surface says ({when})",
        found="; ".join(nonsense),
        mend="return Finding, Term or Weighting as holdzero.hooks describes them",
    )
    for name, terms in said.terms:
        for term in terms:
            _finite_term(suite, f"{when}, {name}", term)
    for finding in said.findings:
        _finite_finding(suite, when, finding)
    for name, weighing in said.weighed:
        numbers = () if weighing is None else (*weighing.weights, weighing.scatter[0])
        _finite(suite, f"weights and scatter ({when}, {name})", numbers)


def _finite(suite: Suite, what: str, numbers: Sequence[Any]) -> None:
    bad = [number for number in numbers if not np.all(np.isfinite(np.asarray(number, dtype=float)))]
    suite.subject.require(
        good=not bad,
        rule=f"no NaN and no infinity in {what}",
        found=f"{bad[:1]}",
        mend="leave out what can't be computed, and say why in a finding",
    )


def _finite_term(suite: Suite, when: str, term: Term) -> None:
    with suite.subject.never_raising(
        f"the function of the term {term.name!r} must not raise ({when})", "it takes one number for each input"
    ):
        value = value_of(term)
    estimates = [(item.estimate.value, item.estimate.standard_uncertainty) for item in term.inputs]
    _finite(suite, f"the term {term.name!r} ({when})", [value, *(number for pair in estimates for number in pair)])
    dofs = [item.estimate.dof for item in term.inputs]
    suite.subject.require(
        good=all(bool(np.all(np.asarray(dof) > 0.0)) for dof in dofs),
        rule=f"degrees of freedom of the term {term.name!r} must be above zero ({when})",
        found=f"{dofs}",
        mend="leave dof out where nothing limits them",
    )
    with suite.subject.never_raising(
        f"the term {term.name!r} must fit the model ({when})", "give every input a name that is its own"
    ):
        propagate([term])


def _finite_finding(suite: Suite, when: str, finding: Finding) -> None:
    if np.any(finding.holds):  # the words and numbers of one that does not are seen by nobody
        _finite(suite, f"the data of {finding.code} ({when})", list(finding.data.values()))
    suite.subject.require(
        good=not np.any(finding.holds) or re.search(r"\b(nan|inf)\b", finding.text) is None,
        rule=f"no NaN and no infinity in the text of {finding.code} ({when})",
        found=finding.text,
        mend="say it in words where there is no number",
    )
    suite.subject.require(
        good=finding.code.startswith(f"{suite.check.name}/") and bool(finding.text.strip()),
        rule="a finding's code must be the check's name, a slash and what it is; its text must not be empty",
        found=f"code {finding.code!r}, text {finding.text!r}",
        mend=f'write code="{suite.check.name}/…"',
    )


# --- slips ------------------------------------------------------------------------------------

# What Python raises at a slip in the code; a plugin that means something raises something else.
_SLIPS = (TypeError, AttributeError, NameError, AssertionError, ZeroDivisionError, ImportError)


def _witnessed(suite: Suite, view: RunView) -> tuple[Said, list[str]]:
    """What the check says, and the slips in its own code that it caught on the way."""
    slips: list[str] = []
    files = _files_of(suite.plugin)

    def local(frame: FrameType, event: str, arg: Any) -> Callable[..., Any]:
        if event == "exception" and issubclass(arg[0], _SLIPS):
            slips.append(
                f"{arg[0].__name__}: {arg[1]} (line {frame.f_lineno} of {Path(frame.f_code.co_filename).name})"
            )
        return local

    def trace(frame: FrameType, event: str, arg: Any) -> Callable[..., Any] | None:
        del event, arg
        return local if frame.f_code.co_filename in files else None

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        said = suite.said(view)
    finally:
        sys.settrace(before)
    return said, slips


def _files_of(plugin: Plugin) -> frozenset[str]:
    """The files of the plugin's own code: its file, or all of the package that it is in."""
    path = Path(plugin.file)
    if not plugin.file or "." not in plugin.module:
        return frozenset({plugin.file})
    return frozenset(str(item) for item in path.parent.rglob("*.py"))


def _no_slip(suite: Suite, when: str, said: Said, slips: Sequence[str]) -> None:
    loud = [f.code for f in said.findings if f.level in (Level.STOP, Level.DOUBT)]
    suite.subject.require(
        good=not (slips and loud),
        rule=f"a stop or doubt must not stand in for an exception that was swallowed ({when})",
        found=f"{', '.join(loud)}, after it caught {'; '.join(dict.fromkeys(slips))}",
        mend="let it raise, and the engine names the check; or look beforehand whether what is needed is there",
    )


# --- inches -----------------------------------------------------------------------------------


def _in_inches(suite: Suite, loaded: LoadedRoutine, runs: Sequence[Run]) -> None:
    """The same verdict and the same findings where every reading was given in inches."""
    others = list(driven(begun(loaded), scripted(in_inches(runs[-1]))))
    for run, other in zip(runs, others, strict=True):
        here, there = (suite.said(suite.view(item.state)).codes for item in (run, other))
        suite.subject.require(
            good=here == there,
            rule=f"it must find the same where readings are given in inches (after {len(run.events)} events)",
            found=f"in um {here}, in inches {there}",
            mend=_IN_ANY_UNIT,
        )
    one, two = (evaluate(item[-1].state, SERIAL, suite.checks) for item in (runs, others))
    failed = [f.text for f in one.findings if f.code == f"{suite.check.name}/failed"]
    suite.subject.require(
        good=not failed,
        rule="the engine must be able to use what it says",
        found="; ".join(failed),
        mend="give every input a name that is its own, and numbers that belong together",
    )
    codes = [sorted((str(f.level), f.code) for f in item.findings) for item in (one, two)]
    suite.subject.require(
        good=one.verdict == two.verdict and codes[0] == codes[1],
        rule="the verdict must be the same where readings are given in inches",
        found=f"in um {one.verdict} with {codes[0]}, in inches {two.verdict} with {codes[1]}",
        mend=_IN_ANY_UNIT,
    )


_IN_ANY_UNIT = (
    "use value_um, never raw: raw is what was typed. Where a reading lies exactly at a limit, the last digit of "
    "a float decides: give answers= that do not lie so"
)
