"""What a run prints: on a console, on standard error, and the record as JSON. Nothing is decided here."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import IO, Any, TextIO, TypeVar, cast

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from holdzero.cli.streams import as_it_stands, to_nowhere
from holdzero.json_text import escaped
from holdzero.plain_text import plain

__all__ = ["plain_console", "print_json", "progress", "records_alone", "tell", "tell_at_once", "why_not"]

_STANDARD_ERROR = 2
T = TypeVar("T")


def plain_console(*, stderr: bool) -> Console:
    """A console that shows what a routine, a register or a person wrote as it stands.

    [b] and :ok: mean nothing to it.
    """
    return _Console(stderr=stderr, highlight=False, markup=False, emoji=False)


class _Console(Console):
    """A console that goes quiet when nobody takes what it writes any more: the exit code stays the verdict's.

    Its own controls reach the terminal, those in a text do not.
    """

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Called by the base class."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else Segment(plain(segment.text), segment.style)

    @property
    def file(self) -> IO[str]:
        """Where it writes."""
        stream = sys.stderr if self.stderr else sys.stdout
        # While something is drawn anew, as a bar is, what others print comes through the base class's own stand-in.
        own: TextIO = getattr(stream, "rich_proxied_file", stream)
        return cast("IO[str]", _Taken(as_it_stands(own)))

    @file.setter
    def file(self, new: IO[str]) -> None:
        """It is always a standard stream."""
        raise AttributeError(f"a console of the tool writes to no {new!r}")

    def on_broken_pipe(self) -> None:
        """Called by the base class."""
        self.quiet = True
        to_nowhere(sys.stderr if self.stderr else sys.stdout)


class _Taken:
    """A stream whose every failure is that of a pipe that nobody reads, which the base class knows."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Called by the base class."""
        return self._tried(lambda: self._stream.write(text))

    def flush(self) -> None:
        """Called by the base class."""
        self._tried(self._stream.flush)

    def _tried(self, work: Callable[[], T]) -> T:
        try:
            return work()
        except BrokenPipeError:
            raise
        except OSError as error:
            if self._stream is not as_it_stands(sys.stderr):
                tell(f"holdzero: the output: {why_not(error)}; a run goes on, and its record is kept in its folder")
            raise BrokenPipeError from error

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def why_not(error: OSError) -> str:
    """Why a standard stream takes nothing, in words."""
    return "it is closed" if error.errno == errno.EBADF else error.strerror or str(error)


def tell(text: str) -> None:
    """Say something on standard error; where that can't be, there is nobody to tell."""
    try:
        sys.stderr.write(text + "\n")
        sys.stderr.flush()
    except (OSError, ValueError):
        to_nowhere(sys.stderr)


def tell_at_once(text: str) -> None:
    """Say something on standard error from within a signal's handler.

    The handler may have broken into a write to the stream, which does not take another one meanwhile.
    """
    with contextlib.suppress(OSError):
        os.write(_STANDARD_ERROR, f"{plain(text)}\n".encode(errors="replace"))


@contextlib.contextmanager
def records_alone(*, when: bool) -> Iterator[TextIO]:
    """Keep standard output for records: what plugins print meanwhile goes to standard error.

    Args:
        when: whether it is kept; where not, nothing is changed.

    Yields:
        Where records are to be printed.
    """
    stdout = sys.stdout
    with contextlib.redirect_stdout(sys.stderr) if when else contextlib.nullcontext():
        yield stdout


def print_json(record: Mapping[str, Any], out: TextIO | None = None) -> bool:
    """Print a record on one line, on standard output if `out` is None; whether it could be."""
    stream = sys.stdout if out is None else out
    try:
        stream.write(escaped(json.dumps(record, ensure_ascii=False, allow_nan=False)) + "\n")
        stream.flush()
    except OSError as error:
        tell(f"holdzero: the record could not be printed: {why_not(error)}; it is in the folder of the run")
        to_nowhere(stream)
        return False
    return True


@contextlib.contextmanager
def progress(total: int, what: str) -> Iterator[Callable[[int], None]]:
    """A bar on a terminal, nothing elsewhere.

    Args:
        total: how many there are.
        what: they are, in a word.
    """
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    console = plain_console(stderr=True)
    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=total)
        yield lambda count: bar.advance(task, count)
