"""What a typed reading can hardly mean: what the dial can't show, a size for a deviation, another unit.

It runs whatever checks a routine names: whoever types can forget a unit at any dial. It asks and never corrects; the
unit of a bare number stays the declared one. What an instrument sent is taken as sent.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from holdzero.display import length_text, micro_text
from holdzero.limit import Mask, between, exceeds
from holdzero.quantity import Dimension, Number, parse_quantity, written
from holdzero.routine.schema import Comparator, Measure
from holdzero.run.kept import Reading
from holdzero.run.plan import SlotKind
from holdzero.run.sizes import like_a_size, sizes_at
from holdzero.statistics import stack
from holdzero.views import Act, Finding, Level, Offer, RunView

__all__ = ["Mistyped", "mistyped", "mistyped_doubts", "mistyped_questions"]

# Units that are left away, or put in place of each other (common practice, no source), and what one is worth [um].
_UNITS = {name: parse_quantity(f"1 {name}", Dimension.LENGTH).value for name in ("mm", "in", "um", "uin")}
_NAMES = {"in": "inches", "um": "µm", "uin": "µin"}
# Units that are nearer to each other make no difference that is told from dirt or a wrong part by one reading.
_LEAST_FACTOR = 900.0
# What would fit is told from what is a thousand times as much, and from nothing else: so it is wide.
_WIDE_SHARE, _WIDE_STEPS = 0.5, 10.0
# Where the travel is not known: no dial goes further (common practice, no source).
_LONGEST_TRAVEL_UM = 10_000.0
# A deviation that is on the dial's steps has fewer decimals than a size in this unit.
_SIZE_DECIMALS = {"mm": 3, "in": 4}
_MOST_LISTED = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistyped:
    """What one reading looks like.

    Attributes:
        what: stable name: `size`, `unit` or `step`.
        asks: the question, in words.
        told: the same in a few words, for a list.
        holds: whether it looks like it; an array has one entry a run.
    """

    what: str
    asks: str
    told: str
    holds: Mask


def mistyped(run: RunView, reading: Reading) -> tuple[Mistyped, ...]:
    """What a reading can hardly mean: in each run one of them holds at most.

    Args:
        run: with the readings before it.
        reading: one of it.
    """
    comparator, value = run.comparator, reading.value_um
    if comparator is None or not comparator.resolution or reading.line or not np.any(value):
        return ()
    if np.ndim(value):
        worth, decimals, last = _bare_um(comparator), None, 0.0
    elif (typed := written(reading.raw)) is not None and typed.number:
        worth, decimals = abs(float(value) / typed.number), typed.decimals
        # Who turns a reading into another unit rounds it: 40 uin for two steps of 0.5 um.
        rounded = typed.zeros if exceeds(abs(worth - _bare_um(comparator)), 0.0, worth) else 0
        last = worth * 10.0 ** (rounded - decimals)
    else:
        return ()  # no number was typed, as in an ideal run
    looked = _Looked(run=run, reading=reading, comparator=comparator, worth_um=worth, decimals=decimals, last_um=last)
    return () if looked.at_a_glance_sound else tuple(item for item in looked.all if np.any(item.holds))


def mistyped_questions(run: RunView) -> Iterable[Finding]:
    """A question about the reading that was taken last, while nothing else was done since."""
    reading = run.newest
    if reading is None:
        return
    for item in mistyped(run, reading):
        yield Finding(
            level=Level.DOUBT,
            code=f"entry/{item.what}/{reading.seq}",
            text=f"{reading.raw.strip()} {reading.where}: {item.asks}",
            data={"entry": float(reading.seq), "read_um": float(reading.value_um)},
            holds=item.holds,
            offer=Offer(act=Act.STRIKE, entries=(reading.seq,)),
        )


def mistyped_doubts(run: RunView) -> Iterable[Finding]:
    """The same of all readings that stand: one doubt for each kind."""
    found = [(reading, item) for reading in run.readings for item in mistyped(run, reading)]
    for what in dict.fromkeys(item.what for _, item in found):
        own = [(reading, item) for reading, item in found if item.what == what]
        listed = "; ".join(f"entry {r.seq} ({r.raw.strip()} {r.where}): {item.told}" for r, item in own[:_MOST_LISTED])
        more = f"; and {len(own) - _MOST_LISTED} more" if len(own) > _MOST_LISTED else ""
        holds = np.any(np.broadcast_arrays(*(item.holds for _, item in own)), axis=0)
        yield Finding(
            level=Level.DOUBT,
            code=f"entry/{what}",
            text=f"{_HEADS[what]} {listed}{more}. What was typed counts.",
            data={"entries": float(len(own))},
            holds=_mask(holds),
        )


_HEADS = {
    "size": "Typed where a deviation belongs:",
    "unit": "Perhaps typed in another unit:",
    "step": "Typed, and nothing that the dial can show:",
}


def _bare_um(comparator: Comparator) -> float:
    """What a bare number's one is worth [um]."""
    if comparator.unit == "div":
        return comparator.division or 1.0
    return parse_quantity("1", Dimension.LENGTH, bare_unit=comparator.unit).value


