"""Heat of hands at a virtual bench: in the part, in the reference, in stand and anvil.

Each loses it as a lumped body, exp(−t/τ): Bergman and others, Fundamentals of Heat and Mass Transfer, 7th ed., 5.1
(from memory). What the places of the part differ by evens out sooner, as its slowest part does: exp(−t·π²·D/L²), the
same, 5.5 (from memory); L is the way from the warm side to the cold one, D the diffusivity.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from holdzero.rehearse.scenario import Hands, WarmReference, WarmStand
from holdzero.run.kept import Reading
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.state import State

__all__ = ["BODIES", "Warmth"]

BODIES = ("part", "reference", "stand")


class Warmth:
    """What hands make of a bench; it keeps when each body was touched, which the run does not tell.

    Args:
        hands: how warm they are; None for tongs.
    """

    def __init__(self, hands: Hands | None) -> None:
        self._hands = hands or Hands()
        self._part_s: list[float] = []
        self._reference_s: list[float] = []
        self._stand_s: list[float] = []
        self._under: tuple[SlotKind, str | None] | None = None

    def comes_under(self, slot: Slot, at_s: float) -> None:
        """Put what is read under the tip by hand, unless it lies there already.

        Args:
            slot: that is read.
            at_s: when [s].
        """
        under = (SlotKind.ZERO if slot.kind is SlotKind.RETURN else slot.kind, slot.place)
        if self._under == under:
            return
        self._under = under
        self._stand_s.append(at_s)
        if slot.kind is SlotKind.READ:
            self._part_s.append(at_s)
        elif slot.kind is not SlotKind.CHECK:
            self._reference_s.append(at_s)

    def part_um(self, state: State, place: str, at_s: float) -> float:
        """By how much the part is longer at a place [um].

        Args:
            state: of the run; the part was handled when a preparing step was confirmed last, or at the start.
            place: that is read.
            at_s: now [s].
        """
        hands, own = self._hands, self._hands.share.get(place, 1.0)
        return sum(
            um * _left(since_s, hands.fades_in) * self._spread(state, own, since_s)
            for um, since_s in _heats(hands, _laid_s(state, at_s), self._part_s, at_s)
        )

    def laid_um(self, state: State, at_s: float) -> float:
        """By how much the part is longer that lies under the tip since it was laid down, where it was touched [um]."""
        return self._hands.warms * self._laid_share(state, at_s) * self._spread(state, 1.0, at_s - _laid_s(state, at_s))

    def _spread(self, state: State, own: float, since_s: float) -> float:
        """How much of a heat is at a place that had a share of it at first, of what is left after some time [1]."""
        places = dict.fromkeys(str(slot.place) for slot in state.slots if slot.kind is SlotKind.READ)
        mean = sum(self._hands.share.get(name, 1.0) for name in places) / max(len(places), 1)
        return mean + (own - mean) * _left(since_s, self._hands.evens_out_in)

    def reference_um(self, state: State, at_s: float) -> float:
        """By how much the reference is longer [um]."""
        return _body_um(self._hands.reference, state, self._reference_s, at_s)

    def stand_um(self, state: State, at_s: float) -> float:
        """By how much more the dial shows for the heat of stand and anvil, whatever lies under the tip [um]."""
        return _body_um(self._hands.stand, state, self._stand_s, at_s)

    @property
    def shown(self) -> bool:
        """Whether a thermometer shows it."""
        reference = self._hands.reference
        return self._hands.warmer is not None or (reference is not None and reference.warmer is not None)

    def warmer_K(self, state: State, of: str, at_s: float) -> float:  # noqa: N802  the unit's own capital
        """How much warmer a thermometer shows part or reference [K]."""
        reference = self._hands.reference
        if of == "part" and self._hands.warmer is not None:
            return self._hands.warmer * self._laid_share(state, at_s)
        if of == "reference" and reference is not None and reference.warmer is not None:
            return reference.warmer * _left(at_s - _cleaned_s(state), reference.fades_in)
        return 0.0

    def in_readings_um(self, state: State) -> Mapping[str, Mapping[int, float]]:
        """What each body that added something did to the readings of a run, by number of entry [um]."""
        found: dict[str, dict[int, float]] = {body: {} for body in BODIES}
        for reading in state.readings:
            for body, um in self._in_reading_um(state, reading):
                found[body][reading.seq] = um
        return {body: added for body, added in found.items() if any(added.values())}

    def _in_reading_um(self, state: State, reading: Reading) -> Iterator[tuple[str, float]]:
        slot, at_s = reading.slot, reading.time_s
        yield "stand", self.stand_um(state, at_s)
        if slot.kind is SlotKind.READ:
            yield "part", self.part_um(state, str(slot.place), at_s)
        elif slot.kind is not SlotKind.CHECK:
            yield "reference", self.reference_um(state, at_s)

    def _laid_share(self, state: State, at_s: float) -> float:
        """What is left of the heat that the part had when it was laid down [1]."""
        return _left(at_s - _laid_s(state, at_s), self._hands.fades_in)


def _left(since_s: float, fades_in_s: float | None) -> float:
    """What is left after some time of what fades [1]; all of it where it does not."""
    return math.exp(-since_s / fades_in_s) if fades_in_s is not None else 1.0


def _laid_s(state: State, at_s: float) -> float:
    """When the part was laid down last before a moment [s]."""
    return max((done.time_s for done in state.prepared if done.time_s <= at_s), default=0.0)


def _cleaned_s(state: State) -> float:
    """When reference and stand were cleaned: before the first reading, as the part alone is cleaned after it [s]."""
    first = min((reading.seq for reading in state.readings), default=math.inf)
    return max((done.time_s for done in state.prepared if done.seq < first), default=0.0)


def _heats(
    body: Hands | WarmReference | WarmStand, laid_s: float, touched_s: Sequence[float], at_s: float
) -> Iterator[tuple[float, float]]:
    """Each heat that a body was given: how much [um], and how long ago [s]."""
    yield body.warms, at_s - laid_s
    yield from ((body.touch, at_s - then_s) for then_s in touched_s if then_s <= at_s)


def _body_um(body: WarmReference | WarmStand | None, state: State, touched_s: Sequence[float], at_s: float) -> float:
    if body is None:
        return 0.0
    return sum(um * _left(s, body.fades_in) for um, s in _heats(body, _cleaned_s(state), touched_s, at_s))
