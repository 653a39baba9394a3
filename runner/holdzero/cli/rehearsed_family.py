"""What came of rehearsing a part family: one row a member, for people and for scripts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from rich.console import Console

from holdzero.cli.rehearsed import Said, counted, percent, write_text
from holdzero.display import micro_text
from holdzero.wording import clock_text

__all__ = ["Row", "family_data", "show_family", "write_family"]

_HEAD = ("member", "of", "U", "good not passed", "bad passed", "undecided", "covered", "bench time")
_OVER = ("process: bad passed", "process: good not passed")
_NOTHING = "–"


@dataclass(frozen=True, kw_only=True)
class Row:
    """What came of one member.

    Attributes:
        member: its name.
        said: what came of it.
    """

    member: str
    said: Said

    @cached_property
    def expanded_um(self) -> float | None:
        """U in the middle of the limits, with the scatter that is rehearsed [um]; None where there is none."""
        what = self.said.what
        decision = next(result.decision for result in what.scattered().results if result.name == what.of)
        return None if decision is None else float(decision.expanded_uncertainty_um)

    @property
    def shares(self) -> tuple[float | None, ...]:
        """Good not passed, bad passed, undecided, of parts that lie evenly [1]; None where not all sizes are done."""
        if not self.said.finished:
            return None, None, None
        shares = self.said.curve.evenly(self.said.spec.lower, self.said.spec.upper)
        return shares.good_not_passed, shares.bad_passed, shares.undecided

    @property
    def texts(self) -> tuple[str, ...]:
        """Its texts, in the order of the head."""
        total, units = self.said.curve.total, self.said.units
        u = self.expanded_um
        return (
            self.member,
            self.said.what.of,
            _NOTHING if u is None else micro_text(u, units, u or None, sign=False),
            *(_NOTHING if share is None else f"{100.0 * share:.2f} %" for share in self.shares),
            _share(total.covered, total.runs),
            clock_text(total.bench_s / total.runs),
        )

    @property
    def sizes_done(self) -> str:
        """How many of its true sizes are done."""
        return f"{len(self.said.curve.points)} of {counted(self.said.sizes, 'true size')}"

    @property
    def risks(self) -> tuple[str, ...]:
        """Shares of what the process makes; empty where the routine states none."""
        process = self.said.process
        if process is None:
            return ()
        tally = process.tally
        return _share(tally.bad_passed, tally.runs), _share(tally.good_not_passed, tally.runs)

    @property
    def data(self) -> dict[str, Any]:
        """All of it as plain data."""
        good_not_passed, bad_passed, undecided = self.shares
        return {
            "member": self.member,
            "expanded_um": self.expanded_um,
            "good_not_passed": good_not_passed,
            "bad_passed": bad_passed,
            "undecided": undecided,
            **self.said.data,
        }


def _share(count: int, of: int) -> str:
    return percent(count, of) if of else _NOTHING


def _told(rows: Sequence[Row]) -> str:
    """What the rows stand for."""
    first = rows[0].said
    unfinished = "".join(f" {row.member} is UNFINISHED: {row.sizes_done} are done." for row in _unfinished(rows))
    scenario = f" Scenario: {first.what.scenario.title}." if first.what.scenario is not None else ""
    return (
        f"{counted(first.runs, 'run')} of each true size across the limits of each member and beyond, seed "
        f"{first.what.seed}; the shares are of parts that lie evenly over these sizes. U: of a part in the middle of "
        f"its limits. Covered: the truth lay within U of the value.{scenario}{unfinished}"
    )


def _unfinished(rows: Sequence[Row]) -> list[Row]:
    return [row for row in rows if not row.said.finished]


def family_data(rows: Sequence[Row]) -> dict[str, Any]:
    """Members as plain data; one that was broken off stands by itself."""
    unfinished = _unfinished(rows)
    data = {"simulated": True, "family": [row.data for row in rows if row.said.finished]}
    return data | ({"unfinished": unfinished[0].data} if unfinished else {})


def show_family(console: Console, rows: Sequence[Row]) -> None:
    """For a person at a terminal."""
    console.print(rows[0].said.routine.routine.title if len(rows) == 1 else _title(rows))
    console.print("SIMULATED: no part is measured.")
    console.print(_told(rows))
    console.print()
    console.print(_line("", "", "", "good not", "bad", "un-", "", "bench"))
    console.print(_line("member", "of", "U", "passed", "passed", "decided", "covered", "time"))
    for row in rows:
        console.print(_line(*(row.texts if row.said.finished else (f"! {row.member}", *row.texts[1:]))))
    if any(row.risks for row in rows):
        console.print()
        console.print("Over the process that each states, of all parts (JCGM 106:2012, 9.5.2):")
        console.print(_line("member", "", "", "good not", "bad", "", "", ""))
        console.print(_line("", "", "", "passed", "passed", "", "", ""))
        for row in rows:
            bad, good = row.risks or (_NOTHING, _NOTHING)
            console.print(_line(row.member, row.said.what.of, "", good, bad, "", "", ""))
    for row in _unfinished(rows):
        console.print()
        console.print(f"{row.member}, UNFINISHED: {row.sizes_done} are done.")
        row.said.show_sizes(console)
    slow = dict.fromkeys(name for row in rows for name in row.said.what.checks.run_by_run)
    if slow:
        console.print()
        console.print(f"Taken one run at a time, which is slower: {', '.join(slow)}.")


def _title(rows: Sequence[Row]) -> str:
    """What all members are called in common, or the title of each."""
    titles = list(dict.fromkeys(row.said.routine.routine.title for row in rows))
    return titles[0] if len(titles) == 1 else f"{titles[0]} and {len(rows) - 1} more of its part family"


def _line(*words: str) -> str:
    """A line of 79 signs: a name that is longer is cut, and stands whole in the JSON and on the page."""
    member, of, u, *shares, lasted = words
    columns = [_cut(member, 13).ljust(13), _cut(of, 11).ljust(11), u.rjust(9), *(share.rjust(8) for share in shares)]
    return " ".join([*columns, lasted.rjust(7)]).rstrip()


def _cut(word: str, most: int) -> str:
    return word if len(word) <= most else f"{word[: most - 1]}…"


def write_family(path: Path, rows: Sequence[Row]) -> None:
    """As a page: the table, then the curve of each member."""
    from holdzero.pictures.page import page

    over = any(row.risks for row in rows)
    none = (_NOTHING,) * len(_OVER)
    table = {
        "told": _told(rows),
        "head": (*_HEAD, *(_OVER if over else ())),
        "lines": [(_marked(row), *row.texts[1:], *((row.risks or none) if over else ())) for row in rows],
    }
    sections = [row.said.section(f"{_marked(row)}: {row.said.title}, {row.said.what.of}") for row in rows]
    write_text(path, page("rehearsal", title=_title(rows), table=table, beside=None, sections=sections))


def _marked(row: Row) -> str:
    """The name of a member, and whether it is unfinished."""
    return row.member if row.said.finished else f"{row.member} (unfinished)"
