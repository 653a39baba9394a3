"""The cases of `heat.py`: parts, what heat does to them, and the readings that come of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from heat_block import ALUMINIUM, PLACES, STEEL, Floats, Held, Metal

FIRST_UM = 0.55  # heat in the length at the first reading
BEYOND_UM, INSIDE_UM, SOUND_UM = -0.62, -0.25, 0.0
SCATTER_UM, DIAL_UM, COARSE_UM = 0.025, 0.02, 0.1
LAID_S = 20.0  # from the hand to the first reading
ZEROS_S, FIRST_S, PACE_S = (5.0, 20.0, 35.0), 60.0, 15.0
TILT_UM, MASK_UM = 0.48, 0.5  # in truth, and of it hidden by heat at the first reading
ACROSS = (0.0, -0.5, 0.5, -0.5, 0.5)  # share of a tilt at each place

ROUTINE = """
format = 1

[routine]
title = "Spacer bar {size_mm} mm, length and parallelism"
part = "SB-{size_mm}"

[reference]
name = "Setting block {size_mm} mm"
size = "{size_mm} mm"
deviation = {{ value = "0 um", expanded = "0.06 um", coverage = 2, why = "certificate" }}
material = "{material}"

[part]
material = "{material}"

[comparator]
name = "Comparator"
resolution = "{dial_um} um"
travel = "20 um"
error = {{ halfwidth = "0.02 um", why = "own calibration" }}

[decision]
rule = "guarded"

[bracket]
limit = "0.2 um"

[characteristics.length]
measure = "size"
at = "centre"
nominal = "{size_mm} mm"
lower = "-0.4 um"
upper = "+0.4 um"

[characteristics.parallelism]
measure = "variation"
at = {places}
upper = "0.3 um"

[checks.repeatability]
limit = "0.3 um"

[checks.heat]

[[steps]]
do = "zero"
times = 3

[[steps]]
do = "repeat"
times = {rounds}
steps = [{reads}]

[[steps]]
do = "return"
times = 2

[[steps]]
do = "compare"
"""


@dataclass(frozen=True, kw_only=True)
class Case:
    """A part, what heat does to it, and how it is read.

    Attributes:
        name: of the table's row.
        rounds, span_min: how often each place is read, and within what time [1, min].
        true_um: its length less the nominal one [um].
        tilt_um: what its places truly differ by [um].
        metal: that it is of.
        size_mm: its length [mm].
        heat: where its heat comes from: "" for none, "hand" for conduction, "even" for a fade of `tau_min`, "tilt"
            for one that hides the tilt.
        tau_min: of a fade that is made up [min].
        sign: +1 for a part that is warm at first, −1 for a cold one [1].
        stand_um, stand_min: how much the stand moves, all readings alike, and its time constant [um, min].
        dial_um, scatter_um: of the comparator [um].
        of: characteristic that is counted.
        wanted: what would be right to say of it.
    """

    name: str
    rounds: int
    span_min: float
    true_um: float = BEYOND_UM
    tilt_um: float = 0.0
    metal: Metal = STEEL
    size_mm: int = 100
    heat: str = "hand"
    tau_min: float = 0.0
    sign: float = 1.0
    stand_um: float = 0.0
    stand_min: float = 45.0
    dial_um: float = DIAL_UM
    scatter_um: float = SCATTER_UM
    of: str = "length"
    wanted: str = "fail"

    @property
    def times_s(self) -> Floats:
        """Of the part's readings, from the first one [s]."""
        period_s = 60.0 * self.span_min / self.rounds
        pace_s = min(PACE_S, period_s / len(PLACES))
        return np.asarray(np.add.outer(period_s * np.arange(self.rounds), pace_s * np.arange(len(PLACES))).ravel())

    @property
    def text(self) -> str:
        """The routine."""
        reads = ", ".join(f'{{ do = "read", at = "{place}" }}' for place in PLACES)
        return ROUTINE.format(
            size_mm=self.size_mm,
            material=self.metal.name,
            dial_um=self.dial_um,
            places=list(PLACES),
            rounds=self.rounds,
            reads=reads,
        )


SPANS = ((3, 15.0), (4, 5.0), (6, 15.0), (10, 15.0), (10, 30.0), (15, 45.0))


