"""Plausibility check: a dial that stands far from zero on the block, and a first reading far beyond the limits.

Both are asked about before more is read. Neither is corrected: a FAIL stays a FAIL.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from holdzero.hooks import (
    Act,
    Characteristic,
    CharacteristicView,
    Check,
    Finding,
    Level,
    Measure,
    Number,
    Offer,
    Reading,
    RunView,
    Settings,
    SlotKind,
    exceeds,
    hookimpl,
    limits_text,
    mean,
)
from holdzero_plugins.checks._growth import bench_of

FAR_WIDTHS = 3.0  # so many tolerance widths beyond its limits no part lies by chance (common practice, no source)


class PlausibilitySettings(Settings):
    """`[checks.plausibility]`: it has no keys; how far from zero the dial may stand is in `[bracket]`."""


# --- the zero ---------------------------------------------------------------------------------


def _from_zero_um(run: RunView, zeros: Sequence[Reading]) -> Number:
    """How far the dial stands from zero on the block, or from the block's deviation if that is nearer [um]."""
    read = mean([r.value_um for r in zeros])
    if run.reference is None:
        return np.abs(read)
    # Some set the dial to the certified deviation, so that it shows sizes straight away.
    return np.minimum(np.abs(read), np.abs(read - run.reference.deviation.value))


def _far_zeros(run: RunView, numbers: Iterable[int], *, live: bool) -> Iterable[Finding]:
    limit = run.zero_within_um
    for number in numbers:
        zeros = run.zeros(number)
        if limit is None or not zeros:
            continue
        read, off = mean([r.value_um for r in zeros]), _from_zero_um(run, zeros)
        shows, allowed = run.against(read, limit, sign=True)
        # Of several readings one that is struck out leaves the others: then the whole zero is set anew.
        alone = len(zeros) == 1
        mend = "Set the dial to zero and read again?" if alone else "Give the zero up (z): it is set anew."
        ask = mend if live else "It was measured so."
        yield Finding(
            level=Level.DOUBT,
            code=f"plausibility/zero/{zeros[0].seq}",
            text=f"The dial shows {shows} where the zero is taken; within {allowed} of zero is usual. A dial that was "
            f"not set, a wrong block, dirt under it? {ask}",
            data={"read_um": float(np.mean(read)), "limit_um": limit},
            holds=exceeds(off, limit, run.resolution_um),
            offer=Offer(act=Act.STRIKE, entries=(zeros[0].seq,)) if live and alone else None,
        )


# --- the first reading ------------------------------------------------------------------------


def _sizes(run: RunView, reading: Reading) -> Iterator[tuple[str, Characteristic, float, float]]:
    """The sizes that a reading is of, with a limit to either side [um]."""
    for name, spec in run.routine.characteristics.items():
        mine = reading.slot.place in spec.at and spec.force in (None, reading.slot.force_N)
        # Where the reference itself is read at places, no reading alone tells a size.
        if not mine or spec.measure is not Measure.SIZE or spec.base is not None:
            continue
        if spec.lower is not None and spec.upper is not None and spec.upper > spec.lower:
            yield name, spec, spec.lower, spec.upper


def _far_reading(run: RunView, *, live: bool) -> Iterable[Finding]:
    """The first reading of the part, where it lies several tolerances beyond the limits."""
    read, bench = run.of_kind(SlotKind.READ), bench_of(run)
    if not read or bench is None or not run.zeros(read[0].zero) or "slips" in run.routine.checks:
        return  # the check for slips asks about it with all that a slip can be
    first = read[0]
    for name, spec, lower, upper in _sizes(run, first):
        size = bench.length_um(run.difference_um(first)) - (spec.nominal or 0.0)
        beyond = np.maximum(size - upper, lower - size)
        limits = limits_text(lower, upper, run.routine.routine.units)
        ask = "Is this the right part, the right block, the unit?" if live else "It was kept: nothing is dropped."
        yield Finding(
            level=Level.DOUBT,
            code=f"plausibility/reading/{first.seq}",
            text=f"The first reading, at {first.slot.place}, lies {run.length(beyond, 3)} beyond the limits of {name} "
            f"({limits}), more than {FAR_WIDTHS:g} times the tolerance. {ask}",
            characteristic=name,
            data={"beyond_um": float(np.mean(beyond)), "limit_um": FAR_WIDTHS * (upper - lower)},
            holds=exceeds(beyond, FAR_WIDTHS * (upper - lower), run.resolution_um),
            offer=Offer(act=Act.STRIKE, entries=(first.seq,)) if live else None,
        )


def watch(settings: PlausibilitySettings, run: RunView) -> Iterable[Finding]:
    """Ask right after the zero, and right after the first reading: later it is no use."""
    del settings
    last = run.readings[-1] if run.readings else None
    if last is not None and last.kind is SlotKind.ZERO:
        yield from _far_zeros(run, (last.zero,), live=True)
    if last is not None and last.kind is SlotKind.READ and len(run.of_kind(SlotKind.READ)) == 1:
        yield from _far_reading(run, live=True)


def judge(
    settings: PlausibilitySettings, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    """The same at the end, of the zeros that the part was read under."""
    del settings, characteristics
    yield from _far_zeros(run, sorted({r.zero for r in run.of_kind(SlotKind.READ)}), live=False)
    yield from _far_reading(run, live=False)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The check of what is plausible."""
    return [
        Check(
            name="plausibility",
            title="zero and first reading are plausible",
            settings=PlausibilitySettings,
            watch=watch,
            judge=judge,
            arrays=True,
        )
    ]
