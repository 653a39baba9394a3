"""Whether the book can be trusted: its chain, its documents, the columns beside them, signatures and reviews. Pure.

A document is the record; every column can be made anew from it. What can't be made anew stands in the
chain, or is signed. Nothing here reads the book or a clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from holdzero.amendment import as_measured
from holdzero.book.reviewing import MEANINGS, alike
from holdzero.book.rows import Rows, document_of, rows_of
from holdzero.book.store import START, chained
from holdzero.catalogue import Catalogue
from holdzero.difference import short
from holdzero.errors import HoldzeroError
from holdzero.record import loads
from holdzero.signing import SigningError, fingerprint_of, is_signed_by, record_message, review_message
from holdzero.software import not_loaded, remarks_on
from holdzero.verify import Outcome, Recomputed, recompute

__all__ = ["Checked", "Entry", "Keys", "Link", "broken_keys", "broken_links", "check_rows", "named"]

Row = Mapping[str, Any]
Keys = Mapping[str, Row]
"""Public keys by their fingerprint, each with its `name` and `public` half."""

_SHORT = 12  # digits of a digest that a person reads


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """What the chain is made of: a record's number, its digest, and the chain after it.

    Attributes:
        number: of the record; of an act among the acts.
        digest: of the record, or of what was said.
        chain: after it.
        act: kind of what was done where it is no record; see `acting`.
    """

    number: int
    digest: str
    chain: str
    act: str = ""

    @property
    def name(self) -> str:
        """What a person calls it."""
        return f"entry {self.number}, a {self.act}," if self.act else named(self.number, self.digest)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """All that the book says of one record.

    Attributes:
        row: of `records`.
        document: as the book keeps it; None where there is none.
        results: rows of `results`.
        uses: rows of `uses`.
        bench: rows of `bench` that are its own, or of its run; each with `first_id`, the number of the first writing
            of the part that tells it.
        rewritten: whether a later writing of the same run and part took its place in `bench`.
        signatures: over it.
        reviews: of it.
    """

    row: Row
    document: bytes | None
    results: Sequence[Row] = ()
    uses: Sequence[Row] = ()
    bench: Sequence[Row] = ()
    rewritten: bool = False
    signatures: Sequence[Row] = ()
    reviews: Sequence[Row] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What came of checking one record.

    Attributes:
        number: of the record.
        digest: as the book has it.
        faults: what is wrong, in words; empty where all holds.
        other_model: whether another version of the model made it, so that its numbers are neither confirmed nor
            refuted.
        remarks: where the software here is not the one that made it.
        signed_by: names of those whose signatures hold.
        reviews: how many there are.
        signed_reviews: how many of them have a signature that holds.
    """

    number: int
    digest: str
    faults: tuple[str, ...] = ()
    other_model: bool = False
    remarks: tuple[str, ...] = ()
    signed_by: tuple[str, ...] = ()
    reviews: int = 0
    signed_reviews: int = 0


def named(number: int, digest: str) -> str:
    """What a person calls a record of the book.

    >>> named(7, "sha256:0123456789abcdef")
    'record 7 (0123456789ab)'
    """
    return f"record {number} ({digest.removeprefix('sha256:')[:_SHORT]})"


# --- the chain ---------------------------------------------------------------------------------

_SEARCHED = 50  # breaks whose cause is looked for: each costs a walk over all records


def broken_links(links: Sequence[Link]) -> list[str]:
    """Where the chain does not follow, and what was done there: in order, empty where it holds.

    Args:
        links: of all records and acts, in the order in which they were put in.
    """
    before, numbers = START, {False: 0, True: 0}
    faults: list[str] = []
    for link in links:
        act = bool(link.act)
        gone = link.number - numbers[act] - 1
        holds = chained(before, link.digest) == link.chain
        if gone or not holds:
            faults.append(_break(link, numbers[act], links if len(faults) < _SEARCHED else (), holds=holds))
        before, numbers[act] = link.chain, link.number
    return faults


