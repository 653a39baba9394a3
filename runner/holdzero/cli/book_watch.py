"""`book watch` and `book baseline`: how the benches stand, in words, as a picture of letters, as a page, as JSON."""

from __future__ import annotations

import datetime as dt
import json as plain_json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import typer

from holdzero.book import Book
from holdzero.book.baselines import Baseline, set_baseline
from holdzero.book.due import Due, due_days
from holdzero.book.rows import ms_of, wall_of
from holdzero.book.standing import Point
from holdzero.book.watching import Closures, Precisions, Shown, StandardChart, Watched, watched
from holdzero.charts import Control
from holdzero.cli import DEFAULT_SHOP
from holdzero.cli.book_chart import chart_lines
from holdzero.cli.book_devices import known_device
from holdzero.cli.book_find import moment_ms, range_ms
from holdzero.cli.book_of import book_of, files_read, print_table
from holdzero.cli.writable import free_to_write
from holdzero.errors import HoldzeroError
from holdzero.json_text import escaped
from holdzero.pictures import page
from holdzero.pictures.bench import plot_of_closures, plot_of_precisions, plot_of_standard
from holdzero.register import load_register
from holdzero.whole_file import write_whole

__all__ = ["Watching", "new_baseline", "watch_benches", "written_page"]

_DONE, _OUT = 0, 1
_DUE_HEAD = ("state", "day", "device", "name", "used as", "last used", "said by")


@dataclass(frozen=True, slots=True, kw_only=True)
class Watching:
    """What a person wants to see."""

    comparator: str | None
    standard: str | None
    since: str | None
    until: str | None
    html: Path | None
    json: bool
    replace: bool


def watch_benches(wanted: Watching, *, book: str | None, shop: Path | None) -> int:
    """Show how the benches stand; gives the exit code: 1 where one is out of control."""
    if wanted.html is not None:
        free_to_write(wanted.html, replace=wanted.replace, reads=files_read(book, shop), option="--html")
    opened = book_of(book, shop)
    found = _found(opened, wanted, shop)
    if wanted.html is not None:
        written_page(wanted.html, _page(opened, found, wanted))
    if wanted.json:
        typer.echo(escaped(plain_json.dumps(_data(found), ensure_ascii=False, allow_nan=False)))
    elif wanted.html is not None:
        typer.echo(f"{wanted.html}: {found.control}")
    else:
        _print(opened, found)
    return _OUT if found.control is Control.OUT_OF_CONTROL else _DONE


def _found(book: Book, wanted: Watching, shop: Path | None) -> Watched:
    register = load_register(shop if shop is not None else DEFAULT_SHOP)
    today = dt.datetime.now().astimezone().date()
    since_ms, until_ms = range_ms(wanted.since, wanted.until)
    time = Shown(since_ms=since_ms, until_ms=until_ms)
    if wanted.comparator is not None:
        known_device(book, shop, wanted.comparator, "comparator")
    if wanted.standard is not None:
        known_device(book, shop, wanted.standard, "check_standard")
    due = due_days(book, register, today, comparator=wanted.comparator)
    return watched(book, due, comparator=wanted.comparator, standard=wanted.standard, time=time)


def written_page(path: Path, text: str) -> None:
    """Write a page whole.

    Raises:
        HoldzeroError: it could not be written.
    """
    try:
        write_whole(path, text.encode("utf-8"))
    except OSError as error:
        raise HoldzeroError(f"{path}: it could not be written: {error.strerror}") from None


