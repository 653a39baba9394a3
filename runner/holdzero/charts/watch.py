"""How a bench stands: in control or not, which rules say so, and at which points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from holdzero.charts.limits import ChartError, Limits
from holdzero.charts.rules import DEFAULT_RULES, RunRule

__all__ = ["Control", "Signal", "Watch", "state"]


class Control(StrEnum):
    """What is said of a bench."""

    IN_CONTROL = "in control"
    OUT_OF_CONTROL = "out of control"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A rule whose pattern was complete at some points.

    Attributes:
        rule: which one.
        points: indices of the points that complete it, newest first.
    """

    rule: RunRule
    points: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """How the values stand against their limits.

    Attributes:
        control: in control, out of control, or unknown where there is nothing to judge.
        number: values judged [1].
        limits: what they were judged against.
        signals: the rules that fired, the one with the newest point first.
        sentences: the same in words, newest first; points are counted from 1.
    """

    control: Control
    number: int
    limits: Limits
    signals: tuple[Signal, ...]
    sentences: tuple[str, ...]

    @property
    def at_newest(self) -> bool:
        """Whether a rule fired at the newest value, and not only earlier."""
        return any(signal.points[0] == self.number - 1 for signal in self.signals)


def state(values: ArrayLike, limits: Limits, rules: Sequence[RunRule] = DEFAULT_RULES) -> Watch:
    """Judge values of a check standard against the limits of their baseline.

    Args:
        values: in order of time, oldest first [unit of the baseline].
        limits: of the baseline.
        rules: which patterns count, one or more.

    Returns:
        How the bench stands. A signal anywhere in the values makes it out of control: give only
        those values that are to be judged. Without values it is unknown.

    Raises:
        ChartError: a value is no number, or no rule was given.

    Source: the rules say theirs (`RunRule.source`).

    >>> from holdzero.charts import baseline
    >>> print(*state([2.0, 9.0], baseline([1.0, 2.0, 3.0])).sentences)
    point 2 of 2: a point beyond an action limit (3 s)
    """
    if not rules:
        raise ChartError("no run rule was given: then nothing could ever be out of control; name one or more")
    distances = limits.standardised(values)
    signals = []
    for rule in rules:
        points = np.flatnonzero(rule.completes(distances))[::-1]
        if points.size:
            signals.append(Signal(rule=rule, points=tuple(points.tolist())))
    signals.sort(key=lambda signal: -signal.points[0])
    return Watch(
        control=_control(distances.size, signals),
        number=int(distances.size),
        limits=limits,
        signals=tuple(signals),
        sentences=_sentences(int(distances.size), limits, signals),
    )


def _control(number: int, signals: Sequence[Signal]) -> Control:
    if number == 0:
        return Control.UNKNOWN
    return Control.OUT_OF_CONTROL if signals else Control.IN_CONTROL


def _sentences(number: int, limits: Limits, signals: Sequence[Signal]) -> tuple[str, ...]:
    if number == 0:
        return ("no value yet: nothing is known of the bench",)
    if not signals:
        return (f"no rule fired over {number} values (baseline of {limits.number})",)
    return tuple(f"{_places(signal.points)} of {number}: {signal.rule.words}" for signal in signals)


def _places(points: tuple[int, ...]) -> str:
    """Points, newest first, neighbours drawn together: 12, 9 to 7, 2."""
    stretches: list[list[int]] = []
    for point in points:
        if stretches and stretches[-1][1] == point + 1:
            stretches[-1][1] = point
        else:
            stretches.append([point, point])
    words = [f"{first + 1}" if first == last else f"{first + 1} to {last + 1}" for first, last in stretches]
    return f"{'point' if len(points) == 1 else 'points'} {', '.join(words)}"
