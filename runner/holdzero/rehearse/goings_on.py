"""What goes on at a bench besides what its routine states: heat, film, dust, backlash, a zero that wanders, slips."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from holdzero.model import Number
from holdzero.quantity import Dimension, parse_quantity
from holdzero.rehearse.draws import Draws
from holdzero.rehearse.errors import Floats
from holdzero.rehearse.scenario import Film, Scenario
from holdzero.rehearse.warmth import Warmth
from holdzero.routine.schema import Comparator
from holdzero.run.kept import Reading
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.state import State

__all__ = ["GoingsOn", "again", "film_um", "lift_of", "pressed_um", "taken_for"]


def again(state: State, slot: Slot) -> int:
    """How often a slot was read before."""
    return sum(reading.slot.id == slot.id for reading in state.readings)


def lift_of(state: State, slot: Slot) -> str:
    """What a lift of the tip goes by: another one for each reading, and for each time that the part was cleaned."""
    return _lift(state, slot, state.seq + 1)


def _lift(state: State, slot: Slot, seq: int) -> str:
    """The lift before a moment, by its sequence number."""
    before = sum(reading.slot.id == slot.id and reading.seq < seq for reading in state.readings)
    first = min((reading.seq for reading in state.readings), default=seq)
    cleaned = sum(first < done.seq < seq for done in state.prepared)
    return f"{slot.id} {before} {cleaned}"


def _wiped(state: State, seq: int) -> bool:
    """Whether the part was cleaned since something was read last, before a moment given by its sequence number."""
    last = max((reading.seq for reading in state.readings if reading.seq < seq), default=None)
    return last is not None and any(last < done.seq < seq for done in state.prepared)


class GoingsOn:
    """What goes on at one bench; it keeps what the run does not tell.

    Args:
        scenario: what it is.
        draws: generators by name.
        runs: how many runs at once.
        before: state of the run that it goes on from.
    """

    def __init__(self, scenario: Scenario, draws: Draws, runs: int, before: State) -> None:
        self._scenario, self._draws, self._runs = scenario, draws, runs
        self._warmth = Warmth(scenario.hands)
        self._phase = draws("swing").random(runs) * 2.0 * math.pi if scenario.swing is not None else 0.0
        for reading in before.readings:
            self._warmth.comes_under(reading.slot, reading.time_s)
        zeros_s = [r.time_s for r in before.readings if r.kind is SlotKind.ZERO and r.zero == len(before.zeros)]
        # Where a zero wandered to before, nobody knows any more: it goes on from where it was set.
        self._wandered: tuple[float, Number] = (before.now_s, 0.0)
        self._set_um: Number = self._on_the_reference_um(before, "", zeros_s[0]) if zeros_s else 0.0
        self._setting: tuple[str, int, int] | None = None

    def more_um(self, state: State, slot: Slot, at_s: float) -> Number:
        """By how much more the comparator shows for all that [um].

        Args:
            state: of the run.
            slot: that is read.
            at_s: when [s].
        """
        one, name = self._scenario, lift_of(state, slot)
        self._warmth.comes_under(slot, at_s)
        on_reference = slot.kind in (SlotKind.ZERO, SlotKind.RETURN)
        more = self._on_the_reference_um(state, name, at_s) if on_reference else self._slow_um(state, name, at_s)
        if slot.kind is SlotKind.ZERO and (not state.zeros or state.zeros[-1] != slot.group):
            setting = (slot.group, len(state.absences), len(state.prepared))
            if self._setting != setting:
                # The dial is set once, as the tip comes down, whatever it showed; from then on it creeps again.
                self._setting, self._set_um = setting, more
        more = more - self._set_um
        if one.approach is not None:
            generator = self._draws(f"approach {name}")
            other_side: Floats = np.where(
                generator.random(self._runs) < one.approach.chance, one.approach.backlash, 0.0
            )
            more = more + other_side
        if slot.kind is SlotKind.READ:
            more = more + self._on_the_part_um(state, slot, at_s)
        return more + self._dust_um(state, slot, state.seq + 1) if one.dust is not None else more

    def soaking_um(self, state: State, at_s: float) -> Number:
        """By how much more the comparator shows of a part that lies under it while it soaks [um]."""
        return self._slow_um(state, f"soak {at_s}", at_s) + self._warmth.laid_um(state, at_s)

    def warmed_um(self, state: State) -> Mapping[str, Mapping[int, float]]:
        """What the heat of hands added to readings, by body and number of entry [um]."""
        return self._warmth.in_readings_um(state)

    def dust_under(self, state: State) -> tuple[tuple[Reading, float], ...]:
        """Readings of a run that dust lay under, struck out or not, and how high it lifted the part [um]."""
        lies = ((read, float(self._dust_um(state, read.slot, read.seq)[0])) for read in state.readings)
        return tuple((reading, um) for reading, um in lies if um)

    def _dust_um(self, state: State, slot: Slot, seq: int) -> Floats:
        """How high dust lifts what is read at a moment, given by its sequence number [um]."""
        dust = self._scenario.dust
        if dust is None or slot.kind is SlotKind.CHECK:
            return np.zeros(self._runs)
        chance = dust.chance if slot.kind is SlotKind.READ else dust.reference
        if not chance or _wiped(state, seq):
            return np.zeros(self._runs)
        generator = self._draws(f"dust {_lift(state, slot, seq)}")
        there = generator.random(self._runs) < chance
        return np.asarray(there * (dust.least + (dust.size - dust.least) * generator.random(self._runs)))

    @property
    def shown_warmth(self) -> bool:
        """Whether a thermometer shows the heat of hands."""
        return self._warmth.shown

    def warmer_K(self, state: State, of: str, at_s: float) -> float:  # noqa: N802  the unit's own capital
        """How much warmer a thermometer shows it for the heat of hands [K]."""
        return self._warmth.warmer_K(state, of, at_s)

    def misread_um(self, state: State, slot: Slot, shown: Number) -> Number:
        """What is written down in place of what is shown [um]: whole turns, and slips."""
        one, runs, comparator = self._scenario, self._runs, state.comparator
        generator = self._draws(f"slips {lift_of(state, slot)}")
        if one.turns is not None and comparator is not None and comparator.turn is not None:
            off = generator.random(runs) < one.turns.chance
            side: Floats = np.where(generator.random(runs) < 0.5, -1.0, 1.0)  # noqa: PLR2004  either alike
            shown = shown + np.asarray(off * comparator.turn * side, dtype=np.float64)
        if one.slips is not None:
            written: Floats = np.broadcast_to(np.asarray(shown, dtype=np.float64), runs)
            written = np.where(generator.random(runs) < one.slips.sign, -written, written)
            factor = np.where(generator.random(runs) < 0.5, 0.1, 10.0)  # noqa: PLR2004  to either side alike
            return np.where(generator.random(runs) < one.slips.point, written * factor, written) * self.taken_for(state)
        return shown

    def taken_for(self, state: State) -> float:
        """What is taken for a micrometre of the display, where the unit that it was left in is forgotten [1].

        Whoever gives the zero up looks at the display, and sets it right.
        """
        slips, comparator = self._scenario.slips, state.comparator
        if slips is None or slips.unit is None or comparator is None or state.lost_zeros:
            return 1.0
        return taken_for(slips.unit, comparator)

    def _on_the_reference_um(self, state: State, name: str, at_s: float) -> Number:
        """What the dial has gone by on the reference since the run began [um]."""
        return self._slow_um(state, name, at_s) + self._warmth.reference_um(state, at_s)

    def _slow_um(self, state: State, name: str, at_s: float) -> Number:
        """Where the zero has gone since the run began [um]."""
        one = self._scenario
        slow: Number = one.drift * at_s / 3600.0 + self._warmth.stand_um(state, at_s)
        if one.settling is not None:
            since_s = max(0.0, at_s - (one.settling.after or 0.0))
            slow = slow + one.settling.by * (1.0 - math.exp(-since_s / one.settling.fades_in))
        if one.swing is not None:
            slow = slow + one.swing.size * np.sin(2.0 * math.pi * at_s / one.swing.every + self._phase)
        if one.wander is not None:
            then_s, where = self._wandered
            if at_s > then_s:
                spread = one.wander * math.sqrt((at_s - then_s) / 3600.0)
                where = where + self._draws(f"wander {name}").normal(0.0, spread, self._runs)
                self._wandered = (at_s, where)
            slow = slow + where
        return slow

    def _on_the_part_um(self, state: State, slot: Slot, at_s: float) -> Number:
        one, place = self._scenario, str(slot.place)
        more: Number = one.part.places.get(place, 0.0) + self._warmth.part_um(state, place, at_s)
        if one.film is not None:
            more = more + film_um(one.film, state, slot)
        return more


def taken_for(unit: str, comparator: Comparator) -> float:
    """By how much a number in one unit that is taken for the comparator's own is wrong, as a factor [1].

    Args:
        unit: of the display.
        comparator: that it is of.
    """
    own = parse_quantity("1", Dimension.LENGTH, bare_unit=comparator.unit, division_um=comparator.division).value
    return own / parse_quantity(f"1 {unit}", Dimension.LENGTH).value


def film_um(film: Film, state: State, slot: Slot) -> float:
    """By how much higher a place lies for a film on it [um].

    Args:
        film: how thick and how soft it is: what gives way grows with the contact force.
        state: of the run.
        slot: that is read.

    """
    if slot.place not in film.at or (film.wipes_off and _cleaned_again(state)):
        return 0.0
    return pressed_um(film, slot, state.comparator.force if state.comparator is not None else None)


def pressed_um(film: Film, slot: Slot, usual_N: float | None) -> float:  # noqa: N803  the unit's own capital
    """What is left of a film under the tip [um].

    Args:
        film: how thick and how soft it is.
        slot: that is read.
        usual_N: the comparator's contact force [N]; None where it is not stated.

    Source: a spring (Hooke); a film that is real is harder the thinner it is pressed (common practice, no source).
    """
    share = slot.force_N / usual_N if slot.force_N is not None and usual_N else 1.0
    return max(film.thickness - film.gives * share, 0.0)


def _cleaned_again(state: State) -> bool:
    """Whether a preparing step was confirmed after something had been read."""
    first = min((reading.seq for reading in state.readings), default=None)
    return first is not None and any(done.seq > first for done in state.prepared)
