"""Signs and marks of all faces: one shape, one meaning, drawn in one file of Jinja macros.

A sign says what came of something or how it stands, a mark stands for one value in a picture. Pages
and plugins import the macros as `signs.html`; pictures that are made in Python call them here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from markupsafe import Markup

__all__ = ["keys", "line_key", "mark", "sign", "signs_template"]


@cache
def signs_template() -> str:
    """Text of the Jinja macros that draw every sign and mark: load it as the template `signs.html`.

    `sign(kind)` is a sign beside words, `sign_at(kind, x, y, size)` the same in a picture; `mark(kind, x, y, state,
    title)` is a mark, `off(x, y, turned)` says that a value lies off the picture, `keys(kinds, states, words)` are
    the lines of a legend, `line_key(kind, words)` is one of a line. The text of the file names all
    kinds and states. Since API 2.
    """
    return (resources.files("holdzero.signs") / "templates" / "signs.html").read_text("utf-8")


@cache
def _macros() -> Any:
    from jinja2 import Environment

    return Environment(autoescape=True).from_string(signs_template()).module


def sign(kind: str) -> Markup:
    """A sign, to stand beside its word.

    Args:
        kind: a verdict, a level of findings, how a line stands, …
    """
    made: Markup = _macros().sign(kind)
    return made


def mark(kind: str, x: float, y: float, state: str = "", title: str = "") -> Markup:
    """A mark in a picture.

    Args:
        kind: what the value is of: `zero`, `return`, `check`, `part`, …
        x: place along the picture, in its own points.
        y: place down the picture, in its own points.
        state: what happened to it: `struck`, `replaced`, …; empty for nothing.
        title: all of it in words; it is escaped.
    """
    made: Markup = _macros().mark(kind, x, y, state, title)
    return made


def keys(kinds: Sequence[str], states: Sequence[str] = (), words: Mapping[str, str] | None = None) -> Markup:
    """The lines of a legend.

    Args:
        kinds: of the marks that occur.
        states: that occur.
        words: for kinds and states that are called otherwise in this picture.
    """
    made: Markup = _macros().keys(kinds, states, words or {})
    return made


def line_key(kind: str, words: str, d: str = "M0 9H36") -> Markup:
    """A line of a legend that is about a line.

    Args:
        kind: its class in the picture.
        words: what it is.
        d: its path in a field of 36 by 18, where it is not a straight one.
    """
    made: Markup = _macros().line_key(kind, words, d)
    return made
