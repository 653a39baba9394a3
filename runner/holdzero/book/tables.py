"""The tables of the book. A record goes in whole; beside it stand the columns that searches need.

Every column but the document's own can be made anew from the document, and `verify` does so.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

__all__ = [
    "acts",
    "baselines",
    "bench",
    "documents",
    "keys",
    "metadata",
    "records",
    "results",
    "reviews",
    "signatures",
    "uses",
]

metadata = MetaData()

# SQLite numbers rows by itself only where the key is a plain INTEGER.
_Key = BigInteger().with_variant(Integer, "sqlite")
_DIGEST = 71  # sha256: and 64 digits

records = Table(
    "records",
    metadata,
    Column("id", _Key, primary_key=True, autoincrement=True),
    Column("digest", String(_DIGEST), nullable=False, unique=True),
    Column("chain", String(_DIGEST), nullable=False),
    Column("run", String(64), nullable=False),
    Column("part", Text, nullable=False),
    Column("revision", Text, nullable=False),
    Column("serial", Text),
    Column("operator", Text),
    Column("title", Text, nullable=False),
    Column("routine_digest", String(_DIGEST), nullable=False),
    Column("verdict", String(16), nullable=False),
    Column("purpose", String(16), nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("started_ms", BigInteger, nullable=False),
    Column("finished_ms", BigInteger, nullable=False),
    Column("zone", String(16), nullable=False),
    Column("second_person", Boolean, nullable=False),
    Column("replaces", String(_DIGEST)),
    Column("words", Text, nullable=False),
    Index("records_by_part", "part", "started_ms"),
    Index("records_by_serial", "serial", "part"),
    Index("records_by_operator", "operator", "started_ms"),
    Index("records_by_time", "started_ms"),
    Index("records_by_replaced", "replaces"),
    Index("records_by_run", "run"),
)
"""One row a record. Times are milliseconds since 1970 in UTC; `zone` is the bench's offset from it."""

documents = Table(
    "documents",
    metadata,
    Column("record_id", _Key, ForeignKey("records.id"), primary_key=True),
    Column("document", LargeBinary, nullable=False),
)
"""The records themselves, compressed. Apart, so that a search does not read over them."""

results = Table(
    "results",
    metadata,
    Column("record_id", _Key, ForeignKey("records.id"), primary_key=True),
    Column("characteristic", Text, primary_key=True),
    Column("measure", Text, nullable=False),
    Column("verdict", String(16), nullable=False),
    Column("value_um", Float(53)),
    Column("expanded_uncertainty_um", Float(53)),
    Column("lower_um", Float(53)),
    Column("upper_um", Float(53)),
    Index("results_by_characteristic", "characteristic", "record_id"),
)
"""One row a characteristic of a record."""

uses = Table(
    "uses",
    metadata,
    Column("record_id", _Key, ForeignKey("records.id"), primary_key=True),
    Column("role", String(32), primary_key=True),
    Column("identifier", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("due", String(10)),
    Column("started_ms", BigInteger, nullable=False),
    Index("uses_by_device", "identifier", "started_ms", "role", "record_id"),
    Index("uses_by_name", "name", "started_ms", "role", "record_id"),
)
"""One row a device that a record used: who asks for a block finds every record that depends on it."""

bench = Table(
    "bench",
    metadata,
    Column("id", _Key, primary_key=True, autoincrement=True),
    Column("record_id", _Key, ForeignKey("records.id"), nullable=False),
    Column("run", String(64), nullable=False),
    Column("kind", String(16), nullable=False),
    Column("number", Integer, nullable=False),
    Column("comparator", Text, nullable=False),
    Column("standard", Text, nullable=False),
    Column("value_um", Float(53), nullable=False),
    Column("dof", Float(53)),
    Column("limit_um", Float(53)),
    Column("at_ms", BigInteger, nullable=False),
    UniqueConstraint("run", "kind", "number", name="bench_once_a_run"),
    # All that a chart reads, so that it need not look up rows one by one.
    Index("bench_by_kind", "kind", "comparator", "standard", "at_ms", "id", "record_id", "value_um", "dof", "limit_um"),
)
"""What a run tells of its bench: check standard, closure, scatter. A batch tells it once, not once a part."""

baselines = Table(
    "baselines",
    metadata,
    Column("id", _Key, primary_key=True, autoincrement=True),
    Column("comparator", Text, nullable=False, index=True),
    Column("standard", Text),
    Column("from_ms", BigInteger, nullable=False),
    Column("reason", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("zone", String(16), nullable=False),
)
"""From when on a bench is judged anew, why, and who said so; without a standard it holds for all of a comparator."""

reviews = Table(
    "reviews",
    metadata,
    Column("id", _Key, primary_key=True, autoincrement=True),
    Column("digest", String(_DIGEST), nullable=False, index=True),
    Column("name", Text, nullable=False),
    Column("meaning", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("zone", String(16), nullable=False),
    Column("fingerprint", String(64)),
    Column("signature", Text),
)
"""Who looked at a record, when, and what that means."""

acts = Table(
    "acts",
    metadata,
    Column("id", _Key, primary_key=True, autoincrement=True),
    Column("after", BigInteger, nullable=False),
    Column("kind", String(16), nullable=False),
    Column("digest", String(_DIGEST), nullable=False, index=True),
    Column("text", Text, nullable=False),
    Column("chain", String(_DIGEST), nullable=False),
)
"""What people did, in one chain with the records: a review, a baseline, a change of the register; `after` is the number
of the record that was the last then, `text` all that was said."""

keys = Table(
    "keys",
    metadata,
    Column("fingerprint", String(64), primary_key=True),
    Column("name", Text, nullable=False),
    Column("public", Text, nullable=False),
    Column("added_ms", BigInteger, nullable=False),
)
"""Public keys by their fingerprint."""

signatures = Table(
    "signatures",
    metadata,
    Column("digest", String(_DIGEST), primary_key=True),
    Column("fingerprint", String(64), primary_key=True),
    Column("signature", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
)
"""Signatures over the digests of records."""