@dataclass(frozen=True, kw_only=True)
class _Looked:
    """One reading, and what it is held against.

    Attributes:
        worth_um: what one of the unit that it was typed in is worth [um].
        decimals: that were typed; None where nobody did, in many runs.
        last_um: what one of the last digit that was typed is worth [um]; rounding leaves half of it unsure.
    """

    run: RunView
    reading: Reading
    comparator: Comparator
    worth_um: float
    decimals: int | None
    last_um: float

    @property
    def at_a_glance_sound(self) -> bool:
        """Whether a value is on a step, and both it and the dial go too few steps for a size or another unit."""
        if np.any(self._off_step) or (self.decimals or 0) >= min(_SIZE_DECIMALS.values()):
            return False
        most = max(float(np.max(np.abs(self.reading.value_um))), self.comparator.travel or _LONGEST_TRAVEL_UM)
        few = (_LEAST_FACTOR * self.comparator.resolution, *(size / 2.0 for size in self._sizes_um))
        return most < min(few)

    @property
    def all(self) -> Iterable[Mistyped]:
        """All that it looks like, each where nothing before it holds."""
        size = self._like_a_size
        taken = size
        nominal = length_text(self._sizes_um[0], self._units) if self._sizes_um else ""
        asks = f"it looks like the size, {nominal}, and the dial shows a deviation. Type what the dial shows."
        yield Mistyped(what="size", asks=asks, told=f"it looks like the size, {nominal}", holds=size)
        for unit in self._other_units:
            holds = np.logical_and(self._read_in(unit), np.logical_not(taken))
            taken = np.logical_or(taken, holds)
            name, would_be = _NAMES.get(unit, unit), self._would_be(unit)
            asks = f"{self._why}. Was it read in {name}? It {would_be}."
            yield Mistyped(what="unit", asks=asks, told=f"in {name} it {would_be}", holds=_mask(holds))
        asks = f"{self._cant_show}. Is it a slip of a digit, or of the unit?"
        holds = np.logical_and(self._off_step, np.logical_not(taken))
        yield Mistyped(what="step", asks=asks, told=self._steps, holds=_mask(holds))

    # --- in words ---------------------------------------------------------------------------------

    @property
    def _units(self) -> str:
        return self.run.routine.routine.units

    @property
    def _steps(self) -> str:
        return f"it is read in steps of {self.run.length(self.comparator.resolution, 4)}"

    @property
    def _cant_show(self) -> str:
        return f"the dial can't show it: {self._steps}"

    @property
    def _why(self) -> str:
        return self._cant_show if np.any(self._off_step) else "it is far from what would fit"

    def _would_be(self, unit: str) -> str:
        """What the number would be in another unit; many runs have many."""
        value = self.reading.value_um * (_UNITS[unit] / self.worth_um)
        return f"would be {micro_text(float(value), self._units)}" if np.ndim(value) == 0 else "would fit"

    # --- what it is held against ------------------------------------------------------------------

    @cached_property
    def _sizes_um(self) -> Sequence[float]:
        return sizes_at(self.run.routine, self.run.reference, self.reading.slot)

    @cached_property
    def _expected_um(self) -> tuple[Number, Number] | None:
        """What would fit, and how far from it that goes [um]; None where nothing is known of it."""
        run, reading = self.run, self.reading
        wide = _WIDE_STEPS * self.comparator.resolution
        if reading.kind is SlotKind.ZERO:
            return 0.0, wide
        if not run.zeros(reading.zero):
            return None
        zero = run.zero_um(reading.zero)
        known = self._difference_um if reading.kind is not SlotKind.RETURN else (0.0, 0.0)
        if known is None:
            return None
        difference, width = known
        return zero + difference, np.maximum(np.abs(difference) * _WIDE_SHARE, max(wide, width))

    @property
    def _difference_um(self) -> tuple[Number, float] | None:
        """How much more than its zero it should read, from the sizes or from what was read there before [um]."""
        run, reading = self.run, self.reading
        if run.reference is not None and reading.kind is SlotKind.CHECK and self._sizes_um:
            return self._sizes_um[0] - run.reference.size, 0.0
        specs = [spec for spec in run.routine.characteristics.values() if reading.slot.place in spec.at]
        for spec in specs:
            sized = spec.measure is Measure.SIZE and spec.base is None
            if run.reference is not None and sized and spec.nominal is not None:
                lower, upper = spec.lower or 0.0, spec.upper or 0.0
                return spec.nominal + (lower + upper) / 2.0 - run.reference.size, upper - lower
        before = [r for r in run.of_kind(reading.kind) if r.seq < reading.seq and run.zeros(r.zero)]
        alike = {place for spec in specs if spec.measure in set(Measure) for place in spec.at}
        for places in ({reading.slot.place}, alike):
            same = [run.difference_um(r) for r in before if r.slot.place in places and _alike(r, reading)]
            if same:
                return np.median(stack(same), axis=-1), 0.0
        return None

    # --- what holds -------------------------------------------------------------------------------

    def _between_steps(self, value_um: Number, last_um: float) -> Mask:
        """Whether a value [um] is on no step of the dial, rounded or not."""
        step = self.comparator.resolution
        return exceeds(np.abs(value_um - np.rint(value_um / step) * step), last_um / 2.0, step)

    def _far(self, value_um: Number) -> Mask:
        """Whether a value [um] does not fit what is known."""
        if self._expected_um is None:
            return False
        middle, reach = self._expected_um
        return exceeds(np.abs(value_um - middle), reach, self.comparator.resolution)

    @cached_property
    def _off_step(self) -> Mask:
        return self._between_steps(self.reading.value_um, self.last_um)

    @cached_property
    def _like_a_size(self) -> Mask:
        value, sizes = self.reading.value_um, self._sizes_um
        if not sizes:
            return False
        whole = like_a_size(value, sizes)
        odd = np.logical_and(whole, self._expected_um is None or self._far(value))
        unit = self._units
        near = like_a_size(value * (_UNITS[unit] / self.worth_um), sizes)
        if self.decimals is None:
            odd = np.logical_or(odd, np.logical_and(near, self._off_step))
        elif near and self.decimals >= _SIZE_DECIMALS[unit]:
            odd = np.logical_or(odd, np.logical_or(self._off_step, self._far(value)))
        return _mask(odd)

    @property
    def _other_units(self) -> Sequence[str]:
        """Those that it could have been read in, the routine's own first."""
        factors = {unit: _UNITS[unit] / self.worth_um for unit in dict.fromkeys((self._units, *_UNITS))}
        return [unit for unit, factor in factors.items() if max(factor, 1.0 / factor) >= _LEAST_FACTOR]

    def _read_in(self, unit: str) -> Mask:
        """Whether the dial can show the number in this unit, where it does not show it as it was typed."""
        factor, step = _UNITS[unit] / self.worth_um, self.comparator.resolution
        value = self.reading.value_um * factor
        largest = self.comparator.travel or _LONGEST_TRAVEL_UM
        on_a_step = np.logical_not(self._between_steps(value, self.last_um * factor))
        shows = np.logical_and(between(np.abs(value), step, largest, step), on_a_step)
        if not np.any(shows):
            return False
        odd = np.logical_or(self._off_step, self._far(self.reading.value_um))
        return _mask(shows & odd & np.logical_not(self._far(value)))


def _alike(one: Reading, other: Reading) -> bool:
    return (one.slot.serial, one.slot.force_N) == (other.slot.serial, other.slot.force_N)


def _mask(holds: object) -> Mask:
    return holds if isinstance(holds, np.ndarray) and holds.ndim else bool(holds)