def new_baseline(
    comparator: str, standard: str | None, *, begin: str, reason: str, name: str, book: str | None, shop: Path | None
) -> int:
    """Put down that a bench is judged anew; gives the exit code."""
    now_ms, zone = ms_of(dt.datetime.now().astimezone().isoformat(timespec="milliseconds"))
    from_ms = moment_ms(begin)
    if from_ms is None:
        raise HoldzeroError("say from which day on")
    opened = book_of(book, shop)
    said = Baseline(
        comparator=comparator,
        standard=standard,
        from_ms=from_ms,
        reason=reason,
        name=name,
        at_ms=now_ms,
        zone=zone,
    )
    set_baseline(opened, said)
    of = f"check standard {standard} on {comparator}" if standard is not None else f"all of {comparator}"
    _say(f"{opened.name}: {of} is judged anew from {begin}, by {name}: {reason}")
    typer.echo("nothing is said of control until there are 8 values from then on")
    return _DONE


def _say(text: str) -> None:
    """Print a line; what a person typed may hold anything."""
    typer.echo("".join(sign if sign.isprintable() else "·" for sign in text))


def _print(book: Book, found: Watched) -> None:
    _say(f"{book.name}: {str(found.control).upper()}")
    for chart in found.standards:
        _say("")
        _say(_title(chart))
        _say(f"  {str(chart.standing.control).upper()}")
        for sentence in _sentences(chart):
            _say(f"  {sentence}")
        lines = chart_lines(chart)
        for line in lines:
            typer.echo(line)
        if lines:
            typer.echo(f"  {'µm':>13}  oldest left; o good, ! a rule fired, x beyond 3 s, . not judged")
    for closures in found.closures:
        _say("")
        _say(f"Zero returns of {_device(closures.comparator)}")
        _say(f"  {_closure_words(closures)}")
    for precisions in found.precisions:
        _say("")
        _say(f"Scatter on {_device(precisions.comparator)}")
        _say(f"  {str(precisions.control).upper()}")
        for sentence in _precision_sentences(precisions):
            _say(f"  {sentence}")
    if found.due:
        _say("")
        print_table(_DUE_HEAD, [_due_line(due) for due in found.due])


def _device(name: str) -> str:
    return name or "a comparator without a name"


def _title(chart: StandardChart) -> str:
    return f"Check standard {chart.standard} on {_device(chart.comparator)}, {_count(chart.number, 'value')}"


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _sentences(chart: StandardChart) -> list[str]:
    found = list(chart.standing.sentences)
    if chart.moving is not None and chart.moving.beyond:
        found.append("the moving average is beyond its limits: a small shift that lasts; it stops no run")
    if chart.baseline is not None:
        begin = wall_of(chart.baseline.from_ms, chart.baseline.zone)[:10]
        found.append(f"baseline from {begin}, said by {chart.baseline.name}: {chart.baseline.reason}")
        found.append(f"{_count(chart.before, 'value')} from before it: no longer judged by")
    return found


def _closure_words(closures: Closures) -> str:
    share = 100.0 * closures.beyond / closures.number
    newest = closures.points[-1]
    words = (
        f"{closures.beyond} of {closures.number} beyond the limit of their routine ({share:.0f} %), newest "
        f"{newest.value_um:+.3f} µm on {newest.when}"
    )
    if closures.drift is not None:
        drift = closures.drift
        unsure = drift.standard_um_per_h is not None and abs(drift.rate_um_per_h) < 2.0 * drift.standard_um_per_h
        seen = " (not told from zero)" if unsure else ""
        spread = "" if drift.standard_um_per_h is None else f", standard deviation {drift.standard_um_per_h:.3f} µm/h"
        words += f"; drift {drift.rate_um_per_h:+.3f} µm/h{spread}{seen}, by the times of {_count(drift.runs, 'run')}"
    return words


def _precision_sentences(precisions: Precisions) -> list[str]:
    pooled = precisions.pooled
    if pooled is None:
        return [precisions.sentence]
    words = f"pooled s = {pooled.s_um:.3f} µm, {pooled.dof:g} degrees of freedom, {_count(pooled.runs, 'run')}"
    return [precisions.sentence, words]