def _break(link: Link, last: int, links: Sequence[Link], *, holds: bool) -> str:
    gone = link.number - last - 1
    word = "entry" if link.act else "record"
    after = f"{word} {last}" if last else "the start"
    if gone > 0:
        many = f"{'entries' if link.act else 'records'} {last + 1} to {link.number - 1} are"
        what = f"{word} {last + 1} is" if gone == 1 else many
        found = f"{what} missing between {after} and {link.name}"
        return f"chain: {found}: " + ("numbers were left out" if holds else "deleted")
    found = f"chain: {link.name} does not follow from {after if not link.act else 'what was before it'}"
    if link.chain == chained(START, link.digest):
        return f"{found}: it was the first; records were put in between or exchanged"
    earlier = next((other for other in links if chained(other.chain, link.digest) == link.chain), None)
    if earlier is not None:
        return f"{found} but from {earlier.name}: records were put in between or exchanged"
    return f"{found}: it was put in or changed, or the record before it was"


# --- one record --------------------------------------------------------------------------------


def check_rows(entries: Iterable[Entry], keys: Keys, catalogue: Catalogue) -> list[Checked]:
    """Check each record against its document: digest, columns, numbers, signatures, reviews.

    Args:
        entries: what the book says of each.
        keys: that signatures may be made with.
        catalogue: of plugins, to recompute with.
    """
    return [_checked(entry, keys, catalogue) for entry in entries]


def _checked(entry: Entry, keys: Keys, catalogue: Catalogue) -> Checked:
    made = _Made(number=entry.row["id"], digest=entry.row["digest"])
    try:
        _check(entry, keys, catalogue, made)
    except HoldzeroError as error:
        made.faults.append(f"documents.document: {error}")
    except Exception as error:  # noqa: BLE001  what somebody wrote into the book may hold anything
        made.faults.append(f"documents.document: it can't be checked ({type(error).__name__}: {error})")
    return Checked(
        number=made.number,
        digest=made.digest,
        faults=tuple(made.faults),
        other_model=made.other_model,
        remarks=tuple(made.remarks),
        signed_by=tuple(made.signed_by),
        reviews=len(entry.reviews),
        signed_reviews=made.signed_reviews,
    )


@dataclass(slots=True, kw_only=True)
class _Made:
    number: int
    digest: str
    faults: list[str] = field(default_factory=list)
    other_model: bool = False
    remarks: list[str] = field(default_factory=list)
    signed_by: list[str] = field(default_factory=list)
    signed_reviews: int = 0


def _check(entry: Entry, keys: Keys, catalogue: Catalogue, made: _Made) -> None:
    _check_signatures(entry, keys, made)
    if entry.document is None:
        made.faults.append("documents.document: it is missing")
        return
    text = document_of(entry.document)
    record = loads(text, "the document")
    again = recompute(record, catalogue)
    made.other_model = again.outcome is Outcome.OTHER_MODEL
    if again.outcome is Outcome.DIFFERS:
        made.faults.extend(_in_words(again, record, catalogue))
    made.remarks.extend(remarks_on(record.get("software"), catalogue))
    rows = rows_of(record, text)
    made.faults.extend(_columns(entry, rows))
    _check_reviews(entry, record, keys, made)


def _in_words(again: Recomputed, record: Mapping[str, Any], catalogue: Catalogue) -> Iterator[str]:
    missing = not_loaded(record.get("software"), catalogue)
    if missing:
        yield f"it can't be recomputed here: plugins that it used are not loaded: {', '.join(missing)}"
    yield from again.differences


def _columns(entry: Entry, rows: Rows) -> Iterator[str]:
    """Columns that do not say what the document says."""
    ours = {name: value for name, value in rows.record.items() if name != "document"}
    yield from _unlike("records", "", ours, entry.row)
    yield from _table("results", "characteristic", rows.results, entry.results)
    yield from _table("uses", "role", rows.uses, entry.uses)
    yield from _bench(entry, rows)


def _unlike(table: str, of: str, ours: Row, theirs: Row) -> Iterator[str]:
    for name, value in ours.items():
        if theirs[name] != value or isinstance(theirs[name], bool) is not isinstance(value, bool):
            where = f"{table}.{name}{of}"
            yield f"{where}: the book says {short(theirs[name])}, the record says {short(value)}"


