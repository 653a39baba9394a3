"""Alembic's entry: a connection is handed in, and there is no other way to run it."""

from __future__ import annotations

from alembic import context

from holdzero.book.tables import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
