"""The book as an open store: adding is idempotent by digest, and every row is chained to the one before."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, Engine, RowMapping, Select, Table, func, insert, select, text

from holdzero.book import schema
from holdzero.book.acting import Act, act_of
from holdzero.book.benches import BATCH, Benches
from holdzero.book.find import Criteria, matching, whole
from holdzero.book.reach import WAIT_S, BookDamagedError, BookError, Told, reached, shown_name, url_of
from holdzero.book.rows import Rows, document_of, rows_of
from holdzero.book.tables import acts, baselines, bench, documents, keys, records, results, reviews, signatures, uses
from holdzero.errors import RecordError
from holdzero.record import digest_of_record, loads

__all__ = [
    "ACTED",
    "START",
    "Book",
    "BookDamagedError",
    "BookError",
    "Kept",
    "chained",
    "open_book",
    "shown_name",
    "upgrade_book",
    "url_of",
]

START = "sha256:" + hashlib.sha256(b"holdzero book 1").hexdigest()
_HEX = frozenset("0123456789abcdef")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A record as the book keeps it: its row, and its text byte for byte."""

    row: Mapping[str, Any]
    text: str

    @property
    def record(self) -> dict[str, Any]:
        """The record as plain data."""
        return loads(self.text, f"record {self.row['id']} of the book")


def chained(before: str, digest: str) -> str:
    """The chain after a record: SHA-256 over the chain before it and its digest."""
    return "sha256:" + hashlib.sha256(f"{before}{digest}".encode()).hexdigest()


def open_book(name: str, *, create: bool = False, wait_s: float = WAIT_S) -> Book:
    """Open a book.

    Args:
        name: a database URL, or the path of a SQLite file.
        create: whether a book that does not exist is made; an empty file is none that does not exist.
        wait_s: how long to wait for another that holds it [s], whenever something is asked of it.

    Raises:
        BookError: it can't be reached, or is none.
        BookDamagedError: it is there, and not whole.
        BookVersionError: it is of another version, or the database is of something else.
    """
    engine, shown = reached(name, create=create, wait_s=wait_s)
    book = Book(engine=engine, name=shown)
    return replace(book, made=book.prepare(create=create))


def upgrade_book(name: str) -> str:
    """Bring a book to the version that this holdzero writes; what is in it stays.

    Returns:
        The version before.

    Raises:
        BookError: it can't be reached, or is none.
        BookVersionError: it is of a version that this holdzero does not know.
    """
    engine, shown = reached(name, create=False, wait_s=WAIT_S)
    with Told(shown):
        with engine.connect() as connection:
            if schema.version_of(connection) is None:
                raise BookError(f"{shown}: there is no book here; holdzero book add makes one")
        return schema.upgrade(engine, shown) or ""


