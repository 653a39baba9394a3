"""Many runs taken one at a time, for a check that does not take arrays.

A run is cut out of the views with numbers where arrays were; what the runs gave is put together again in
`together.py`. It knows nothing of which check that is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

import numpy as np

from holdzero.display import decimals_for
from holdzero.hooks import CharacteristicView, Number, Reading, RunView
from holdzero.patience import GivenUpError
from holdzero.run.kept import Given

__all__ = ["Taken", "each_run", "runs_in", "taken_in_turn"]

T = TypeVar("T")

Characteristics = tuple[CharacteristicView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken(Generic[T]):
    """What each run gave.

    Attributes:
        made: one entry a run; None where it raised, or was not called any more.
        raised: what was raised first; None where nothing was.
    """

    made: tuple[list[T] | None, ...]
    raised: BaseException | None

    @property
    def lost(self) -> tuple[bool, ...]:
        """In which runs there is nothing."""
        return tuple(made is None for made in self.made)


def runs_in(view: RunView) -> int | None:
    """How many runs a view is of; None where it is of one, at a bench."""
    numbers = (
        *(reading.value_um for reading in view.readings),
        *(taken.value_degC for taken in view.temperatures),
        *(given.value for given in (*view.given, *view.withdrawn)),
    )
    return next((len(number) for number in numbers if isinstance(number, np.ndarray) and number.ndim), None)


def taken_in_turn(
    call: Callable[[RunView, Characteristics], list[T]], view: RunView, seen: Sequence[CharacteristicView]
) -> Taken[T]:
    """What a call gives for each run; one that did not come back in time is not called again.

    Args:
        call: takes the views of one run.
        view: of many runs.
        seen: characteristics of them.
    """
    made: list[list[T] | None] = []
    raised: BaseException | None = None
    for run, characteristics in each_run(view, seen):
        try:
            made.append(call(run, characteristics))
        except GivenUpError as error:
            raised = raised or error
            break
        except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
            raised = raised or error
            made.append(None)
    made.extend([None] * ((runs_in(view) or 1) - len(made)))
    return Taken(made=tuple(made), raised=raised)


def each_run(view: RunView, seen: Sequence[CharacteristicView]) -> Iterator[tuple[RunView, Characteristics]]:
    """The views of each run by itself, as they would be at a bench.

    Args:
        view: of many runs.
        seen: characteristics of them.
    """
    runs = runs_in(view) or 1
    decimals = decimals_for(view.resolution_um, 1)
    readings = [_columns(reading.value_um, runs) for reading in view.readings]
    temperatures = [_columns(taken.value_degC, runs) for taken in view.temperatures]
    given = [_answers(item, runs) for item in view.given]
    withdrawn = [_answers(item, runs) for item in view.withdrawn]
    weights = [[_columns(weight, runs) for weight in one.weights] for one in seen]
    scatters = [None if one.scatter is None else _columns(one.scatter[0], runs) for one in seen]
    for number in range(runs):
        own = tuple(
            _read(reading, values[number], decimals) for reading, values in zip(view.readings, readings, strict=True)
        )
        by_entry = {reading.seq: reading for reading in own}
        run = replace(
            view,
            readings=own,
            temperatures=tuple(
                replace(taken, value_degC=values[number])
                for taken, values in zip(view.temperatures, temperatures, strict=True)
            ),
            given=tuple(values[number] for values in given),
            withdrawn=tuple(values[number] for values in withdrawn),
        )
        yield (
            run,
            tuple(
                replace(
                    one,
                    readings=tuple(by_entry[reading.seq] for reading in one.readings),
                    weights=tuple(values[number] for values in columns),
                    scatter=None if one.scatter is None or s is None else (s[number], one.scatter[1]),
                )
                for one, columns, s in zip(seen, weights, scatters, strict=True)
            ),
        )


def _columns(number: Number, runs: int) -> list[float]:
    """A number for each run; one that is no array stands for all of them."""
    column: list[float] = np.broadcast_to(np.asarray(number, dtype=np.float64), (runs,)).tolist()
    return column


def _answers(item: Given, runs: int) -> list[Given]:
    if not isinstance(item.value, np.ndarray):
        return [item] * runs
    return [replace(item, value=value, raw=f"{value:g}") for value in _columns(item.value, runs)]


def _read(reading: Reading, value_um: float, decimals: int) -> Reading:
    """A reading with its text as a person types it: checks look at the text too."""
    return replace(reading, value_um=value_um, raw=f"{value_um:+.{decimals}f} um")
