"""What is handed on must come back as it went in: to the last bit, in every form, and harmless."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
import io
import json
import os
import re
import sys
import tracemalloc
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, TypeAlias
from unicodedata import category

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdzero.book import Book, Criteria, Kept, open_book
from holdzero.book.export import (
    Csv,
    ExportError,
    Filed,
    filed,
    line_of,
    write_csv,
    write_jsonl,
    write_parquet,
)
from holdzero.book.listing import LISTINGS, Cell, Kind, Listing
from holdzero.catalogue import Catalogue
from holdzero.cli import ended
from holdzero.errors import RecordError
from holdzero.record import amend_record, digest_of_record, dumps
from holdzero.testing.records import sample_records

RecordsOf: TypeAlias = Callable[..., list[str]]  # see conftest

FORMS = (Csv(".", ","), Csv(",", ";"), Csv(".", "\t"), Csv(",", "|"))
COLUMNS = {"text": Kind.TEXT, "number": Kind.NUMBER, "whole": Kind.WHOLE, "flag": Kind.FLAG}

# Control, format, line and paragraph separators: General_Category of the Unicode Standard, 4.5.
ACTING = ("Cc", "Cf", "Zl", "Zp")
TEXTS = st.text(st.characters(exclude_categories=["Cs"]))
ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "text": TEXTS | st.sampled_from(["0007", "=1+1", "'=1", "'", "−1", "a;b", 'a"b', "a\r\nb", "\x00", " =1"]),
            "number": st.none() | st.floats(allow_nan=False, allow_infinity=False),
            "whole": st.integers(-(2**63), 2**63 - 1),
            "flag": st.booleans(),
        }
    ),
    max_size=5,
)
RUN_BY_SPREADSHEETS = ("=", "+", "-", "@", "\t", "\r", "\n")


def listing_of_rows(rows: list[dict[str, Cell]]) -> Listing:
    """A table that has these rows for any record."""
    return Listing(columns=COLUMNS, rows=lambda record, replaced_by: iter(rows))  # noqa: ARG005  as a listing is called


def any_record() -> list[Filed]:
    text = json.dumps({"format": 1, "digest": "", "events": []})
    return [Filed(kept=Kept(row={"id": 1}, text=text), replaced_by=None)]


def as_filed(texts: Iterable[str]) -> Iterator[Filed]:
    return (Filed(kept=Kept(row={"id": 1}, text=text), replaced_by=None) for text in texts)


def cells_of(content: bytes, form: Csv) -> list[dict[str, str]]:
    """A file read by a reader of CSV; one apostrophe is taken off, as the documentation says."""
    text = content.decode("utf-8-sig")
    rows = csv.DictReader(io.StringIO(text, newline=""), delimiter=form.separator)
    return [{name: cell.removeprefix("'") for name, cell in row.items()} for row in rows]


def number_of(cell: str, form: Csv) -> float | None:
    return float(cell.replace(form.decimal, ".")) if cell else None


def csv_of(records: Iterable[Filed], what: str, form: Csv = FORMS[0]) -> list[dict[str, str]]:
    out = io.BytesIO()
    write_csv(records, LISTINGS[what], form, out)
    return cells_of(out.getvalue(), form)


def forged(text: str, change: Callable[[dict[str, Any]], object]) -> str:
    record = json.loads(text)
    change(record)
    return dumps({**record, "digest": digest_of_record(record)})


class TestCsv:
    @pytest.mark.parametrize("form", FORMS, ids=["point", "comma", "tab", "comma and bar"])
    @given(rows=ROWS)
    def test_what_went_in_comes_out(self, form: Csv, rows: list[dict[str, Any]]) -> None:
        out = io.BytesIO()
        assert write_csv(any_record(), listing_of_rows(rows), form, out) == len(rows)
        found = cells_of(out.getvalue(), form)
        # Characters that act are dots (see `of_line`); all else is as it was.
        kept = [re.sub("\t", " ", row["text"]) for row in rows]
        kept = ["".join("·" if category(sign) in ACTING else sign for sign in text) for text in kept]
        assert [row["text"] for row in found] == kept
        assert [repr(number_of(row["number"], form)) for row in found] == [repr(row["number"]) for row in rows]
        assert [int(row["whole"]) for row in found] == [row["whole"] for row in rows]
        assert [row["flag"] == "yes" for row in found] == [row["flag"] for row in rows]

    @pytest.mark.parametrize("form", FORMS[:2], ids=["point", "comma"])
    @given(text=TEXTS)
    def test_no_text_is_run(self, form: Csv, text: str) -> None:
        rows: list[dict[str, Any]] = [
            {**dict.fromkeys(COLUMNS), "text": f"{start}{text}"} for start in ("", *RUN_BY_SPREADSHEETS, " =", "＝")
        ]
        out = io.BytesIO()
        write_csv(any_record(), listing_of_rows(rows), form, out)
        lines = csv.reader(io.StringIO(out.getvalue().decode("utf-8-sig"), newline=""), delimiter=form.separator)
        for (cell, *_), _row in zip(list(lines)[2:], rows[1:], strict=True):
            assert cell.startswith("'")

    def test_numbers_stand_bare_and_digits_of_a_serial_in_quotes(self, records_of: RecordsOf) -> None:
        (text,) = records_of(1)
        text = forged(text, lambda record: record["run"].update(serial="0007"))
        out = io.BytesIO()
        write_csv(as_filed([text]), LISTINGS["results"], Csv(",", ";"), out)
        value = json.loads(text)["results"]["thickness"]["value_um"]
        assert b';"0007";' in out.getvalue()
        assert f";{repr(value).replace('.', ',')};".encode() in out.getvalue()
        assert not re.search(rb'[;\n]"?=', out.getvalue())

    def test_begins_with_the_mark_of_utf_8_and_ends_lines_as_the_standard_says(self, records_of: RecordsOf) -> None:
        out = io.BytesIO()
        write_csv(as_filed(records_of(2)), LISTINGS["records"], FORMS[0], out)
        assert out.getvalue().startswith(b'\xef\xbb\xbf"digest"')
        assert out.getvalue().count(b"\r\n") == 3
        assert out.getvalue().endswith(b"\r\n")

    @pytest.mark.parametrize(
        ("decimal", "separator", "wrong"),
        [("comma", ",", "leave --separator out"), ("point", ".", "can't stand"), ("point", "ab", "can't stand")],
    )
    def test_a_form_that_could_not_be_read_back_is_refused(self, decimal: str, separator: str, wrong: str) -> None:
        with pytest.raises(ExportError, match=wrong):
            Csv.of(decimal, separator)

    def test_a_semicolon_goes_with_a_decimal_comma(self) -> None:
        assert Csv.of("comma", None) == Csv(",", ";")
        assert Csv.of("point", None) == Csv(".", ",")
        assert Csv.of("comma", "tab") == Csv(",", "\t")


def dotted(text: str) -> str:
    """A text as a cell shows it: a dot for every character of Unicode's categories of controls and formats."""
    return "".join("·" if unicodedata.category(sign) in {"Cc", "Cf", "Zl", "Zp"} else sign for sign in text)


