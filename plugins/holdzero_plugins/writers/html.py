"""HTML writer: one file that a person reads, prints and files, with nothing in it that runs or loads.

The texts and pictures are made in the modules beside it whose names begin with `_`; the templates
only place them. Every text is escaped by the template engine, in one place.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from holdzero.hooks import Filed, Inquiry, Writer, hookimpl, plain, signs_template

if TYPE_CHECKING:
    import jinja2

_TEMPLATES = resources.files("holdzero_plugins.writers") / "templates"


def _source(name: str) -> str:
    return signs_template() if name == "signs.html" else (_TEMPLATES / name).read_text(encoding="utf-8")


def _plain(item: object) -> object:
    """A text without what turns the writing or hides in it; markup of our own is no plain text."""
    return plain(item) if type(item) is str else item


@cache
def _environment() -> jinja2.Environment:
    import jinja2

    return jinja2.Environment(
        autoescape=True,
        loader=jinja2.FunctionLoader(_source),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_plain,
    )


def write(record: Mapping[str, Any]) -> Mapping[str, bytes]:
    """The record as one self-contained page."""
    from holdzero_plugins.writers._content import page_of

    text = _environment().get_template("record.html").render(page=page_of(record))
    return {".html": text.encode("utf-8")}


def report(records: Iterable[Filed], inquiry: Inquiry) -> bytes:
    """Many records as one self-contained page."""
    from holdzero_plugins.writers._report import report_of

    text = _environment().get_template("report.html").render(report=report_of(records, inquiry))
    return text.encode("utf-8")


@hookimpl
def holdzero_writers() -> Sequence[Writer]:
    """The HTML writer."""
    return [Writer(name="html", title="the record as a page to read and to print", write=write, report=report)]
