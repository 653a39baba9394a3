"""Block check: a gauge block at five points, its deviation and variation in length, and its grade.

It names the grades whose limits the block keeps as it was read; it decides nothing. A limit that is
to be decided on belongs into a characteristic, where the uncertainty stands beside it. The tables are of metric
blocks; an inch block is held against them too, and told so.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from holdzero.hooks import (
    CharacteristicView,
    Check,
    Finding,
    Force,
    Level,
    Number,
    Reading,
    RunView,
    Settings,
    Size,
    SlotKind,
    exceeds,
    hookimpl,
    length_text,
    mean,
    refuse,
    stack,
)
from holdzero_plugins.checks import _tables
from holdzero_plugins.checks._growth import bench_of

UM_PER_MM = 1000.0
CORNERS = ("left front", "right front", "left back", "right back")
_FOUR = 4


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of a grade: te, deviation at any point, and tv, variation in length [um]."""

    te_um: float
    tv_um: float


@dataclass(frozen=True, slots=True)
class Standard:
    """Limits by grade over ranges of the nominal length [mm]."""

    title: str
    known: str
    ranges: tuple[tuple[float, float, Mapping[str, Limits]], ...]

    @property
    def grades(self) -> tuple[str, ...]:
        """Its grades, in the order of the table."""
        return tuple(self.ranges[0][2])

    def limits(self, nominal_um: float) -> Mapping[str, Limits]:
        """Limits by grade [um] at a nominal length [um]; none where the table has no row.

        Source: ISO 3650:1998, table of te and tv; see the data file for how it is known.
        """
        row = self.row(nominal_um)
        return {} if row is None else row[2]

    def row(self, nominal_um: float) -> tuple[float, float, Mapping[str, Limits]] | None:
        """The row of a nominal length [um]: over, up to and including [mm], limits by grade [um]; None beyond them."""
        nominal_mm = nominal_um / UM_PER_MM
        for index, (over, up_to, limits) in enumerate(self.ranges):
            above = exceeds(nominal_mm, over) or (index == 0 and not exceeds(over, nominal_mm))
            if above and not exceeds(nominal_mm, up_to):
                return over, up_to, limits
        return None


@cache
def standards() -> Mapping[str, Standard]:
    """The standards of the data file, by name."""
    text = resources.files("holdzero_plugins.checks").joinpath("data/gauge_blocks.toml").read_text("utf-8")
    made: dict[str, Standard] = {}
    for name, table in tomllib.loads(text).items():
        ranges = _own_rows(table) if "rows" in table else _as_another(table, made[table["as"]])
        made[name] = Standard(table["title"], table["known"], ranges)
    return made


def _own_rows(table: Mapping[str, Any]) -> tuple[tuple[float, float, Mapping[str, Limits]], ...]:
    return tuple(
        (float(over), float(up_to), {g: Limits(*rest[2 * i : 2 * i + 2]) for i, g in enumerate(table["grades"])})
        for over, up_to, *rest in table["rows"]
    )


def _as_another(table: Mapping[str, Any], other: Standard) -> tuple[tuple[float, float, Mapping[str, Limits]], ...]:
    return tuple(
        (over, up_to, {own: limits[theirs] for own, theirs in table["grades"].items()})
        for over, up_to, limits in other.ranges
    )


# Steps in which sets of metric blocks are made, each from a length on [mm], and that of inch blocks [in] (common
# practice, no source).
_METRIC_STEPS = ((0.5, 0.1), (0.99, 0.0005), (1.01, 0.01), (2.0, 0.5), (25.0, 5.0))
_MM_PER_INCH, _INCH_STEP = 25.4, 0.0001
# The standard whose limits for inch blocks are others than those of its metric table.
_WITH_INCH_LIMITS = "ASME B89.1.9"
_ROUNDING = 1e-6  # of a step: what floats make of it


