"""How a book is reached: its address and connections, how long it is waited for, what its database says in words."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import time
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from holdzero.errors import HoldzeroError

__all__ = ["WAIT_S", "BookDamagedError", "BookError", "Told", "reached", "shown_name", "url_of"]

WAIT_S = 60.0
"""How long a command waits for another that holds the book [s]; a run says itself how long it may."""
_CONNECT_S = 10
_EMPTY_S = 2.0  # a bench that makes a book leaves its file empty for a moment
# SQLite's words, and PostgreSQL's codes: which comes depends on where it has no room, or what is lost.
_FULL = ("database or disk is full", "disk I/O error")
_HELD = ("database is locked", "database table is locked", "database schema is locked")
_DAMAGED = (
    "database disk image is malformed",
    "malformed database schema",
    "file is not a database",
    "no such table",
    "no such column",
    "unsupported file format",
    "Could not decode to UTF-8",
)
_HELD_CODES = frozenset({"55P03"})  # lock_not_available
_DAMAGED_CODES = frozenset({"42P01", "42703", "XX001", "XX002"})  # a table or column is gone, data or index corrupted


# What a connection says of its own end, with a traceback, is for nobody: what was asked of it failed, and that is told.
logging.getLogger("sqlalchemy.pool").addHandler(logging.NullHandler())


class BookError(HoldzeroError):
    """The book can't be reached, read or written; the message says what is safe and what to do."""


class BookDamagedError(BookError):
    """The book is there and is not whole: waiting does not help."""

    def __init__(self, name: str, cause: str) -> None:
        mend = (
            "keep it as it is, and put the last copy in its place; or begin a new one from the records:\n"
            "    holdzero book add FOLDER --book NEW"
        )
        super().__init__(f"{name}: {cause}\n    {mend}")


def url_of(name: str) -> str:
    """The database URL of a book: as it stands, or of a SQLite file.

    >>> url_of("book.sqlite")
    'sqlite:///book.sqlite'
    """
    if "://" not in name:
        return f"sqlite:///{Path(name)}"
    # The driver that is declared as an extra; a bare postgresql:// would look for another one.
    return name.replace("postgresql://", "postgresql+psycopg://", 1).replace("postgres://", "postgresql+psycopg://", 1)


def shown_name(name: str) -> str:
    """What a book is called on screen and in files: the whole path of a file, or an address without its password.

    Raises:
        BookError: it is neither.
    """
    url = _url(name)
    if url.get_backend_name() == "sqlite":
        return str(Path(str(url.database)).absolute())
    return url.render_as_string(hide_password=True)


def _url(name: str) -> URL:
    try:
        return make_url(url_of(name))
    except ArgumentError:
        raise BookError(f"{name}: this is neither a file nor the address of a database") from None


def reached(name: str, *, create: bool, wait_s: float) -> tuple[Engine, str]:
    """The database of a book, not yet asked for anything, and its name on screen; arguments as of `open_book`.

    Raises:
        BookError: it can't be one, or there is none and none is to be made.
        BookDamagedError: its file is empty.
    """
    url = _url(name)
    of_file = url.get_backend_name() == "sqlite"
    shown = str(url.database) if of_file else url.render_as_string(hide_password=True)
    if of_file:
        if url.database in (None, "", ":memory:") or str(url.database).startswith("file:"):
            raise BookError(f"{name}: a book is kept in a file; write its path")
        _look_at_file(Path(str(url.database)), shown, create=create)
    try:
        engine = create_engine(url, **_options(wait_s, of_file=of_file))
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        raise BookError(f'{shown}: {error}; for PostgreSQL: pip install "holdzero[postgresql]"') from None
    if of_file:
        event.listen(engine, "connect", partial(_on_connect, wait_s))
        event.listen(engine, "begin", _on_begin)
    elif url.get_backend_name() == "postgresql":
        event.listen(engine, "connect", partial(_on_connect_postgresql, wait_s))
    return engine, shown


def _look_at_file(path: Path, shown: str, *, create: bool) -> None:
    """Refuse a file that is empty: it was a book, or is none; never is it taken for a new one.

    Raises:
        BookError: there is none, and none is to be made.
        BookDamagedError: it is empty.
    """
    ends_s = time.monotonic() + _EMPTY_S
    try:
        while path.is_file() and path.stat().st_size == 0:
            if time.monotonic() > ends_s:
                raise BookDamagedError(shown, "its file is empty; where there never was a book, delete it")
            time.sleep(0.02)
        if path.exists():
            return
        if not create:
            raise BookError(f"{shown}: there is no book here; holdzero book add makes one")
        _make_file(path, shown)
    except OSError as error:
        mend = "see to the folder and the disk, then try again; records wait in their folder meanwhile"
        raise BookError(f"{shown}: {error.strerror}\n    {mend}") from None


def _make_file(path: Path, shown: str) -> None:
    """A file with a first page: not empty from its first moment, so that no bench sees one that was emptied.

    Raises:
        BookError: it could not be made, and nothing is left of it.
    """
    try:
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as new:
            new.execute("PRAGMA journal_mode=WAL")
    except sqlite3.Error as error:
        if str(error).startswith(_HELD):  # another bench was faster
            return
        with contextlib.suppress(OSError):
            if path.stat().st_size == 0:
                path.unlink()
        with Told(shown):
            raise


def _options(wait_s: float, *, of_file: bool) -> dict[str, Any]:
    """Nothing stays open between two questions: a run lasts for hours, and a file at rest is one file to copy."""
    wait = {"timeout": wait_s} if of_file else {"connect_timeout": min(_CONNECT_S, round(wait_s))}
    return {"poolclass": NullPool, "connect_args": wait}


def _on_connect(wait_s: float, connection: Any, _: object) -> None:
    """SQLite: wait for another bench that writes; what was answered is on disk."""
    connection.isolation_level = None
    cursor = connection.cursor()
    for line in (f"busy_timeout={round(wait_s * 1000.0)}", "synchronous=FULL", "foreign_keys=ON"):
        cursor.execute(f"PRAGMA {line}")
    cursor.close()


def _on_begin(connection: Connection) -> None:
    """Take the right to write at once where a write is meant: two that read first could not both go on."""
    mode = "IMMEDIATE" if connection.get_execution_options().get("holdzero_writes") else "DEFERRED"
    connection.exec_driver_sql(f"BEGIN {mode}")


def _on_connect_postgresql(wait_s: float, connection: Any, _: object) -> None:
    """PostgreSQL would wait for a lock for ever."""
    with connection.cursor() as cursor:
        cursor.execute(f"SET lock_timeout = {round(wait_s * 1000.0)}")
    connection.commit()


class Told:
    """Turns what a database says into what a person can do."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, SQLAlchemyError | sqlite3.Error):
            own: Any = error.orig if isinstance(error, DBAPIError) else error
            said, code = str(own).strip().splitlines(), getattr(own, "sqlstate", None)
            cause = said[0] if said else type(error).__name__
            if code in _DAMAGED_CODES or cause.startswith(_DAMAGED):
                other = cause == "file is not a database"
                what = f"{cause}: another file, or a book whose beginning is destroyed"
                raise BookDamagedError(self._name, what if other else f"the book is damaged: {cause}") from None
            if code in _HELD_CODES or cause.startswith(_HELD):
                cause += ": another program holds the book"
            if cause.startswith(_FULL):
                cause += ": the disk may be full, or was taken away"
            mend = "nothing was lost: records wait in their folder, and holdzero book send puts them in later"
            raise BookError(f"{self._name}: {cause}\n    {mend}") from None