class TestTheTables:
    def test_results_have_every_number_of_every_record(self, catalogue: Catalogue) -> None:
        records = [record for _, record in sample_records(catalogue)]
        found = iter(csv_of(as_filed(map(dumps, records)), "results"))
        for record in records:
            for name, result in record["results"].items():
                row = next(found)
                assert (row["digest"], row["characteristic"]) == (record["digest"], name)
                part, serial = record["routine"]["part"], record["run"]["serial"] or ""
                assert (row["part"], row["serial"]) == (dotted(part), dotted(serial))
                for key in [name for name, kind in LISTINGS["results"].columns.items() if kind is Kind.NUMBER]:
                    assert number_of(row[key], FORMS[0]) == result[key], key
        assert next(found, None) is None

    def test_readings_are_those_of_the_part_and_of_the_reference(self, records_of: RecordsOf) -> None:
        first, second = records_of(2, batch=2)
        rows = csv_of(as_filed([second]), "readings")
        record = json.loads(second)
        serials = (None, record["run"]["serial"])
        wanted = [row for row in record["readings"] if row["serial"] in serials]
        assert len(wanted) < len(record["readings"])
        assert json.loads(first)["run"]["serial"] not in serials
        assert [(int(row["entry"]), row["raw"]) for row in rows] == [(row["entry"], row["raw"]) for row in wanted]

    def test_readings_of_a_record_whose_serial_was_corrected_stay_with_it(self, records_of: RecordsOf) -> None:
        (text,) = records_of(1)
        amended = amend_record(
            json.loads(text),
            reason="typed wrong",
            by="A. Ivers",
            at="2026-03-02T12:00:00+01:00",
            changes={"serial": "9"},
        )
        before, after = csv_of(as_filed([text]), "readings"), csv_of(as_filed([dumps(amended)]), "readings")
        assert [row["entry"] for row in before] == [row["entry"] for row in after]
        assert {row["serial"] for row in after} == {"9"}

    def test_records_have_their_devices_and_what_was_objected(self, records_of: RecordsOf) -> None:
        (row,) = csv_of(as_filed(records_of(1, standard_um=1.5)), "records")
        assert (row["reference_id"], row["reference_due"], row["comparator_id"]) == ("B-5.00", "2036-05-31", "K-1")
        assert (row["stops"], row["characteristics"], row["record_verdict"]) == ("1", "1", "undecided")

    def test_a_replaced_record_names_the_one_that_replaces_it(self, book: Book, records_of: RecordsOf) -> None:
        first, second = records_of(2)
        amended = amend_record(
            json.loads(first),
            reason="typed wrong",
            by="A. Ivers",
            at="2026-03-02T12:00:00+01:00",
            changes={"serial": "9"},
        )
        book.add([first, second, dumps(amended)])
        rows = csv_of(filed(book, Criteria()), "records")
        assert [(row["serial"], row["replaced_by"] == amended["digest"]) for row in rows] == [
            ("S000000", True),
            ("9", False),
            ("S000001", False),
        ]
        assert [row["replaces"] for row in rows] == ["", json.loads(first)["digest"], ""]
        assert len(csv_of(filed(book, Criteria(latest=True)), "records")) == 2


