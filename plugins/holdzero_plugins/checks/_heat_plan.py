"""What a routine has to read so that heat can be told at all: before any run, and after one in which it could not."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
from pydantic import Field, ValidationError

from holdzero.hooks import (
    Characteristic,
    CharacteristicView,
    Comparator,
    Measure,
    Remark,
    Routine,
    RunView,
    Settings,
    Size,
    Slot,
    SlotKind,
    exceeds,
    part_size_um,
)
from holdzero_plugins.checks._fading import Spans, still_um
from holdzero_plugins.checks._heat_rows import FAR, UNKNOWN, allowance_um, own_places, rows_of, spans_of, width_um
from holdzero_plugins.checks._scatter import RepeatabilitySettings
from holdzero_plugins.checks._warm_rows import Floats, Rows
from holdzero_plugins.tables.materials import materials

__all__ = ["HeatSettings", "enough_text", "validate"]

ANSWER_S = 20.0
"""From one answer to the next at a bench (common practice, no source)."""
_LEAST_PASSES = 3
_MOST_PASSES, _LONGEST_S, _MORE = 60, 4 * 3600.0, 1.2


class HeatSettings(Settings):
    """`[checks.heat]`."""

    limit: Size | None = Field(
        None, description="How much heat may be left when it is read anew; the allowance where left out."
    )
    allowance: Size | None = Field(
        None,
        description="How much of a value may be heat before it is undecided; a tenth of the tolerance's width, "
        "or the resolution where there is none, where left out.",
    )


def validate(settings: HeatSettings, routine: Routine, plan: Sequence[Slot]) -> Iterator[Remark]:
    """Fewer passes than heat can be told from, and an allowance that nothing exceeds."""
    for name, spec in routine.characteristics.items():
        width = width_um(spec)
        if settings.allowance is not None and width is not None and settings.allowance >= width:
            found = f"{settings.allowance:g} um, as much as the tolerance of {name} ({width:g} um)"
            mend = "check number and unit: heat may then turn a bad part into a good one"
            yield Remark(key="allowance", found=found, mend=mend, warning=True)
        read = [s for s in plan if s.kind is SlotKind.READ and s.place in own_places(spec)]
        counts = Counter(slot.place for slot in read if spec.force in (None, slot.force_N))
        count = min((counts[place] for place in own_places(spec)), default=0)
        if count < _LEAST_PASSES:
            found = f"{count} readings of each place of {name}: heat shows over {_LEAST_PASSES} passes or more"
            yield Remark(found=found, expected="enough to tell heat from size", mend="more rounds, or drop the table")
        elif isinstance(routine.comparator, Comparator):
            allowance = allowance_um(settings.allowance, spec, routine.comparator.resolution)
            remark = _too_few(routine, routine.comparator, plan, spec, allowance)
            if remark is not None:
                yield replace(remark, found=f"for {name} {remark.found}", warning=remark.warning or width is None)


def _too_few(
    routine: Routine, comparator: Comparator, plan: Sequence[Slot], spec: Characteristic, allowed_um: float
) -> Remark | None:
    """Refused where even readings that scatter as little as rounding would not tell; told where usual ones would not.

    Usual ones scatter by a step of the dial (common practice, no source).
    """
    rows = _planned(routine, comparator, plan, spec)
    size = part_size_um(routine, None)
    spans, scatter = spans_of(routine, materials().get(routine.part.material), size), _scatter_um(routine, comparator)
    if rows is None or spans == UNKNOWN or not scatter:
        return None
    minutes, most = float(np.ptp(rows.times_s[rows.warm])) / 60.0, still_um(rows, spans, scatter)
    usual = max(scatter, comparator.resolution)
    refused = exceeds(most, allowed_um, comparator.resolution)
    if not refused:
        most = still_um(rows, spans, usual)
    if not exceeds(most, allowed_um, comparator.resolution):
        return None
    count = int(np.bincount(rows.places[rows.places >= 0]).min())
    hidden = f"up to {most:.2g} um" if most < FAR * allowed_um else f"more than {FAR * allowed_um:g} um"
    enough = _enough(rows, spans, usual, allowed_um)
    mend = (
        f"with a scatter of {usual:.2g} um at least {enough}: a soak at the end of each round, or more rounds. "
        "That is just enough: half as many passes again tell in nearly all runs"
    )
    return Remark(
        found=f"{count} passes in about {minutes:.0f} min ({ANSWER_S:g} s an answer): {hidden} of heat would "
        f"hide in readings that scatter by {scatter if refused else usual:.2g} um",
        expected=f"no more than {allowed_um:g} um",
        mend=mend if enough else "drop the table, and let it soak for longer",
        warning=not refused,
    )


def _scatter_um(routine: Routine, comparator: Comparator) -> float:
    """As stated, and no less than rounding leaves, JCGM 100:2008, F.2.2.1 [um]."""
    least = comparator.resolution / math.sqrt(12.0)
    try:
        settings = RepeatabilitySettings.model_validate(routine.checks.get("repeatability", {}))
    except ValidationError:
        return least
    pooled = settings.pooled
    if pooled is None:
        return least
    return max(least, pooled.standard / (math.sqrt(2.0) if pooled.of == "differences" else 1.0))


def _planned(routine: Routine, comparator: Comparator, plan: Sequence[Slot], spec: Characteristic) -> Rows | None:
    """The readings of a characteristic's part as they are planned."""
    serial = next((slot.serial for slot in plan if slot.kind is SlotKind.READ), None)
    if spec.base is not None and spec.measure is Measure.SIZE:
        return None  # its readings are counted from each other: what they tell depends on their design
    now_s, zero, group = 0.0, -1, ""
    read: list[tuple[float, Slot, int]] = []
    for slot in plan:
        if slot.serial not in (serial, None):
            continue
        now_s += max(slot.at_least_s, ANSWER_S)
        if slot.kind is SlotKind.ZERO:
            zero, group = zero + (slot.group != group), slot.group
        if slot.kind in (SlotKind.ZERO, SlotKind.READ) and zero >= 0:
            read.append((now_s, slot, zero))
    own = own_places(spec)
    counts = Counter(slot.place for _, slot, _ in read if slot.kind is SlotKind.READ)
    signs = _signs(spec)
    labels = {
        key: index for index, key in enumerate(dict.fromkeys(_label(s) for _, s, _ in read if s.kind is SlotKind.READ))
    }
    if not labels or any(not counts[place] for place in own):
        return None
    times = np.array([time_s for time_s, _, _ in read])
    is_read = np.array([slot.kind is SlotKind.READ for _, slot, _ in read])
    return Rows(
        times_s=times - times[0],
        values_um=np.zeros(times.size),
        zeros=np.array([number for _, _, number in read]),
        places=np.array([labels[_label(s)] if s.kind is SlotKind.READ else -1 for _, s, _ in read]),
        weights=np.array(
            [signs.get(str(s.place), 0.0) / counts[s.place] if s.kind is SlotKind.READ else 0.0 for _, s, _ in read]
        ),
        warm=is_read | (routine.zero_place is not None),
        step_um=comparator.resolution,
    )


