"""`book key`, and signing what goes into the book: the key of the shop's settings, or one that is named."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import typer
from sqlalchemy import select

from holdzero.book import Book
from holdzero.book.rows import kept_text, wall_of
from holdzero.book.store import now_ms
from holdzero.book.tables import keys, signatures
from holdzero.book.walk import keys_of
from holdzero.catalogue import Catalogue
from holdzero.cli import DEFAULT_SHOP
from holdzero.cli.book_of import book_of
from holdzero.cli.house import Shop
from holdzero.errors import HoldzeroError
from holdzero.register import load_register
from holdzero.signing import PASSPHRASE, Key, SigningError, make_key, read_key, record_message

__all__ = ["Signer", "key_path", "known_key", "list_keys", "make_or_enter_key", "opened_key", "signer_for", "signer_of"]

_DONE = 0


def passphrase() -> str:
    """What keys are locked with, from the environment; empty for none."""
    return os.environ.get(PASSPHRASE, "")


def key_path(named: Path | None, shop: Path | None) -> Path | None:
    """The key that is meant: the one named, else that of the shop's settings; None for none."""
    if named is not None:
        return named
    path = shop if shop is not None else DEFAULT_SHOP
    return Shop(path=path, register=load_register(path), catalogue=Catalogue()).key


@dataclass(frozen=True, slots=True)
class Signer:
    """Signs the records of a book with a key that the book knows.

    Attributes:
        book: open.
        key: unlocked.
        name: under which the book has it.
    """

    book: Book
    key: Key
    name: str

    def sign(self, digests: Iterable[str]) -> int:
        """Sign records; gives how many were not signed with this key before.

        Raises:
            BookError: the book could not be written.
        """
        fingerprint = self.key.fingerprint
        at_ms = now_ms()
        rows = [
            {
                "digest": digest,
                "fingerprint": fingerprint,
                "signature": self.key.sign(record_message(digest)),
                "at_ms": at_ms,
            }
            for digest in dict.fromkeys(digests)
        ]
        return self.book.put_all(signatures, rows)


def known_key(book: Book, key: Key) -> str:
    """The name under which the book has a key.

    Raises:
        SigningError: it has none.
    """
    found = book.rows(select(keys.c.name).where(keys.c.fingerprint == key.fingerprint))
    if not found:
        mend = "put it in: holdzero book key --name NAME --file FILE"
        raise SigningError(f"{book.name}: the book does not know the key {key.fingerprint[:12]}\n    {mend}")
    return str(found[0]["name"])


def opened_key(path: Path) -> Key:
    """A key, unlocked with what the environment has.

    Raises:
        SigningError: it can't be read or unlocked.
    """
    return read_key(path, passphrase())


def signer_for(book: Book, named: Path | None, shop: Path | None) -> Signer | None:
    """What signs in a book; None where no key is named and the shop has none.

    Raises:
        SigningError: the key can't be read or unlocked, or the book does not know it.
    """
    path = key_path(named, shop)
    return None if path is None else signer_of(book, path)


def signer_of(book: Book, path: Path) -> Signer:
    """What signs in a book with the key of a file.

    Raises:
        SigningError: the key can't be read or unlocked, or the book does not know it.
    """
    key = opened_key(path)
    return Signer(book=book, key=key, name=known_key(book, key))


def make_or_enter_key(name: str, file: Path, *, book: str | None, shop: Path | None) -> int:
    """Make a key, or take one that is there already, and put its public half into the book; gives the exit code."""
    if not name.strip():
        raise HoldzeroError("a key belongs to somebody; say to whom: --name")
    opened = book_of(book, shop, create=True)
    there = file.exists()
    key = opened_key(file) if there else make_key(file, passphrase())
    row = {
        "fingerprint": key.fingerprint,
        "name": kept_text(name.strip()),
        "public": key.public,
        "added_ms": now_ms(),
    }
    fresh = opened.put(keys, row)
    locked = "locked with a passphrase" if passphrase() else "not locked: whoever reads the file can sign with it"
    typer.echo(f"{file}: " + ("was there already, and is used as it is" if there else f"made, {locked}"))
    if fresh:
        typer.echo(f"{opened.name}: key {key.fingerprint} of {row['name']} put in")
    else:
        typer.echo(f"{opened.name}: key {key.fingerprint} is there already, of {known_key(opened, key)}")
    return _DONE


def list_keys(*, book: str | None, shop: Path | None) -> int:
    """Print the public keys of the book; gives the exit code."""
    from holdzero.cli.book_of import print_table

    rows = keys_of(book_of(book, shop)).values()
    lines = [
        (row["fingerprint"], wall_of(row["added_ms"], "+00:00")[:16].replace("T", " "), row["name"]) for row in rows
    ]
    if lines:
        print_table(("fingerprint", "put in (UTC)", "name"), lines)
    else:
        typer.echo("no key; make one: holdzero book key --name NAME --file FILE")
    return _DONE
