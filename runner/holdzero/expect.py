"""What to expect of a routine before any reading: its budget, and what it could decide.

The routine is run with ideal readings through the very same run, checks and decision as at the
bench: the part lies in the middle of its limits, the zero closes, and repeats scatter by just the
standard deviation that is expected. What the comparator shows of such a part, at the bench's
temperatures and with all that is corrected, follows from the routine's own model, turned round.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holdzero import events as e
from holdzero.checks import Checks
from holdzero.decide import DecisionRule, Rule, decide
from holdzero.errors import HoldzeroError
from holdzero.evaluate import evaluate
from holdzero.heights import Heights, middle_um
from holdzero.hooks import Contrast
from holdzero.inverse import difference_for_um, term_um
from holdzero.length import REFERENCE_TEMPERATURE_DEGC
from holdzero.model import Contribution, Number, Term
from holdzero.result import Evaluation, Result
from holdzero.routine import schema
from holdzero.run import Run
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.prompt import Prompt
from holdzero.run.state import State
from holdzero.views import view_of

__all__ = [
    "Expectation",
    "Ideal",
    "Lever",
    "Lying",
    "NeverEndsError",
    "begun",
    "conducted",
    "expect",
    "smallest_tolerance_um",
]

_WALL = "2000-01-01T00:00:00+00:00"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lever:
    """What would become of U if one contribution were halved.

    Attributes:
        name: of the input.
        expanded_um: U then [um].
        advice: how it could be done.
    """

    name: str
    expanded_um: float
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What to expect of one characteristic.

    Attributes:
        result: as a run with ideal readings would give it.
        smallest_tolerance_um: narrowest two-sided tolerance whose middle could be passed [um].
        levers: what would help most, best first.
    """

    result: Result
    smallest_tolerance_um: float
    levers: tuple[Lever, ...]


def expect(
    document: Mapping[str, Any],
    digest: str,
    checks: Checks,
    *,
    scatter_um: float = 0.0,
    entries: Mapping[str, Mapping[str, Any]] | None = None,
    temperatures: Mapping[str, float] | None = None,
) -> tuple[Evaluation, tuple[Expectation, ...]]:
    """Evaluate a routine with ideal readings.

    Args:
        document: the resolved routine as plain data.
        digest: its digest.
        checks: bound to it.
        scatter_um: standard deviation that repeats will show [um]; 0 for less than the resolution.
        entries: devices of the register for what the routine only requires, by role.
        temperatures: what thermometers show, by what they hang on [degC]; 20 where nothing is said.

    Raises:
        NeverEndsError: the run comes to no end.
        HoldzeroError: a required device is not given, or a device is not fit.
    """
    start = begun(document, digest)
    bench = partial(
        Ideal, start, scatter_um, entries or {}, checks.contrasts, temperatures or {}, shows=checks.shows_um
    )
    # What lies there as long as the reference tells what its model makes of that; so it tells what should lie there.
    first, _ = _evaluated(start, bench(), checks)
    evaluation, reference = _evaluated(start, bench(_lying_in_the_middle(first, checks.contrasts)), checks)
    rule = schema.Routine.model_validate(dict(document)).decision.numbers(checks.rule)
    return evaluation, tuple(
        _expectation(result, rule, reference) for result in evaluation.results if result.propagated
    )


def _evaluated(start: Run, bench: Ideal, checks: Checks) -> tuple[Evaluation, schema.Reference | None]:
    """What comes of a run that a bench answers, and the reference that was used."""
    state = conducted(start, bench).state
    view = view_of(state, None, checks.materials)
    (expected, _), (apart, _) = checks.expected(view), checks.apart(view)
    made = evaluate(state, None, checks)
    return replace(made, check_standard=tuple(expected), apart=tuple(apart)), state.reference


def _lying_in_the_middle(evaluation: Evaluation, contrasts: Mapping[str, Contrast]) -> Lying:
    """What has to lie under the tip so that all values are in the middle of their limits.

    Args:
        evaluation: of the routine, whatever was read.
        contrasts: measures of plugins.
    """

    def wanted_um(result: Result) -> Number:
        spec = result.spec
        whole = spec.measure is schema.Measure.SIZE and spec.nominal is None
        if whole and (spec.lower is None or spec.upper is None):
            return 0.0  # a size that has no middle: that of the reference
        return difference_for_um(result, middle_um(spec))

    heights = Heights(results=evaluation.results, of="", contrasts=contrasts, apart=evaluation.apart)
    check_um = sum((term_um(term, 0.0) for term in evaluation.check_standard), start=0.0)
    return Lying(places_um=heights.laid_out(wanted_um, _as_estimated_um), check_um=check_um)


def _as_estimated_um(term: Term) -> Number:
    return term_um(term, 0.0)


def _expectation(result: Result, rule: DecisionRule, reference: schema.Reference | None) -> Expectation:
    propagated = result.propagated
    u = float(propagated.standard_uncertainty_um) if propagated else 0.0
    dof = float(propagated.dof) if propagated else math.inf
    smallest, levers = smallest_tolerance_um(u, dof, rule), _levers(result, reference)
    return Expectation(result=result, smallest_tolerance_um=smallest, levers=levers)


