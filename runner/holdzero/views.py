"""What a check sees of a run and of a characteristic, and what it can say: narrow, frozen views."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from holdzero.display import MICRO
from holdzero.estimate import Estimate
from holdzero.limit import between
from holdzero.material import Material
from holdzero.model import Input, ModelError
from holdzero.quantity import Number
from holdzero.routine.schema import Characteristic, Comparator, Measure, Reference, Routine, Thermometer
from holdzero.run.kept import Given, History, Prepared, Reading, SoakTaken, TemperatureTaken
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.state import Phase, State
from holdzero.statistics import mean, pooled_standard_deviation

__all__ = [
    "DIFFERENCE_READ",
    "Act",
    "CharacteristicView",
    "Finding",
    "Level",
    "Offer",
    "RunView",
    "reference_deviation",
    "shown",
    "view_of",
]

DIFFERENCE_READ = "difference read"
"""How the name of the input begins that a characteristic's measured difference is."""


class Level(StrEnum):
    """How much a finding weighs. A stop makes the result undecided; a caution is no level: it tells what can hurt."""

    NOTE = "note"
    DOUBT = "doubt"
    STOP = "stop"


class Act(StrEnum):
    """What can be done about a finding while the part is still there."""

    STRIKE = "strike"
    PREPARE = "prepare"
    SOAK = "soak"
    ANEW = "anew"
    LOOK = "look"


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What a finding of `watch` offers to do; nobody has to, and the run goes on all the same.

    Attributes:
        act: strike out and read again; clean, or prepare otherwise, again; soak again; give the zero up, wait and
            read all anew; wait and look again.
        entries: numbers of those that would be struck out.
    """

    act: Act
    entries: tuple[int, ...] = ()

    @property
    def words(self) -> str:
        """What can be done, for a person at any face.

        >>> Offer(act=Act.STRIKE, entries=(14,)).words
        'strike out entry 14 and read it again'
        """
        match self.act:
            case Act.STRIKE:
                many = len(self.entries) > 1
                which = f"the entries {', '.join(map(str, self.entries))}" if many else f"entry {self.entries[0]}"
                return f"strike out {which} and read {'them' if many else 'it'} again"
            case Act.PREPARE:
                return "wipe it, and note that it was done again"
            case Act.SOAK:
                return "let it soak again"
            case Act.ANEW:
                return "give the zero up now, then wait, set a fresh one and read all anew"
            case Act.LOOK:
                return "wait, and look again"

    def __post_init__(self) -> None:
        """Refuse to strike out nothing.

        Raises:
            ValueError: there is no entry to strike out.
        """
        if self.act is Act.STRIKE and not self.entries:
            raise ValueError("an offer to strike out names the entries")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that a check saw; live and final findings are the same kind of data.

    Attributes:
        level: note, doubt or stop.
        code: stable name, `check/what`.
        text: for the inspector, plain; while the part is under the tip, as a question.
        characteristic: the one it concerns; None for the whole part.
        data: numbers behind it, their unit at the end of each name.
        holds: whether it holds; an array has one entry a run of a rehearsal.
        offer: what can be done about it now: it makes a question of a finding of `watch`, which stands on record as
            asked, once for each code; None where there is nothing to do.
    """

    level: Level
    code: str
    text: str
    characteristic: str | None = None
    data: Mapping[str, float] = field(default_factory=dict)
    holds: bool | NDArray[np.bool_] = True
    offer: Offer | None = None


def reference_deviation(reference: Reference) -> Input:
    """The certified deviation of the reference [um] as the input that all terms share."""
    why = reference.deviation.why or " ".join(("certificate", reference.certificate or "as the routine states it"))
    return Input(name="deviation of the reference", estimate=reference.deviation, unit="um", evaluation="B", why=why)


def shown(number: Number, digits: int = 2) -> str:
    """A number in words for a finding: two significant digits, or the range over the runs.

    >>> shown(0.12345), shown(-12.0, 3)
    ('0.12', '-12')
    """
    if isinstance(number, np.ndarray) and number.ndim:
        return f"{number.min():.{digits}g} to {number.max():.{digits}g}"
    return f"{float(number):.{digits}g}"


