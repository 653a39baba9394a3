"""What people do to a book besides adding records comes into its chain: reviews, baselines, changes of the register."""

from __future__ import annotations

import hashlib
import json

import sqlalchemy as sa
from alembic import op

revision = "0002_acts"
down_revision = "0001"
branch_labels = None
depends_on = None

_KEY = sa.BigInteger().with_variant(sa.Integer, "sqlite")
_START = "sha256:" + hashlib.sha256(b"holdzero book 1").hexdigest()


def upgrade() -> None:
    """Make the table, and chain what is there already behind the last record, in its order of time."""
    op.create_table(
        "acts",
        sa.Column("id", _KEY, primary_key=True, autoincrement=True),
        sa.Column("after", sa.BigInteger, nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("digest", sa.String(71), nullable=False, index=True),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("chain", sa.String(71), nullable=False),
    )
    connection = op.get_bind()
    last = connection.execute(sa.text("SELECT id, chain FROM records ORDER BY id DESC LIMIT 1")).first()
    number, chain = (0, _START) if last is None else last
    said = [
        (row["at_ms"], kind, row["id"], {key: item for key, item in row.items() if key != "id"})
        for kind, table in (("baseline", "baselines"), ("review", "reviews"))
        for row in connection.execute(sa.text(f"SELECT * FROM {table}")).mappings()  # noqa: S608  the two names above
    ]
    for _, kind, _, row in sorted(said, key=lambda item: item[:3]):
        text = json.dumps({"kind": kind, **row}, ensure_ascii=True, sort_keys=True)
        digest = "sha256:" + hashlib.sha256(text.encode()).hexdigest()
        chain = "sha256:" + hashlib.sha256(f"{chain}{digest}".encode()).hexdigest()
        statement = "INSERT INTO acts (after, kind, digest, text, chain) VALUES (:after, :kind, :digest, :text, :chain)"
        values = {"after": number, "kind": kind, "digest": digest, "text": text, "chain": chain}
        connection.execute(sa.text(statement), values)


def downgrade() -> None:
    """The reviews and baselines stay; that they were chained is forgotten."""
    op.drop_table("acts")
