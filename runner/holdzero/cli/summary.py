"""The summary at the end: verdict first, then each characteristic, then findings, then the record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from holdzero.amendment import amendment_of
from holdzero.cli.digits import large
from holdzero.cli.words import LEVELS, VERDICTS
from holdzero.hooks import Level
from holdzero.model_findings import RESTS_ON
from holdzero.plain_text import of_line
from holdzero.routine.approval import NOT_APPROVED, unapproved
from holdzero.wording import limits_text, measured_text, percent_text, stops_of

if TYPE_CHECKING:
    from holdzero.cli.rewritten import Written

__all__ = ["print_summary", "print_written"]


def print_written(console: Console, written: Written) -> None:
    """Print what came of one part, and what became of its record where the run was written before."""
    print_summary(console, written.record, written.files)
    for sentence in written.told:
        console.print(Text(sentence), soft_wrap=True)


def print_summary(console: Console, record: Mapping[str, Any], files: Sequence[Path]) -> None:
    """Print what came of one part."""
    units = record["routine"]["document"]["routine"].get("units", "mm")
    word, sign, colour = VERDICTS[record["verdict"]]
    run, routine = record["run"], record["routine"]
    console.print()
    if record["simulated"]:
        console.print(Text("SIMULATED READINGS: no part was measured", style="bold reverse"))
    if run["purpose"] == "trial":
        console.print(Text("TRIAL of the routine: nothing may be accepted by it", style="bold reverse"))
    if unapproved(record):
        console.print(Text(NOT_APPROVED, style="bold reverse"))
    serial = f"  serial {run['serial']}" if run["serial"] else ""
    console.print(
        Text(f"{sign} {word}", style=f"bold {colour}"), Text(of_line(f"  {routine['part']}{serial}{_marks(record)}"))
    )
    if (amendment := amendment_of(record)) is not None:
        what = "; ".join(amendment.told)
        console.print(Text(of_line(f"Amends record {amendment.digest}: {amendment.reason}; {what}"), style="bold"))
    console.print()
    console.print(_table(record, units))
    for result in dict.fromkeys(r["rule"] for r in record["results"].values()):
        console.print(Text(of_line(f"Rule: {result}"), style="dim"))
    for finding in sorted(record["findings"], key=lambda f: list(LEVELS)[::-1].index(Level(f["level"]))):
        label, mark = LEVELS[Level(finding["level"])]
        console.print(Text(of_line(f"{mark}{label}: {finding['text']}"), style="" if label == "note" else "bold"))
    console.print()
    for path in files:
        console.print(Text(str(path)), soft_wrap=True)
    if console.is_terminal:
        _at_a_glance(console, record, sign, word, colour)


def _at_a_glance(console: Console, record: Mapping[str, Any], sign: str, word: str, colour: str) -> None:
    """The verdict once more, large, at the bottom: the top of the summary may have left the screen."""
    serial = f"  serial {record['run']['serial']}" if record["run"]["serial"] else ""
    marks = _marks(record)
    console.print()
    for row in large(word):
        console.print(Text(f"  {row}", style=f"bold {colour}"))
    console.print(Text(of_line(f"  {sign} {word}  {record['routine']['part']}{serial}{marks}"), style="bold"))


def _marks(record: Mapping[str, Any]) -> str:
    """What the verdict must not be read without, where only one line of all this is read."""
    simulated = "  SIMULATED" if record["simulated"] else ""
    resting = sorted({f["code"].removesuffix(RESTS_ON) for f in record["findings"] if f["code"].endswith(RESTS_ON)})
    rests = f"  RESTS ON {', '.join(resting)}" if resting else ""
    return simulated + ("  TRIAL" if record["run"]["purpose"] == "trial" else "") + rests


def _table(record: Mapping[str, Any], units: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0))
    for column in ("characteristic", "measured", "limits", "conforms", "verdict"):
        table.add_column(column, justify="left", overflow="fold")
    for name, r in record["results"].items():
        word, sign, _ = VERDICTS[r["verdict"]]
        probability, measured = r["conformance_probability"], measured_text(r, units)
        stopped = bool(stops_of(record, name)) and r["value_um"] is not None
        table.add_row(
            name,
            Text.assemble(("STOP", "bold"), (f" decides nothing: {measured}", "dim")) if stopped else measured,
            limits_text(r["lower_um"], r["upper_um"], units),
            "" if probability is None else percent_text(probability),
            f"{sign} {word}",
        )
    return table
