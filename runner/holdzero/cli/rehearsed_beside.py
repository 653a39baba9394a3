"""Two revisions of a routine beside each other: in one table and in one picture; and the page of one or of both."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rich.console import Console

from holdzero.cli.rehearsed import Said, percent, write_text
from holdzero.display import micro_text

__all__ = ["show_beside", "write_page"]

_MARKS = "AB"


def show_beside(console: Console, both: Sequence[Said]) -> None:
    """Two revisions side by side, with the same draws wherever they ask for the same thing."""
    console.print("SIMULATED: no part is measured.")
    for mark, said in zip(_MARKS, both, strict=True):
        console.print(f"{mark}: {said.title}")
        console.print(f"   {said.told}")
    console.print()
    console.print("   true size     pass A     pass B     fail A     fail B")
    for size, *shares in _lines(both):
        console.print(f"  {size:>10} " + " ".join(f"{share:>10}" for share in shares))
    console.print()
    for mark, said in zip(_MARKS, both, strict=True):
        for sentence in said.sentences:
            console.print(f"{mark}: {sentence}")


def _lines(both: Sequence[Said]) -> list[tuple[str, ...]]:
    """A line a true size: how often each passes and fails."""
    one, other = both
    found = []
    for first, second in zip(one.curve.points, other.curve.points, strict=True):
        a, b = first.tally, second.tally
        shares = (percent(count, a.runs) for count in (a.passed, b.passed, a.failed, b.failed))
        found.append((micro_text(first.true_um, one.units), *shares))
    return found


def write_page(path: Path, both: Sequence[Said]) -> None:
    """A routine, or two revisions of one beside each other and then each by itself, as a page with pictures."""
    from holdzero.pictures.page import page

    names = [f"{said.title}: {said.what.of}" for said in both]
    if len(both) > 1:
        names = [f"{mark}: {name}" for mark, name in zip(_MARKS, names, strict=True)]
    sections = [said.section(name) for said, name in zip(both, names, strict=True)]
    title = " / ".join(dict.fromkeys(said.title for said in both))
    beside = _beside(both, names) if len(both) > 1 else None
    write_text(path, page("rehearsal", title=title, table=None, beside=beside, sections=sections))


def _beside(both: Sequence[Said], names: Sequence[str]) -> dict[str, Any]:
    """The common picture and table."""
    from holdzero.pictures.operating import plot_beside

    curves = [(said.curve.points, (said.spec.lower, said.spec.upper)) for said in both]
    drawn = len(curves[0][0]) > 1
    return {
        "names": names,
        "plot": plot_beside(curves, both[0].units, "A and B beside each other") if drawn else None,
        "limits_differ": curves[0][1] != curves[1][1],
        "head": ("true size", "pass A", "pass B", "fail A", "fail B"),
        "lines": _lines(both),
    }
