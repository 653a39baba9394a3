"""Speed of the book: what a person waits for when it has grown, and how that grows with it.

    python tests/benchmarks/book.py                          2 500, 5 000, 10 000 records, in under a minute
    python tests/benchmarks/book.py --upto 1000000           from 10 000 to a million, in an hour; 8 GB while it runs
    python tests/benchmarks/book.py --upto 100000 --book URL in an empty database of PostgreSQL's

It prints; it does not judge. The goal stands beside each figure.

The records: some hundreds are real, made by runs of a small routine in memory. Each is turned into many by another
part, serial, inspector, block and day, in its events too, with the digests of journal and record made anew, so that
each is whole and recomputes. They go in batches through `Book.enter`; what is timed as adding goes through
`Book.add`, which checks each. A million records are five years of a shop with 40 comparators, each with a check
standard that is read with every part: 25 000 readings on each.
"""

from __future__ import annotations

import argparse
import datetime as dt
import hashlib
import json
import random
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import rfc8785
from sqlalchemy import text as sql

from holdzero.book import Book, Criteria, Rows, open_book, rows_of
from holdzero.book.known import fields_known, points_of, scatter_of, watch_of
from holdzero.book.rows import ms_of
from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.testing.many import WASHER, Many
from holdzero.verify import verify

REAL, COMPARATORS, BLOCKS, PARTS, INSPECTORS = 400, 40, 80, 2_500, 12
DAY = "2021-03-01"
FIRST = dt.datetime(2021, 3, 1, 6, tzinfo=dt.timezone(dt.timedelta(hours=1)))
DAYS = 5 * 365
BATCH, SINGLE = 500, 50
JOURNAL = hashlib.sha256(b"holdzero journal 1").hexdigest()
OPERATOR, PART, BLOCK = "@O", "@P", "@B"  # what stands in a template where records differ


@dataclass(frozen=True, slots=True)
class Template:
    """A real record as texts, in which a few words are exchanged: as written, canonical, and event by event."""

    text: str
    canonical: str
    events: tuple[str, ...]
    journal: str
    digest: str
    serial: str
    routine: str
    routine_digest: str

    @classmethod
    def of(cls, text: str) -> Template:
        record = json.loads(text)
        digest = record.pop("digest")
        events = [dict(event) for event in record["events"]]
        events[0]["routine"] = record["routine"]["document"]
        lines = tuple(json.dumps(event, sort_keys=True, separators=(",", ":")) for event in events)
        made = cls(
            text=text,
            canonical=rfc8785.dumps(record).decode(),
            events=lines,
            journal=record["run"]["journal_sha256"],
            digest=digest,
            serial=record["run"]["serial"],
            routine=rfc8785.dumps(record["routine"]["document"]).decode(),
            routine_digest=record["routine"]["digest"],
        )
        if made.chain({}) != made.journal:
            raise RuntimeError("the digest of the journal is made otherwise than here")
        return made

    def chain(self, words: dict[str, str]) -> str:
        chain = JOURNAL
        for line in self.events:
            chain = hashlib.sha256((chain + exchanged(line, words)).encode()).hexdigest()
        return chain

    def another(self, words: dict[str, str]) -> str:
        words = {**words, self.routine_digest: digested(self.routine, words)}
        words = {**words, self.journal: self.chain(words)}
        digest = digested(self.canonical, words)
        return exchanged(self.text, {**words, self.digest: digest})


def digested(text: str, words: dict[str, str]) -> str:
    return "sha256:" + hashlib.sha256(exchanged(text, words).encode()).hexdigest()


def exchanged(text: str, words: dict[str, str]) -> str:
    for old, new in words.items():
        text = text.replace(old, new)
    return text


def templates(catalogue: Catalogue) -> list[Template]:
    """Some hundreds of real records, on every comparator; one that begins at each minute of a day."""
    made: list[Template] = []
    each = REAL // COMPARATORS
    for number in range(COMPARATORS):
        draft = (
            WASHER.with_table("routine", part=PART)
            .with_table("comparator", id=f"K-{number}", name=f"Dial 0.1 um, bench {number}")
            .with_table("reference", id=BLOCK)
            .with_table("check_standard", id=f"S-{number}")
        )
        many = Many(
            catalogue=catalogue,
            draft=draft,
            serial="@S",
            operators=(OPERATOR,),
            begin=FIRST + dt.timedelta(minutes=number),
            every=dt.timedelta(hours=1),
            seed=number,
        )
        made.extend(Template.of(text) for text in many.texts(each))
    return made