def smallest_tolerance_um(standard_uncertainty_um: float, dof: float, rule: DecisionRule) -> float:
    """Narrowest two-sided tolerance whose middle passes.

    Args:
        standard_uncertainty_um: of the value [um].
        dof: its effective degrees of freedom [1].
        rule: by which it is decided.

    Returns:
        Full width of the tolerance [um]; 0 for simple acceptance, which asks nothing of it.

    Source: JCGM 106:2012, eq. (11) at the middle of the tolerance; 8.3.2 for a stated guard band.
    """
    if rule.rule is Rule.SIMPLE or standard_uncertainty_um == 0.0:
        return 0.0
    low, high = 0.0, 1e3 * standard_uncertainty_um
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        half = 0.5 * middle
        decision = decide(0.0, standard_uncertainty_um, dof, lower_um=-half, upper_um=half, rule=rule)
        low, high = (low, middle) if decision.passes else (middle, high)
    return high


_HALVINGS = 60  # of a range of a thousand u: to the last digits of a double


_ELSEWHERE = ", or a reference nearer to the part's size"
_ADVICE = (
    ("repeatability", "four times the repeats, zeros among them, or a finer or steadier comparator"),
    ("deviation of the reference", "a better reference, or a certificate with a smaller uncertainty"),
    ("temperature, part less reference", "a longer soak side by side"),
    ("temperature", "a better thermometer, or a room nearer to 20 °C"),
    ("error of the thermometer", "a better thermometer"),
    ("expansion", "a reference of the part's own material, or a room nearer to 20 °C"),
    ("error of the comparator", "a better comparator" + _ELSEWHERE),
    ("film, how it gives way", "readings at a lighter force"),
    ("drift", "a shorter run between zero and return"),
)


def _advice(name: str, *, as_large: bool) -> str:
    """How an input could be known better; where part and reference are one size, that is no advice."""
    advice = next((words for start, words in _ADVICE if name.startswith(start)), "know it better")
    return advice.removesuffix(_ELSEWHERE) if as_large else advice


def _levers(result: Result, reference: schema.Reference | None) -> tuple[Lever, ...]:
    if result.propagated is None or result.decision is None:
        return ()
    u2 = float(result.propagated.standard_uncertainty_um) ** 2
    k = float(result.decision.coverage_factor)
    # What differs within the part does not depend on the reference at all.
    within = result.spec.measure is not schema.Measure.SIZE
    as_large = within or (reference is not None and result.spec.nominal == reference.size)
    rows = result.propagated.contributions
    of_input: dict[str, float] = {}
    for row in rows:
        for name in dict.fromkeys(row.of):
            of_input[name] = of_input.get(name, 0.0) + _saved(row)
    levers = []
    for name in (row.input.name for row in rows if not row.is_pair):
        saved = of_input[name]
        if saved > 0.0:
            advice = _advice(name, as_large=as_large)
            levers.append(Lever(name=name, expanded_um=k * math.sqrt(max(u2 - saved, 0.0)), advice=advice))
    return tuple(sorted(levers, key=lambda lever: lever.expanded_um)[:3])


def _saved(row: Contribution) -> float:
    """What half the uncertainty of an input takes off the variance [um²]: of its square, 15 in 16."""
    part = float(row.contribution_um)
    return (0.9375 if row.is_pair and len(row.of) == 1 else 0.75) * part * abs(part)


# --- the ideal run ----------------------------------------------------------------------------


def begun(document: Mapping[str, Any], digest: str) -> Run:
    """A run of a routine that has begun, at no real bench.

    Args:
        document: the resolved routine as plain data.
        digest: its digest.
    """
    started = e.RunStarted(
        seq=1,
        wall=_WALL,
        time_s=0.0,
        software="expected",
        routine=dict(document),
        routine_digest=digest,
        routine_file="",
        member=None,
        operator=None,
        serials=(None,),
        source="ideal readings",
        simulated=True,
        overruled={},
    )
    return Run().take(started)


def conducted(run: Run, bench: Ideal) -> Run:
    """The run to its end, answered by a bench.

    Raises:
        NeverEndsError: it comes to no end.
        HoldzeroError: the bench has no answer, or one does not fit.
    """
    asked: Counter[str] = Counter()
    while (prompt := run.prompt) is not None:
        asked[prompt.slot.id] += 1
        if asked[prompt.slot.id] > _OFTEN_ENOUGH:
            raise NeverEndsError(prompt.title)
        run = run.take(bench.answer(run, prompt))
    return run


_OFTEN_ENOUGH = 3  # a return may be asked for again, and then is closed


class NeverEndsError(HoldzeroError):
    """A routine asks for the same thing for ever: its author must mend it.

    Args:
        title: of the prompt.
    """

    def __init__(self, title: str) -> None:
        super().__init__(f"the routine never ends: it asks for “{title}” again and again; put a zero step before it")
        self.title = title


