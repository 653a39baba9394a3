"""Pictures of the bench page as SVG text: readings as they come, and how near everything is to rest.

Pure: numbers in, text out. Classes give the looks, so that one picture serves light, dark and print.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from holdzero.outlook import Outlook
from holdzero.pictures.axes import Scale, Tick, number_text, round_ticks, scale_of
from holdzero.signs import keys, line_key, mark

__all__ = ["Dot", "readings_picture", "soak_picture"]

_WIDTH, _HEIGHT = 480.0, 250.0
_LEFT, _RIGHT = 62.0, _WIDTH - 12.0
_TOP, _BOTTOM = 22.0, _HEIGHT - 40.0
_UNIT = {"um": "µm", "K": "K"}
_MINUTE_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """A reading to draw.

    Attributes:
        number: below the axis: the number of its entry.
        value: in the small unit that is shown.
        kind: `zero`, `part` or `return`: which mark it has.
        state: `struck` where it was struck out, `replaced` where it was given up with its zero; empty while it counts.
        words: all of it, for those who can't see the picture.
    """

    number: int
    value: float
    kind: str
    state: str
    words: str


def readings_picture(dots: Sequence[Dot], unit: str) -> Markup:
    """The readings in their order, and what their marks are.

    Args:
        dots: at least one.
        unit: of their values.
    """
    across = Scale(low=0.5, high=max(len(dots), _FEWEST) + 0.5, start=_LEFT, end=_RIGHT)
    upright = scale_of([0.0, *(dot.value for dot in dots)], start=_BOTTOM, end=_TOP)
    every = math.ceil(len(dots) / _MOST_NUMBERS)
    below = [Tick(across.at(place), str(dot.number)) for place, dot in enumerate(dots, 1) if (place - 1) % every == 0]
    live = [dot for dot in dots if not dot.state]
    told = f"{len(live)} that count, {len(dots) - len(live)} that count no more. Newest: {dots[-1].words}."
    marks = [
        mark(dot.kind, across.at(place), upright.at(dot.value), dot.state, dot.words)
        for place, dot in enumerate(dots, 1)
    ]
    line = f'<line class="zero-line" x1="{_LEFT:g}" x2="{_RIGHT:g}" y1="{upright.at(0.0)}" y2="{upright.at(0.0)}"/>'
    legend = keys(
        list(dict.fromkeys(dot.kind for dot in dots)),
        [state for state in _STATES if state in {dot.state for dot in dots}],
        _STATES,
    )
    drawn = [*_axes(upright, below, unit, "entry"), line, *marks]
    return _picture("readings", "Readings in their order", told, drawn, legend)


_FEWEST = 6
"""Room for so many from the start, so that the first few do not move about."""
_MOST_NUMBERS = 12
_STATES = {"struck": "struck out", "replaced": "given up"}


def soak_picture(outlook: Outlook, trace: Sequence[tuple[float, float]] = ()) -> Markup:
    """What was seen, the fitted approach to rest, and the band that is near enough to rest.

    Args:
        outlook: where it stands.
        trace: what was seen: time [s] and value, in the outlook's unit.
    """
    unit = _UNIT[outlook.unit]
    curve = [point for point in outlook.curve if all(map(math.isfinite, point))]
    seen = [point for point in trace if all(map(math.isfinite, point))]
    rest = outlook.now + outlook.to_come if math.isfinite(outlook.to_come) else None
    band = (rest - outlook.within, rest + outlook.within) if rest is not None and outlook.within else None
    start_s = min((at_s for at_s, _ in (*curve, *seen)), default=0.0)
    minutes = [(at_s - start_s) / _MINUTE_S for at_s, _ in (*curve, *seen)]
    across = Scale(low=0.0, high=max([*minutes, 1.0]), start=_LEFT, end=_RIGHT)
    upright = scale_of([*(value for _, value in (*curve, *seen)), *(band or ())], start=_BOTTOM, end=_TOP)

    def at(point: tuple[float, float]) -> str:
        return f"{across.at((point[0] - start_s) / _MINUTE_S):g},{upright.at(point[1]):g}"

    drawn = [*_band(band, upright)]
    legend = Markup()
    if seen:
        # One path of dots, as there may be hundreds, and they are sent every second.
        drawn.append(f'<path class="seen" d="{"".join(f"M{at(point)}h.01" for point in seen)}"/>')
        legend += line_key("seen", "seen", "M4 9h.01M18 9h.01M32 9h.01")
    if len(curve) > 1:
        drawn.append(f'<polyline class="fitted" points="{" ".join(map(at, curve))}"/>')
        legend += line_key("fitted", "fitted")
    step, numbers = round_ticks(across.low, across.high)
    below = [Tick(across.at(number), f"{number:g}") for number in numbers if step]
    what = outlook.of or "comparator"
    told = f"{outlook.points} points of the {what}; dots: seen; line: fitted; band: near enough to rest."
    return _picture("soak", f"Approach to rest: {what}", told, [*_axes(upright, below, unit, "min"), *drawn], legend)


def _band(band: tuple[float, float] | None, upright: Scale) -> Iterator[str]:
    if band is None:
        return
    low, high = upright.at(band[0]), upright.at(band[1])
    width = _RIGHT - _LEFT
    yield f'<rect class="band" x="{_LEFT:g}" y="{high:g}" width="{width:g}" height="{max(low - high, 1.0):g}"/>'
    yield from (f'<line class="band-edge" x1="{_LEFT:g}" x2="{_RIGHT:g}" y1="{y:g}" y2="{y:g}"/>' for y in (low, high))
    yield f'<text class="small halo" x="{_RIGHT - 4:g}" y="{high - 4:g}" text-anchor="end">near enough to rest</text>'


def _axes(upright: Scale, below: Sequence[Tick], unit: str, along: str) -> Iterator[str]:
    step, numbers = round_ticks(upright.low, upright.high, 5)
    for number in numbers:
        y = upright.at(number)
        yield f'<line class="grid" x1="{_LEFT:g}" x2="{_RIGHT:g}" y1="{y:g}" y2="{y:g}"/>'
        yield f'<text x="{_LEFT - 6:g}" y="{y + 4:g}" text-anchor="end">{number_text(number, step)}</text>'
    for tick in below:
        yield f'<line class="tick" x1="{tick.at:g}" x2="{tick.at:g}" y1="{_BOTTOM:g}" y2="{_BOTTOM + 4:g}"/>'
        yield f'<text x="{tick.at:g}" y="{_BOTTOM + 18:g}" text-anchor="middle">{tick.text}</text>'
    yield f'<path class="frame" d="M{_LEFT:g} {_TOP:g}V{_BOTTOM:g}H{_RIGHT:g}"/>'
    yield f'<text class="strong" x="4" y="14">{escape(unit)}</text>'
    yield f'<text class="strong" x="{_RIGHT:g}" y="{_HEIGHT - 5:g}" text-anchor="end">{escape(along)}</text>'


def _picture(name: str, title: str, told: str, drawn: Sequence[str], legend: Markup) -> Markup:
    head = (
        f'<svg class="picture" role="img" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" aria-labelledby="{name}-t {name}-d">'
        f'<title id="{name}-t">{escape(title)}</title><desc id="{name}-d">{escape(told)}</desc>'
    )
    # Every text from outside went through `escape` above.
    picture = Markup(head + "".join(drawn) + "</svg>")  # noqa: S704
    return picture + Markup('<ul class="legend">{}</ul>').format(legend)
