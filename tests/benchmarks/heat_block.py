"""A steel or aluminium block held by an edge for a minute: its length at five places of its end, by conduction.

Heat spreads over the face of 100 mm by 35 mm, in cells of 2.5 mm; across the 9 mm it is even at once (0.7 s). The cells
are a linear system with symmetric coefficients, so that its course is a sum of fades, worked out for any time without a
step in time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

HEIGHT_M, WIDTH_M, THICKNESS_M = 0.1, 0.035, 0.009
CELL_M = 0.0025
CONVECTION = 9.0  # W/(m²·K) on all faces but the one it stands on
FINGER, FINGER_M2, SKIN_K = 250.0, 1.5e-4, 13.0  # two of them, one on each side; W/(m²·K), and above a room of 20 °C
HELD_S = 60.0
HELD_AT_M = (0.055, WIDTH_M - 0.00625)  # middle of the fingertips: up from the foot, and across
PLACES = ("centre", "left front", "right front", "left back", "right back")
ACROSS_M = (0.0175, 0.005, 0.03, 0.005, 0.03)


@dataclass(frozen=True)
class Metal:
    """What a block is of.

    Attributes:
        name: as the tool has it.
        diffusivity: [m²/s].
        capacity: heat that a volume takes up [J/(m³·K)].
        expansion: [1/K].
    """

    name: str
    diffusivity: float
    capacity: float
    expansion: float


STEEL = Metal("steel", 1.25e-5, 3.61e6, 11.5e-6)
ALUMINIUM = Metal("aluminium", 6.9e-5, 2.43e6, 23.5e-6)


@dataclass(frozen=True)
class System:
    """dT/dt = −matrix·T + source, of the cells' temperatures above the room [1/s, K/s]."""

    matrix: Floats
    source: Floats

    def after(self, start_K: Floats, time_s: float) -> Floats:  # noqa: N803  the unit's own capital
        """Temperatures after a time [K]."""
        rates, modes = np.linalg.eigh(self.matrix)
        end = modes @ ((modes.T @ self.source) / rates)
        faded = modes @ (np.exp(-rates * time_s) * (modes.T @ (start_K - end)))
        return np.asarray(end + faded)


@dataclass(frozen=True)
class Held:
    """A block that was held by an edge, and lies in still air from then on.

    Attributes:
        metal: that it is of.
        cell_m: side of a cell [m].
        held: while it is held.
        free: afterwards.
        start_K: temperatures when it is let go [K], one a cell.
    """

    metal: Metal
    cell_m: float = CELL_M
    held: System = field(init=False)
    free: System = field(init=False)
    start_K: Floats = field(init=False)  # noqa: N815
    _rates: Floats = field(init=False)
    _parts_um: Floats = field(init=False)

    def __post_init__(self) -> None:
        self._set("held", System(self._losses(held=True), self.fingers() * SKIN_K))
        self._set("free", System(self._losses(held=False), np.zeros(self.shape).ravel()))
        self._set("start_K", self.held.after(np.zeros(self.free.source.size), HELD_S))
        rates, modes = np.linalg.eigh(self.free.matrix)
        self._set("_rates", rates)
        self._set("_parts_um", (self._lengths_um @ modes) * (modes.T @ self.start_K))

    def _set(self, name: str, value: object) -> None:
        object.__setattr__(self, name, value)

    @property
    def shape(self) -> tuple[int, int]:
        """Cells up and across."""
        return round(HEIGHT_M / self.cell_m), round(WIDTH_M / self.cell_m)

    def fingers(self) -> Floats:
        """How fast each cell takes on the temperature of the skin [1/s]."""
        middles = [self.cell_m * (np.arange(count) + 0.5) for count in self.shape]
        half = np.sqrt(FINGER_M2) / 2.0
        near = [
            np.clip((half + self.cell_m / 2.0 - np.abs(at - middle)) / self.cell_m, 0.0, 1.0)
            for at, middle in zip(middles, HELD_AT_M, strict=True)
        ]
        share = np.outer(*near).ravel()
        share *= FINGER_M2 / (self.cell_m**2 * share.sum())
        return np.asarray(share * 2.0 * FINGER / (self.metal.capacity * THICKNESS_M))

    def _losses(self, *, held: bool) -> Floats:
        up, across = self.shape
        number = np.arange(up * across).reshape(self.shape)
        matrix = np.zeros((number.size, number.size))
        flow = self.metal.diffusivity / self.cell_m**2
        for one, other in ((number[1:], number[:-1]), (number[:, 1:], number[:, :-1])):
            here, there = one.ravel(), other.ravel()
            np.add.at(matrix, (here, here), flow)
            np.add.at(matrix, (there, there), flow)
            matrix[here, there] = matrix[there, here] = -flow
        to_air = np.full(self.shape, 2.0 * CONVECTION / (self.metal.capacity * THICKNESS_M))
        rim = CONVECTION / (self.metal.capacity * self.cell_m)
        to_air[:, 0] += rim
        to_air[:, -1] += rim
        to_air[-1] += rim  # the first row stands on the anvil: no heat goes there
        matrix[np.diag_indices_from(matrix)] += to_air.ravel() + (self.fingers() if held else 0.0)
        return matrix

    @property
    def _lengths_um(self) -> Floats:
        """What each cell adds to the length at each place [um/K]."""
        cells = np.zeros((len(ACROSS_M), *self.shape))
        for place, across_m in enumerate(ACROSS_M):
            cells[place, :, min(int(across_m / self.cell_m), self.shape[1] - 1)] = 1.0
        return np.asarray(1e6 * self.metal.expansion * self.cell_m * cells.reshape(len(ACROSS_M), -1))

    def longer_um(self, times_s: Floats) -> Floats:
        """By how much it is too long, so long after it was let go [s]: a row a time, a column a place [um]."""
        return np.asarray(np.exp(-np.outer(times_s, self._rates)) @ self._parts_um.T)

    def mean_um(self, times_s: Floats) -> Floats:
        """The same of its middle plane on average [um]."""
        temperatures = np.stack([self.free.after(self.start_K, float(at)).mean() for at in times_s])
        return np.asarray(1e6 * self.metal.expansion * HEIGHT_M * temperatures)


