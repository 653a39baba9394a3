"""The version of the book's tables: made and changed by Alembic, and told apart before anything is written."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from holdzero.errors import HoldzeroError

__all__ = ["HEAD", "REVISIONS", "BookVersionError", "prepare", "upgrade", "version_of"]

REVISIONS = ("0001",)
"""All versions that this holdzero knows, oldest first."""
HEAD = REVISIONS[-1]


class BookVersionError(HoldzeroError):
    """A book is of a version that this holdzero does not read."""


def version_of(connection: Connection) -> str | None:
    """The version of a book; None where there is none."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)


def prepare(engine: Engine, name: str, *, create: bool) -> None:
    """Make the tables of a new book; refuse one of another version.

    Raises:
        BookVersionError: it is none, or of another version.
    """
    with engine.connect() as connection:
        version = version_of(connection)
        own = set(inspect(connection).get_table_names()) if version is None else set()
    if version == HEAD:
        return
    if version is None and own:
        raise BookVersionError(f"{name}: this database has tables of something else and is no book")
    if version is None and not create:
        raise BookVersionError(f"{name}: there is no book here; holdzero book add makes one")
    if version is None:
        upgrade(engine)
        return
    if version in REVISIONS:
        mend = "copy it first, then: holdzero book upgrade"
        raise BookVersionError(f"{name}: the book is of version {version}, this holdzero writes {HEAD}\n    {mend}")
    raise BookVersionError(
        f"{name}: the book is of version {version}, and this holdzero knows versions up to {HEAD}\n"
        "    it was written by a newer holdzero: install that; nothing was changed"
    )


def upgrade(engine: Engine) -> None:
    """Bring the tables to the version that this holdzero writes; what is in them stays."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    with engine.connect().execution_options(holdzero_writes=True) as connection, connection.begin():
        if version_of(connection) != HEAD:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
