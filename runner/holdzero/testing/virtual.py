"""Virtual readings: what a comparator would show where the truth is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Literal

import numpy as np

from holdzero.catalogue import Catalogue
from holdzero.length import REFERENCE_TEMPERATURE_DEGC, shown_difference_um
from holdzero.register import load_register
from holdzero.routine.schema import Measure, Routine
from holdzero.run import Run
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.prompt import Asks, Prompt
from holdzero.run.state import State
from holdzero.testing.draft import Draft
from holdzero.testing.drive import Entries, Say, begun, driven, loaded_of
from holdzero.testing.loading import catalogue_of

__all__ = ["Truth", "say_of", "virtual_answers"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true at a virtual bench.

    Attributes:
        deviations_um: of each place [um], at 20 °C. A place of one part alone is written
            `SERIAL/PLACE`, and comes before the place of every part.
        counted_from: what the deviations count from: `nominal`, the nominal of the size that is
            asked for at the place, or the reference's nominal size where none is; or `reference`,
            the reference's nominal size at every place.
        reference_um: true deviation of the reference from its nominal size [um]; that of its
            certificate if None.
        check_standard_um: the same of the check standard [um].
        scatter_um: standard deviation of a single reading [um], normally distributed.
        rounded: whether readings are rounded to the comparator's resolution.
        drift_um_per_h: by how much the dial shows more from hour to hour [um/h], from the moment
            when a zero is set.
        temperatures_degC: of `part`, `reference`, `check standard`, `plate` and `air` [degC]; 20 where one
            is left out, but for the check standard, which is as warm as the reference then.
        expansions_per_K: true coefficients of expansion of `part`, `reference` and `check standard`
            [1/K]; 0, so that temperature moves nothing, where one is left out, but for the check
            standard, which expands as the reference does then.
        every_s: time from one answer to the next [s].
        answers: to questions, by what is asked for; a question with choices that is not among them
            gets its first choice.
    """

    deviations_um: Mapping[str, float] = field(default_factory=dict)
    counted_from: Literal["nominal", "reference"] = "nominal"
    reference_um: float | None = None
    check_standard_um: float | None = None
    scatter_um: float = 0.0
    rounded: bool = True
    drift_um_per_h: float = 0.0
    temperatures_degC: Mapping[str, float] = field(default_factory=dict)  # noqa: N815  the unit's own capital
    expansions_per_K: Mapping[str, float] = field(default_factory=dict)  # noqa: N815  the unit's own capital
    every_s: float = 10.0
    answers: Mapping[str, str] = field(default_factory=dict)

    def growth(self, of: Literal["part", "reference", "check standard"]) -> float:
        """α·θ, by how much something has grown since 20 °C [1].

        Source: ISO 1:2022, reference temperature; linear expansion.
        """
        temperature, expansion = self.temperatures_degC.get(of), self.expansions_per_K.get(of)
        if of == "check standard":
            temperature = self.temperatures_degC.get("reference") if temperature is None else temperature
            expansion = self.expansions_per_K.get("reference") if expansion is None else expansion
        above_K = 0.0 if temperature is None else temperature - REFERENCE_TEMPERATURE_DEGC  # noqa: N806  the unit's own capital
        return (expansion or 0.0) * above_K


def virtual_answers(
    routine: str | Path | Draft,
    truth: Truth,
    *,
    plugins: Sequence[ModuleType | Path] = (),
    catalogue: Catalogue | None = None,
    serials: Sequence[str] = ("1",),
    member: str | None = None,
    shop: Path | None = None,
    choices: Mapping[str, str] | None = None,
    seed: int = 0,
) -> list[tuple[float, str]]:
    """The answers that a bench gives where the truth is known, for a whole run.

    Args:
        routine: text, file or draft.
        truth: at the bench.
        plugins: loaded beside the built-in ones.
        catalogue: in place of `plugins` and the built-in ones.
        serials: of the parts.
        member: of the part family.
        shop: settings with the register that devices are named from.
        choices: devices by role; those that `measure` is given too, which the run does not ask for.
        seed: of the scatter.

    Returns:
        Time [s] and text of each answer that a readings file needs.

    Raises:
        ValueError: the truth does not say what is asked for.
        HoldzeroError: the routine is at fault, or an answer is refused (a deviation beyond the travel).
    """
    loaded = loaded_of(routine, catalogue or catalogue_of(*plugins), member)
    register = load_register(shop) if shop is not None else None
    bench = _Bench(truth, np.random.default_rng(seed), choices or {})
    entries: Entries = register.data if register is not None else {}
    for _ in driven(begun(loaded, serials=serials), bench.say, entries):
        pass
    return bench.said


