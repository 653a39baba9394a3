"""The first version of the book: records, what they use, what they tell of the bench, and who looked at them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_KEY = sa.BigInteger().with_variant(sa.Integer, "sqlite")
_DIGEST = sa.String(71)


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "records",
        sa.Column("id", _KEY, primary_key=True, autoincrement=True),
        sa.Column("digest", _DIGEST, nullable=False, unique=True),
        sa.Column("chain", _DIGEST, nullable=False),
        sa.Column("run", sa.String(64), nullable=False),
        sa.Column("part", sa.Text, nullable=False),
        sa.Column("revision", sa.Text, nullable=False),
        sa.Column("serial", sa.Text),
        sa.Column("operator", sa.Text),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("routine_digest", _DIGEST, nullable=False),
        sa.Column("verdict", sa.String(16), nullable=False),
        sa.Column("purpose", sa.String(16), nullable=False),
        sa.Column("simulated", sa.Boolean, nullable=False),
        sa.Column("started_ms", sa.BigInteger, nullable=False),
        sa.Column("finished_ms", sa.BigInteger, nullable=False),
        sa.Column("zone", sa.String(16), nullable=False),
        sa.Column("second_person", sa.Boolean, nullable=False),
        sa.Column("replaces", _DIGEST),
        sa.Column("words", sa.Text, nullable=False),
    )
    for name, *columns in (
        ("records_by_part", "part", "started_ms"),
        ("records_by_serial", "serial", "part"),
        ("records_by_operator", "operator", "started_ms"),
        ("records_by_time", "started_ms"),
        ("records_by_replaced", "replaces"),
        ("records_by_run", "run"),
    ):
        op.create_index(name, "records", columns)
    op.create_table(
        "documents",
        sa.Column("record_id", _KEY, sa.ForeignKey("records.id"), primary_key=True),
        sa.Column("document", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "results",
        sa.Column("record_id", _KEY, sa.ForeignKey("records.id"), primary_key=True),
        sa.Column("characteristic", sa.Text, primary_key=True),
        sa.Column("measure", sa.Text, nullable=False),
        sa.Column("verdict", sa.String(16), nullable=False),
        sa.Column("value_um", sa.Float(53)),
        sa.Column("expanded_uncertainty_um", sa.Float(53)),
        sa.Column("lower_um", sa.Float(53)),
        sa.Column("upper_um", sa.Float(53)),
    )
    op.create_index("results_by_characteristic", "results", ["characteristic", "record_id"])
    op.create_table(
        "uses",
        sa.Column("record_id", _KEY, sa.ForeignKey("records.id"), primary_key=True),
        sa.Column("role", sa.String(32), primary_key=True),
        sa.Column("identifier", sa.Text, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("due", sa.String(10)),
        sa.Column("started_ms", sa.BigInteger, nullable=False),
    )
    op.create_index("uses_by_device", "uses", ["identifier", "started_ms", "role", "record_id"])
    op.create_index("uses_by_name", "uses", ["name", "started_ms", "role", "record_id"])
    op.create_table(
        "bench",
        sa.Column("id", _KEY, primary_key=True, autoincrement=True),
        sa.Column("record_id", _KEY, sa.ForeignKey("records.id"), nullable=False),
        sa.Column("run", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("comparator", sa.Text, nullable=False),
        sa.Column("standard", sa.Text, nullable=False),
        sa.Column("value_um", sa.Float(53), nullable=False),
        sa.Column("dof", sa.Float(53)),
        sa.Column("limit_um", sa.Float(53)),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.UniqueConstraint("run", "kind", "number", name="bench_once_a_run"),
    )
    charted = ["kind", "comparator", "standard", "at_ms", "id", "record_id", "value_um", "dof", "limit_um"]
    op.create_index("bench_by_kind", "bench", charted)
    op.create_table(
        "baselines",
        sa.Column("id", _KEY, primary_key=True, autoincrement=True),
        sa.Column("comparator", sa.Text, nullable=False, index=True),
        sa.Column("standard", sa.Text),
        sa.Column("from_ms", sa.BigInteger, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.Column("zone", sa.String(16), nullable=False),
    )
    op.create_table(
        "reviews",
        sa.Column("id", _KEY, primary_key=True, autoincrement=True),
        sa.Column("digest", _DIGEST, nullable=False, index=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("meaning", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.Column("zone", sa.String(16), nullable=False),
        sa.Column("fingerprint", sa.String(64)),
        sa.Column("signature", sa.Text),
    )
    op.create_table(
        "keys",
        sa.Column("fingerprint", sa.String(64), primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("public", sa.Text, nullable=False),
        sa.Column("added_ms", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "signatures",
        sa.Column("digest", _DIGEST, primary_key=True),
        sa.Column("fingerprint", sa.String(64), primary_key=True),
        sa.Column("signature", sa.Text, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
    )


def downgrade() -> None:
    """There is nothing before the first version."""
    for table in ("signatures", "keys", "reviews", "baselines", "bench", "uses", "results", "documents", "records"):
        op.drop_table(table)
