"""`book verify`: walk the whole book and say what in it can't be trusted."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import typer

from holdzero.book import Book
from holdzero.book.store import START
from holdzero.book.trust import Checked, Entry, Keys, Link, broken_keys, broken_links, check_rows, named
from holdzero.book.walk import PAGE, astray, keys_of, links_of, loose_ends, pages, undone
from holdzero.cli.book_of import book_of
from holdzero.cli.output import progress
from holdzero.cli.workers import cores, executor_for, heard_between_pieces, in_order, once, shared_catalogue
from holdzero.errors import HoldzeroError

__all__ = ["Wanted", "verify_book"]

_HOLDS, _BROKEN, _INTERRUPTED, _OTHER_MODEL = 0, 1, 4, 5
# With fewer pages than this a second process would take longer to start than to work.
_WORTH_SHARING = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is to be verified, and by whom.

    Attributes:
        records: their numbers, as typed; `all` for all.
        chain: a chain value that was noted before, which the book must have passed.
        workers: processes; as many as there are cores if None.
        scheduler: address of an engine that runs already, in their place.
        signed: whether each record must have a signature that holds.
    """

    records: str = "all"
    chain: str | None = None
    workers: int | None = None
    scheduler: str | None = None
    signed: bool = False


@dataclass(slots=True)
class _Sum:
    """What came of it so far."""

    checked: int = 0
    differ: int = 0
    other_model: int = 0
    unsigned: int = 0
    reviews: int = 0
    signed_reviews: int = 0
    signed_by: Counter[str] = field(default_factory=Counter)
    remarks: Counter[str] = field(default_factory=Counter)


def verify_book(wanted: Wanted, *, book: str | None, shop: Path | None) -> int:
    """Verify the book; gives the exit code."""
    opened = book_of(book, shop)
    links = links_of(opened)
    numbers = _numbers(wanted.records, [link.number for link in links if not link.act])
    keys = keys_of(opened)
    faults = [*broken_links(links), *_not_passed(links, wanted.chain), *astray(opened), *loose_ends(opened)]
    faults.extend(undone(opened))
    faults.extend(broken_keys(keys))
    for fault in faults:
        typer.echo(_line(fault))
    total = _Sum()
    with suppress(KeyboardInterrupt):
        for checked in _walked(opened, numbers, keys, wanted, shop):
            _tell(checked, total, signed=wanted.signed)
    _conclude(opened, links, len(numbers), total, chain_holds=not faults)
    if total.checked < len(numbers):
        typer.echo(
            f"interrupted: {len(numbers) - total.checked} of {len(numbers)} records were not looked at", err=True
        )
        return _INTERRUPTED
    if faults or total.differ:
        return _BROKEN
    return _OTHER_MODEL if total.other_model else _HOLDS


def _numbers(said: str, there: Sequence[int]) -> list[int]:
    """Which records are meant: `all`, or numbers and ranges as `3,7-9`.

    Raises:
        HoldzeroError: it is neither, or there is no such record.
    """
    if said.strip() == "all":
        return list(there)
    known, found = set(there), set()
    for word in said.split(","):
        match = re.fullmatch(r"\s*(\d{1,15})(?:\s*-\s*(\d{1,15}))?\s*", word)
        if match is None:
            raise HoldzeroError(f"--records {said}: write all, or numbers as 3,7-9")
        first, last = int(match[1]), int(match[2] or match[1])
        if first > last:
            raise HoldzeroError(f"--records {said}: {word.strip()} ends before it begins; write {last}-{first}")
        own = {number for number in known if first <= number <= last}
        if not own:
            raise HoldzeroError(f"--records {said}: the book has no record {word.strip()}")
        found |= own
    return sorted(found)


def _not_passed(links: Sequence[Link], noted: str | None) -> Iterator[str]:
    if noted is not None and noted not in {START, *(link.chain for link in links)}:
        yield f"chain: it never was {noted}: records were cut off or exchanged since that was noted"


def _walked(book: Book, numbers: Sequence[int], keys: Keys, wanted: Wanted, shop: Path | None) -> Iterator[Checked]:
    """Each record, checked, in the order of their numbers."""
    workers = wanted.workers if wanted.workers is not None else cores()
    workers = 1 if len(numbers) < _WORTH_SHARING * PAGE else workers
    work = partial(_check_page, keys=keys, shop=shop.resolve() if shop is not None else None, command=once())
    shared = executor_for(workers, wanted.scheduler)
    with heard_between_pieces() as stopped, shared as (executor, ahead), progress(len(numbers), "records") as advance:
        for page in in_order(executor, ahead, work, pages(book, numbers)):
            yield from page
            advance(len(page))
            if stopped():
                return


def _check_page(entries: list[Entry], keys: Keys, shop: Path | None, command: str) -> list[Checked]:
    """Runs in a worker."""
    return check_rows(entries, keys, shared_catalogue(shop, command))


def _line(text: str) -> str:
    """What somebody wrote into the book may hold anything; a line is a line."""
    return "".join(c if c.isprintable() else "·" for c in text)


def _tell(checked: Checked, total: _Sum, *, signed: bool) -> None:
    faults = list(checked.faults)
    if signed and not checked.signed_by:
        faults.append("signatures: it has none that holds")
    # Counted before it is printed, and printed in one go: a second Ctrl-C may come at any time.
    total.checked += 1
    total.differ += bool(faults)
    total.other_model += checked.other_model and not faults
    total.unsigned += not checked.signed_by
    total.reviews += checked.reviews
    total.signed_reviews += checked.signed_reviews
    total.signed_by.update(set(checked.signed_by))
    total.remarks.update(checked.remarks)
    if faults:
        typer.echo("\n".join(_line(f"{named(checked.number, checked.digest)}: {fault}") for fault in faults))


def _conclude(book: Book, links: Sequence[Link], wanted: int, total: _Sum, *, chain_holds: bool) -> None:
    for remark, count in sorted(total.remarks.items()):
        typer.echo(_line(f"note: {count} records: {remark}"))
    good = total.checked - total.differ - total.other_model
    typer.echo(f"{book.name}: {good} of {wanted} records hold, {total.differ} do not")
    if total.other_model:
        typer.echo(
            f"{total.other_model} were made by another version of the model: their numbers are neither confirmed nor "
            "refuted; holdzero verify RECORD shows both"
        )
    typer.echo("the chain and what hangs on it: " + ("hold" if chain_holds else "DO NOT HOLD"))
    signers = ", ".join(_line(f"{name} {count}") for name, count in sorted(total.signed_by.items()))
    typer.echo(f"signed: {signers or 'none'}; not signed: {total.unsigned}")
    typer.echo(f"reviews: {total.reviews}, of which signed: {total.signed_reviews}")
    last = links[-1] if links else None
    where = f"after {'entry' if last.act else 'record'} {last.number}" if last is not None else "of an empty book"
    typer.echo(f"chain {where}: {last.chain if last is not None else START}")
    typer.echo("    note it where nobody can change it: book verify --chain then shows if records were cut off since")