@dataclass(frozen=True, slots=True)
class Book:
    """An open book.

    Attributes:
        engine: of its database.
        name: on screen.
        made: whether it was made when it was opened.
    """

    engine: Engine
    name: str
    made: bool = False

    def prepare(self, *, create: bool) -> bool:
        """Make the tables of a new book, and say whether that was done; refuse one of another version.

        Raises:
            BookError: it can't be reached, or is none.
            BookVersionError: it is of another version.
        """
        with self._told():
            return schema.prepare(self.engine, self.name, create=create)

    def add(self, texts: Iterable[str]) -> list[bool]:
        """Put records into the book.

        Args:
            texts: of records, as they were written.

        Returns:
            For each, whether it was new: a record that the book has already is left as it is.

        Raises:
            RecordError: a text is no whole record, or was changed after it was made. None of the texts
                was put in.
            BookError: the book could not be written; none of the texts was put in.
        """
        return self.enter([self.checked(text) for text in texts])

    def enter(self, made: Sequence[Rows]) -> list[bool]:
        """Put rows in that `checked` made; for each, whether its record was new.

        Raises:
            BookError: the book could not be written; none of them was put in.
        """
        with self._told(), self._writing() as connection:
            return _entered(connection, made)

    @staticmethod
    def checked(text: str) -> Rows:
        """The rows of a record's text.

        Raises:
            RecordError: it is no whole record, or was changed after it was made.
        """
        record = loads(text, "the record")
        try:
            digest = digest_of_record(record)
        except (ValueError, TypeError, RecursionError) as error:
            raise RecordError(f"the record holds what no record can hold: {error}") from None
        if digest != record["digest"]:
            raise RecordError("the record was changed after it was made: its digest does not fit")
        return rows_of(record, text)

    def find(self, criteria: Criteria, limit: int | None = None) -> list[RowMapping]:
        """The rows of records that are asked for, newest first, without their documents."""
        with self._told(), self.engine.connect() as connection:
            query = matching(criteria)
            return list(connection.execute(query.limit(limit) if limit is not None else query).mappings())

    def get(self, digest: str) -> Kept:
        """The record whose digest begins so.

        Raises:
            BookError: there is none, or more than one.
        """
        start = "sha256:" + digest.lower().removeprefix("sha256:")
        # Between itself and a letter that no digest has: the index answers that, in any order of letters.
        like = (records.c.digest >= start, records.c.digest < f"{start}g")
        found: list[RowMapping] = []
        if set(start[len("sha256:") :]) <= _HEX:
            with self._told(), self.engine.connect() as connection:
                found = list(connection.execute(whole().where(*like).limit(2)).mappings())
        if len(found) != 1:
            raise BookError(f"{self.name}: {'no record' if not found else 'more than one record'} begins with {digest}")
        return Kept(row=_without_document(found[0]), text=document_of(found[0]["document"]))

    def kept(self, criteria: Criteria) -> Iterator[Kept]:
        """The records that are asked for, whole, newest first."""
        for row in self.stream(criteria):
            yield Kept(row=_without_document(row), text=document_of(row["document"]))

    def stream(self, criteria: Criteria) -> Iterator[RowMapping]:
        """The whole rows of the records that are asked for, a few at a time."""
        return self.streamed(matching(criteria, whole()))

    def in_order(self, after: int = 0) -> Iterator[RowMapping]:
        """All rows in the order in which they were added, whole."""
        return self.streamed(whole().where(records.c.id > after).order_by(records.c.id))

    def streamed(self, query: Select[Any]) -> Generator[RowMapping, None, None]:
        """The rows of a query, a few at a time, so that memory stays flat however many there are."""
        with self._told(), self.engine.connect() as connection:
            options = {"stream_results": True, "yield_per": BATCH}
            yield from connection.execution_options(**options).execute(query).mappings()

    def belonging(self, ids: Sequence[int]) -> dict[int, dict[str, list[dict[str, Any]]]]:
        """The rows of the other tables that belong to records, by record and table."""
        found: dict[int, dict[str, list[dict[str, Any]]]] = {
            number: {"results": [], "uses": [], "bench": []} for number in ids
        }
        with self._told(), self.engine.connect() as connection:
            for table in (results, uses, bench):
                for row in connection.execute(select(table).where(table.c.record_id.in_(ids))).mappings():
                    own = {key: value for key, value in row.items() if key not in ("record_id", "id")}
                    found[row["record_id"]][table.name].append(own)
        return found

    def count(self) -> int:
        """How many records there are."""
        with self._told(), self.engine.connect() as connection:
            return int(connection.scalar(select(func.count()).select_from(records)) or 0)

    def rows(self, query: Any) -> list[RowMapping]:
        """The rows of a query."""
        with self._told(), self.engine.connect() as connection:
            return list(connection.execute(query).mappings())

    def tuples(self, query: Select[Any]) -> list[tuple[Any, ...]]:
        """The rows of a query as tuples, where there are many."""
        with self._told(), self.engine.connect() as connection:
            return [tuple(row) for row in connection.execute(query)]

    def act(self, kind: str, said: Mapping[str, Any]) -> bool:
        """Put what somebody did into the chain, once; whether it was new.

        Args:
            kind: `register`, or of a table whose row it puts in as well: `review`, `baseline`.
            said: plain data, or the row.
        """
        with self._told(), self._writing() as connection:
            act = act_of(kind, said)
            if connection.execute(select(acts.c.id).where(acts.c.digest == act.digest)).first() is not None:
                return False
            if kind in ACTED:
                connection.execute(insert(ACTED[kind]), {key: item for key, item in said.items() if key != "kind"})
            _chain_act(connection, act)
        return True

    def put(self, table: Any, row: Mapping[str, Any]) -> bool:
        """Put a row of a signature, key or review in; whether it was new."""
        primary = [column.name for column in table.primary_key if column.name in row]
        with self._told(), self._writing() as connection:
            same = [table.c[name] == row[name] for name in primary]
            if primary and connection.execute(select(table).where(*same)).first() is not None:
                return False
            connection.execute(insert(table), dict(row))
            for kind in (kind for kind, own in ACTED.items() if own is table):
                _chain_act(connection, act_of(kind, _whole_row(table, row)))
        return True

    def put_all(self, table: Table, rows: Sequence[Mapping[str, Any]]) -> int:
        """Put rows in, all or none, but for those that are there already; how many were new."""
        primary = [column.name for column in table.primary_key]
        with self._told(), self._writing() as connection:
            fresh = []
            for row in rows:
                same = [table.c[name] == row[name] for name in primary]
                if connection.execute(select(*table.primary_key).where(*same)).first() is None:
                    fresh.append(dict(row))
            if fresh:
                connection.execute(insert(table), fresh)
        return len(fresh)

    def _writing(self) -> Any:
        return _Writing(self.engine)

    def _told(self) -> Any:
        return Told(self.name)