_FINEST = 1e-3


def _ends(number: Number) -> Number:
    """All that is shown of many runs: the smallest and the largest."""
    return np.array([number.min(), number.max()]) if isinstance(number, np.ndarray) and number.ndim else number


_MOST_DIGITS = 13  # two floats that are not equal differ in fewer


@dataclass(frozen=True, kw_only=True)
class RunView:
    """What a check sees of a run, for one part.

    Attributes:
        routine: the routine, typed and frozen.
        serial: of the part; None where it has none.
        reference: the one in use; None while it is not chosen yet, and where the zero is taken on the part.
        comparator: the one in use; None while it is not chosen yet.
        thermometer: the one in use, if any.
        readings: those that count, in order: of this part, and all zeros, returns and checks.
        temperatures: those that count.
        soaks: as they went.
        prepared: preparing steps as they were confirmed, each time.
        given: answers to questions that count, in order.
        operator: who measures; None where that was not recorded.
        day: on which the run began, at the bench.
        now_s: the run's counter [s]: at the bench now, at the end that of the last event.
        materials: all that are known, by name.
        finished: whether the run is over.
        asked: what is asked for next, so that a check can tell a reading from the steps before it; None
            where nothing is, and at the end.
        history: what the book knew of the bench when the run began; None where none was asked.
        withdrawn: answers to questions that were struck out, in order: the answer that was given in
            place of one is about the same moment.
        lost_zeros: numbers of the zeros that were given up, because the dial was moved.
        gone: numbers of the readings that were given up with their zero: they are read again. What a return within its
            limit had closed before stays.
        slots: of the plan, in order: of this part, and all that are of none.
    """

    routine: Routine
    serial: str | None
    reference: Reference | None
    comparator: Comparator | None
    thermometer: Thermometer | None
    readings: tuple[Reading, ...]
    temperatures: tuple[TemperatureTaken, ...]
    soaks: tuple[SoakTaken, ...]
    prepared: tuple[Prepared, ...]
    given: tuple[Given, ...]
    operator: str | None
    day: dt.date
    now_s: float
    materials: Mapping[str, Material]
    finished: bool
    asked: Slot | None = None
    withdrawn: tuple[Given, ...] = ()
    history: History | None = None
    lost_zeros: frozenset[int] = frozenset()
    gone: frozenset[int] = frozenset()
    slots: tuple[Slot, ...] = ()

    def length(self, number: Number, digits: int = 2, *, sign: bool = False) -> str:
        """A small length [um] in words, in the routine's units, with so many significant digits.

        It has none finer than a thousandth of what the comparator shows: no mean of its readings bears them.
        """
        number, finest = _ends(number), _FINEST * self.resolution_um
        largest = float(np.max(np.abs(number)))
        if largest < finest:
            number = np.round(np.asarray(number) / finest) * finest  # once, so that no digit is rounded twice
        elif finest:
            digits = min(digits, math.floor(math.log10(largest / finest)) + 1)
        return self._length(number, digits, sign=sign)

    def _length(self, number: Number, digits: int, *, sign: bool) -> str:
        unit, worth = MICRO[self.routine.routine.units]
        number = np.where(between(number, 0.0, 0.0, self.resolution_um), 0.0, number)
        text = shown(number / worth, digits)
        return f"{'+' if sign and not text.startswith('-') else ''}{text} {unit}".replace("-", "−")

    def against(self, number: Number, limit: Number, digits: int = 3, *, sign: bool = False) -> tuple[str, str]:
        """A small length [um] and what it is held against [um], in words: with as many digits as tell them apart.

        Where they are equal they look equal; else no message has two numbers that look the same.
        """
        one, other = self.length(number, digits, sign=sign), self.length(limit, digits)
        if np.all(between(np.abs(number) - np.abs(limit), 0.0, 0.0, self.resolution_um)):
            return one, other
        while one.lstrip("+−") == other.lstrip("+−") and digits < _MOST_DIGITS:
            digits += 1
            one, other = self._length(_ends(number), digits, sign=sign), self._length(_ends(limit), digits, sign=False)
        return one, other

    @property
    def resolution_um(self) -> float:
        """Smallest difference that is read [um]; 0 while no comparator is chosen."""
        return self.comparator.resolution if self.comparator else 0.0

    @property
    def bracket_limit_um(self) -> float:
        """How far a return may lie from its zero [um]; see `Routine.bracket_limit_um`."""
        return self.routine.bracket_limit_um(self.resolution_um)

    @property
    def zero_within_um(self) -> float | None:
        """How far from zero the dial may stand on the reference [um]; see `Routine.zero_within_um`."""
        return self.routine.zero_within_um(self.comparator)

    @cached_property
    def scatter_um(self) -> tuple[Number, float]:
        """Standard deviation of a single reading [um] and its degrees of freedom [1].

        Pooled over everything that was read more than once in one state: a zero, a return, the
        check standard, a place of the part at one force under one zero (JCGM 100:2008, 4.2.4).
        """
        groups: dict[tuple[object, ...], list[Number]] = {}
        for r in self.readings:
            key = (r.kind, r.zero, r.slot.serial, r.slot.place, r.slot.force_N, r.visit)
            groups.setdefault(key, []).append(r.value_um)
        return pooled_standard_deviation(groups.values())

    @property
    def newest(self) -> Reading | None:
        """The reading that was taken last, while nothing else was done since: what can still be looked at again."""
        others = (self.temperatures, self.soaks, self.prepared, self.given)
        last = max((items[-1].seq for items in others if items), default=0)
        return self.readings[-1] if self.readings and self.readings[-1].seq > last else None

    def of_kind(self, *kinds: SlotKind) -> tuple[Reading, ...]:
        """The readings of these kinds, in order."""
        if kinds not in self._by_kinds:
            self._by_kinds[kinds] = tuple(reading for reading in self.readings if reading.kind in kinds)
        return self._by_kinds[kinds]

    @cached_property
    def _by_kinds(self) -> dict[tuple[SlotKind, ...], tuple[Reading, ...]]:
        return {}

    def zeros(self, number: int) -> tuple[Reading, ...]:
        """The readings of the reference when zero `number` was set."""
        return self._zeros.get(number, ())

    @cached_property
    def _zeros(self) -> dict[int, tuple[Reading, ...]]:
        groups: dict[int, list[Reading]] = {}
        for reading in self.of_kind(SlotKind.ZERO):
            groups.setdefault(reading.zero, []).append(reading)
        return {number: tuple(group) for number, group in groups.items()}

    def returns(self, number: int) -> tuple[tuple[Reading, ...], ...]:
        """The returns under zero `number`, visit by visit: nothing else was read within one."""
        return self._returns.get(number, ())

    @cached_property
    def _returns(self) -> dict[int, tuple[tuple[Reading, ...], ...]]:
        visits: dict[int, dict[int, list[Reading]]] = {}
        for reading in self.of_kind(SlotKind.RETURN):
            visits.setdefault(reading.zero, {}).setdefault(reading.visit, []).append(reading)
        return {number: tuple(tuple(visit) for visit in own.values()) for number, own in visits.items()}

    def zero_um(self, number: int) -> Number:
        """Mean of what the dial showed on the reference when zero `number` was set [um]."""
        return self._zero_means_um[number]

    @cached_property
    def _zero_means_um(self) -> dict[int, Number]:
        return {number: mean([r.value_um for r in group]) for number, group in self._zeros.items()}

    def difference_um(self, reading: Reading) -> Number:
        """A reading less its zero [um]."""
        # By entry, as both characteristics and checks ask for the same ones, and they may be of many runs.
        if reading.seq not in self._differences_um:
            self._differences_um[reading.seq] = reading.value_um - self.zero_um(reading.zero)
        return self._differences_um[reading.seq]

    @cached_property
    def _differences_um(self) -> dict[int, Number]:
        return {}