def _label(slot: Slot) -> tuple[str | None, float | None]:
    return slot.place, slot.force_N


def _signs(spec: Characteristic) -> dict[str, float]:
    """How much each place counts; of a variation, two of them against each other."""
    if spec.measure is Measure.VARIATION:
        return {spec.at[0]: 1.0, spec.at[-1]: -1.0}
    base = spec.base or ()
    return dict.fromkeys(spec.at, 1.0 / len(spec.at)) | dict.fromkeys(base, -1.0 / max(len(base), 1))


def enough_text(run: RunView, c: CharacteristicView, spans: Spans, scatter_um: Floats, allowed_um: float) -> str:
    """What would have been enough to tell, at the pace and scatter of a run; empty of many runs."""
    rows = rows_of(run, c.spec, c.readings, c.weights)
    if rows is None or rows.values_um.ndim > 1:
        return ""
    enough = _enough(rows, spans, float(scatter_um), allowed_um)
    if not enough:
        return ""
    return f"{enough[0].upper()}{enough[1:]} would be just enough, half as many passes again in nearly all runs."


def _enough(rows: Rows, spans: Spans, scatter_um: float, allowed_um: float) -> str:
    """The same passes over a longer time, or more passes; empty where neither is."""
    read = rows.warm & (rows.places >= 0)
    span_s, count = float(np.ptp(rows.times_s[read])), int(np.bincount(rows.places[read]).min())

    def told(made: Rows) -> bool:
        return not exceeds(still_um(made, spans, scatter_um), allowed_um, rows.step_um)

    words = []
    longer = _first(lambda by: replace(rows, times_s=rows.times_s * by), _LONGEST_S / max(span_s, 1.0), told)
    if longer is not None:
        words.append(f"the same {count} passes spread over {5 * math.ceil(longer * span_s / 300.0)} min")
    more = _first(lambda by: _repeated(rows, math.ceil(by * count), count), _MOST_PASSES / count, told)
    if more is not None:
        words.append(f"{math.ceil(more * count)} passes at this pace")
    return " or ".join(words)


def _first(made: Callable[[float], Rows], most: float, told: Callable[[Rows], bool]) -> float | None:
    """The least factor that is enough, to a fifth; None where none is, up to the most.

    Whatever is enough, more of it is enough too.
    """
    factors = [_MORE**power for power in range(1, 1 + math.floor(math.log(max(most, 1.0), _MORE)))]
    least = bisect_left(factors, True, key=lambda factor: told(made(factor)))
    return factors[least] if least < len(factors) else None


def _repeated(rows: Rows, count: int, before: int) -> Rows:
    """So many passes as the first one, at the pace of them all."""
    read = rows.warm & (rows.places >= 0)
    firsts = [int(np.flatnonzero(rows.places == place)[0]) for place in range(rows.many)]
    own_s = rows.times_s[firsts]
    # From pass to pass: from the first reading to the last is less than a pass more than that.
    rarest = np.bincount(rows.places[read], minlength=rows.many).argmin()
    pace_s = float(np.ptp(rows.times_s[read & (rows.places == rarest)])) / max(before - 1, 1)
    others = np.flatnonzero(~read)
    places = np.tile(rows.places[firsts], count)
    return Rows(
        times_s=np.concatenate([rows.times_s[others], (np.arange(count)[:, None] * pace_s + own_s).ravel()]),
        values_um=np.zeros(others.size + places.size),
        zeros=np.concatenate([rows.zeros[others], np.full(places.size, rows.zeros[firsts[0]])]),
        places=np.concatenate([rows.places[others], places]),
        weights=np.concatenate([np.zeros(others.size), np.tile(rows.sums / count, count)]),
        warm=np.concatenate([rows.warm[others], np.ones(places.size, dtype=bool)]),
        step_um=rows.step_um,
    )
