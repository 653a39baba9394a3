"""Pictures of a gauge study: readings by part, readings by inspector, and what the variation is made of."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from holdzero.book.study import Taken
from holdzero.pictures.axes import Tick, scale_of
from holdzero.pictures.plot import BOTTOM, LEFT, RIGHT, SHAPES, TOP, Mark, Plot, apart, path_of
from holdzero.studies import CrossedStudy

__all__ = ["Bar", "bars_of", "plot_by_inspector", "plot_by_part", "shapes_of"]

_ROOM = 0.7  # of the room of a group that its marks take
_LETTERS = 11  # of a name below the axis where there are eight groups
_BAR_WIDTH, _BAR_LINE = 440.0, 34.0


@dataclass(frozen=True, slots=True)
class Bar:
    """A component: its word, where it stands, and one or two bars with their texts."""

    word: str
    y: float
    bars: tuple[tuple[float, str], ...]


def plot_by_part(taken: Sequence[Taken], key: Callable[[Taken], str], grand_um: float) -> Plot:
    """Readings of each part side by side, a shape for each inspector, the means of the parts joined."""
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
    shapes = shapes_of(map(key, taken))
    scale = scale_of([value(item) for item in taken], start=BOTTOM, end=TOP)
    room = (RIGHT - LEFT) / len(groups)
    middles = [LEFT + room * (place + 0.5) for place in range(len(groups))]
    marks: list[Mark] = []
    for middle, items in zip(middles, groups.values(), strict=True):
        own = sorted(items, key=lambda item: list(shapes).index(key(item)))
        step = _ROOM * room / max(1, len(own))
        marks.extend(
            Mark(
                round(middle + step * (place - (len(own) - 1) / 2.0), 2),
                scale.at(value(item)),
                shapes[key(item)],
                f"{item.part}, {key(item)}, trial {item.trial}: {value(item):+.3f} µm",
            )
            for place, item in enumerate(own)
        )
    means = [sum(map(value, items)) / len(items) for items in groups.values()]
    return Plot(
        name=name,
        marks=tuple(marks),
        across=apart([(centre_um, "centre", centre)], scale),
        paths=(path_of("means", middles, means, scale),),
        upright=scale.ticks,
        below=tuple(Tick(round(x, 2), _short(word, len(groups))) for x, word in zip(middles, groups, strict=True)),
    )


def shapes_of(names: Iterable[str]) -> dict[str, str]:
    """The shape of each name, in the order in which they come."""
    return {name: SHAPES[place % len(SHAPES)] for place, name in enumerate(dict.fromkeys(names))}


def _short(word: str, groups: int) -> str:
    """A name that has room below its group."""
    letters = max(3, min(_LETTERS * 8 // groups, 40))
    return word if len(word) <= letters else f"{word[: letters - 1]}…"


def bars_of(study: CrossedStudy) -> list[Bar]:
    """Share of the variance, and 6 standard deviations over the tolerance where there is one."""
    shown = (
        ("gauge", study.gauge),
        ("repeatability", study.repeatability),
        ("reproducibility", study.reproducibility),
        ("parts", study.parts),
    )
    largest = max(1.0, *(item.share_of_tolerance or 0.0 for _, item in shown))
    found = []
    for place, (word, item) in enumerate(shown):
        bars = [(_wide(item.contribution / largest), f"{100.0 * item.contribution:.1f} %")]
        if item.share_of_tolerance is not None:
            bars.append((_wide(item.share_of_tolerance / largest), f"{100.0 * item.share_of_tolerance:.1f} %"))
        found.append(Bar(word, place * _BAR_LINE + 4.0, tuple(bars)))
    return found


def _wide(share: float) -> float:
    return round(_BAR_WIDTH * share, 2)