class TestJsonLines:
    def test_each_is_the_books_own_text(self, book: Book, records_of: RecordsOf, catalogue: Catalogue) -> None:
        texts = [*records_of(3), *(dumps(record) for _, record in sample_records(catalogue))]
        book.add(texts)
        out = io.BytesIO()
        assert write_jsonl(filed(book, Criteria()), None, out) == len(texts)
        lines = out.getvalue().decode("utf-8").split("\n")
        assert lines.pop() == ""
        assert sorted(dumps(json.loads(line)) for line in lines) == sorted(texts)

    @given(
        document=st.recursive(
            st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | TEXTS,
            lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3),
        )
    )
    def test_nothing_but_line_breaks_and_indents_is_left_out(self, document: Any) -> None:
        text = json.dumps(document, indent=1, ensure_ascii=False) + "\n"
        line = line_of(text)
        assert "\n" not in line
        assert json.dumps(json.loads(line), indent=1, ensure_ascii=False) + "\n" == text

    def test_digits_stay_as_they_were_written(self) -> None:
        assert line_of('{\r\n\t"a": 1.50e+00,\n\n "b":  [\n  2.0\n ]\n}\n') == '{"a": 1.50e+00,"b":  [2.0]}'

    def test_what_acts_is_an_escape_of_its_own_text(self, records_of: RecordsOf) -> None:
        (text,) = records_of(1)
        record = json.loads(text)
        record["routine"]["title"] = "A\u202e\x9b2K\u2028"
        out = io.BytesIO()
        write_jsonl(as_filed([json.dumps(record, ensure_ascii=False)]), None, out)
        line = out.getvalue().decode("utf-8")
        assert not {sign for sign in line if category(sign) in ("Cc", "Cf", "Zl")} - {"\n"}
        assert json.loads(line) == record

    def test_a_record_with_a_key_that_stands_twice_goes_no_further(self, records_of: RecordsOf) -> None:
        (text,) = records_of(1)
        twice = text.replace('"verdict":', '"verdict": "fail",\n "verdict":', 1)
        with pytest.raises(RecordError, match="'verdict' stands twice"):
            write_jsonl(as_filed([twice]), None, io.BytesIO())

    def test_rows_of_a_table_keep_their_types(self, records_of: RecordsOf) -> None:
        out, texts = io.BytesIO(), records_of(2)
        assert write_jsonl(as_filed(texts), LISTINGS["results"], out) == 2
        row = json.loads(out.getvalue().splitlines()[0])
        assert row["value_um"] == json.loads(texts[0])["results"]["thickness"]["value_um"]
        assert row["simulated"] is False