class _Writing:
    """A transaction that only one bench has at a time, so that the chain has no forks."""

    def __init__(self, engine: Engine) -> None:
        self._connection = engine.connect().execution_options(holdzero_writes=True)

    def __enter__(self) -> Connection:
        try:
            self._transaction = self._connection.begin()
            if self._connection.dialect.name == "postgresql":
                self._connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": schema.LOCK})
        except BaseException:
            self._connection.close()
            raise
        return self._connection

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        try:
            self._transaction.commit() if kind is None else self._transaction.rollback()
        finally:
            self._connection.close()


def _without_document(row: RowMapping) -> dict[str, Any]:
    return {key: value for key, value in row.items() if key != "document"}


def _entered(connection: Connection, made: Sequence[Rows]) -> list[bool]:
    """Put rows in, all or none; for each, whether its record was new."""
    number, chain = _end(connection)
    known = _known(connection, records.c.digest, [rows.record["digest"] for rows in made])
    benches = Benches.of(connection, [rows.record["run"] for rows in made])
    fresh: list[bool] = []
    new: dict[Table, list[dict[str, Any]]] = {records: [], documents: [], results: [], uses: []}
    for rows in made:
        digest = rows.record["digest"]
        fresh.append(digest not in known)
        if digest in known:
            continue
        known.add(digest)
        # Numbered here and not by the database: only one bench writes at a time, and no number is left out.
        number, chain = number + 1, chained(chain, digest)
        own = dict(rows.record)
        new[documents].append({"record_id": number, "document": own.pop("document")})
        new[records].append({**own, "id": number, "chain": chain})
        new[results].extend({**row, "record_id": number} for row in rows.results)
        new[uses].extend({**row, "record_id": number} for row in rows.uses)
        benches.tell(number, rows)
    for table, entries in new.items():
        if entries:
            connection.execute(insert(table), entries)
    benches.put(connection)
    return fresh


def _end(connection: Connection) -> tuple[int, str]:
    """The number of the last record, and the chain after it and what was done since."""
    last = connection.execute(select(records.c.id, records.c.chain).order_by(records.c.id.desc()).limit(1)).first()
    number, chain = (0, START) if last is None else last
    since = select(acts.c.chain).where(acts.c.after == number).order_by(acts.c.id.desc()).limit(1)
    return number, connection.scalar(since) or chain


def _chain_act(connection: Connection, act: Act) -> None:
    after, chain = _end(connection)
    number = int(connection.scalar(select(func.max(acts.c.id))) or 0) + 1
    row = {"id": number, "after": after, "kind": act.kind, "digest": act.digest, "text": act.text}
    connection.execute(insert(acts), {**row, "chain": chained(chain, act.digest)})


def _whole_row(table: Table, row: Mapping[str, Any]) -> dict[str, Any]:
    """A row with every column that it leaves out, as it will be read again."""
    return {column.name: row.get(column.name) for column in table.c if column.name != "id"}


def _known(connection: Connection, of: Any, said: Sequence[str]) -> set[str]:
    """Which of these a column holds."""
    found: set[str] = set()
    for start in range(0, len(said), BATCH):
        found.update(connection.scalars(select(of).where(of.in_(said[start : start + BATCH]))))
    return found


def now_ms() -> int:
    """The clock [ms since 1970, UTC]."""
    return time.time_ns() // 1_000_000


OTHERS = (keys, reviews, signatures)

ACTED: Mapping[str, Table] = {"review": reviews, "baseline": baselines}
"""Tables whose rows people make, by the kind of act that puts one in."""
