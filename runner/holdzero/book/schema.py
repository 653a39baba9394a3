"""The version of the book's tables: made and changed by Alembic, and told apart before anything is written."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from holdzero.book.reach import BookDamagedError
from holdzero.book.tables import metadata
from holdzero.errors import HoldzeroError

__all__ = ["HEAD", "LOCK", "REVISIONS", "BookVersionError", "prepare", "upgrade", "version_of"]

REVISIONS = ("0001", "0002_acts")
"""All versions that this holdzero knows, oldest first."""
HEAD = REVISIONS[-1]
MIGRATIONS = Path(__file__).parent / "migrations"
# One number for all benches that write into one book on a PostgreSQL server ("holdz" in hexadecimal).
LOCK = 0x686F6C647A


class BookVersionError(HoldzeroError):
    """A book is of a version that this holdzero does not read."""


def version_of(connection: Connection) -> str | None:
    """The version of a book; None where there is none."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)


def prepare(engine: Engine, name: str, *, create: bool) -> bool:
    """Make the tables of a new book; refuse one of another version.

    Returns:
        Whether there was no book, and it was made.

    Raises:
        BookVersionError: it is none, or of another version.
        BookDamagedError: some of its tables are gone.
    """
    with engine.connect() as connection:
        # Asked for once: between two questions another bench may have made the book.
        own = set(inspect(connection).get_table_names())
        version = version_of(connection) if "alembic_version" in own else None
    ours = set(metadata.tables)
    if (version == HEAD and not ours <= own) or (version is None and {"records", "documents"} <= own):
        lost = sorted(ours - own) or ["alembic_version, or its row"]
        raise BookDamagedError(name, f"the book is damaged: of its tables there is no more: {', '.join(lost)}")
    if version == HEAD:
        return False
    if version is None and own:
        raise BookVersionError(f"{name}: this database has tables of something else and is no book")
    if version is None and not create:
        raise BookVersionError(f"{name}: there is no book here; holdzero book add makes one")
    if version is None:
        return upgrade(engine, name) is None
    _known(version, name)
    mend = "copy it first, then: holdzero book upgrade"
    raise BookVersionError(f"{name}: the book is of version {version}, this holdzero writes {HEAD}\n    {mend}")


def upgrade(engine: Engine, name: str) -> str | None:
    """Bring the tables to the version that this holdzero writes; what is in them stays.

    Returns:
        The version before; None where there was no book.

    Raises:
        BookVersionError: it is of a version that this holdzero does not know; nothing was changed.
    """
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    if engine.dialect.name == "sqlite":
        _several_read(engine)
    with engine.connect().execution_options(holdzero_writes=True) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": LOCK})
        before = version_of(connection)
        if before is not None:
            _known(before, name)
        if before != HEAD:
            config.attributes["connection"] = connection
            command.upgrade(config, HEAD)
    return before


def _known(version: str, name: str) -> None:
    if version not in REVISIONS:
        raise BookVersionError(
            f"{name}: the book is of version {version}, and this holdzero knows versions up to {HEAD}\n"
            "    it was written by a newer holdzero: install that; nothing was changed"
        )


def _several_read(engine: Engine) -> None:
    """SQLite keeps in the file that several read while one writes: said once, and never in another's file."""
    connection = engine.raw_connection()
    try:
        connection.cursor().execute("PRAGMA journal_mode=WAL").close()
    finally:
        connection.close()
