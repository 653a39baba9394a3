"""What runs tell of their bench as records go in: once a run, however many its parts and writings.

A batch tells it by its first part. A writing anew takes the place of what the earlier writing of its part told, unless
a person amended that: see `book.writings`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Self

from sqlalchemy import Connection, delete, insert, select

from holdzero.book.rows import Rows
from holdzero.book.tables import bench, records

__all__ = ["BATCH", "Benches"]

BATCH = 200
"""How many records are asked for at once."""

_What = tuple[str, str, int]  # run, kind, number
_Part = tuple[str, str | None]  # run, serial


@dataclass(slots=True)
class Benches:
    """What runs told already, and what the records that go in now tell."""

    _by: dict[_What, int] = field(default_factory=dict)
    _writings: defaultdict[_Part, set[int]] = field(default_factory=lambda: defaultdict(set))
    _parts: dict[str, _Part] = field(default_factory=dict)
    _amended: set[_Part] = field(default_factory=set)
    _gone: set[int] = field(default_factory=set)
    _new: list[dict[str, Any]] = field(default_factory=list)

    @classmethod
    def of(cls, connection: Connection, runs: Sequence[str]) -> Self:
        """What the book has of these runs."""
        made = cls()
        columns = (records.c.id, records.c.digest, records.c.run, records.c.serial, records.c.replaces)
        for row in _of_runs(connection, runs, select(*columns).order_by(records.c.id), records.c.run):
            made._knows(*row)
        told = (bench.c.run, bench.c.kind, bench.c.number, bench.c.record_id)
        for run, kind, number, record_id in _of_runs(connection, runs, select(*told), bench.c.run):
            made._by[run, kind, number] = record_id
        return made

    def tell(self, record_id: int, rows: Rows) -> None:
        """Take what a new record tells."""
        record = rows.record
        part: _Part = record["run"], record["serial"]
        if record["replaces"] is None and part not in self._amended:
            self._give_up(self._writings[part])
        for row in rows.bench:
            what = row["run"], row["kind"], row["number"]
            if what not in self._by:
                self._by[what] = record_id
                self._new.append({**row, "record_id": record_id})
        self._knows(record_id, record["digest"], record["run"], record["serial"], record["replaces"])

    def put(self, connection: Connection) -> None:
        """Put it into the book; what earlier writings told goes first."""
        gone = sorted(self._gone)
        for start in range(0, len(gone), BATCH):
            connection.execute(delete(bench).where(bench.c.record_id.in_(gone[start : start + BATCH])))
        if self._new:
            connection.execute(insert(bench), self._new)

    def _knows(self, record_id: int, digest: str, run: str, serial: str | None, replaces: str | None) -> None:
        if replaces is None:
            self._parts[digest] = run, serial
            self._writings[run, serial].add(record_id)
        elif replaces in self._parts:
            # An amendment of an amendment is of the same part as the first.
            self._parts[digest] = self._parts[replaces]
            self._amended.add(self._parts[replaces])

    def _give_up(self, earlier: set[int]) -> None:
        if not earlier:
            return
        self._gone |= earlier
        self._by = {what: owner for what, owner in self._by.items() if owner not in earlier}
        self._new = [row for row in self._new if row["record_id"] not in earlier]


def _of_runs(connection: Connection, runs: Sequence[str], query: Any, of: Any) -> Iterator[Any]:
    each = list(dict.fromkeys(runs))
    for start in range(0, len(each), BATCH):
        yield from connection.execute(query.where(of.in_(each[start : start + BATCH])))
