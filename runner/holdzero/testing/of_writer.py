"""The conformance suite for a writer: every record gives files, and no text of a record does harm in one."""

from __future__ import annotations

import copy
import csv
import io
from collections.abc import Callable, Iterable, Iterator, Mapping
from html.parser import HTMLParser
from pathlib import PurePosixPath
from typing import Any
from xml.parsers import expat

from holdzero.catalogue import Catalogue
from holdzero.hooks import Filed, Inquiry, Writer
from holdzero.testing.complaint import Subject, hidden, subject_of
from holdzero.testing.records import HOSTILE, MARK, sample_records

__all__ = ["writer_conforms"]

__tracebackhide__ = hidden

# The run's own files; a writer must not write over them.
_TAKEN = frozenset({".record.json", ".journal.jsonl"})


def writer_conforms(writer: Writer, catalogue: Catalogue) -> None:
    """Put a writer through its rules, and its report if it makes one.

    Args:
        writer: declared by a plugin.
        catalogue: for the routines of the sample records.

    Raises:
        AssertionError: it breaks one; says which, what was found, how to mend it.
    """
    subject = subject_of(writer)
    subject.titled(writer.title)
    for what, record in sample_records(catalogue):
        kept = copy.deepcopy(record)
        with subject.never_raising(f"write must not raise ({what})", "look whether a key is there and not null"):
            made = writer.write(record)
        subject.require(
            good=record == kept,
            rule=f"write must not change the record ({what})",
            found="the record differs after the call",
            mend="copy what is to be changed",
        )
        _are_files(subject, what, made)
        subject.answers_for(made, writer.write(record), f"what it writes ({what})")
        for ending, content in made.items():
            _does_no_harm(subject, f"{ending} of {what}", PurePosixPath(f"a{ending}").suffix, content)
    if writer.report is not None:
        _report_conforms(subject, writer.report, catalogue)


def _report_conforms(
    subject: Subject, report: Callable[[Iterable[Filed], Inquiry], bytes], catalogue: Catalogue
) -> None:
    """One report of all sample records, hostile ones among them, and one of none."""
    records = [record for _, record in sample_records(catalogue)]
    for what, chosen, asked in (
        ("of many records", records, {"part": HOSTILE[0], "text": HOSTILE[-1]}),
        ("of no record", [], {}),
    ):
        inquiry = Inquiry(asked=asked, book=HOSTILE[0], at="2026-03-02T09:00:00.000+01:00")
        with subject.never_raising(f"report must not raise ({what})", "look whether a key is there and not null"):
            made = report(_filed(chosen), inquiry)
        subject.require(
            good=isinstance(made, bytes),
            rule=f"report must give the contents of one file ({what})",
            found=f"{made!r:.200}",
            mend="return bytes",
        )
        subject.answers_for({"report": made}, {"report": report(_filed(chosen), inquiry)}, f"what it reports ({what})")
        _does_no_harm(subject, f"the report {what}", ".html" if made.lstrip()[:1] == b"<" else "", made)


def _filed(records: Iterable[Mapping[str, Any]]) -> Iterator[Filed]:
    """Records as the book hands them on, each replaced, reviewed and signed."""
    for record in records:
        said = {"name": HOSTILE[0], "meaning": HOSTILE[5], "note": HOSTILE[6], "at": HOSTILE[1], "signed": "ab" * 32}
        yield Filed(
            record=copy.deepcopy(record), replaced_by=record["digest"], reviews=(said,), signatures=("cd" * 32,)
        )


def _are_files(subject: Subject, what: str, made: object) -> None:
    sound = isinstance(made, Mapping) and all(
        isinstance(ending, str) and ending.startswith(".") and "/" not in ending and isinstance(content, bytes)
        for ending, content in made.items()
    )
    subject.require(
        good=sound,
        rule=f"write must give contents by what the files' names end in ({what})",
        found=f"{made!r:.200}",
        mend='return {".html": b"…"}: endings that begin with a point, contents as bytes',
    )
    taken = _TAKEN & set(made) if isinstance(made, Mapping) else set()
    subject.require(
        good=not taken,
        rule="the run's own files must not be written over",
        found=", ".join(sorted(taken)),
        mend="choose another ending",
    )


def _does_no_harm(subject: Subject, what: str, suffix: str, content: bytes) -> None:
    look = _LOOKS.get(suffix.lower())
    if look is None:
        return
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise subject.broken(f"{what} must be UTF-8", str(error), 'write text.encode("utf-8")') from None
    look(subject, what, text)


class _Marks(HTMLParser):
    """Finds elements and scripts that came from a text of the record."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._script = tag == "script"
        acts = [name for name, value in attrs if name.startswith("on") and MARK in (value or "")]
        if tag == MARK or acts:
            self.found.append(self.get_starttag_text() or tag)

    def handle_endtag(self, tag: str) -> None:
        del tag
        self._script = False

    def handle_data(self, data: str) -> None:
        if self._script and f"{MARK}()" in data:
            self.found.append(f"<script>{data}</script>")


def _markup(subject: Subject, what: str, text: str) -> None:
    marks = _Marks()
    marks.feed(text)
    marks.close()
    subject.require(
        good=not marks.found,
        rule=f"no text of a record may become markup ({what})",
        found=f"{marks.found[:1]}",
        mend="escape every text: html.escape(text), or a template that escapes by itself",
    )


def _xml(subject: Subject, what: str, text: str) -> None:
    _markup(subject, what, text)
    try:
        expat.ParserCreate().Parse(text, True)
    except expat.ExpatError as error:
        mend = "escape every text, and leave out signs that XML can't hold"
        raise subject.broken(f"it must be well-formed ({what})", str(error), mend) from None


def _table(subject: Subject, what: str, text: str) -> None:
    for row in csv.reader(io.StringIO(text, newline="")):
        for cell in row:
            subject.require(
                good=not (MARK in cell and cell.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r", "\n"))),
                rule=f"no text of a record may be run by a spreadsheet ({what})",
                found=f"the cell {cell!r}",
                mend="put an apostrophe before a text that begins with = + - @, a tab or a line's end",
            )


_LOOKS: Mapping[str, Callable[[Subject, str, str], Any]] = {
    ".html": _markup,
    ".htm": _markup,
    ".xml": _xml,
    ".svg": _xml,
    ".csv": _table,
}