@dataclass(frozen=True, slots=True, kw_only=True)
class Lying:
    """What lies under the tip of a perfect bench, as its comparator shows it.

    Attributes:
        places_um: of the part, by name [um]; 0 where one is left out.
        check_um: the check standard [um].
    """

    places_um: Mapping[str, Number] = field(default_factory=dict)
    check_um: Number = 0.0


class Ideal:
    """Answers every prompt as a perfect bench would, with repeats that scatter by a given amount.

    Args:
        run: that has begun.
        scatter_um: standard deviation of repeats [um].
        entries: devices of the register for what the routine only requires, by role.
        contrasts: measures of plugins.
        temperatures: what thermometers show, by what they hang on [degC]; 20 where nothing is said.
        lying: what lies under the tip; everything is as long as the reference if None.
        shows: gives what the comparator shows in place of what it should [um]; the same if None.
    """

    every_s = 10.0
    """Time from one answer to the next [s]."""

    def __init__(
        self,
        run: Run,
        scatter_um: float,
        entries: Mapping[str, Mapping[str, Any]],
        contrasts: Mapping[str, Contrast],
        temperatures: Mapping[str, float] = MappingProxyType({}),
        lying: Lying | None = None,
        *,
        shows: Callable[[Number], Number] | None = None,
    ) -> None:
        self.shows = shows or (lambda should_um: should_um)
        self._lying = lying or Lying()
        self.temperatures = temperatures
        self.contrasts = contrasts
        self.scatter_um = scatter_um
        self.entries = entries
        self.sizes = Counter(_repeats(slot) for slot in run.state.slots if slot.kind.is_reading)
        self.taken: Counter[object] = Counter()

    def answer(self, run: Run, prompt: Prompt) -> e.AnyEvent:  # noqa: PLR0911  one arm a kind
        """The event that answers a prompt."""
        slot = prompt.slot
        time_s = max(run.state.now_s + self.every_s, prompt.until_s)
        head: dict[str, Any] = {"seq": run.state.seq + 1, "wall": _WALL, "time_s": time_s, "slot": slot.id}
        match slot.kind:
            case SlotKind.CHOOSE:
                if slot.of not in self.entries:
                    raise HoldzeroError(f"the routine only says what {slot.of} it needs; name one with --{slot.of}")
                return e.EntryChosen(**head, role=slot.of, entry=dict(self.entries[slot.of]), overruled=None)
            case SlotKind.PREPARE:
                return e.StepDone(**head)
            case SlotKind.ASK:
                ideal: dict[str, float | str] = {"text": "ideal", "temperature": REFERENCE_TEMPERATURE_DEGC}
                value = slot.choices[0] if slot.choices else ideal.get(slot.answer, 0.0)
                return e.AnswerGiven(**head, raw=str(value), value=value)
            case SlotKind.SOAK:
                return e.SoakEnded(**head, reason=None)
            case SlotKind.TEMPERATURE:
                shown = round(self.temperature_degC(run.state, slot.of, time_s), 3)
                return e.TemperatureRead(**head, raw=f"{shown:g} degC", value_degC=shown)
            case SlotKind.COMPARE:
                return e.RunFinished(**head)
            case _:
                return e.ReadingTaken(**head, raw="ideal", value_um=self.reading_um(run, slot))

    def reading_um(self, run: Run, slot: Slot) -> Number:
        """What the comparator shows [um]."""
        del run  # of no matter to a bench where nothing goes on
        return self.shows(self._ideal_um(slot)) + self._scattered(slot)

    def temperature_degC(self, state: State, of: str, at_s: float) -> float:  # noqa: N802  the unit's own capital
        """What a thermometer shows [degC]."""
        del state, at_s
        return self.temperatures.get(of, REFERENCE_TEMPERATURE_DEGC)

    def _scattered(self, slot: Slot) -> float:
        """Deviations of a group's readings whose standard deviation is the one asked for."""
        key = _repeats(slot)
        size, index = self.sizes[key], self.taken[key]
        self.taken[key] += 1
        if size < 2 or not self.scatter_um:  # noqa: PLR2004  one reading has no scatter
            return 0.0
        ramp = _shuffled(size)
        return float(self.scatter_um * ramp[index] / ramp.std(ddof=1))

    def _ideal_um(self, slot: Slot) -> Number:
        match slot.kind:
            case SlotKind.READ:
                return self._lying.places_um.get(str(slot.place), 0.0)
            case SlotKind.CHECK:
                return self._lying.check_um
            case _:
                return 0.0


@lru_cache
def _shuffled(size: int) -> NDArray[np.float64]:
    """A ramp in another order: no trend that a check would take for heat."""
    ramp = np.argsort(np.sin(7.0 * np.arange(1, size + 1))).astype(np.float64)
    ramp -= ramp.mean()
    return ramp


def _repeats(slot: Slot) -> object:
    """Readings that should be alike: a group that scatters about its own mean."""
    group = slot.group if slot.kind is not SlotKind.READ else ""
    return (slot.kind, group, slot.place, slot.force_N)