def is_inch_size(nominal_um: float, units: str) -> bool:
    """Whether a nominal length is that of an inch block: a round one in inches, and none of metric sets.

    Where it is both, or neither, the units of the routine say it.

    Args:
        nominal_um: nominal length [um].
        units: of the routine, `mm` or `in`.

    >>> is_inch_size(25400.0, "mm"), is_inch_size(25000.0, "in"), is_inch_size(1270.0, "in")
    (True, False, True)
    """
    nominal_mm = nominal_um / UM_PER_MM
    step = next((step for start, step in reversed(_METRIC_STEPS) if nominal_mm >= start), _METRIC_STEPS[0][1])
    metric, inch = _is_round(nominal_mm, step), _is_round(nominal_mm, _INCH_STEP * _MM_PER_INCH)
    return units == "in" if metric == inch else inch


def _is_round(number: float, step: float) -> bool:
    return abs(number / step - round(number / step)) < _ROUNDING


class BlockSettings(Settings):
    """`[checks.block]`."""

    centre: str = Field("centre", description="Place of the centre of the measuring face.")
    corners: tuple[str, ...] = Field(
        CORNERS, description="Places near its four corners, about 1.5 mm from the side faces."
    )
    nominal: Size | None = Field(None, description="Nominal length of the block; that of the reference if left out.")
    force: Force | None = Field(None, description="Use the readings that were taken at this contact force.")
    standard: str = Field("ISO 3650", description="Standard of `grade`; its metric table, for inch blocks too.")
    grade: str | None = Field(None, description="Grade that the block should have.")

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if len({self.centre, *self.corners}) != 1 + _FOUR or len(self.corners) != _FOUR:
            raise refuse(", ".join((self.centre, *self.corners)), "a centre and four corners", "name five places")
        if self.standard not in standards():
            raise refuse(f"standard = {self.standard!r}", "one of " + ", ".join(standards()), "check the spelling")
        grades = standards()[self.standard].grades
        if self.grade is not None and self.grade not in grades:
            raise refuse(f"grade = {self.grade!r}", f"of {self.standard}: " + ", ".join(grades), "name one of them")
        return self

    @property
    def places(self) -> tuple[str, ...]:
        """The five points, the centre first."""
        return (self.centre, *self.corners)


@dataclass(frozen=True, slots=True, kw_only=True)
class FivePoints:
    """Deviations of the length from nominal at the centre and the four corners [um], last axis."""

    deviations_um: NDArray[np.float64]

    @property
    def largest_um(self) -> Number:
        """Largest distance from nominal at any point [um] (ISO 3650:1998, clause 3; from memory)."""
        return _plain(np.abs(self.deviations_um).max(axis=-1))

    @property
    def above_centre_um(self) -> Number:
        """f_o = l_max − l_c [um] (ISO 3650:1998, clause 3; from memory)."""
        return _plain(self.deviations_um.max(axis=-1) - self.deviations_um[..., 0])

    @property
    def below_centre_um(self) -> Number:
        """f_u = l_c − l_min [um] (ISO 3650:1998, clause 3; from memory)."""
        return _plain(self.deviations_um[..., 0] - self.deviations_um.min(axis=-1))

    @property
    def variation_um(self) -> Number:
        """Variation in length v = l_max − l_min = f_o + f_u [um] (ISO 3650:1998, clause 3; from memory)."""
        return _plain(np.ptp(self.deviations_um, axis=-1))

    def keeps(self, limits: Limits, resolution_um: float) -> np.bool_ | NDArray[np.bool_]:
        """Whether both limits are kept as read with this resolution [um]."""
        far, uneven = (
            exceeds(value, limit, resolution_um)
            for value, limit in ((self.largest_um, limits.te_um), (self.variation_um, limits.tv_um))
        )
        return np.logical_not(np.logical_or(far, uneven))


def _plain(number: NDArray[np.float64] | np.float64) -> Number:
    return number if isinstance(number, np.ndarray) else float(number)