@dataclass(frozen=True, kw_only=True)
class CharacteristicView:
    """What a check sees of a characteristic.

    The measured difference is Σ weight · (reading − its zero). For a size the weights sum to one;
    for a variation or a step to zero, and whatever is common to all readings cancels.

    Attributes:
        name: as in the routine.
        spec: as in the routine.
        readings: those that it is made of.
        weights: one for each reading [1].
        scatter: of a single reading [um] and its degrees of freedom [1], where the design of the
            readings gives it; None where it is that of the run.
    """

    name: str
    spec: Characteristic
    readings: tuple[Reading, ...]
    weights: tuple[Number, ...]
    scatter: tuple[Number, Number] | None = None

    @property
    def common_weight(self) -> float:
        """Sum of the weights [1]: by how much an effect counts that all readings share."""
        return 1.0 if self.spec.measure is Measure.SIZE else 0.0

    def difference_read(self, run: RunView) -> Input:
        """The measured difference [um] as the input that all terms share.

        Args:
            run: that its readings are of.
        """
        if not self._made:
            each = zip(self.readings, self.weights, strict=True)
            difference = sum((weight * run.difference_um(reading) for reading, weight in each), start=0.0)
            self._made.append(
                Input(
                    name=f"{DIFFERENCE_READ}, {self.name}",
                    estimate=Estimate.exact(difference),
                    unit="um",
                    evaluation="A",
                    why=f"{len(self.readings)} readings, each less its zero; their scatter is carried beside it",
                )
            )
        return self._made[0]

    @cached_property
    def _made(self) -> list[Input]:
        # Made once: two terms share an input of many runs where it is the very same.
        return []

    def zero_weights(self) -> dict[int, Number]:
        """Sum of the weights of the readings that share a zero [1], by the zero's number."""
        return dict(self._zero_weights)

    @cached_property
    def _zero_weights(self) -> dict[int, Number]:
        sums: dict[int, Number] = {}
        for reading, weight in zip(self.readings, self.weights, strict=True):
            sums[reading.zero] = sums.get(reading.zero, 0.0) + weight
        return sums


