"""Whether a scenario fits a routine: it names what is there, and all that it says goes on can change something.

Whoever believes that a bench was tried, and it was not, is worse off than with an error.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from holdzero.checks import Checks
from holdzero.errors import Fault, FileFaultsError, QuantityError
from holdzero.expect import Ideal
from holdzero.heights import comes_to_um
from holdzero.hooks import Asks, Contrast
from holdzero.rehearse.bench import places_of
from holdzero.rehearse.errors import inputs_of
from holdzero.rehearse.goings_on import pressed_um, taken_for
from holdzero.rehearse.scenario import Film, Hands, Scenario, Slips, Written, true_value
from holdzero.result import Evaluation
from holdzero.routine.schema import Selection
from holdzero.run import Run
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.state import State

__all__ = ["refuse_misfits"]

_LEAVE_OUT = "leave it out, or say how much"
_SOAKS = ("part", "reference", "plate")  # what a soak may be judged by (see `run.soaking`)


def refuse_misfits(
    written: Written, run: Run, ideal: Evaluation, checks: Checks, entries: Mapping[str, Mapping[str, Any]]
) -> None:
    """Refuse what a scenario says of things that a routine has not, and what changes nothing there.

    Args:
        written: the scenario.
        run: of the routine, that has begun.
        ideal: the routine with ideal readings.
        checks: bound to it.
        entries: devices of the register for what the routine only requires, by role.

    Raises:
        FileFaultsError: with all that does not fit.
    """
    state = _with_devices(run, checks, entries).state
    fitting = _Fitting(written, state, ideal, checks.contrasts)
    faults = (*fitting.places(), *fitting.inputs(), *fitting.thermometers(), *fitting.idle())
    if faults:
        raise FileFaultsError(tuple(sorted(faults, key=lambda fault: fault.line or 0)))


def _with_devices(run: Run, checks: Checks, entries: Mapping[str, Mapping[str, Any]]) -> Run:
    """The run once all devices are named."""
    bench = Ideal(run, 0.0, entries, checks.contrasts)
    while (prompt := run.prompt) is not None and prompt.asks is Asks.CHOICE:
        run = run.take(bench.answer(run, prompt))
    return run


@dataclass(frozen=True, slots=True)
class _Fitting:
    """Looks at a scenario beside a routine."""

    written: Written
    state: State
    ideal: Evaluation
    contrasts: Mapping[str, Contrast]

    @property
    def scenario(self) -> Scenario:
        """What goes on."""
        return self.written.scenario

    def places(self) -> Iterator[Fault]:
        """Places that are not read."""
        one, read = self.scenario, places_of(self.state.slots)
        named: list[tuple[tuple[str | int, ...], str]] = [(("part", "places", name), name) for name in one.part.places]
        named += [(("hands", "share", name), name) for name in (one.hands.share if one.hands is not None else ())]
        named += [(("film", "at", number), name) for number, name in enumerate(one.film.at if one.film else ())]
        for path, name in named:
            if name not in read:
                yield self._fault(path, f"place {name!r}", f"one of {', '.join(read)}", "name a place of the routine")

    def inputs(self) -> Iterator[Fault]:
        """Inputs that the routine's model has not, or that have another unit."""
        inputs, routine = inputs_of(self.ideal), self.state.routine
        on_the_part = routine is not None and routine.zero_place is not None
        if self.scenario.reference_error is not None and on_the_part:
            found, mend = "an error of a block, and the zero is taken on the part", "leave it out"
            yield self._fault(("reference_error",), found, "a reference of known size", mend)
        if self.scenario.hands is not None and self.scenario.hands.reference is not None and on_the_part:
            found, mend = "heat of a block, and the zero is taken on the part", "leave it out"
            yield self._fault(("hands", "reference"), found, "a reference that hands put under the tip", mend)
        for name, text in self.scenario.true.items():
            path = ("true", name)
            if name not in inputs:
                expected = f"an input of the routine: {'; '.join(inputs)}"
                yield self._fault(path, repr(name), expected, "write it as holdzero budget does")
                continue
            try:
                true_value(text, inputs[name].unit)
            except QuantityError as error:
                yield self._fault(path, error.found, error.expected, error.mend)

    def thermometers(self) -> Iterator[Fault]:
        """Thermometers that nobody looks at."""
        slots, hands = self.state.slots, self.scenario.hands
        asked = dict.fromkeys(slot.of for slot in slots if slot.kind is SlotKind.TEMPERATURE)
        if any(slot.within_K is not None for slot in slots):
            asked |= dict.fromkeys(_SOAKS)
        warmer = (hands, hands.reference) if hands is not None else ()
        if any(body is not None and body.warmer is not None for body in warmer):
            asked |= dict.fromkeys(("part", "reference"))
        expected = f"one of {', '.join(asked)}" if asked else "nothing: the routine reads no thermometer"
        for name in self.scenario.temperatures:
            if name not in asked:
                mend = "name what the routine reads, or leave it out"
                yield self._fault(("temperatures", name), f"a thermometer on {name!r}", expected, mend)

    def idle(self) -> Iterator[Fault]:
        """What goes on and changes nothing."""
        one, comparator = self.scenario, self.state.comparator
        if one.turns is not None and (comparator is None or comparator.turn is None):
            mend = 'leave [turns] out, or say in the routine what a turn of the dial is: comparator.turn = "100 um"'
            yield self._fault(("turns",), "a comparator that has no turn", "a dial with a turn", mend)
        elif one.turns is not None and not one.turns.chance:
            yield self._idle(("turns", "chance"), "a chance of 0")
        if one.slips is not None:
            yield from self._slips_idle(one.slips)
        if one.dust is not None and not one.dust.chance and not one.dust.reference:
            yield self._idle(("dust", "chance"), "a chance of 0")
        if one.approach is not None and not (one.approach.chance and one.approach.backlash):
            yield self._idle(("approach",), "a chance or a backlash of 0")
        if one.settling is not None and not one.settling.by:
            yield self._idle(("settling", "by"), "0 um")
        if one.hands is not None:
            yield from self._hands_idle(one.hands)
        known = set(places_of(self.state.slots))
        if one.film is not None and known.issuperset(one.film.at):
            why = self._film_idle(one.film)
            if why:
                yield self._fault(("film",), why, "a film that changes a value", "put it elsewhere, or leave it out")

    def _hands_idle(self, hands: Hands) -> Iterator[Fault]:
        """Hands that warm nothing."""
        for name, body in (("reference", hands.reference), ("stand", hands.stand)):
            if body is not None and not body.warms and not body.touch:
                yield self._idle(("hands", name), "warms and touch both 0")
        further = hands.reference is not None or hands.stand is not None
        if not hands.warms and not hands.touch and not further:
            yield self._idle(("hands",), "neither warms nor touch above 0")

    def _slips_idle(self, slips: Slips) -> Iterator[Fault]:
        """Slips that are none."""
        comparator = self.state.comparator
        if not slips.sign and not slips.point and slips.unit is None:
            yield self._idle(("slips",), "neither sign nor point above 0, and no unit")
        if slips.unit is not None and comparator is not None and taken_for(slips.unit, comparator) == 1.0:
            yield self._idle(("slips", "unit"), f"{slips.unit}, the comparator's own unit")

    def _film_idle(self, film: Film) -> str:
        """Why a film changes nothing; empty where it does."""
        comparator, heights = self.state.comparator, dict.fromkeys(film.at, 0.0)
        usual = comparator.force if comparator is not None else None
        for slot in self.state.slots:
            if slot.kind is SlotKind.READ and slot.place in heights and not (film.wipes_off and self._wiped(slot)):
                heights[slot.place] = max(heights[slot.place], pressed_um(film, slot, usual))
        if not any(heights.values()):
            return "a film that is gone, or gives way wholly, whenever it is read"
        specs = [result.spec for result in self.ideal.results]
        felt = any(
            bool(np.any(np.abs(comes_to_um(spec, heights, self.contrasts)) > _NOTHING_UM))
            # Whether it hides the lowest place depends on the part.
            or (spec.of is Selection.SMALLEST and not set(spec.at).isdisjoint(film.at))
            for spec in specs
        )
        return "" if felt else f"a film on {', '.join(film.at)}, which lifts all that is compared alike"

    def _wiped(self, slot: Slot) -> bool:
        """Whether the plan has a preparing step between the first reading of all and this one."""
        before = self.state.slots[: self.state.slots.index(slot)]
        first = next((index for index, other in enumerate(before) if other.kind.is_reading), len(before))
        return any(other.kind is SlotKind.PREPARE for other in before[first:])

    def _idle(self, path: tuple[str | int, ...], found: str) -> Fault:
        return self._fault(path, found, "something that goes on", _LEAVE_OUT)

    def _fault(self, path: tuple[str | int, ...], found: str, expected: str, mend: str) -> Fault:
        file, line = self.written.origins.place(path)
        key = ".".join(str(part) for part in path)
        return Fault(file=file, line=line, key=key, found=found, expected=expected, mend=mend)


_NOTHING_UM = 1e-6  # a picometre: what rounding of floats leaves
