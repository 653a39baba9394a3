"""`book amend` and `book review`: what people add to a record, beside it and never in it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typer
from sqlalchemy import select

from holdzero.amendment import amendment_of, as_measured
from holdzero.book import Book, Kept
from holdzero.book.reviewing import alike, allow, standing
from holdzero.book.rows import kept_text, ms_of, wall_of
from holdzero.book.tables import keys, reviews, signatures
from holdzero.book.writings import earlier, instead
from holdzero.cli.book_of import book_of
from holdzero.cli.book_sign import known_key, opened_key, signer_for
from holdzero.cli.files import reserved, safe_name
from holdzero.cli.who import kept_name, plain_options
from holdzero.errors import HoldzeroError, RecordError
from holdzero.record import amend_record, dumps
from holdzero.signing import SigningError, review_message
from holdzero.whole_file import write_whole

__all__ = ["Amending", "Reviewing", "amend", "beside", "review", "standings"]

_DONE = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Amending:
    """What a person wants corrected, and why."""

    reason: str
    by: str
    serial: str | None
    operator: str | None
    devices: Mapping[str, str]
    out: Path | None
    key: Path | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviewing:
    """What a person says of a record."""

    name: str
    meaning: str
    note: str
    key: Path | None


def _now() -> str:
    return dt.datetime.now().astimezone().isoformat(timespec="milliseconds")


def amend(digest: str, wanted: Amending, *, book: str | None, shop: Path | None) -> int:
    """Put in another record of the same events that replaces one; gives the exit code."""
    plain_options(reason=wanted.reason, by=wanted.by)
    opened = book_of(book, shop)
    signer = signer_for(opened, wanted.key, shop)
    kept = opened.get(digest)
    later = instead(opened, [kept.row["digest"]]).get(kept.row["digest"])
    if later is not None:
        what = "is replaced by" if later.amends else "is an earlier writing of"
        raise RecordError(f"this record {what} {later.digest} already; amend that one")
    record = _amended(kept.record, wanted, shop)
    text = dumps(record)
    # In the file first: what is in the book can be written out again, what is only meant to be can't.
    if wanted.out is not None:
        typer.echo(f"{_written(wanted.out, record, text)}: written")
    opened.add([text])
    if signer is not None:
        signer.sign([record["digest"]])
    amendment = amendment_of(record)
    typer.echo(f"{record['digest']}")
    typer.echo(f"    replaces {kept.row['digest']}")
    if wanted.devices:
        typer.echo(f"    computed anew: {str(record['verdict']).upper()}, it was {str(kept.row['verdict']).upper()}")
    for line in amendment.told if amendment is not None else ():
        typer.echo(f"    {_line(line)}")
    return _DONE


def _amended(record: dict[str, Any], wanted: Amending, named: Path | None) -> dict[str, Any]:
    said = {"reason": wanted.reason.strip(), "by": wanted.by.strip(), "at": _now()}
    changes = {"serial": kept_name("serial", wanted.serial), "operator": kept_name("operator", wanted.operator)}
    if not wanted.devices:
        return amend_record(record, **said, changes=changes)
    from holdzero.amending import amend_devices
    from holdzero.cli.house import open_shop

    shop = open_shop(named)
    devices = shop.entries(wanted.devices)
    return amend_devices(record, shop.catalogue, **said, changes=changes, devices=devices)


def _written(folder: Path, record: dict[str, Any], text: str) -> Path:
    """Write a record into a folder of runs, under a name of its own."""
    stamp = dt.datetime.fromisoformat(record["run"]["started"]).astimezone(dt.UTC).strftime("%Y%m%dT%H%M%SZ")
    name = safe_name(stamp, record["routine"]["part"], record["run"]["serial"] or "", "amended")
    try:
        with reserved(folder, name) as path:
            write_whole(path, text.encode("utf-8"))
    except OSError as error:
        where = folder / f"{name}.record.json"
        raise HoldzeroError(f"{where}: can't be written: {error.strerror}; nothing was put into the book") from None
    return path


def review(digest: str, wanted: Reviewing, *, book: str | None, shop: Path | None) -> int:
    """Put in what a person says of a record; gives the exit code."""
    plain_options(name=wanted.name, note=wanted.note)
    opened = book_of(book, shop)
    kept = opened.get(digest)
    name, note = kept_text(wanted.name.strip()), kept_text(wanted.note.strip())
    allow(
        name=name,
        meaning=wanted.meaning,
        note=note,
        operators=[kept.row["operator"], as_measured(kept.record, "operator")],
        second_person=kept.row["second_person"],
    )
    at_ms, zone = ms_of(_now())
    row: dict[str, Any] = {
        "digest": kept.row["digest"],
        "name": name,
        "meaning": wanted.meaning,
        "note": note,
        "at_ms": at_ms,
        "zone": zone,
    }
    if wanted.key is not None:
        row |= _signed(opened, row, wanted.key)
    opened.put(reviews, row)
    how = "signed" if wanted.key is not None else "not signed"
    typer.echo(_line(f"{kept.row['digest']}: {wanted.meaning} by {name}, {how}"))
    return _DONE


def _signed(book: Book, row: dict[str, Any], path: Path) -> dict[str, str]:
    """The signature of the reviewer's own key: nobody signs for another."""
    key = opened_key(path)
    owner = known_key(book, key)
    if not alike(owner, row["name"]):
        raise SigningError(f"{path}: this is the key of {owner}; a review is signed with the reviewer's own")
    return {"fingerprint": key.fingerprint, "signature": key.sign(review_message(row))}