def cases() -> Iterator[Case]:
    """All of them, in the order of the table."""
    for rounds, span in SPANS:
        yield Case(name="beyond, hand heat", rounds=rounds, span_min=span)
    for rounds, span in SPANS:
        yield Case(name="beyond, and the stand moves", rounds=rounds, span_min=span, stand_um=0.15)
    for rounds, span in ((4, 5.0), (10, 15.0), (15, 45.0)):
        yield Case(name="beyond, coarse dial 0.1", rounds=rounds, span_min=span, dial_um=COARSE_UM)
    for rounds, span in ((4, 5.0), (10, 15.0)):
        short = Case(name="beyond, short block 25 mm, 15 min", rounds=rounds, span_min=span, heat="even", tau_min=15.0)
        yield replace(short, size_mm=25)
        yield Case(name="beyond, aluminium", rounds=rounds, span_min=span, metal=ALUMINIUM)
    for rounds, span in ((4, 5.0), (10, 15.0)):
        for tau in (15.0, 1.0):
            name = f"tilt 0.48 hidden by heat, {tau:g} min"
            tilt = Case(name=name, rounds=rounds, span_min=span, true_um=0.0, tilt_um=TILT_UM, heat="tilt")
            yield replace(tilt, tau_min=tau, of="parallelism")
    for rounds, span in ((10, 15.0), (15, 45.0)):
        yield Case(name="beyond +0.62, a cold part", rounds=rounds, span_min=span, true_um=-BEYOND_UM, sign=-1.0)
    yield from _good_cases()


def _good_cases() -> Iterator[Case]:
    for name, true, heat, stand in (
        ("good −0.25, hand heat", INSIDE_UM, "hand", 0.0),
        ("good −0.25, hand heat, stand", INSIDE_UM, "hand", 0.15),
        ("good −0.25, no heat", INSIDE_UM, "", 0.0),
        ("good 0, no heat", SOUND_UM, "", 0.0),
    ):
        for rounds, span in SPANS:
            good = Case(name=name, rounds=rounds, span_min=span, true_um=true, heat=heat, stand_um=stand)
            yield replace(good, wanted="pass")
    for rounds, span in ((4, 5.0), (10, 15.0)):
        coarse = Case(name="good 0, no heat, coarse dial 0.1", rounds=rounds, span_min=span, true_um=0.0, heat="")
        yield replace(coarse, dial_um=COARSE_UM, wanted="pass")


@cache
def _held(metal: Metal) -> Held:
    return Held(metal)


def heat_um(case: Case) -> Floats:
    """Heat in each of the part's readings, in order [um]."""
    times, place = case.times_s, np.tile(np.arange(len(PLACES)), case.rounds)
    if case.heat == "hand":
        block = _held(case.metal)
        scale = case.sign * FIRST_UM / block.mean_um(np.array([LAID_S]))[0]
        return np.asarray(scale * block.longer_um(LAID_S + times)[np.arange(times.size), place])
    if not case.heat:
        return np.zeros(times.size)
    faded = np.exp(-times / (60.0 * case.tau_min))
    return FIRST_UM * faded if case.heat == "even" else -MASK_UM * np.array(ACROSS)[place] * faded


def course(case: Case) -> tuple[Floats, Floats]:
    """When each reading of a run is taken [s], and what it would be without scatter and rounding [um]."""
    reads = FIRST_S + case.times_s
    times = np.concatenate([ZEROS_S, reads, reads[-1] + np.array([20.0, 35.0])])
    part = case.true_um + case.tilt_um * np.tile(ACROSS, case.rounds) + heat_um(case)
    stand = case.stand_um * np.exp(-times / (60.0 * case.stand_min))
    return times, stand + np.concatenate([np.zeros(len(ZEROS_S)), part, np.zeros(2)])


def drawn(case: Case, draws: int, seed: int) -> tuple[Floats, Floats]:
    """When each reading is taken [s], and what is shown then, a row a run [um]."""
    times, exact = course(case)
    random = np.random.default_rng(seed)
    shown = exact + case.scatter_um * random.standard_normal((draws, exact.size))
    # The true values lie anywhere between two counts of the dial.
    shown += case.dial_um * (random.random((draws, 1)) - 0.5)
    return times, case.dial_um * np.rint(shown / case.dial_um) + 0.0