_NO_MATERIALS: Mapping[str, Material] = MappingProxyType({})


def view_of(
    state: State, serial: str | None, materials: Mapping[str, Material] = _NO_MATERIALS, now_s: float | None = None
) -> RunView:
    """What checks see of a run for one part; of a routine without parts loop, all of it.

    Args:
        state: of the run.
        serial: of the part.
        materials: all that are known, by name.
        now_s: the run's counter [s]; that of the last event if None.

    Raises:
        ModelError: the run has not started.
    """
    if state.routine is None:
        raise ModelError("a run that has not started can't be evaluated")
    own = [r for r in state.counted if r.kind is not SlotKind.READ or r.slot.serial == serial]
    given = [g for g in state.given if g.slot.serial in (serial, None)]
    return RunView(
        routine=state.routine,
        serial=serial,
        reference=state.reference,
        comparator=state.comparator,
        thermometer=state.thermometer,
        readings=tuple(own),
        temperatures=tuple(t for t in state.temperatures if t.struck is None and t.slot.serial in (serial, None)),
        soaks=state.soaks,
        prepared=tuple(state.prepared),
        given=tuple(g for g in given if g.struck is None),
        operator=state.operator,
        day=dt.datetime.fromisoformat(state.started).date(),
        now_s=state.now_s if now_s is None else now_s,
        materials=materials,
        finished=state.phase in (Phase.FINISHED, Phase.ABANDONED),
        asked=state.slot,
        history=state.history,
        withdrawn=tuple(g for g in given if g.struck is not None),
        lost_zeros=state.lost_zeros,
        gone=state.gone,
        slots=tuple(slot for slot in state.slots if slot.serial in (serial, None)),
    )
