"""The lines of the terminal that change while a person is waited for: countdown, live value, soak curve. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from holdzero.cli.digits import large
from holdzero.display import MICRO
from holdzero.hooks import Asks, Prompt
from holdzero.live import Glance, Stand
from holdzero.outlook import Outlook
from holdzero.run.soaking import BETWEEN, hidden_text
from holdzero.wording import clock_text, drift_text, live_value, small_text

__all__ = ["board", "curve", "outlook_lines"]

_DRAWN = "█·⠀"
_BAR, _ROWS, _MARGIN = 20, 5, 12
_WORDS = 2  # lines that an outlook takes at most in words
_SHAPES = {Stand.STILL: "■", Stand.MOVING: "~", Stand.SILENT: "…", Stand.UNREAD: "?", Stand.LOST: "✕"}


def board(
    prompt: Prompt,
    glance: Glance | None,
    *,
    now_s: float,
    units: str,
    width: int,
    blind: bool = False,
) -> list[str]:
    """The lines that are shown above the entry, and again whenever something changes.

    Args:
        prompt: what is asked.
        glance: what is live; None where nothing is.
        now_s: the run's counter [s].
        units: of lengths.
        width: columns.
        blind: whether no chart may stand beside the entry.
    """
    lines: list[str] = []
    if prompt.asks is Asks.WAIT:
        lines += [*_countdown(prompt, now_s), *_of_outlook(glance, units, width)]
    elif glance is not None and prompt.asks is Asks.READING and (glance.answer or glance.stand is not Stand.STILL):
        lines += _value(glance, units, width)
        # The place of both is kept, so that what stands below does not jump each time that the tip is lifted.
        if not blind and glance.trace:
            drawn = curve(glance.trace, (), width=width, unit="µm") if len(glance.trace) > 1 else []
            lines += [*drawn, *[""] * (_ROWS - len(drawn))]
        told = [f"  {line}" for line in outlook_lines(glance.outlook, units)] if glance.outlook is not None else []
        lines += [*told, *[""] * (_WORDS - len(told) if glance.trace else 0)]
    if glance is not None and glance.temperatures:
        warm = "   ".join(f"{of} {value:.2f} °C" for of, value in glance.temperatures.items())
        lines.append(f"  {warm}")
    if glance is not None and glance.why:
        lines.append(f"  {_SHAPES[glance.stand]} {glance.stand.value}: {glance.why}")
    return [part for line in lines for part in _fitted(line, width - 1)]


def _fitted(line: str, width: int) -> list[str]:
    """A line, broken between words where it is too long; what is drawn is cut."""
    if len(line) <= width:
        return [line]
    if any(sign in line for sign in _DRAWN):
        return [line[:width]]
    return textwrap.wrap(line, width, initial_indent="  ", subsequent_indent="  ") or [""]


def _countdown(prompt: Prompt, now_s: float) -> list[str]:
    left, length = max(0.0, prompt.until_s - now_s), prompt.slot.at_least_s
    done = round(_BAR * (1.0 - min(1.0, left / length))) if length else _BAR
    bar = f"  [{'█' * done}{'·' * (_BAR - done)}] {clock_text(left)} to go "
    return (
        [bar]
        if left > 0.0 or prompt.may_end(now_s)
        else [bar, "  Time is over, and it is not at rest yet: wait, or type the reason."]
    )


def _value(glance: Glance, units: str, width: int) -> list[str]:
    """The live value large, and how it stands in a word beside it."""
    number, unit = live_value(glance.answer, glance.value_um, units)
    word = f"{_SHAPES[glance.stand]} {glance.stand.value.upper()}"
    if glance.taking:
        word += ", is taken when it stands still"
    elif glance.stand is Stand.STILL:
        word += "   Enter takes it"
    rows = [f"    {row}" for row in large(number)] if number else []
    if rows and len(rows[0]) < width:
        rows[-1] += f"  {unit}"
        return [*rows, f"    {word}"]
    return [f"    {number} {unit}  {word}"]


def _of_outlook(glance: Glance | None, units: str, width: int) -> list[str]:
    outlook = glance.outlook if glance is not None else None
    if outlook is None:
        return []
    unit, worth = _unit_of(outlook, units)
    shown, fitted = ([(at, value / worth) for at, value in points] for points in (outlook.seen, outlook.curve))
    label = "°C" if outlook.unit == "K" and outlook.of != BETWEEN else unit
    return [
        *curve(shown, fitted, width=width, unit=label),
        *(f"  {line}" for line in outlook_lines(outlook, units)),
    ]


def _unit_of(outlook: Outlook, units: str) -> tuple[str, float]:
    """In which it is shown, and what one of it is worth in the outlook's unit."""
    return MICRO[units] if outlook.unit == "um" else (outlook.unit, 1.0)


def outlook_lines(outlook: Outlook, units: str) -> list[str]:
    """An outlook in words: drift now, what is still to come, how long that takes."""
    unit, worth = _unit_of(outlook, units)
    of = f"{outlook.of}: " if outlook.of else ""
    drift = f"{of}drift now {drift_text(outlook.rate_per_min / worth, 2.0 * outlook.rate_u / worth, unit)}"
    if outlook.steady:
        return [f"{drift}; steady so far, no end in sight yet"]
    if outlook.moved:
        return [f"{of}it may have moved just now, or was not seen for a while: wait for more values"]
    if outlook.early:
        lines = [f"{drift}; too early to say what is still to come"]
    else:
        most = f"at most {small_text(outlook.bound / worth, sign=False)} {unit}"
        lines = [f"{drift}; still to come {small_text(outlook.to_come / worth)} {unit}, {most}"]
    if outlook.within is not None:
        allowed = f"{outlook.within / worth:g} {unit} is allowed"
        if hidden := hidden_text(outlook, units):
            lines.append(f"{allowed}: {hidden}")
        elif outlook.settled:
            lines.append(f"at rest: {allowed}")
        elif outlook.left_s is not None:
            lines.append(f"{allowed}: about {clock_text(outlook.left_s)} more")
        else:
            lines.append(f"{allowed}; not watched for long enough yet" if outlook.near else allowed)
    return lines


def curve(
    points: Sequence[tuple[float, float]], fitted: Sequence[tuple[float, float]], *, width: int, unit: str
) -> list[str]:
    """Points, and the curve fitted to them, drawn in dots.

    Args:
        points: times [s] and values [unit].
        fitted: the same of the curve; empty for none.
        width: columns in all.
        unit: of the values, for the labels.
    """
    columns = max(8, min(width - _MARGIN - 3, 60))
    both = [*points, *fitted]
    first, last = min(at for at, _ in both), max(at for at, _ in both)
    low, high = min(value for _, value in both), max(value for _, value in both)
    span_s, span = (last - first) or 1.0, (high - low) or 1.0
    dots = [[0] * columns for _ in range(_ROWS)]

    def dot(at_s: float, value: float) -> None:
        x = round((at_s - first) / span_s * (2 * columns - 1))
        y = round((high - value) / span * (4 * _ROWS - 1))
        dots[y // 4][x // 2] |= _DOTS[y % 4][x % 2]

    for at_s, value in both:
        dot(at_s, value)
    labels = {0: f"{high:+.3g} {unit}"}
    if high > low:
        labels[_ROWS - 1] = f"{low:+.3g} {unit}"
    drawn = ["".join(chr(_BLANK + cell) for cell in row) for row in dots]
    return [f"{labels.get(row, ''):>{_MARGIN}} {cells}" for row, cells in enumerate(drawn)]


# Braille patterns, Unicode 2800: two dots across and four down make one sign.
_BLANK = 0x2800
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