def _readings(settings: BlockSettings, run: RunView) -> dict[str, list[Reading]]:
    """The readings that count, place by place."""
    places: dict[str, list[Reading]] = {place: [] for place in settings.places}
    for r in run.of_kind(SlotKind.READ):
        if r.slot.place in places and run.zeros(r.zero) and settings.force in (None, r.slot.force_N):
            places[r.slot.place].append(r)
    return places


def _nominal_um(settings: BlockSettings, run: RunView) -> float | None:
    if settings.nominal is not None:
        return settings.nominal
    return run.reference.size if run.reference else None


def _problem(settings: BlockSettings, run: RunView, readings: Mapping[str, Sequence[Reading]]) -> Finding | None:
    """What keeps the five points from being put together."""
    missing = [place for place, own in readings.items() if not own]
    if missing:
        text = f"Deviation and variation in length need five points; not read: {', '.join(missing)}."
        return Finding(level=Level.DOUBT, code="block/missing", text=text)
    forces = {r.slot.force_N for own in readings.values() for r in own}
    if len(forces) > 1:
        text = "The five points were read at several forces; say in [checks.block] which force counts."
        return Finding(level=Level.DOUBT, code="block/forces", text=text)
    if run.reference is None or _nominal_um(settings, run) is None:
        return Finding(level=Level.DOUBT, code="block/reference", text="There is no reference to set a length from.")
    return None


def _points(settings: BlockSettings, run: RunView, readings: Mapping[str, Sequence[Reading]]) -> FivePoints:
    nominal, bench = _nominal_um(settings, run), bench_of(run)
    means = [mean([run.difference_um(r) for r in readings[place]]) for place in settings.places]
    if bench is not None and nominal is not None:
        means = [bench.length_um(read) - nominal for read in means]
    return FivePoints(deviations_um=stack(means))


def _in_words(settings: BlockSettings, run: RunView, points: FivePoints) -> Iterable[Finding]:
    values = {
        "f_o_um": points.above_centre_um,
        "f_u_um": points.below_centre_um,
        "v_um": points.variation_um,
        "largest_deviation_um": points.largest_um,
    }
    f_o, f_u, v, e = (run.length(value, 3) for value in values.values())
    yield Finding(
        level=Level.NOTE,
        code="block/variation",
        text=f"Variation in length, the longest less the shortest of the five points: v = {v}. The longest lies "
        f"f_o = {f_o} above the centre, the shortest f_u = {f_u} below it; v is their sum. It is neither the "
        "larger of the two nor a deviation from nominal.",
        data={key: float(np.mean(value)) for key, value in values.items()},
    )
    bench = bench_of(run)
    referred = ", and referred to 20 °C" if bench is not None and bench.known else ""
    at = settings.places[int(np.atleast_1d(np.abs(points.deviations_um).argmax(axis=-1))[0])]
    yield Finding(
        level=Level.NOTE,
        code="block/deviation",
        text=f"Deviation of the length from nominal: at most {e} at any of the five points, at {at}; as read"
        f"{referred}, before corrections{' other than that' if referred else ''}.",
        data={"largest_deviation_um": float(np.mean(points.largest_um))},
    )


def _by_the_metric_table(settings: BlockSettings, run: RunView, nominal_um: float) -> Iterable[Finding]:
    """That an inch block is held against limits of metric ones; a doubt where a standard with others is asked for."""
    standard = standards()[settings.standard]
    row = standard.row(nominal_um)
    if row is None or not is_inch_size(nominal_um, run.routine.routine.units):
        return
    over, up_to, _ = row
    yield Finding(
        level=Level.NOTE if settings.grade is None or settings.standard != _WITH_INCH_LIMITS else Level.DOUBT,
        code="block/inch",
        text=f"{length_text(nominal_um, 'in')} is an inch size. It is judged by the metric table, as a length of "
        f"{nominal_um / UM_PER_MM:.6g} mm in the class over {over:g} mm up to {up_to:g} mm. {_WITH_INCH_LIMITS} has "
        "limits of its own for inch blocks; they are not known here. Where a grade of that counts, look it up there.",
    )


