"""How much heat may be in a value: the check's answer against one that tries every pair of many rates."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from holdzero_plugins.checks._courses import every_course, widest
from holdzero_plugins.checks._fading import Spans, fading
from holdzero_plugins.checks._warm_rows import Rows
from second.heat import OPPOSED, Course, Rates, Readings, heat_in_value

BLOCK, LONG, SMALL = (2496.0, 46.0, 81.3), (2700.0, 15.0, 2700.0), (1500.0, 30.0, 20.0)
"""Slowest and fastest time constant of the whole part, and the slowest within it [s]: a block, one unknown, a ring."""


def invented(seed: int) -> tuple[Readings, Spans]:
    """Readings at a usual pace, with or without heat, and sometimes a pause of twenty minutes in their middle."""
    chance = np.random.default_rng([7, seed])
    slowest, fastest, even = (BLOCK, BLOCK, LONG, SMALL)[seed % 4]
    places, passes, zeros = int(chance.choice([1, 2, 3, 5])), int(chance.integers(5, 14)), int(chance.choice([2, 3]))
    pace, pause = math.exp(chance.uniform(2.3, 3.7)), math.exp(chance.uniform(0.0, 5.5))
    read = (
        15.0 * zeros + 15.0 + (np.arange(passes)[:, None] * (pause + pace * places) + pace * np.arange(places)).ravel()
    )
    times = np.concatenate([15.0 * np.arange(zeros), read])
    if chance.random() < 0.25:
        times[zeros + read.size // 2 :] += 1200.0
    layout = np.concatenate([np.full(zeros, -1), np.tile(np.arange(places), passes)])
    warm = chance.choice([0.0, 0.3, -1.0]) * np.exp(
        -times / math.exp(chance.uniform(math.log(fastest), math.log(slowest)))
    )
    own = chance.choice([0.0, 0.1, -0.2]) * chance.standard_normal(places)[layout] * np.exp(-times / even)
    shown = (warm + own + chance.uniform(-1.0, 1.0, places)[layout]) * (layout >= 0)
    step = float(chance.choice([0.02, 0.02, 0.1]))
    shown = step * np.rint((shown + 0.025 * chance.standard_normal(times.size)) / step)
    counts = (np.eye(places)[0], np.full(places, 1.0 / places), np.eye(places)[0] - np.eye(places)[-1])[
        int(chance.integers(3 if places > 1 else 2))
    ]
    weights = np.where(layout >= 0, counts[layout] / passes, 0.0)
    zero = np.zeros(times.size, dtype=np.int64)
    return Readings(times, shown, zero, layout, weights, step), Spans(slowest_s=slowest, fastest_s=fastest, even_s=even)


def as_rows(read: Readings) -> Rows:
    return Rows(
        times_s=read.times_s,
        values_um=read.values_um,
        zeros=read.zeros,
        places=read.places,
        weights=read.weights,
        warm=read.places >= 0,
        step_um=read.step_um,
    )


class TestTheCheckForHeat:
    @pytest.mark.parametrize("seed", range(40))
    def test_reaches_as_far_as_any_course_and_not_farther(self, seed: int) -> None:
        """Held to nearly twice its rates: its own few cost a tenth of the interval at most.

        Of 103 intervals that anybody would use, 2.6 % in nine of ten, and 9.5 % once (worked out with 200 seeds).
        """
        read, spans = invented(seed)
        told = fading(as_rows(read), spans, significance=0.01)
        low, high = float(told.in_value.low), float(told.in_value.high)
        rates = Rates.between(spans.slowest_s, spans.fastest_s, spans.even_s, whole=40, own=7)
        answer = heat_in_value(read, rates)
        width = answer.high_um - answer.low_um
        if told.odd:
            assert (low, high) == (-math.inf, math.inf)
        elif width > 40.0 * told.scatter_um:  # nobody would use it
            assert high - low > 30.0 * told.scatter_um
        else:
            assert [low, high] == pytest.approx([answer.low_um, answer.high_um], abs=0.1 * width)
            assert low >= answer.low_um - 0.05 * width
            assert high <= answer.high_um + 0.05 * width

    @pytest.mark.parametrize("seed", range(40))
    def test_is_exact_for_rates_that_are_given(self, seed: int) -> None:
        # Of three rates every pair is tried; and four rates of places' own fades.
        read, spans = invented(seed)
        rates = Rates.between(spans.slowest_s, spans.fastest_s, spans.even_s, whole=3, own=4)
        answer = heat_in_value(read, rates)
        courses = every_course(as_rows(read), rates.whole, spans.even_s)
        reach, _ = widest(courses, np.array(answer.limit))
        assert [float(one) for one in (reach.low, reach.high)] == pytest.approx(
            [answer.low_um, answer.high_um], rel=1e-5, abs=1e-7
        )
        assert min(float(one.least) for one in courses) == pytest.approx(answer.least, rel=1e-7)


class TestTheAnswerByForce:
    @pytest.mark.parametrize("seed", range(6))
    def test_is_that_of_least_squares_with_bounds(self, seed: int) -> None:
        """One pair of rates through scipy's lsq_linear: at the farthest heat the sum of squares is at the limit."""
        read, spans = invented(seed)
        whole, own = np.array([1.0 / spans.slowest_s, 3.0 / spans.slowest_s]), 1.0 / spans.even_s
        several = read.places.max() > 0
        course = Course(read, whole, own if several else None)
        limit = 1.5 * course.least + 1e-3
        high = course.farthest(limit, 1.0, 1e3)
        assert least_at(read, whole, own if several else None, high) == pytest.approx(limit, rel=1e-4)
        assert least_at(read, whole, own if several else None, high + 0.01 * abs(high)) > limit


def least_at(read: Readings, whole: np.ndarray, own: float | None, held_um: float) -> float:
    """The least sum of squares with so much heat in the value, column by column."""
    warm = (read.places >= 0).astype(float)
    one, other = (np.exp(-rate * read.times_s) * warm for rate in whole)
    columns = [(read.zeros == number).astype(float) for number in range(read.zeros.max() + 1)]
    columns += [(read.places == place).astype(float) for place in range(read.places.max() + 1)]
    free = len(columns)
    if own is not None:
        for place in range(read.places.max() + 1):
            here = read.places == place
            columns.append(np.where(here, np.exp(-own * (read.times_s - read.times_s[here].min())), 0.0))
    columns += [one - OPPOSED * other, other - OPPOSED * one]
    design, heavy = np.stack(columns, axis=1), 1e3
    held = heavy * np.concatenate([np.zeros(free), read.weights @ design[:, free:]])
    squares = []
    for sign in (1.0, -1.0):
        lower = np.full(design.shape[1], -np.inf)
        lower[-2:] = 0.0
        signs = np.ones(design.shape[1])
        signs[-2:] = sign
        fit = lsq_linear(
            np.vstack([design, held]) * signs,
            np.append(read.values_um, heavy * held_um),
            bounds=(lower, np.inf),
            method="bvls",
            tol=1e-14,
        )
        squares.append(float(np.square(design @ (signs * fit.x) - read.values_um).sum()))
    return min(squares)
