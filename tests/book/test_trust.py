"""Whatever is changed, put in or taken out of the book by hand is found, and named."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar

import pytest
from sqlalchemy import delete, insert, select, update

from holdzero.book import Book, open_book
from holdzero.book.reviewing import ReviewRefusedError, alike, allow, standing
from holdzero.book.rows import document_of, packed, rows_of
from holdzero.book.store import START, chained
from holdzero.book.tables import bench, documents, keys, records, results, reviews, signatures, uses
from holdzero.book.trust import Checked, Link, broken_keys, broken_links, check_rows
from holdzero.book.walk import astray, keys_of, links_of, loose_ends, pages
from holdzero.catalogue import Catalogue
from holdzero.record import amend_record, digest_of_record, dumps, loads
from holdzero.signing import Key, make_key, record_message, review_message
from holdzero.testing.many import WASHER, Many

COUNT = 6


@pytest.fixture(scope="module")
def texts(catalogue: Catalogue) -> list[str]:
    return list(Many(catalogue=catalogue, batch=2).texts(COUNT))


@pytest.fixture
def kept(tmp_path: Path, texts: list[str]) -> Book:
    """A book with a few records, two of each run."""
    book = open_book(str(tmp_path / "book.sqlite"), create=True)
    book.add(texts)
    return book


def change(book: Book, *statements: Any) -> None:
    """What somebody does who can write into the database."""
    with book.engine.connect() as connection:
        raw = connection.connection.driver_connection
        assert raw is not None
        raw.execute("PRAGMA foreign_keys=OFF")
        with connection.begin():
            for statement in statements:
                connection.execute(statement)


def of(book: Book, table: Any, number: int) -> list[dict[str, Any]]:
    key = table.c.id if table is records else table.c.record_id
    return [dict(row) for row in book.rows(select(table).where(key == number))]


def walked(book: Book, catalogue: Catalogue) -> dict[int, Checked]:
    numbers = [link.number for link in links_of(book)]
    checked = (item for page in pages(book, numbers) for item in check_rows(page, keys_of(book), catalogue))
    return {item.number: item for item in checked}


def faults(book: Book, catalogue: Catalogue) -> list[str]:
    """All that is found, in the order in which it is told."""
    own = [f"{number}: {fault}" for number, item in walked(book, catalogue).items() for fault in item.faults]
    whole = [*broken_links(links_of(book)), *astray(book), *loose_ends(book), *broken_keys(keys_of(book))]
    return [*whole, *own]


class TestABookThatNobodyTouched:
    def test_holds(self, kept: Book, catalogue: Catalogue) -> None:
        assert faults(kept, catalogue) == []
        assert list(walked(kept, catalogue)) == [1, 2, 3, 4, 5, 6]

    def test_an_empty_one_holds(self, tmp_path: Path, catalogue: Catalogue) -> None:
        assert faults(open_book(str(tmp_path / "book.sqlite"), create=True), catalogue) == []

    def test_records_added_in_another_order_hold(self, tmp_path: Path, texts: list[str], catalogue: Catalogue) -> None:
        book = open_book(str(tmp_path / "other.sqlite"), create=True)
        for text in texts[::-1]:
            book.add([text])
        assert faults(book, catalogue) == []


# Every column that is made of the document, with something else in it.
COLUMNS = [
    (table, name, value)
    for table, changed in (
        (
            records,
            {
                "run": "0" * 64,
                "part": "W-2",
                "revision": "B",
                "serial": "S000099",
                "operator": "N. Obody",
                "title": "Other",
                "routine_digest": "sha256:0",
                "verdict": "fail",
                "purpose": "trial",
                "simulated": True,
                "started_ms": 0,
                "finished_ms": 0,
                "zone": "+00:00",
                "second_person": True,
                "replaces": "sha256:0",
                "words": "nothing",
            },
        ),
        (
            results,
            {
                "measure": "step",
                "verdict": "fail",
                "value_um": 0.5,
                "expanded_uncertainty_um": 0.001,
                "lower_um": -99.0,
                "upper_um": 99.0,
            },
        ),
        (uses, {"identifier": "B-6", "name": "Other", "due": "2099-01-01", "started_ms": 0}),
        (
            bench,
            {"comparator": "K-2", "standard": "B-6", "value_um": 0.0123, "dof": 99.0, "limit_um": 99.0, "at_ms": 0},
        ),
    )
    for name, value in changed.items()
]


class TestAColumnThatWasChanged:
    @pytest.mark.parametrize(("table", "name", "value"), COLUMNS, ids=[f"{t.name}.{n}" for t, n, _ in COLUMNS])
    def test_is_named_with_what_both_say(
        self, kept: Book, catalogue: Catalogue, table: Any, name: str, value: object
    ) -> None:
        key = records.c.id if table is records else table.c.record_id
        change(kept, update(table).where(key == 3).values({name: value}))
        mine = [fault for fault in faults(kept, catalogue) if fault.startswith(f"3: {table.name}.{name}")]
        assert mine
        assert all("the book says" in fault and "the record says" in fault for fault in mine)

    def test_every_column_is_among_them(self) -> None:
        tried = {(table.name, name) for table, name, _ in COLUMNS}
        # Numbers of rows and what rows are found by; the tests below change those.
        rest = {"id", "record_id", "digest", "chain", "characteristic", "role", "run", "kind", "number"}
        there = {(t.name, c.name) for t in (records, results, uses, bench) for c in t.c if c.name not in rest}
        assert there - tried == set()

    def test_says_what_the_book_and_the_record_say(self, kept: Book, catalogue: Catalogue) -> None:
        change(kept, update(records).where(records.c.id == 3).values(serial="S000099"))
        assert faults(kept, catalogue) == [
            '3: records.serial: the book says "S000099", the record says "S000002"',
        ]

    def test_a_number_in_its_last_digit_is_found(self, kept: Book, catalogue: Catalogue) -> None:
        (row,) = of(kept, results, 3)
        changed = row["value_um"] * (1 + 2**-52)
        change(kept, update(results).where(results.c.record_id == 3).values(value_um=changed))
        (fault,) = faults(kept, catalogue)
        assert fault.startswith("3: results.value_um of thickness")

    def test_a_value_that_was_taken_away_is_found(self, kept: Book, catalogue: Catalogue) -> None:
        change(kept, update(results).where(results.c.record_id == 3).values(value_um=None))
        (fault,) = faults(kept, catalogue)
        assert "the book says null" in fault


class TestARowOfAnotherTable:
    @pytest.mark.parametrize("table", [results, uses, documents])
    def test_that_was_deleted_is_missing(self, kept: Book, catalogue: Catalogue, table: Any) -> None:
        change(kept, delete(table).where(table.c.record_id == 3))
        found = faults(kept, catalogue)
        assert found
        assert all(fault.startswith(f"3: {table.name}") and "missing" in fault for fault in found)

    def test_of_the_bench_that_was_deleted_is_missing_from_each_record_of_the_run(
        self, kept: Book, catalogue: Catalogue
    ) -> None:
        change(kept, delete(bench).where(bench.c.record_id == 3, bench.c.kind == "standard"))
        assert faults(kept, catalogue) == [
            "3: bench: the row of standard 1 is missing",
            "4: bench: the row of standard 1 is missing",
        ]

    def test_that_was_put_in_is_not_of_the_record(self, kept: Book, catalogue: Catalogue) -> None:
        (result,), (use, *_), (told, *_) = (of(kept, table, 3) for table in (results, uses, bench))
        del told["id"]
        change(
            kept,
            insert(results).values({**result, "characteristic": "flatness"}),
            insert(uses).values({**use, "role": "spare"}),
            insert(bench).values({**told, "number": 9}),
        )
        assert faults(kept, catalogue) == [
            "3: results: the row of flatness is not of this record",
            "3: uses: the row of spare is not of this record",
            f"3: bench: the row of {told['kind']} 9 is not of this record",
        ]

    def test_that_belongs_to_no_record_is_astray(self, kept: Book, catalogue: Catalogue) -> None:
        (use, *_) = of(kept, uses, 3)
        change(kept, insert(uses).values({**use, "record_id": 99}))
        assert faults(kept, catalogue) == ["uses: rows of record 99, which is missing"]

    def test_of_the_bench_that_was_given_to_another_run_is_found(self, kept: Book, catalogue: Catalogue) -> None:
        change(kept, update(bench).where(bench.c.record_id == 3, bench.c.kind == "standard").values(record_id=5))
        found = faults(kept, catalogue)
        assert "5: bench: the row of standard 1 is not of this record" in found
        assert any(fault.startswith("3: bench.record_id of standard 1") for fault in found)

    @pytest.mark.parametrize(
        ("table", "name", "value"),
        [
            (results, "characteristic", "flatness"),
            (uses, "role", "spare"),
            (bench, "run", "0" * 64),
            (bench, "kind", "other"),
            (bench, "number", 7),
        ],
    )
    def test_that_goes_by_something_else_is_missing_and_not_of_the_record(
        self, kept: Book, catalogue: Catalogue, table: Any, name: str, value: object
    ) -> None:
        key = [*table.primary_key][-1]
        first = min(row[key.name] for row in of(kept, table, 3))
        change(kept, update(table).where(table.c.record_id == 3, key == first).values({name: value}))
        found = [fault for fault in faults(kept, catalogue) if fault.startswith(f"3: {table.name}")]
        assert [fault.rsplit(" is ")[1] for fault in found] == ["missing", "not of this record"]


class TestTheChain:
    def test_a_deleted_record_is_named(self, kept: Book, catalogue: Catalogue) -> None:
        change(
            kept,
            *(delete(table).where(table.c.record_id == 3) for table in (documents, results, uses, bench)),
            delete(records).where(records.c.id == 3),
        )
        first, *rest = faults(kept, catalogue)
        assert first.startswith("chain: record 3 is missing between record 2 and record 4 (")
        assert first.endswith("deleted")
        # What it told of its bench is missed by the other record of its run.
        assert all(fault.startswith("4: bench") for fault in rest)

    def test_the_first_record_is_missed_too(self, kept: Book) -> None:
        change(kept, delete(records).where(records.c.id.in_([1, 2])))
        first, *_ = broken_links(links_of(kept))
        assert first.startswith("chain: records 1 to 2 are missing between the start and record 3")
        assert "documents: rows of record 1, which is missing" in astray(kept)

    def test_the_last_ones_leave_what_belongs_to_them(self, kept: Book) -> None:
        change(kept, delete(records).where(records.c.id == 6))
        assert broken_links(links_of(kept)) == []
        assert "documents: rows of record 6, which is missing" in astray(kept)

    def test_two_records_that_were_exchanged_are_named(self, kept: Book, catalogue: Catalogue) -> None:
        both = {
            number: {table: of(kept, table, number) for table in (records, documents, results, uses)}
            for number in (3, 4)
        }
        statements: list[Any] = [
            delete(table).where(table.c.record_id.in_([3, 4])) for table in (documents, results, uses)
        ]
        statements.append(delete(records).where(records.c.id.in_([3, 4])))
        for number, other in ((3, 4), (4, 3)):
            for table, rows in both[other].items():
                key = "id" if table is records else "record_id"
                statements.extend(insert(table).values({**row, key: number}) for row in rows)
        change(kept, *statements)
        found = [fault for fault in faults(kept, catalogue) if fault.startswith("chain")]
        assert [fault.split(" (")[0] for fault in found] == ["chain: record 3", "chain: record 4", "chain: record 5"]
        assert "does not follow from record 2 but from record 4" in found[0]
        assert "does not follow from record 3 but from record 2" in found[1]
        assert "does not follow from record 4 but from record 3" in found[2]

    def test_a_record_that_was_put_in_between_is_named(self, kept: Book, catalogue: Catalogue) -> None:
        # Moved up by one, to make room for a record with a chain that follows.
        statements: list[Any] = []
        for number in (6, 5, 4):
            statements.append(update(records).where(records.c.id == number).values(id=number + 1))
            statements.extend(
                update(table).where(table.c.record_id == number).values(record_id=number + 1)
                for table in (documents, results, uses, bench)
            )
        change(kept, *statements)
        text = next(Many(catalogue=catalogue, serial="X").texts(1))
        rows = rows_of(loads(text, ""), text)
        own = dict(rows.record)
        document = own.pop("document")
        (before,) = of(kept, records, 3)
        change(
            kept,
            insert(records).values({**own, "id": 4, "chain": chained(before["chain"], own["digest"])}),
            insert(documents).values(record_id=4, document=document),
            *(insert(results).values({**row, "record_id": 4}) for row in rows.results),
            *(insert(uses).values({**row, "record_id": 4}) for row in rows.uses),
            *(insert(bench).values({**row, "record_id": 4}) for row in rows.bench),
        )
        (fault,) = faults(kept, catalogue)
        assert fault.startswith("chain: record 5 (")
        assert "does not follow from record 4 but from record 3 (" in fault

    def test_a_number_that_was_left_out_is_told_apart_from_a_deletion(self) -> None:
        first = chained(START, "a")
        links = [
            Link(number=1, digest="a", chain=first),
            Link(number=3, digest="b", chain=chained(first, "b")),
        ]
        assert broken_links(links) == [
            "chain: record 2 is missing between record 1 and record 3 (b): numbers were left out"
        ]

    def test_a_digest_that_was_changed_breaks_it_there_alone(self, kept: Book) -> None:
        change(kept, update(records).where(records.c.id == 3).values(digest="sha256:" + "0" * 64))
        (fault,) = broken_links(links_of(kept))
        assert "record 3 (000000000000) does not follow" in fault
        assert "put in or changed" in fault

    def test_a_chain_value_that_was_changed_breaks_it_there_and_after(self, kept: Book) -> None:
        change(kept, update(records).where(records.c.id == 3).values(chain="sha256:" + "0" * 64))
        assert [fault.split(" (")[0] for fault in broken_links(links_of(kept))] == [
            "chain: record 3",
            "chain: record 4",
        ]

    def test_many_breaks_are_told_in_little_time(self) -> None:
        links = [Link(number=n, digest=str(n), chain="nonsense") for n in range(1, 5001)]
        assert len(broken_links(links)) == 5000


class TestADocument:
    def test_that_was_changed_does_not_fit_its_digest(self, kept: Book, catalogue: Catalogue) -> None:
        (row,) = of(kept, documents, 3)
        record = loads(document_of(row["document"]), "")
        record["results"]["thickness"]["value_um"] += 1.0
        change(kept, update(documents).where(documents.c.record_id == 3).values(document=packed(dumps(record))))
        found = faults(kept, catalogue)
        assert "3: digest: the record was changed after it was made" in found
        assert any(fault.startswith("3: results.thickness.value_um: recomputed") for fault in found)
        assert any(fault.startswith("3: results.value_um of thickness: the book says") for fault in found)

    def test_that_was_changed_with_a_digest_that_fits_is_not_the_one_in_the_column(
        self, kept: Book, catalogue: Catalogue
    ) -> None:
        (row,) = of(kept, documents, 3)
        record = loads(document_of(row["document"]), "")
        record["run"]["operator"] = "N. Obody"
        record["digest"] = digest_of_record(record)
        change(kept, update(documents).where(documents.c.record_id == 3).values(document=packed(dumps(record))))
        found = faults(kept, catalogue)
        assert any(fault.startswith("3: records.digest: the book says") for fault in found)
        assert any(fault.startswith("3: run.operator: recomputed") for fault in found)

    @pytest.mark.parametrize(
        "content",
        [
            b"",
            b"nothing",
            zlib.compress(b"{}"),
            zlib.compress(b"[]"),
            zlib.compress(b"\xff"),
            zlib.compress(b"[" * 10**6),
        ],
    )
    def test_that_is_none_is_named_and_stops_nothing(self, kept: Book, catalogue: Catalogue, content: bytes) -> None:
        change(kept, update(documents).where(documents.c.record_id == 3).values(document=content))
        (fault,) = faults(kept, catalogue)
        assert fault.startswith("3: documents.document")
        assert len(walked(kept, catalogue)) == COUNT

    def test_of_two_records_that_were_exchanged_are_named(self, kept: Book, catalogue: Catalogue) -> None:
        one, other = (of(kept, documents, number)[0]["document"] for number in (3, 4))
        change(
            kept,
            update(documents).where(documents.c.record_id == 3).values(document=other),
            update(documents).where(documents.c.record_id == 4).values(document=one),
        )
        found = faults(kept, catalogue)
        assert {fault.split(":")[0] for fault in found if "records.digest" in fault} == {"3", "4"}


@pytest.fixture
def key(tmp_path: Path, kept: Book) -> Key:
    """A key that the book knows."""
    made = make_key(tmp_path / "key.pem")
    kept.put(keys, {"fingerprint": made.fingerprint, "name": "bench 1", "public": made.public, "added_ms": 0})
    return made


def sign(book: Book, key: Key, number: int, **changes: object) -> None:
    digest = of(book, records, number)[0]["digest"]
    row = {
        "digest": digest,
        "fingerprint": key.fingerprint,
        "signature": key.sign(record_message(digest)),
        "at_ms": 0,
    }
    change(book, insert(signatures).values(row | changes))


class TestASignature:
    def test_that_holds_names_who_signed(self, kept: Book, key: Key, catalogue: Catalogue) -> None:
        sign(kept, key, 3)
        assert faults(kept, catalogue) == []
        assert {number: item.signed_by for number, item in walked(kept, catalogue).items() if item.signed_by} == {
            3: ("bench 1",)
        }

    def test_over_another_record_does_not_hold(self, kept: Book, key: Key, catalogue: Catalogue) -> None:
        sign(kept, key, 3, signature=key.sign(record_message(of(kept, records, 4)[0]["digest"])))
        (fault,) = faults(kept, catalogue)
        assert fault.startswith("3: signatures.signature: the signature is not that of bench 1")

    def test_with_a_key_that_is_not_among_the_keys_does_not_hold(
        self, kept: Book, key: Key, catalogue: Catalogue, tmp_path: Path
    ) -> None:
        del key
        sign(kept, make_key(tmp_path / "other.pem"), 3)
        (fault,) = faults(kept, catalogue)
        assert "not among the keys" in fault

    def test_in_the_name_of_another_key_does_not_hold(
        self, kept: Book, key: Key, catalogue: Catalogue, tmp_path: Path
    ) -> None:
        sign(kept, make_key(tmp_path / "other.pem"), 3, fingerprint=key.fingerprint)
        (fault,) = faults(kept, catalogue)
        assert "the signature is not that of bench 1" in fault

    def test_of_a_record_that_is_missing_is_astray(self, kept: Book, key: Key, catalogue: Catalogue) -> None:
        sign(kept, key, 3, digest="sha256:" + "0" * 64)
        assert faults(kept, catalogue) == [f"signatures: rows of sha256:{'0' * 64}, which is missing"]

    def test_a_key_that_was_exchanged_is_found(
        self, kept: Book, key: Key, catalogue: Catalogue, tmp_path: Path
    ) -> None:
        sign(kept, key, 3)
        change(kept, update(keys).values(public=make_key(tmp_path / "other.pem").public))
        whole, own = faults(kept, catalogue)
        assert whole.startswith(f"keys.fingerprint: the book says {key.fingerprint[:12]}")
        assert own.startswith("3: signatures.signature")

    def test_a_key_that_is_none_is_found(self, kept: Book, key: Key, catalogue: Catalogue) -> None:
        sign(kept, key, 3)
        change(kept, update(keys).values(public="a key"))
        whole, own = faults(kept, catalogue)
        assert whole.startswith("keys.public")
        assert own.startswith("3: signatures.signature")


def put_review(book: Book, number: int, key: Key | None = None, **changes: object) -> None:
    row: dict[str, Any] = {
        "digest": of(book, records, number)[0]["digest"],
        "name": "bench 1",
        "meaning": "approved",
        "note": "",
        "at_ms": 1772438400250,
        "zone": "+01:00",
    }
    row |= {name: value for name, value in changes.items() if name != "after"}
    if key is not None:
        row |= {"fingerprint": key.fingerprint, "signature": key.sign(review_message(row))}
    change(book, insert(reviews).values(row))


class TestAReview:
    def test_that_is_signed_holds(self, kept: Book, key: Key, catalogue: Catalogue) -> None:
        put_review(kept, 3, key)
        put_review(kept, 3)
        assert faults(kept, catalogue) == []
        checked = walked(kept, catalogue)[3]
        assert (checked.reviews, checked.signed_reviews) == (2, 1)

    @pytest.mark.parametrize(
        ("name", "value"),
        [("meaning", "rejected"), ("note", "other"), ("at_ms", 0), ("zone", "+00:00"), ("name", "Bench 1")],
    )
    def test_that_is_signed_and_was_changed_is_found(
        self, kept: Book, key: Key, catalogue: Catalogue, name: str, value: object
    ) -> None:
        put_review(kept, 3, key)
        change(kept, update(reviews).values({name: value}))
        (fault,) = faults(kept, catalogue)
        assert fault.startswith("3: reviews.signature")

    def test_that_was_moved_to_another_record_is_found(self, kept: Book, key: Key, catalogue: Catalogue) -> None:
        put_review(kept, 3, key)
        change(kept, update(reviews).values(digest=of(kept, records, 4)[0]["digest"]))
        (fault,) = faults(kept, catalogue)
        assert fault.startswith("4: reviews.signature")

    def test_that_is_signed_with_somebody_elses_key_is_found(self, kept: Book, key: Key, catalogue: Catalogue) -> None:
        put_review(kept, 3, key, name="A. Ivers")
        (fault,) = faults(kept, catalogue)
        assert "it is signed with the key of bench 1" in fault

    def test_with_half_a_signature_is_found(self, kept: Book, key: Key, catalogue: Catalogue) -> None:
        put_review(kept, 3, fingerprint=key.fingerprint)
        (fault,) = faults(kept, catalogue)
        assert fault.startswith("3: reviews.signature")

    def test_of_a_meaning_that_is_none_is_found(self, kept: Book, catalogue: Catalogue) -> None:
        put_review(kept, 3, meaning="liked")
        (fault,) = faults(kept, catalogue)
        assert fault.startswith("3: reviews.meaning")

    def test_of_a_record_that_is_missing_is_astray(self, kept: Book, catalogue: Catalogue) -> None:
        put_review(kept, 3, digest="sha256:0")
        assert faults(kept, catalogue) == ["reviews: rows of sha256:0, which is missing"]

    def test_by_the_operator_alone_is_found_where_the_routine_asks_for_another(
        self, tmp_path: Path, catalogue: Catalogue
    ) -> None:
        draft = WASHER.with_table("routine", second_person=True)
        book = open_book(str(tmp_path / "second.sqlite"), create=True)
        book.add(Many(catalogue=catalogue, draft=draft, operators=("T. Ester",)).texts(1))
        put_review(book, 1, name="t. ester")
        (fault,) = faults(book, catalogue)
        assert "a second person must review it, and t. ester measured it" in fault


class TestAnAmendment:
    def amended(self, text: str, **changes: str) -> str:
        record = loads(text, "")
        return dumps(
            amend_record(record, reason="mistyped", by="A. Ivers", at="2026-03-03T08:00+01:00", changes=changes)
        )

    def test_beside_what_it_replaces_holds(self, kept: Book, texts: list[str], catalogue: Catalogue) -> None:
        kept.add([self.amended(texts[2], serial="S000009")])
        assert faults(kept, catalogue) == []

    def test_of_a_record_that_is_missing_is_named(self, tmp_path: Path, texts: list[str], catalogue: Catalogue) -> None:
        book = open_book(str(tmp_path / "alone.sqlite"), create=True)
        book.add([self.amended(texts[2], serial="S000009")])
        (fault,) = faults(book, catalogue)
        assert fault.startswith("record 1 amends sha256:")
        assert fault.endswith("which is missing")

    def test_that_names_a_record_of_another_run_is_named(
        self, kept: Book, texts: list[str], catalogue: Catalogue
    ) -> None:
        made = loads(self.amended(texts[2], serial="S000009"), "")
        made["amends"]["digest"] = loads(texts[0], "")["digest"]
        made["digest"] = digest_of_record(made)
        kept.add([dumps(made)])
        (fault,) = faults(kept, catalogue)
        assert fault.endswith("which is of another run")


class TestWhoMayReview:
    @staticmethod
    def refused(**changes: Any) -> Callable[[], None]:
        asked = {
            "name": "A. Ivers",
            "meaning": "approved",
            "note": "",
            "operators": ["T. Ester"],
            "second_person": True,
        }
        return lambda: allow(**{**asked, **changes})

    @staticmethod
    def may(**changes: Any) -> bool:
        try:
            TestWhoMayReview.refused(**changes)()
        except ReviewRefusedError:
            return False
        return True

    def test_somebody_else_may(self) -> None:
        assert self.may()

    @pytest.mark.parametrize("name", ["T. Ester", "t.ester", " T .  ESTER ", "T.\u00a0Ester"])
    def test_whoever_measured_may_not(self, name: str) -> None:
        with pytest.raises(ReviewRefusedError, match="a second person must review it"):
            self.refused(name=name)()

    def test_whoever_measured_by_the_first_record_may_not_either(self) -> None:
        with pytest.raises(ReviewRefusedError, match="a second person"):
            self.refused(name="T. Ester", operators=["M. Oduya", "T. Ester"])()

    def test_nobody_may_where_it_is_not_known_who_measured(self) -> None:
        with pytest.raises(ReviewRefusedError, match="does not say who measured"):
            self.refused(operators=[None, None])()

    def test_whoever_measured_may_where_the_routine_asks_for_nobody_else(self) -> None:
        assert self.may(name="T. Ester", second_person=False)
        assert not self.may(name="T. Ester", second_person=True)

    def test_a_rejection_needs_a_word(self) -> None:
        with pytest.raises(ReviewRefusedError, match="--note"):
            self.refused(meaning="rejected", note=" ")()
        self.refused(meaning="rejected", note="wrong drawing")()

    @pytest.mark.parametrize("changes", [{"meaning": "liked"}, {"meaning": ""}, {"name": " "}])
    def test_what_is_no_review_is_refused(self, changes: dict[str, str]) -> None:
        with pytest.raises(ReviewRefusedError):
            self.refused(**changes)()

    def test_no_name_is_alike_to_none(self) -> None:
        assert not alike(None, None)


class TestHowARecordStands:
    APPROVED: ClassVar[dict[str, Any]] = {"name": "A. Ivers", "meaning": "approved"}
    REJECTED: ClassVar[dict[str, Any]] = {"name": "A. Ivers", "meaning": "rejected"}
    WITNESSED: ClassVar[dict[str, Any]] = {"name": "A. Ivers", "meaning": "witnessed"}
    OWN: ClassVar[dict[str, Any]] = {"name": "T. Ester", "meaning": "approved"}

    @pytest.mark.parametrize(
        ("said", "second_person", "expected"),
        [
            ([], True, "awaits review"),
            ([], False, ""),
            ([APPROVED], True, ""),
            ([WITNESSED], True, "awaits review"),
            ([OWN], True, "awaits review"),
            ([OWN], False, ""),
            ([REJECTED], True, "rejected"),
            ([REJECTED], False, "rejected"),
            ([REJECTED, APPROVED], True, ""),
            ([APPROVED, REJECTED], True, "rejected"),
            ([REJECTED, OWN], True, "rejected"),
        ],
    )
    def test_follows_from_its_reviews(self, said: list[Any], second_person: bool, expected: str) -> None:
        assert standing(said, operator="T. Ester", second_person=second_person) == expected