def _due_line(due: Due) -> tuple[str, ...]:
    used = "" if due.used_ms is None else wall_of(due.used_ms, "+00:00")[:10]
    roles = ", ".join(role.replace("_", " ") for role in due.roles)
    day = "" if due.day is None else due.day.isoformat()
    return (str(due.urgency).upper(), day, due.identifier, due.name, roles, used, due.source)


def _page(book: Book, found: Watched, wanted: Watching) -> str:
    now = dt.datetime.now().astimezone().isoformat(sep=" ", timespec="minutes")
    name = book.name.rsplit("/", 1)[-1]
    asked = [f"{word} {said}" for word in _ASKED if (said := getattr(wanted, word)) is not None]
    return page(
        "watch",
        title=f"Benches by {name}, {now}",
        state=str(found.control),
        tally=f"Shown: {', '.join(asked)}." if asked else "Shown: all benches.",
        standards=[
            {
                "title": _title(chart),
                "state": str(chart.standing.control),
                "sentences": _sentences(chart),
                "plot": plot_of_standard(chart) if chart.points else None,
                "moving": chart.moving is not None,
            }
            for chart in found.standards
        ],
        closures=[
            {"title": _device(item.comparator), "words": _closure_words(item), "plot": plot_of_closures(item)}
            for item in found.closures
        ],
        precisions=[
            {
                "title": _device(item.comparator),
                "state": str(item.control),
                "sentences": _precision_sentences(item),
                "plot": plot_of_precisions(item) if item.points else None,
            }
            for item in found.precisions
        ],
        due_head=_DUE_HEAD,
        due=[_due_line(due) for due in found.due],
    )


_ASKED = ("comparator", "standard", "since", "until")


def _data(found: Watched) -> dict[str, Any]:
    return {
        "control": str(found.control),
        "standards": [_standard_data(chart) for chart in found.standards],
        "closures": [
            {
                "comparator": item.comparator,
                "number": item.number,
                "beyond": item.beyond,
                "drift": None if item.drift is None else asdict(item.drift),
                "points": [_point_data(point) for point in item.points],
            }
            for item in found.closures
        ],
        "scatter": [_precision_data(item) for item in found.precisions],
        "due": [
            {**asdict(due), "day": None if due.day is None else due.day.isoformat(), "urgency": str(due.urgency)}
            for due in found.due
        ],
    }


def _standard_data(chart: StandardChart) -> dict[str, Any]:
    limits, moving = chart.standing.limits, chart.moving
    s = None if limits is None or not math.isfinite(limits.standard_deviation) else limits.standard_deviation
    signals = chart.standing.watch.signals if chart.standing.watch is not None else ()
    judged = chart.standing.points
    return {
        "comparator": chart.comparator,
        "standard": chart.standard,
        "number": chart.number,
        "before": chart.before,
        "control": str(chart.standing.control),
        "sentences": list(chart.standing.sentences),
        "centre_um": None if limits is None else limits.centre,
        "standard_deviation_um": s,
        "baseline_number": None if limits is None else limits.number,
        "baseline": None if chart.baseline is None else asdict(chart.baseline),
        "signals": [
            {"rule": signal.rule.name, "records": [judged[place].digest for place in signal.points]}
            for signal in signals
        ],
        "moving_average": None if moving is None else asdict(moving),
        "points": [{**_point_data(point), "mark": mark} for point, mark in zip(chart.points, chart.marks, strict=True)],
    }


def _precision_data(item: Precisions) -> dict[str, Any]:
    return {
        "comparator": item.comparator,
        "number": item.number,
        "control": str(item.control),
        "sentence": item.sentence,
        "pooled": None if item.pooled is None else asdict(item.pooled),
        "centre_um": item.centre_um,
        "limits_um": list(item.limits_um),
        "points": [_point_data(point) for point in item.points],
    }


def _point_data(point: Point) -> Mapping[str, Any]:
    return {
        "at": wall_of(point.at_ms, point.zone),
        "value_um": point.value_um,
        "dof": point.dof,
        "limit_um": point.limit_um,
        "digest": point.digest,
    }
