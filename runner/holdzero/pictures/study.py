"""Pictures of a gauge study: readings by inspector, and readings by part."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise
from string import ascii_uppercase

from holdzero.book.study import Taken
from holdzero.pictures.axes import Tick, scale_of
from holdzero.pictures.plot import BOTTOM, LEFT, RIGHT, TOP, Badge, Mark, Plot, apart, path_of

__all__ = ["letters_of", "plot_by_inspector", "plot_by_part"]

_ROOM = 0.8  # of the room of a group that its marks take
_BADGE = 15.0  # room that a badge needs
_LETTERS = 11  # of a name below the axis where there are eight groups


def plot_by_part(taken: Sequence[Taken], key: Callable[[Taken], str], grand_um: float) -> Plot:
    """Readings of each part side by side, those of one inspector together, the means of the parts joined."""
    return _plot("Readings by part", taken, lambda item: item.part, key, grand_um)


def plot_by_inspector(taken: Sequence[Taken], key: Callable[[Taken], str]) -> Plot:
    """Readings of each inspector side by side, less the mean of their part: what is left is the gauge's own."""
    sums: dict[str, list[float]] = {}
    for item in taken:
        sums.setdefault(item.part, []).append(item.value_um)
    means = {part: sum(values) / len(values) for part, values in sums.items()}
    return _plot(
        "Readings by inspector, less the mean of their part",
        taken,
        key,
        key,
        0.0,
        value=lambda item: item.value_um - means[item.part],
        centre="part mean",
    )


def letters_of(names: Iterable[str]) -> dict[str, str]:
    """A letter for each name, in the order in which they come; a number where letters do not suffice.

    >>> letters_of(["A. Ivers", "T. Ester", "A. Ivers"])
    {'A. Ivers': 'A', 'T. Ester': 'B'}
    """
    single = list(dict.fromkeys(names))
    signs = ascii_uppercase if len(single) <= len(ascii_uppercase) else [str(n) for n in range(1, len(single) + 1)]
    return dict(zip(single, signs, strict=False))


def _plot(
    name: str,
    taken: Sequence[Taken],
    group: Callable[[Taken], str],
    key: Callable[[Taken], str],
    centre_um: float,
    *,
    value: Callable[[Taken], float] = lambda item: item.value_um,
    centre: str = "mean of all",
) -> Plot:
    groups: dict[str, list[Taken]] = {}
    for item in taken:
        groups.setdefault(group(item), []).append(item)
    letters = letters_of(map(key, taken))
    scale = scale_of([value(item) for item in taken], start=BOTTOM, end=TOP)
    room = (RIGHT - LEFT) / len(groups)
    middles = [LEFT + room * (place + 0.5) for place in range(len(groups))]
    placed = [
        (x, item)
        for middle, items in zip(middles, groups.values(), strict=True)
        for x, item in _spread(items, key, list(letters), middle, _ROOM * room)
    ]
    means = [sum(map(value, items)) / len(items) for items in groups.values()]
    return Plot(
        name=name,
        marks=tuple(
            Mark(x, scale.at(value(item)), "part", _title(item, letters[key(item)], key(item), value(item)))
            for x, item in placed
        ),
        across=apart([(centre_um, "centre", centre)], scale),
        paths=(path_of("means", middles, means, scale),),
        upright=scale.ticks,
        below=tuple(Tick(round(x, 2), _short(word, len(groups))) for x, word in zip(middles, groups, strict=True)),
        badges=_badges([(x, group(item), letters[key(item)], key(item)) for x, item in placed]),
    )


def _title(item: Taken, letter: str, name: str, value_um: float) -> str:
    return f"{item.part}, {letter}: {name}, trial {item.trial}: {value_um:+.3f} µm"


def _spread(
    items: Sequence[Taken], key: Callable[[Taken], str], order: Sequence[str], middle: float, width: float
) -> Iterator[tuple[float, Taken]]:
    """Places of the readings of one group: those of an inspector in a row, and a gap to those of the next."""
    own = sorted(items, key=lambda item: order.index(key(item)))
    turns = list(dict.fromkeys(map(key, own)))
    slots = len(own) + len(turns) - 1
    step = width / slots
    for place, item in enumerate(own):
        slot = place + turns.index(key(item))
        yield round(middle + step * (slot - (slots - 1) / 2.0), 2), item


def _badges(placed: Sequence[tuple[float, str, str, str]]) -> tuple[Badge, ...]:
    """One badge below the readings of an inspector in a group; in several lines where one has no room for all.

    Args:
        placed: place, group, letter and name of each reading.
    """
    columns: dict[tuple[str, str, str], list[float]] = {}
    for x, group, letter, name in placed:
        columns.setdefault((group, letter, name), []).append(x)
    middles = [sum(xs) / len(xs) for xs in columns.values()]
    nearest = min((after - before for before, after in pairwise(sorted(middles))), default=_BADGE)
    lines = math.ceil(_BADGE / nearest) if nearest > 0.0 else 1
    return tuple(
        Badge(round(x, 2), place % lines, letter, name)
        for place, (x, (_, letter, name)) in enumerate(zip(middles, columns, strict=True))
    )


def _short(word: str, groups: int) -> str:
    """A name that has room below its group."""
    letters = max(3, min(_LETTERS * 8 // groups, 40))
    return word if len(word) <= letters else f"{word[: letters - 1]}…"