def verified() -> Iterator[str]:
    """The block held to what is known of it, as sentences."""
    block = Held(STEEL)
    heat = STEEL.capacity * CELL_M**2 * THICKNESS_M
    taken, lost = _balance_J(block)
    stored = heat * block.start_K.sum()
    yield f"heat of {HELD_S:g} s in two fingertips: {taken:.3f} J taken, {lost:.3f} J lost to the air"
    yield f"    {stored:.3f} J stored: the balance is {100.0 * (taken - lost - stored) / taken:+.4f} %"
    yield f"mean length: {block.mean_um(np.zeros(1))[0]:+.3f} um (by hand, no conduction: 0.55 um, computed)"
    own = Held(STEEL, cell_m=0.005).mean_um(np.zeros(1))[0]
    yield f"    in cells of 5 mm: {own:+.3f} um"
    rates = np.linalg.eigvalsh(block.free.matrix)
    faces = 2.0 * HEIGHT_M * (WIDTH_M + THICKNESS_M) + WIDTH_M * THICKNESS_M
    lumped = STEEL.capacity * HEIGHT_M * WIDTH_M * THICKNESS_M / (CONVECTION * faces)
    yield (
        f"slowest fade: {1.0 / rates[0] / 60.0:.2f} min (lumped {lumped / 60.0:.2f} min; 17 to 42 min at 5 to 10 W/m²K)"
    )
    first = 1.0 / (rates[1] - rates[0])
    yield f"first uneven one: {first:.1f} s (L²/(π²D) = {HEIGHT_M**2 / (np.pi**2 * STEEL.diffusivity):.1f} s)"
    places = block.longer_um(np.array([0.0, 20.0, 60.0]))
    yield "longer at centre, left, right [um]: " + "; ".join(
        f"{at} s after it is let go {row[0]:+.3f} {row[1]:+.3f} {row[2]:+.3f}"
        for at, row in zip((0, 20, 60), places, strict=True)
    )


def _balance_J(block: Held, steps: int = 1200) -> tuple[float, float]:  # noqa: N802  the unit's own capital
    """Heat that came from the fingers, and that went into the air, while it was held [J], summed step by step.

    By explicit steps from cell to cell, so that it owes nothing to the modes.
    """
    heat, step_s = STEEL.capacity * CELL_M**2 * THICKNESS_M, HELD_S / steps
    fingers = block.fingers()
    now, taken, lost = np.zeros(fingers.size), 0.0, 0.0
    to_air = block.free.matrix.sum(axis=1)  # what conduction takes from a cell it brings to another
    for _ in range(steps):
        # Heun's step: second order in time.
        slope = block.held.source - block.held.matrix @ now
        later = now + step_s * slope
        after = now + step_s / 2.0 * (slope + block.held.source - block.held.matrix @ later)
        middle = (now + later) / 2.0
        taken += heat * step_s * float((fingers * (SKIN_K - middle)).sum())
        lost += heat * step_s * float((to_air * middle).sum())
        now = after
    return taken, lost