def texts(real: list[Template], start: int, stop: int, of: int) -> Iterator[str]:
    """The records with these numbers, of so many over five years, oldest first."""
    chance = random.Random(start)  # noqa: S311  no secret
    for number in range(start, stop):
        one = real[chance.randrange(len(real))]
        day = (FIRST + dt.timedelta(days=DAYS * number // of)).date().isoformat()
        words = {
            one.serial: f"S{number:07d}",
            OPERATOR: f"Inspector {chance.randrange(INSPECTORS)}",
            PART: f"W-{chance.randrange(PARTS)}",
            BLOCK: f"B-{chance.randrange(BLOCKS)}",
            DAY: day,
        }
        yield one.another(words)


def batches(items: Iterator[Any]) -> Iterator[list[Any]]:
    while batch := list(islice(items, BATCH)):
        yield batch


def rows(text: str) -> Rows:
    return rows_of(json.loads(text), text)


def median_ms(work: Callable[[], object], times: int = 7) -> float:
    """Median time of one call [ms]; the first counts too, for a person waits for that."""
    spans = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spans.append((time.perf_counter() - start) * 1e3)
    return statistics.median(spans)


def asked(book: Book) -> list[tuple[str, Callable[[], object], str]]:
    """What is asked, and the goal."""
    since, until = (ms_of(f"{day}T00:00:00+01:00")[0] for day in ("2023-03-01", "2023-09-01"))
    block = Criteria(device="B-7", since_ms=since, until_ms=until)

    digest = book.find(Criteria(part="W-7"), 1)[0]["digest"].removeprefix("sha256:")[:12]

    def chart() -> None:
        points = points_of(book, "standard", comparator="K-7", standard="S-7")
        watch, _ = watch_of(points)
        if watch is None:
            raise RuntimeError(f"{len(points)} points are too few to chart")

    def start_of_run() -> None:
        fields_known(book, comparator="K-7", standard="S-7", part="W-7", serials=["S1"], title="Washer, thickness")

    return [
        ("search by part, the newest 50", lambda: book.find(Criteria(part="W-7"), 50), "50"),
        ("all of a block in half a year", lambda: book.find(block), ""),
        ("the newest 50 of them", lambda: book.find(block, 50), ""),
        ("a block's name in place of its id", lambda: book.find(Criteria(device="Dial 0.1 um, bench 7"), 50), ""),
        ("part, inspector, verdict, latest", lambda: book.find(several, 50), ""),
        ("a record by how its digest begins", lambda: book.get(digest), ""),
        ("words: in many records", lambda: book.find(Criteria(text="washer inspector"), 50), ""),
        ("words: in one record", lambda: book.find(Criteria(text="s0000077"), 50), ""),
        ("words: in none", lambda: book.find(Criteria(text="nowhere"), 50), ""),
        ("chart of a check standard, 5 years", chart, "200"),
        ("scatter of a comparator, pooled", lambda: scatter_of(book, "K-7"), ""),
        ("what a run asks at its start", start_of_run, ""),
    ]


several = Criteria(part="W-7", operator="Inspector 3", verdict="pass", latest=True)


def size_mb(book: Book) -> float:
    """How large it is [MB]."""
    if book.engine.dialect.name == "postgresql":
        return float(book.rows(sql("SELECT pg_database_size(current_database()) AS size"))[0]["size"]) / 1e6
    path = Path(book.name)
    return sum(file.stat().st_size for file in path.parent.glob(f"{path.name}*")) / 1e6


def adding_per_s(book: Book, real: list[Template], start: int) -> tuple[float, float]:
    """Records a second, in batches and one by one [1/s]."""
    many = list(texts(real, start, start + BATCH, start))
    begun = time.perf_counter()
    book.add(many)
    between = time.perf_counter()
    for text in (few := list(texts(real, start + BATCH, start + BATCH + SINGLE, start))):
        book.add([text])
    return len(many) / (between - begun), len(few) / (time.perf_counter() - between)


def verifying(book: Book, catalogue: Catalogue) -> None:
    """Records a second that recompute, in one process, as a share of those that are only parsed."""
    kept = [next_.text for next_ in islice(book.kept(Criteria()), 100)]
    parsed = [json.loads(text) for text in kept]
    if faults := [fault for record in parsed for fault in verify(record, catalogue)]:
        raise RuntimeError(f"the records do not recompute: {faults[0]}")
    parse = median_ms(lambda: [json.loads(text) for text in kept])
    whole = median_ms(lambda: [verify(record, catalogue) for record in parsed], 3)
    a_second = len(kept) / (whole + parse) * 1e3
    print(f"\nverify, one process: {a_second:.0f} records/s; parsing alone {len(kept) / parse * 1e3:.0f} records/s")


def sizes(upto: int) -> list[int]:
    """How many records there are when it is measured."""
    decades = [upto // 100, upto // 10, upto]
    return [size for size in decades if size >= 10_000] if upto > 10_000 else [upto // 4, upto // 2, upto]


def grown(book: Book, upto: int) -> None:
    catalogue = load_catalogue()
    real = templates(catalogue)
    columns: list[list[float]] = []
    at, sizes_ = 0, sizes(upto)
    for size in sizes_:
        # A later size has the days between: the same five years, more of them.
        for batch in batches(rows(text) for text in texts(real, at, size, size)):
            book.enter(batch)
        settled(book)
        column = [median_ms(work) for _, work, _ in asked(book)]
        many, single = adding_per_s(book, real, size)
        at = size + BATCH + SINGLE
        columns.append([*column, many, single, size_mb(book)])
        print(f"{size} records measured", flush=True)
    table(book, sizes_, columns)
    verifying(book, catalogue)


def settled(book: Book) -> None:
    """As the server does by itself when it has time."""
    if book.engine.dialect.name == "postgresql":
        with book.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(sql("VACUUM ANALYZE"))


def table(book: Book, sizes_: list[int], columns: list[list[float]]) -> None:
    named = [(name, f"goal {goal}" if goal else "", "ms") for name, _, goal in asked(book)]
    named += [("added in batches", "", "1/s"), ("added one by one", "", "1/s"), ("size of the database", "", "MB")]
    print(f"\n{book.engine.dialect.name:<40}" + "".join(f"{size:>12}" for size in sizes_))
    for (name, goal, unit), *values in zip(named, *columns, strict=True):
        print(f"{name:<36}{unit:<4}" + "".join(f"{value:>12.1f}" for value in values) + f"   {goal}")


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--upto", type=int, default=10_000)
    options.add_argument("--book", help="address of an empty database; a file in a temporary folder if left out")
    said = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        book = open_book(said.book or str(Path(folder) / "book.sqlite"), create=True)
        grown(book, said.upto)
        book.engine.dispose()


if __name__ == "__main__":
    main()
