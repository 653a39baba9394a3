"""What a run prints: on a console, on standard error, and the record as JSON. Nothing is decided here."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from typing import Any, TextIO

from rich.console import Console

__all__ = ["plain_console", "print_json", "progress", "records_alone", "tell", "tell_at_once"]

_STANDARD_ERROR = 2


def plain_console(*, stderr: bool) -> Console:
    """A console that shows what a routine, a register or a person wrote as it stands.

    [b] and :ok: mean nothing to it.
    """
    return _Console(stderr=stderr, highlight=False, markup=False, emoji=False)


class _Console(Console):
    """A console that goes quiet when nobody reads it any more: the exit code stays the verdict's."""

    def on_broken_pipe(self) -> None:
        """Called by the base class."""
        self.quiet = True
        _nobody_reads(sys.stderr if self.stderr else sys.stdout)


def _nobody_reads(stream: TextIO) -> None:
    with contextlib.suppress(OSError, ValueError):
        handle = os.open(os.devnull, os.O_WRONLY)
        os.dup2(handle, stream.fileno())
        os.close(handle)


def tell(text: str) -> None:
    """Say something on standard error."""
    with contextlib.suppress(OSError):
        sys.stderr.write(text + "\n")


def tell_at_once(text: str) -> None:
    """Say something on standard error from within a signal's handler.

    The handler may have broken into a write to the stream, which does not take another one meanwhile.
    """
    with contextlib.suppress(OSError):
        os.write(_STANDARD_ERROR, f"{text}\n".encode())


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
        stream.write(json.dumps(record, ensure_ascii=False, allow_nan=False) + "\n")
        stream.flush()
    except OSError as error:
        tell(f"holdzero: the record could not be printed: {error.strerror}; it is in the folder of the run")
        _nobody_reads(stream)
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
