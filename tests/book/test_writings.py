"""A run counts once: written again after a plugin or a library changed, its newest record counts and no other."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest
from typer.testing import CliRunner

from holdzero.amendment import amended
from holdzero.book import Book, Criteria, open_book
from holdzero.book.copying import copy_book
from holdzero.book.export import filed
from holdzero.book.known import fields_known, points_of, scatter_of
from holdzero.book.study import readings_of
from holdzero.book.trust import check_rows
from holdzero.book.walk import astray, keys_of, loose_ends, pages
from holdzero.book.writings import instead
from holdzero.catalogue import Catalogue
from holdzero.cli import app
from holdzero.record import digest_of_record, dumps
from holdzero.testing import GOOD, PLAIN

RecordsOf: TypeAlias = Callable[..., list[str]]  # see conftest


def again(text: str, word: str = "2", value: float = 0.0) -> str:
    """Another writing of the same run, by a tool that was changed; of a bench that is off by a value [um]."""
    record = json.loads(text)
    record["software"] = {**record["software"], "changed": word}
    for finding in record["findings"]:
        if value and finding["code"].startswith("check_standard"):
            finding["data"]["read_um"] += value
    return dumps({**record, "digest": digest_of_record(record)})


def corrected(text: str, **changes: str) -> str:
    at = "2026-03-02T12:00:00+01:00"
    made = amended(json.loads(text), reason="label misread", by="A. Ivers", at=at, changes=changes)
    return dumps({**made, "digest": digest_of_record(made)})


def digest(text: str) -> str:
    return str(json.loads(text)["digest"])


def counting(book: Book) -> list[str]:
    return [str(row["digest"]) for row in book.find(Criteria(latest=True))][::-1]


def faults(book: Book, catalogue: Catalogue) -> list[str]:
    numbers = [row["id"] for row in book.find(Criteria())]
    checked = (item for page in pages(book, numbers) for item in check_rows(page, keys_of(book), catalogue))
    return [*(fault for item in checked for fault in item.faults), *astray(book), *loose_ends(book)]


class TestWhatCounts:
    def test_the_newest_writing_does_and_others_are_shown_as_earlier(self, book: Book, records_of: RecordsOf) -> None:
        first, other = records_of(2)
        second, third = again(first), again(first, "3")
        for text in (first, second, other, third):
            book.add([text])
        assert counting(book) == [digest(third), digest(other)]
        assert {of: item.digest for of, item in instead(book, [digest(t) for t in (first, second, third)]).items()} == {
            digest(first): digest(third),
            digest(second): digest(third),
        }
        assert [item.replaced_by for item in filed(book, Criteria())] == [digest(third)] * 2 + [None] * 2
        assert [item.kept.text for item in filed(book, Criteria(once=True))] == [third, other]

    @pytest.mark.parametrize("batch", [{"batch": 3}, {"serial": None}], ids=["parts of a batch", "without a serial"])
    def test_each_part_of_a_run_for_itself(self, book: Book, records_of: RecordsOf, batch: dict[str, Any]) -> None:
        texts = records_of(3, **batch)
        book.add([*texts, again(texts[1])])
        assert set(counting(book)) == {digest(texts[0]), digest(again(texts[1])), digest(texts[2])}

    def test_an_amendment_is_not_undone_by_writing_anew(self, book: Book, records_of: RecordsOf) -> None:
        (first,) = records_of(1)
        fixed = corrected(first, serial="S9")
        twice = corrected(fixed, serial="S8")
        book.add([first, fixed, again(first)])
        assert counting(book) == [digest(fixed)]
        book.add([twice, again(first, "3")])
        assert counting(book) == [digest(twice)]
        assert [item.kept.text for item in filed(book, Criteria(once=True))] == [first, fixed, twice]

    def test_a_writing_anew_can_be_amended(self, book: Book, records_of: RecordsOf) -> None:
        (first,) = records_of(1)
        second = again(first)
        fixed = corrected(second, operator="M. Oduya")
        book.add([first, second, fixed])
        assert counting(book) == [digest(fixed)]
        assert set(instead(book, [digest(first), digest(second)])) == {digest(first), digest(second)}

    def test_a_run_of_the_past_is_told_once(self, book: Book, records_of: RecordsOf) -> None:
        (first,) = records_of(1)
        book.add([first, again(first)])
        run = json.loads(first)
        known = fields_known(
            book,
            comparator="K-1",
            standard=None,
            part=run["routine"]["part"],
            serials=[run["run"]["serial"]],
            title=run["routine"]["title"],
        )
        assert [item["digest"] for item in known["earlier"]] == [digest(again(first))]


class TestTheBench:
    def test_charts_have_the_value_of_the_newest_writing(self, book: Book, records_of: RecordsOf) -> None:
        texts = records_of(4, batch=2, standard_um=0.2)
        book.add(texts)
        before = points_of(book, "standard")
        runs = scatter_of(book, "K-1")
        book.add([again(text, value=0.5) for text in texts[:2]])
        after = points_of(book, "standard")
        assert [p.value_um for p in after] == pytest.approx([before[0].value_um + 0.5, before[1].value_um])
        assert [point.digest for point in after] == [digest(again(texts[0], value=0.5)), digest(texts[2])]
        assert runs is not None
        assert scatter_of(book, "K-1") == runs

    def test_it_stays_where_a_person_amended_the_earlier_one(self, book: Book, records_of: RecordsOf) -> None:
        (first,) = records_of(1, standard_um=0.2)
        book.add([first, corrected(first, serial="S9"), again(first, value=0.5)])
        assert [point.digest for point in points_of(book, "standard")] == [digest(first)]

    @pytest.mark.parametrize("together", [True, False], ids=["at once", "one by one"])
    def test_the_book_verifies(
        self, book: Book, records_of: RecordsOf, catalogue: Catalogue, *, together: bool
    ) -> None:
        texts = records_of(4, batch=2)
        texts = [*texts, *map(again, texts), corrected(again(texts[0]), serial="S9"), again(texts[1], "3")]
        for some in [texts] if together else [[text] for text in texts]:
            book.add(some)
        assert faults(book, catalogue) == []

    def test_a_copy_has_the_same(self, book: Book, records_of: RecordsOf, tmp_path: Path, catalogue: Catalogue) -> None:
        texts = records_of(4, batch=2)
        book.add([*texts, *map(again, texts)])
        target = open_book(str(tmp_path / "other.sqlite"), create=True)
        copy_book(book, target)
        assert points_of(target, "standard") == points_of(book, "standard")
        assert counting(target) == counting(book)
        assert faults(target, catalogue) == []


def test_a_study_takes_the_readings_of_a_run_once(records_of: RecordsOf) -> None:
    texts = records_of(4)
    once = readings_of(map(json.loads, texts))
    more = readings_of(map(json.loads, [*texts, *map(again, texts[:3]), again(texts[0], "3")]))
    assert [(item.part, item.trial, item.value_um) for item in more] == [
        (item.part, item.trial, item.value_um) for item in once
    ]
    assert more[0].digest == digest(again(texts[0], "3"))


class TestResume:
    """`resume` of a run that is finished, at the command line."""

    @pytest.fixture
    def tool(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., str]:
        monkeypatch.chdir(tmp_path)
        Path("washer.toml").write_text(PLAIN, "utf-8")
        Path("readings.csv").write_text("time,answer\n" + "".join(f',"{one}"\n' for one in GOOD), "utf-8")

        def call(*arguments: str) -> str:
            done = CliRunner().invoke(app, arguments)
            assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
            return " ".join(done.output.split())

        run = ("run", "washer.toml", "--source", "readings:readings.csv", "--out", "out", "--book", "book.sqlite")
        call(*run, "--operator", "T. Ester", "--serial", "7")
        return call

    def resumed(self, tool: Callable[..., str]) -> str:
        (journal,) = Path("out").glob("*.journal.jsonl")
        return tool("resume", str(journal), "--out", "out", "--book", "book.sqlite")

    @pytest.fixture
    def changed(self, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
        """Change the software that makes records."""
        from holdzero import software

        made = software.software_of

        def go(word: str) -> None:
            monkeypatch.setattr(software, "software_of", lambda plugins: {**made(plugins), "changed": word})

        return go

    def test_of_the_same_says_so_and_writes_nothing_but_what_is_missing(self, tool: Callable[..., str]) -> None:
        before = {path.name: path.read_bytes() for path in Path("out").iterdir()}
        gone = next(Path("out").glob("*.html"))
        gone.unlink()
        said = self.resumed(tool)
        assert "This run is finished: nothing is asked." in said
        assert "it is the same to the last digit; it stays as it is" in said
        assert f"as it was missing: {gone.name}" in said
        assert {path.name: path.read_bytes() for path in Path("out").iterdir()} == before
        assert open_book("book.sqlite").count() == 1

    def test_of_another_says_what_it_replaces_and_counts_once(
        self, tool: Callable[..., str], changed: Callable[[str], None]
    ) -> None:
        (first,) = Path("out").glob("*.record.json")
        words = []
        for number in range(2, 13):
            changed(str(number % 2))  # there and back: what an earlier one said counts again
            words.append(self.resumed(tool))
        assert "says the same, and other software made it; this one stays as an earlier writing" in words[0]
        assert "-2.record.json: counts in its place" in words[0]
        newest = Path("out") / first.name.replace(".record.json", "-12.record.json")
        record = json.loads(newest.read_text("utf-8"))
        book = open_book("book.sqlite")
        assert (book.count(), counting(book)) == (12, [record["digest"]])
        assert tool("verify", str(newest)).count("recomputes identically") == 1
        listed = tool("book", "list")
        assert listed.count("earlier writing of") == 11
        tool("book", "export", "--to", "csv", "--out", "all.csv")
        assert len(Path("all.csv").read_text("utf-8").splitlines()) == 1 + len(record["results"])
        tool("book", "report", "--out", "all.html")
        page = " ".join(Path("all.html").read_text("utf-8").split())
        assert "11 records not counted" in page or "11 not counted" in page, page[:2000]

    def test_writing_anew_takes_no_rejection_away(
        self, tool: Callable[..., str], changed: Callable[[str], None]
    ) -> None:
        (first,) = counting(open_book("book.sqlite"))
        tool("book", "review", first, "--name", "A. Ivers", "--meaning", "rejected", "--note", "a burr under it")
        changed("2")
        self.resumed(tool)
        listed = tool("book", "list", "--latest")
        assert f"its earlier writing {first.removeprefix('sha256:')[:12]} was rejected" in listed

    def test_records_of_a_folder_go_in_in_their_order(
        self, tool: Callable[..., str], changed: Callable[[str], None]
    ) -> None:
        for number in range(2, 12):
            changed(str(number))
            self.resumed(tool)
        (newest,) = Path("out").glob("*-11.record.json")
        files = [str(path) for path in sorted(Path("out").glob("*.record.json"))]
        assert files[0] != files[-1]
        for name, words in (("folder.sqlite", ["out"]), ("named.sqlite", files)):
            tool("book", "add", *words, "--book", name)
            assert counting(open_book(name)) == [digest(newest.read_text("utf-8"))]

    def test_what_waits_goes_in_before_what_is_newer(
        self, tool: Callable[..., str], changed: Callable[[str], None], tmp_path: Path
    ) -> None:
        shutil.move("book.sqlite", "away.sqlite")
        Path("book.sqlite").write_text("no book", "utf-8")
        changed("2")
        self.resumed(tool)
        Path("book.sqlite").unlink()
        shutil.move("away.sqlite", "book.sqlite")
        changed("3")
        self.resumed(tool)
        tool("book", "send", "out", "--book", "book.sqlite")
        (newest,) = (tmp_path / "out").glob("*-3.record.json")
        assert counting(open_book("book.sqlite")) == [digest(newest.read_text("utf-8"))]
        assert open_book("book.sqlite").count() == 3