def _table(run: RunView, nominal_um: float) -> str:
    """A word beside the standard's name, where its metric table is not what everybody would take."""
    return " (metric table)" if is_inch_size(nominal_um, run.routine.routine.units) else ""


def _best_grades(run: RunView, points: FivePoints, nominal_um: float) -> Iterable[Finding]:
    """The first grade of each standard, in the order of its table, whose limits are kept."""
    table = _table(run, nominal_um)
    for name, standard in standards().items():
        limits = standard.limits(nominal_um)
        if not limits:
            text = f"{name} has no limits for a nominal length of {nominal_um / UM_PER_MM:g} mm."
            yield Finding(level=Level.NOTE, code="block/best/none", text=text)
            continue
        open_: Any = np.True_
        for grade, own in limits.items():
            kept = points.keeps(own, run.resolution_um)
            yield Finding(
                level=Level.NOTE,
                code=f"block/best/{name}/{grade}",
                text=f"As read, the best grade of {name}{table} that the block keeps is {grade}: deviation "
                f"{run.length(own.te_um, 3)}, variation {run.length(own.tv_um, 3)}."
                + (" K is about variation: in deviation it allows more than grade 0." if grade == "K" else ""),
                data={"te_um": own.te_um, "tv_um": own.tv_um},
                holds=np.logical_and(open_, kept),
            )
            open_ = np.logical_and(open_, np.logical_not(kept))
        text = f"As read, the block keeps the limits of no grade of {name}{table}."
        yield Finding(level=Level.NOTE, code=f"block/best/{name}/none", text=text, holds=open_)


def _required(settings: BlockSettings, run: RunView, points: FivePoints, nominal_um: float) -> Iterable[Finding]:
    """The grade that the routine asks for, limit by limit."""
    limits = standards()[settings.standard].limits(nominal_um)
    if settings.grade is None:
        return
    if not limits:
        text = (
            f"{settings.standard} has no limits at this nominal length, so grade {settings.grade} can't be looked at."
        )
        yield Finding(level=Level.DOUBT, code="block/grade/none", text=text)
        return
    own = limits[settings.grade]
    kinds = (
        ("te", "length deviates from nominal", points.largest_um, own.te_um, "lower and upper of a size"),
        ("tv", "length varies over the face", points.variation_um, own.tv_um, "upper of a variation"),
    )
    for key, what, value, limit, where in kinds:
        found, allowed = run.against(value, limit)
        yield Finding(
            level=Level.DOUBT,
            code=f"block/grade/{key}",
            text=f"As read, the {what} by {found}; grade {settings.grade} of {settings.standard}"
            f"{_table(run, nominal_um)} allows {key} = {allowed}. This is no verdict: for one, write the limit as "
            f"{where}.",
            data={"found_um": float(np.mean(value)), "limit_um": limit},
            holds=exceeds(value, limit, run.resolution_um),
        )


def judge(settings: BlockSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """Deviation and variation in length at five points, the best grades, and the grade asked for."""
    del characteristics
    readings = _readings(settings, run)
    problem, nominal = _problem(settings, run, readings), _nominal_um(settings, run)
    if problem is not None or nominal is None:
        yield from () if problem is None else (problem,)
        return
    points = _points(settings, run, readings)
    yield from _in_words(settings, run, points)
    yield from _by_the_metric_table(settings, run, nominal)
    yield from _best_grades(run, points, nominal)
    yield from _required(settings, run, points, nominal)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The block check."""
    return [
        Check(
            name="block",
            title="gauge block at five points: deviation, variation in length, grade",
            settings=BlockSettings,
            judge=judge,
            validate=_tables.block,
            arrays=True,
        )
    ]
