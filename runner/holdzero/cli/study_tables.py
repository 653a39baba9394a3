"""Tables of a study in words, the same for the terminal and for the page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from holdzero.book.study import Level
from holdzero.studies import (
    CrossedStudy,
    Layout,
    RangeStudy,
    StudyError,
    consistency_limits,
    repeatability_limit,
    reproducibility_limit,
)

__all__ = ["Table", "tables_of_levels", "tables_of_parts", "tables_of_ranges"]

_COMPONENTS = ("repeatability", "inspectors", "interaction", "reproducibility", "gauge", "parts", "total")
_OF_RANGES = ("repeatability", "reproducibility", "gauge", "parts", "total")
_SMALL = 5e-5  # a p that four decimals would show as zero
_SIGNIFICANCE = 0.01  # beyond its critical value at 1 % a laboratory is an outlier: ISO 5725-2, 7.3 (from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of words.

    Attributes:
        title: what it holds.
        head: of the columns; the first one names the lines.
        lines: as wide as the head.
        notes: what was decided on the way.
    """

    title: str
    head: tuple[str, ...]
    lines: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()

    @property
    def numbers(self) -> tuple[int, ...]:
        """Columns of numbers."""
        words = ("tested against", "stands apart", "laboratory")
        return tuple(place for place, word in enumerate(self.head) if place and word not in words)


def tables_of_parts(
    study: CrossedStudy, layout: Layout, ranges: RangeStudy | None, why_not: str, coverage: float
) -> list[Table]:
    """Analysis of variance, and the components with the range method beside them."""
    table = Table(
        title="Analysis of variance",
        head=("", "sum of squares, µm²", "degrees of freedom", "mean square, µm²", "F", "p", "tested against"),
        lines=tuple(
            (
                line.name,
                _digits(line.sum_of_squares_um2),
                f"{line.dof:g}",
                _digits(line.mean_square_um2),
                "" if line.f is None else _digits(line.f),
                "" if line.p is None else "<0.0001" if line.p < _SMALL else f"{line.p:.4f}",
                line.against,
            )
            for line in study.table
        ),
        notes=study.notes,
    )
    beside = [why_not] if ranges is None else _range_notes(ranges, layout)
    return [table, _components(study, ranges, beside, coverage)]


def _components(study: CrossedStudy, ranges: RangeStudy | None, beside: Sequence[str], coverage: float) -> Table:
    with_tolerance = study.gauge.share_of_tolerance is not None
    head = ["", "s, µm", "% of variance", "% of total s"]
    head += ["6 s, % of tolerance"] if with_tolerance else []
    head += ["by ranges: s, µm", "% of total s"] if ranges is not None else []
    lines = []
    for name in _COMPONENTS:
        item = getattr(study, name)
        line = [name, _digits(item.standard_um), _percent(item.contribution), _percent(item.share_of_total)]
        line += [_percent(item.share_of_tolerance)] if with_tolerance else []
        if ranges is not None:
            share = getattr(ranges, name) if name in _OF_RANGES else None
            line += ["", ""] if share is None else [_digits(share.standard_um), _percent(share.share_of_total)]
        lines.append(tuple(line))
    notes = [_categories("distinct categories", study.category_ratio, study.categories)]
    notes += [f"by ranges: {note}" for note in beside]
    for word, interval in (("repeatability", study.repeatability_interval), ("gauge", study.gauge_interval)):
        if interval is not None:
            low, high = _digits(interval.lower_um), _digits(interval.upper_um)
            notes.append(f"s of the {word} lies from {low} to {high} µm, {100.0 * coverage:g} %")
    return Table(title="Components", head=tuple(head), lines=tuple(lines), notes=tuple(notes))


def tables_of_ranges(study: RangeStudy, layout: Layout) -> list[Table]:
    """The method by averages and ranges alone."""
    with_tolerance = study.gauge.share_of_tolerance is not None
    lines = []
    for name in _OF_RANGES:
        item = getattr(study, name)
        more = [_percent(item.share_of_tolerance)] if with_tolerance else []
        lines.append((name, _digits(item.standard_um), _percent(item.share_of_total), *more))
    head = ("", "s, µm", "% of total s", *(("6 s, % of tolerance",) if with_tolerance else ()))
    return [Table(title="Averages and ranges", head=head, lines=tuple(lines), notes=tuple(_range_notes(study, layout)))]


def _range_notes(study: RangeStudy, layout: Layout) -> list[str]:
    """The study's own notes, which count parts and inspectors, with their names in place of numbers."""
    beyond = [
        f"part {layout.parts[part]}, inspector {layout.inspectors[one]}: range beyond its limit; find the cause"
        for part, one in study.beyond_limit
    ]
    return [
        f"mean range {_digits(study.mean_range_um)} µm, upper limit of a range {_digits(study.range_limit_um)} µm",
        *beyond,
        *study.notes[: len(study.notes) - len(beyond)],
        _categories("distinct categories", study.category_ratio, study.categories),
    ]


def tables_of_levels(levels: Sequence[Level]) -> list[Table]:
    """Precision of each level, and how each laboratory stands."""
    precision = Table(
        title="Repeatability and reproducibility of each part",
        head=("part", "readings", "mean, µm", "s_r, µm", "s_L, µm", "s_R, µm", "r, µm", "R, µm"),
        lines=tuple(
            (
                level.part,
                str(level.precision.readings),
                f"{level.precision.mean:+.4f}",
                _digits(level.precision.repeatability),
                _digits(level.precision.between_laboratories),
                _digits(level.precision.reproducibility),
                _digits(repeatability_limit(level.precision.repeatability)),
                _digits(reproducibility_limit(level.precision.reproducibility)),
            )
            for level in levels
        ),
        notes=tuple(
            f"part {level.part}: the variance between laboratories came out below zero and is set to 0"
            for level in levels
            if level.precision.set_to_zero
        ),
    )
    lines = tuple(line for level in levels for line in _marks_of(level))
    head = ("part", "laboratory", "readings", "h", "k", "stands apart")
    return [precision, Table(title="Consistency (Mandel's h and k)", head=head, lines=lines)]


def _marks_of(level: Level) -> list[tuple[str, ...]]:
    found: list[tuple[str, ...]] = []
    for name, count, mark in zip(level.laboratories, level.counts, level.marks, strict=True):
        try:
            limit_h, limit_k = consistency_limits(len(level.laboratories), count, _SIGNIFICANCE)
        except StudyError:
            limit_h = limit_k = math.inf
        apart = [
            word
            for word, value, limit in (("by its mean", abs(mark.h), limit_h), ("by its scatter", mark.k, limit_k))
            if value is not None and value > limit
        ]
        k = "" if mark.k is None else f"{mark.k:.2f}"
        found.append((level.part, name, str(count), f"{mark.h:+.2f}", k, " and ".join(apart)))
    return found


def _categories(word: str, ratio: float, categories: int | None) -> str:
    if categories is None:
        return f"{word}: the gauge does not scatter"
    return f"{word}: {categories} (1.41 · parts / gauge = {ratio:.2f})"


def _digits(number: float) -> str:
    """Five digits that count, never as a power of ten for what a bench shows."""
    if number == 0.0 or not math.isfinite(number):
        return f"{number:g}"
    places = min(9, max(0, 4 - math.floor(math.log10(abs(number)))))
    return f"{number:.{places}f}"


def _percent(share: float | None) -> str:
    return "" if share is None else f"{100.0 * share:.1f}"