# --- what a record's line and page say of it -----------------------------------------------------


def standings(book: Book, rows: Sequence[Any]) -> dict[str, str]:
    """How records stand, by digest: replaced, awaiting a review, rejected; those with nothing to say left out."""
    digests = [row["digest"] for row in rows]
    later, before = instead(book, digests), earlier(book, digests)
    looked = [*digests, *(digest for writings in before.values() for digest in writings)]
    of: dict[str, list[Any]] = {digest: [] for digest in looked}
    for item in book.rows(select(reviews).where(reviews.c.digest.in_(looked)).order_by(reviews.c.id)):
        of[item["digest"]].append(item)
    found: dict[str, str] = {}
    for row in rows:
        digest = row["digest"]
        if digest in later:
            what = "replaced by" if later[digest].amends else "earlier writing of"
            found[digest] = f"{what} {_short(later[digest].digest)}"
            continue
        who = {"operator": row["operator"], "second_person": row["second_person"]}
        said = standing(of[digest], **who)
        # Writing a run anew takes no rejection away.
        rejected = [one for one in before.get(digest, ()) if standing(of[one], **who) == "rejected"]
        words = [said, *(f"its earlier writing {_short(one)} was rejected" for one in rejected)]
        if any(words):
            found[digest] = ", ".join(word for word in words if word)
    return found


def _short(digest: str) -> str:
    return digest.removeprefix("sha256:")[:12]


def beside(book: Book, kept: Kept) -> list[str]:
    """What stands beside a record in the book: what replaces it, who signed it, who reviewed it."""
    digest = kept.row["digest"]
    lines = [f"This record: {said}." for said in standings(book, [kept.row]).values()]
    signed = (
        select(keys.c.name, signatures.c.fingerprint, signatures.c.at_ms)
        .outerjoin_from(signatures, keys, keys.c.fingerprint == signatures.c.fingerprint)
        .where(signatures.c.digest == digest)
        .order_by(signatures.c.at_ms)
    )
    for row in book.rows(signed):
        who = row["name"] or f"an unknown key {row['fingerprint'][:12]}"
        lines.append(f"Signed by {who} on {wall_of(row['at_ms'], '+00:00')}; holdzero book verify checks it.")
    for row in book.rows(select(reviews).where(reviews.c.digest == digest).order_by(reviews.c.id)):
        note = f": {row['note']}" if row["note"] else ""
        how = "signed" if row["signature"] else "not signed"
        lines.append(
            f"{row['meaning'].capitalize()} by {row['name']} on {wall_of(row['at_ms'], row['zone'])}, {how}{note}"
        )
    return [_line(line) for line in lines]


def _line(text: str) -> str:
    """What a person typed may hold anything; a line is a line."""
    return "".join(c if c.isprintable() else "·" for c in text)
