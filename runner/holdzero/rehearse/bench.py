"""A bench that knows the truth: what its comparator shows in each of many runs at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from holdzero.expect import Ideal
from holdzero.heights import Heights, comes_to_um, middle_um
from holdzero.hooks import Contrast
from holdzero.inverse import difference_for_um, difference_of_um, sensitivity, term_um, value_um
from holdzero.model import Number
from holdzero.rehearse.debrief import Hidden, Share, Truth
from holdzero.rehearse.draws import Draws
from holdzero.rehearse.errors import Floats, drawn, inputs_of, known_reference, shift_um, split_um
from holdzero.rehearse.goings_on import GoingsOn, again
from holdzero.rehearse.scenario import Scenario, true_value
from holdzero.result import Evaluation, Result
from holdzero.routine.schema import Measure
from holdzero.run import Run
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.state import State

__all__ = ["VirtualBench", "places_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Errors:
    """What is in truth not as estimated, with one reference or another under the zero.

    Attributes:
        true: all inputs, by name.
        given: names of those that the scenario sets.
        shifts_um: by how much more the comparator shows at a place for all that [um].
        check_um: what it shows on the check standard [um].
    """

    true: Mapping[str, Floats]
    given: frozenset[str]
    shifts_um: Mapping[str, Number]
    check_um: Number


class VirtualBench(Ideal):
    """Answers as a bench whose errors are those that the routine states, and what a scenario adds.

    The inputs of its model are drawn once a run; single readings scatter, and are rounded as the comparator shows them.

    Args:
        run: that has begun.
        ideal: evaluation of the routine with ideal readings.
        of: name of the characteristic whose truth is set.
        more_um: how much more than in the middle of its limits it is, one a run or one for all [um].
        scatter_um: standard deviation of a single reading [um].
        entries: devices of the register for what the routine only requires, by role.
        contrasts: measures of plugins.
        draws: generators by name.
        runs: how many.
        scenario: what else goes on; None for nothing.
        shows: gives what the comparator shows in place of what it should [um]; the same if None.
    """

    def __init__(
        self,
        run: Run,
        *,
        ideal: Evaluation,
        of: str,
        more_um: Number,
        scatter_um: float,
        entries: Mapping[str, Mapping[str, Any]],
        contrasts: Mapping[str, Contrast],
        draws: Draws,
        runs: int,
        scenario: Scenario | None = None,
        shows: Callable[[Number], Number] | None = None,
    ) -> None:
        felt = scenario.temperatures if scenario is not None else {}
        super().__init__(run, 0.0, entries, contrasts, felt, shows=shows)
        self._ideal = ideal
        own = next(result for result in ideal.results if result.name == of)
        self._name = of
        self.noise_um = scatter_um
        self._draws, self._runs = draws, runs
        self._scenario = scenario
        if scenario is not None and scenario.every is not None:
            self.every_s = scenario.every
        self._goings_on = GoingsOn(scenario, draws, runs, run.state) if scenario is not None else None
        self._layout = Heights(results=ideal.results, of=of, contrasts=contrasts, apart=ideal.apart)
        levels, raised = self._laid_out(own, more_um)
        places = dict.fromkeys((*levels, *raised))
        self._heights_um = {place: levels.get(place, 0.0) + raised.get(place, 0.0) for place in places}
        # The ideal comparator showed the levels with its own errors, and does so again.
        self._shown_anyhow_um = {place: level - self._should_show_um(level) for place, level in levels.items()}
        usual, given, wrong = dict(drawn(ideal, draws, runs)), dict[str, Floats](), dict[str, Floats]()
        if scenario is not None:
            units = {name: item.unit for name, item in inputs_of(ideal).items()}
            given = {name: np.full(runs, true_value(text, units[name])) for name, text in scenario.true.items()}
            if scenario.reference_error is not None:
                wrong = dict(known_reference(ideal, scenario.reference_error, runs))
        self._errors = self._errors_of(usual, given | wrong)
        # Of a reference that is changed for the right one.
        until = scenario.reference_error_until if scenario is not None else None
        self._righted = self._errors_of(usual, given) if until is not None else None

    def reading_um(self, run: Run, slot: Slot) -> Number:
        """What the comparator shows, one a run [um]."""
        return self.shown_um(run.state, slot, run.state.now_s + self.every_s)

    def shown_um(self, state: State, slot: Slot, at_s: float) -> Number:
        """What the comparator shows at a time, one a run [um].

        Args:
            state: of the run.
            slot: that is read.
            at_s: when [s].
        """
        shown = self._draws(f"reading {slot.id} {again(state, slot)}").normal(0.0, self.noise_um, self._runs)
        more: Number = 0.0
        if slot.kind is SlotKind.READ:
            place, errors = str(slot.place), self._errors_at(state)
            more = errors.shifts_um.get(place, 0.0) + self._heights_um.get(place, 0.0)
            more = more - self._shown_anyhow_um.get(place, 0.0)
        elif slot.kind is SlotKind.CHECK:
            more = self._errors_at(state).check_um
        if self._goings_on is not None:
            more = more + self._goings_on.more_um(state, slot, at_s)
        # In place: these are the longest arrays that there are.
        shown += more
        shown = np.asarray(self.shows(shown))
        step = state.comparator.resolution if state.comparator is not None else 0.0
        if step:
            shown /= step
            np.rint(shown, out=shown)
            shown *= step
        return self._goings_on.misread_um(state, slot, shown) if self._goings_on is not None else shown

    def taken_for(self, state: State) -> float:
        """What is taken for a micrometre of the display [1]; 1 where its unit is known."""
        return self._goings_on.taken_for(state) if self._goings_on is not None else 1.0

    def temperature_degC(self, state: State, of: str, at_s: float) -> float:  # noqa: N802  the unit's own capital
        """What a thermometer shows [degC]."""
        warmer = self._goings_on.warmer_K(state, of, at_s) if self._goings_on is not None else 0.0
        return super().temperature_degC(state, of, at_s) + warmer

    def soaking_um(self, state: State, at_s: float) -> Number:
        """What the comparator shows of a part that lies under it while it soaks [um].

        Args:
            state: of the run.
            at_s: when [s].
        """
        return self._goings_on.soaking_um(state, at_s) if self._goings_on is not None else 0.0

    def hidden(self, state: State) -> Hidden:
        """What only the bench knows, of one run."""
        dust = self._goings_on.dust_under(state) if self._goings_on is not None else ()
        warmed_um = self._goings_on.warmed_um(state) if self._goings_on is not None else {}
        told = self._scenario.hidden if self._scenario is not None else None
        own = next(result for result in self._ideal.results if result.name == self._name)
        errors = self._errors if self._wrong_counts(state) else self._errors_at(state)
        shares = [
            Share(of=term, drawn_um=float(np.ravel(drawn_um)[0]), set_um=float(np.ravel(set_um)[0]))
            for term, drawn_um, set_um in split_um(own, errors.true, errors.given)
        ]
        return Hidden(
            truths=self._truths(),
            told=told,
            written_for=self._scenario.written_for if self._scenario is not None else "",
            dust=dust,
            warmed_um=warmed_um,
            of=self._name,
            shares=shares,
            righted=self._righted is not None and bool(state.lost_zeros),
        )

    def felt(self, state: State) -> tuple[str, ...]:
        """What a thermometer hangs on."""
        asked = [slot.of for slot in state.slots if slot.kind is SlotKind.TEMPERATURE]
        warm = self._goings_on is not None and self._goings_on.shown_warmth
        return tuple(dict.fromkeys((*asked, *self.temperatures, *(("part", "reference") if warm else ()))))

    def true_um(self) -> Number:
        """The characteristic whose truth is set, in truth, one a run or one for all [um]."""
        return self._true_um(next(result for result in self._ideal.results if result.name == self._name))

    def _truths(self) -> tuple[Truth, ...]:
        """What is true of all characteristics, where there is one run."""
        return tuple(
            Truth(name=result.name, spec=result.spec, true_um=float(np.ravel(self._true_um(result))[0]))
            for result in self._ideal.results
        )

    def _true_um(self, result: Result) -> Number:
        """What a characteristic is in truth: its value where all inputs are as estimated [um]."""
        spec, lying = result.spec, self._lying_um
        if spec.measure is Measure.SIZE:
            # What it counts from is the reference: a block that is not as it should be makes no part another.
            lying = {**lying, **{place: self._heights_um.get(place, 0.0) for place in spec.base or ()}}
        return value_um(result, comes_to_um(spec, lying, self.contrasts))

    @property
    def _lying_um(self) -> Mapping[str, Number]:
        """How high the places lie, with what the scenario says of them [um]."""
        own = self._scenario.part.places if self._scenario is not None else {}
        places = dict.fromkeys((*self._heights_um, *own))
        return {place: self._heights_um.get(place, 0.0) + own.get(place, 0.0) for place in places}

    def _should_show_um(self, shown_um: Number) -> Number:
        """What the comparator should show where it shows so much [um]."""
        should_um = shown_um
        for _ in range(_OFTEN):
            should_um = should_um + (shown_um - self.shows(should_um))
        return should_um

    def _laid_out(self, own: Result, more_um: Number) -> tuple[Mapping[str, Number], Mapping[str, Number]]:
        """How high the places lie as the comparator shows it with all inputs as estimated, and how much more [um]."""
        # The others lie as in the ideal run, as far as the places do not belong to the one whose truth is set.
        middle = difference_for_um(own, middle_um(own.spec))
        levels = self._layout.laid_out(
            lambda result: middle if result is own else difference_of_um(result), lambda term: term_um(term, 0.0)
        )
        return levels, self._layout.raised_um(own.spec, more_um / sensitivity(own))

    def _errors_of(self, usual: Mapping[str, Floats], given: Mapping[str, Floats]) -> _Errors:
        true, heights = {**usual, **given}, self._lying_um

        def shifted_um(result: Result) -> Number:
            return shift_um(result, true, comes_to_um(result.spec, heights, self.contrasts))

        check_um = sum((term_um(term, 0.0, true) for term in self._ideal.check_standard), start=0.0)
        shifts = self._layout.laid_out(shifted_um, lambda term: term_um(term, 0.0, true) - term_um(term, 0.0))
        return _Errors(true=true, given=frozenset(given), shifts_um=shifts, check_um=check_um)

    def _errors_at(self, state: State) -> _Errors:
        """What is true now: whoever gave the zero up took the right reference, where the scenario has one."""
        return self._righted if self._righted is not None and state.lost_zeros else self._errors

    def _wrong_counts(self, state: State) -> bool:
        """Whether anything that counts was read under a zero from before the reference was changed."""
        first = min(state.lost_zeros, default=0)
        return any(reading.kind is SlotKind.READ and reading.zero <= first for reading in state.counted)


_OFTEN = 40  # errors of an indicator are small beside its travel: each look brings what is left of them down


def places_of(slots: Iterable[Slot]) -> tuple[str, ...]:
    """Where a part is read, each place once."""
    return tuple(dict.fromkeys(slot.place for slot in slots if slot.kind is SlotKind.READ and slot.place is not None))