def say_of(truth: Truth, *, seed: int = 0) -> Say:
    """What answers the prompts of a run where the truth is known."""
    return _Bench(truth, np.random.default_rng(seed), {}).say


class _Bench:
    """Answers every prompt from the truth, and keeps what a readings file would hold."""

    def __init__(self, truth: Truth, generator: np.random.Generator, choices: Mapping[str, str]) -> None:
        self.truth = truth
        self.generator = generator
        self.choices = choices
        self.said: list[tuple[float, str]] = []
        self._zero_s = 0.0

    def say(self, run: Run, prompt: Prompt) -> tuple[float, str]:
        now_s = run.state.now_s
        if prompt.asks is Asks.CONFIRM:
            return now_s, ""
        if prompt.asks is Asks.WAIT:
            return max(now_s, prompt.until_s), ""
        slot = prompt.slot
        if prompt.asks is Asks.CHOICE and slot.of in self.choices:
            return now_s, self.choices[slot.of]
        time_s = round(now_s + self.truth.every_s, 3)
        text = self._text(run.state, prompt, time_s)
        self.said.append((time_s, text))
        return time_s, text

    def _text(self, state: State, prompt: Prompt, time_s: float) -> str:
        slot = prompt.slot
        if prompt.asks is Asks.READING:
            return self._reading(state, slot, time_s)
        if prompt.asks is Asks.TEMPERATURE:
            return f"{self.truth.temperatures_degC.get(slot.of, REFERENCE_TEMPERATURE_DEGC):.4f} degC"
        if slot.of in self.truth.answers:
            return self.truth.answers[slot.of]
        if slot.choices:
            return slot.choices[0]
        raise ValueError(f"the truth has no answer to {slot.of!r}; add it to answers, or to choices if it is a device")

    def _reading(self, state: State, slot: Slot, time_s: float) -> str:
        if slot.kind is SlotKind.ZERO and slot.group not in state.zeros:
            self._zero_s = time_s
        drift = self.truth.drift_um_per_h * (time_s - self._zero_s) / 3600.0
        shown = self._difference_um(state, slot) + drift + self.generator.normal(0.0, self.truth.scatter_um)
        resolution = state.comparator.resolution if state.comparator is not None and self.truth.rounded else 0.0
        if resolution:
            shown = round(shown / resolution) * resolution
        # A millionth of a micrometre is far below what anything shows.
        return f"{shown + 0.0:.6f}".rstrip("0").rstrip(".") + " um"

    def _difference_um(self, state: State, slot: Slot) -> float:
        """What lies under the tip less the reference, both at their temperatures [um]."""
        reference, routine, truth = state.reference, state.routine, self.truth
        if routine is None or slot.kind in (SlotKind.ZERO, SlotKind.RETURN):
            return 0.0
        if reference is None:  # the zero is on the part: what is read is how a place differs from there
            on_the_part = slot.kind is SlotKind.READ and routine.zero_place is not None
            return float(shown_difference_um(self._deviation_um(slot), truth.growth("part"))) if on_the_part else 0.0
        own = truth.reference_um if truth.reference_um is not None else float(reference.deviation.value)
        zeroed_on = (reference.size + own, truth.growth("reference"))
        if slot.kind is SlotKind.READ:
            length_um = self._nominal_um(routine, reference.size, slot) + self._deviation_um(slot)
            return float(shown_difference_um(length_um, truth.growth("part"), *zeroed_on))
        block = routine.check_standard
        if block is None:
            raise ValueError("the routine reads a check standard and has none")
        off = truth.check_standard_um if truth.check_standard_um is not None else float(block.deviation.value)
        return float(shown_difference_um(block.size + off, truth.growth("check standard"), *zeroed_on))

    def _nominal_um(self, routine: Routine, reference_um: float, slot: Slot) -> float:
        if self.truth.counted_from == "reference":
            return reference_um
        for spec in routine.characteristics.values():
            if spec.measure is Measure.SIZE and slot.place in spec.at and spec.nominal is not None:
                return spec.nominal
        return reference_um

    def _deviation_um(self, slot: Slot) -> float:
        known = self.truth.deviations_um
        for name in (f"{slot.serial}/{slot.place}", str(slot.place)):
            if name in known:
                return known[name]
        raise ValueError(f"the truth says nothing of place {slot.place}; it has: {', '.join(known) or 'nothing'}")
