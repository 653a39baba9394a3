"""Lets statements to a database fail, below SQLAlchemy: at the connections and cursors of the drivers."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Any

import psycopg
import pytest

from tests.faults.failing.calls import Failing, Kind

__all__ = ["failing_sql"]


def failing_sql(failing: Failing, patch: pytest.MonkeyPatch, own: Callable[..., Any]) -> None:
    """Have every connection from now on count its calls, and fail."""

    def of_file(database: Any, *args: Any, **kwargs: Any) -> Any:
        if not failing.has(database):
            return own(database, *args, **kwargs)
        if failing.fails("connect"):
            raise sqlite3.OperationalError("unable to open database file")
        return own(database, *args, **{**kwargs, "factory": _of_sqlite(failing)})

    patch.setattr(sqlite3, "connect", of_file)
    patch.setattr(sqlite3.dbapi2, "connect", of_file)

    def of_server(*args: Any, **kwargs: Any) -> Any:
        if failing.fails("connect"):
            raise psycopg.OperationalError("connection failed: the server is not there")
        return _of_postgresql(failing).connect(*args, **kwargs)

    patch.setattr(psycopg, "connect", of_server)


def _of_sqlite(failing: Failing) -> type[sqlite3.Connection]:
    def told() -> sqlite3.Error:
        full = failing.kind is Kind.ENOSPC
        return sqlite3.OperationalError("database or disk is full" if full else "disk I/O error")

    def asked(statement: str, work: Callable[[], Any]) -> Any:
        return _asked(failing, statement, work, told)

    class Cursor(sqlite3.Cursor):
        def execute(self, sql: str, *args: Any) -> Any:
            return asked(sql, lambda: super(Cursor, self).execute(sql, *args))

        def executemany(self, sql: str, *args: Any) -> Any:
            return asked(sql, lambda: super(Cursor, self).executemany(sql, *args))

    class Connection(sqlite3.Connection):
        def cursor(self, factory: Any = Cursor) -> Any:
            return super().cursor(factory)

        def commit(self) -> None:
            asked("COMMIT", lambda: super(Connection, self).commit())

        def rollback(self) -> None:
            asked("ROLLBACK", lambda: super(Connection, self).rollback())

    return Connection


def _of_postgresql(failing: Failing) -> type[psycopg.Connection[Any]]:
    def asked(connection: psycopg.Connection[Any], statement: object, work: Callable[[], Any]) -> Any:
        def lost() -> psycopg.Error:
            if failing.kind is Kind.SHORT:
                connection.close()
            return _told_by_server(failing.kind)

        return _asked(failing, str(statement), work, lost)

    class Cursor(psycopg.Cursor[Any]):
        def execute(self, query: Any, *args: Any, **kwargs: Any) -> Any:
            return asked(self.connection, query, lambda: super(Cursor, self).execute(query, *args, **kwargs))

        def executemany(self, query: Any, *args: Any, **kwargs: Any) -> Any:
            return asked(self.connection, query, lambda: super(Cursor, self).executemany(query, *args, **kwargs))

    class Connection(psycopg.Connection[Any]):
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            self.cursor_factory = Cursor

        def commit(self) -> None:
            asked(self, "COMMIT", lambda: super(Connection, self).commit())

        def rollback(self) -> None:
            asked(self, "ROLLBACK", lambda: super(Connection, self).rollback())

    return Connection


def _told_by_server(kind: Kind) -> psycopg.Error:
    match kind:
        case Kind.EIO:
            return psycopg.errors.IoError("could not read block 0: Input/output error")
        case Kind.ENOSPC:
            return psycopg.errors.DiskFull("could not extend file: No space left on device")
        case Kind.SHORT:
            return psycopg.OperationalError("server closed the connection unexpectedly")


def _asked(failing: Failing, statement: str, work: Callable[[], Any], told: Callable[[], Exception]) -> Any:
    word = statement.split(maxsplit=1)[0].upper()
    if not failing.fails(f"SQL {word}"):
        return work()
    if failing.kind is Kind.SHORT and len(failing.made) == failing.at:
        work()  # done, and its answer lost
    raise told()