def _table(table: str, key: str, ours: Sequence[Row], theirs: Sequence[Row]) -> Iterator[str]:
    found = {row[key]: row for row in theirs}
    expected = {row[key]: row for row in ours}
    for name, row in expected.items():
        if name in found:
            yield from _unlike(table, f" of {name}", row, found[name])
        else:
            yield f"{table}: the row of {name} is missing"
    yield from (f"{table}: the row of {name} is not of this record" for name in found if name not in expected)


def _bench(entry: Entry, rows: Rows) -> Iterator[str]:
    """A run tells of its bench once: by this record, by one before it of the same run, or by a later writing of one."""
    number = entry.row["id"]
    told = {_told(row): row for row in entry.bench if row["run"] in {own["run"] for own in rows.bench}}
    own = {_told(row): row for row in entry.bench if row["record_id"] == number}
    expected = {_told(row): row for row in rows.bench}
    for what, row in expected.items():
        kind = f"{what[1]} {what[2]}"
        if what in own:
            yield from _unlike("bench", f" of {kind}", row, own[what])
        elif what not in told and not entry.rewritten:
            yield f"bench: the row of {kind} is missing"
        elif what in told and told[what]["first_id"] > number:
            yield f"bench.record_id of {kind}: the book says {told[what]['record_id']}, a record that came later"
    for what in own:
        if what not in expected:
            yield f"bench: the row of {what[1]} {what[2]} is not of this record"


def _told(row: Row) -> tuple[str, str, int]:
    return row["run"], row["kind"], row["number"]


# --- signatures and reviews --------------------------------------------------------------------


def broken_keys(keys: Keys) -> list[str]:
    """Keys that are not what they go by."""
    faults: list[str] = []
    for fingerprint, row in keys.items():
        try:
            own = fingerprint_of(row["public"])
        except SigningError as error:
            faults.append(f"keys.public of {fingerprint[:_SHORT]}: {error}")
            continue
        if own != fingerprint:
            faults.append(f"keys.fingerprint: the book says {fingerprint[:_SHORT]}, the key says {own[:_SHORT]}")
    return faults


def _signed(fingerprint: str, message: bytes, signature: str, keys: Keys) -> tuple[str, str]:
    """The name behind a signature that holds, or what is wrong with it."""
    key = keys.get(fingerprint)
    if key is None:
        return "", f"signed with the key {fingerprint[:_SHORT]}, which is not among the keys"
    try:
        holds = is_signed_by(key["public"], message, signature)
    except SigningError as error:
        return "", f"signed with a key that is none: {error}"
    if not holds:
        return "", f"the signature is not that of {key['name']} ({fingerprint[:_SHORT]}) over this"
    return str(key["name"]), ""


def _check_signatures(entry: Entry, keys: Keys, made: _Made) -> None:
    for row in entry.signatures:
        name, wrong = _signed(row["fingerprint"], record_message(entry.row["digest"]), row["signature"], keys)
        if wrong:
            made.faults.append(f"signatures.signature: {wrong}")
        else:
            made.signed_by.append(name)


def _check_reviews(entry: Entry, record: Mapping[str, Any], keys: Keys, made: _Made) -> None:
    for row in entry.reviews:
        of = f"of {row['name']}, {row['meaning']}"
        if row["meaning"] not in MEANINGS:
            made.faults.append(f"reviews.meaning {of}: it must be one of {', '.join(MEANINGS)}")
        operators = (record["run"]["operator"], as_measured(record, "operator"))
        if entry.row["second_person"] and any(alike(row["name"], operator) for operator in operators):
            made.faults.append(f"reviews.name {of}: a second person must review it, and {row['name']} measured it")
        if row["signature"] is None and row["fingerprint"] is None:
            continue
        name, wrong = _signed(str(row["fingerprint"]), review_message(row), str(row["signature"]), keys)
        if not wrong and not alike(name, row["name"]):
            wrong = f"it is signed with the key of {name}"
        if wrong:
            made.faults.append(f"reviews.signature {of}: {wrong}")
        else:
            made.signed_reviews += 1