class TestParquet:
    def test_what_went_in_comes_out_with_its_type(self, records_of: RecordsOf) -> None:
        pytest.importorskip("pyarrow", reason="pyarrow is not installed: the extra parquet")
        from pyarrow import parquet

        texts = records_of(3)
        for what, listing in LISTINGS.items():
            out = io.BytesIO()
            number = write_parquet(as_filed(texts), listing, out)
            found = parquet.read_table(io.BytesIO(out.getvalue()))
            wanted = [row for text in texts for row in listing.rows(json.loads(text), None)]
            assert number == found.num_rows == len(wanted), what
            times = [name for name, kind in listing.columns.items() if kind is Kind.TIME]
            for row, want in zip(found.to_pylist(), wanted, strict=True):
                assert {name: row[name] for name in row if name not in times} == {
                    name: want[name] for name in want if name not in times
                }
                for name in times:
                    assert row[name] == dt.datetime.fromisoformat(str(want[name]))
                    assert row[name].utcoffset() == dt.timedelta(0)
                assert row["zone"] == "UTC+01:00"

    @given(rows=ROWS)
    def test_any_row_comes_back(self, rows: list[dict[str, Any]]) -> None:
        pytest.importorskip("pyarrow", reason="pyarrow is not installed: the extra parquet")
        from pyarrow import parquet

        out = io.BytesIO()
        write_parquet(any_record(), listing_of_rows(rows), out)
        found = parquet.read_table(io.BytesIO(out.getvalue())).to_pylist()
        assert repr(found) == repr([{name: row[name] for name in COLUMNS} for row in rows])

    def test_without_pyarrow_it_says_what_to_install(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setitem(sys.modules, "pyarrow", None)
        with pytest.raises(ExportError, match=re.escape('pip install "holdzero[parquet]"')):
            write_parquet(any_record(), listing_of_rows([]), io.BytesIO())


class TestWhatNoFileCanHold:
    def test_half_a_surrogate_pair_becomes_a_sign_and_all_else_stays(self, records_of: RecordsOf) -> None:
        record = json.loads(records_of(1)[0])
        record["run"]["operator"] = "A\ud800B \U0001d6fc"
        text = json.dumps(record)
        (row,) = csv_of(as_filed([text]), "records")
        assert row["operator"] == "A�B \U0001d6fc"
        out = io.BytesIO()
        write_jsonl(as_filed([text]), None, out)
        assert json.loads(out.getvalue())["run"]["operator"] == "A\ud800B \U0001d6fc"

    @pytest.mark.parametrize("value", ["5", True, None])
    def test_what_is_no_number_is_an_empty_cell(self, records_of: RecordsOf, value: object) -> None:
        record = json.loads(records_of(1)[0])
        record["results"]["thickness"]["value_um"] = value
        (row,) = csv_of(as_filed([json.dumps(record)]), "results")
        assert row["value_um"] == ""

    def test_a_whole_number_that_no_record_holds_is_told_by_its_record(self, records_of: RecordsOf) -> None:
        record = json.loads(records_of(1)[0])
        record["results"]["thickness"]["value_um"] = 2**53  # RFC 7493 (I-JSON), 2.2
        with pytest.raises(RecordError, match=r"record 1 of the book: .*9007199254740992 is too large"):
            csv_of(as_filed([json.dumps(record)]), "results")


class TestAStream:
    def test_memory_does_not_grow_with_the_number_of_records(self, records_of: RecordsOf) -> None:
        def peak(count: int) -> int:
            tracemalloc.start()
            try:
                records = (item for _ in range(count) for item in as_filed([text]))
                with Path(os.devnull).open("wb") as nowhere:
                    write_csv(records, LISTINGS["readings"], FORMS[0], nowhere)
                return tracemalloc.get_traced_memory()[1]
            finally:
                tracemalloc.stop()

        (text,) = records_of(1)
        peak(2)
        # 270 records more, and not as much more as the texts of five.
        assert peak(300) < peak(30) + 5 * len(text)

    @pytest.mark.long
    def test_comes_oldest_first_over_many_batches(self, tmp_path: Path, records_of: RecordsOf) -> None:
        book, texts = open_book(str(tmp_path / "book.sqlite"), create=True), records_of(450)
        book.add(texts[::-1])
        assert [item.kept.text for item in filed(book, Criteria())] == texts
        book.engine.dispose()


class TestTheCommand:
    @pytest.fixture
    def kept(self, tmp_path: Path, records_of: RecordsOf, monkeypatch: pytest.MonkeyPatch) -> list[str]:
        monkeypatch.chdir(tmp_path)
        texts = records_of(4)
        book = open_book("book.sqlite", create=True)
        book.add(texts)
        book.engine.dispose()
        return texts

    def exits(self, *arguments: str) -> int:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(sys, "argv", ["holdzero", "book", "export", *arguments])
            return ended()

    def test_takes_the_criteria_of_list(self, kept: list[str]) -> None:
        assert self.exits("--serial", "S000002", "--to", "jsonl", "--out", "out.jsonl") == 0
        assert Path("out.jsonl").read_bytes() == (line_of(kept[2]) + "\n").encode()

    def test_a_decimal_comma_is_read_back(self, kept: list[str]) -> None:
        assert self.exits("--to", "csv", "--decimal", "comma", "--out", "out.csv") == 0
        rows = cells_of(Path("out.csv").read_bytes(), Csv(",", ";"))
        wanted = [json.loads(text)["results"]["thickness"]["value_um"] for text in kept]
        assert [number_of(row["value_um"], Csv(",", ";")) for row in rows] == wanted

    def test_writes_over_a_file_only_when_told(self, kept: list[str], capsys: pytest.CaptureFixture[str]) -> None:
        del kept
        Path("out.csv").write_text("mine")
        assert self.exits("--to", "csv", "--out", "out.csv") == 2
        assert "--replace" in capsys.readouterr().err
        assert Path("out.csv").read_text() == "mine"
        assert self.exits("--to", "csv", "--out", "out.csv", "--replace") == 0
        assert Path("out.csv").read_bytes().startswith(b"\xef\xbb\xbf")

    def test_leaves_no_half_file(self, kept: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
        del kept

        def broken(*_: object) -> Iterator[dict[str, Cell]]:
            yield from ()
            raise ExportError("broken on the way")

        changed = dataclasses.replace(LISTINGS["results"], rows=broken)
        monkeypatch.setattr("holdzero.book.export.LISTINGS", {"results": changed})
        assert self.exits("--to", "csv", "--out", "out.csv") == 2
        assert [path.name for path in Path().iterdir() if not path.name.startswith("book.sqlite")] == []

    @pytest.mark.parametrize(
        ("arguments", "said"),
        [
            (("--to", "xls"), "csv, jsonl, parquet"),
            (("--to", "csv", "--what", "all"), "results, readings, records"),
            (("--to", "jsonl", "--decimal", "comma"), "belong to csv"),
            (("--to", "csv", "--decimal", "dot"), "point or comma"),
            (("--to", "csv", "--verdict", "good"), "pass, fail, undecided, reported"),
            (("--to", "csv", "--since", "monday"), "no day or time"),
        ],
    )
    def test_says_what_could_be_asked_for(
        self, kept: list[str], capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], said: str
    ) -> None:
        del kept
        assert self.exits(*arguments, "--out", "out") == 2
        assert said in capsys.readouterr().err
        assert not Path("out").exists()
