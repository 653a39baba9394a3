"""A run that went on after a break says so; a journal that was cut at the end of a line, or put back, shows."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest
from typer.testing import CliRunner

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.cli import app
from holdzero.journal import End, Journal, end_of, mark_of, read_journal
from holdzero.testing import GOOD, PLAIN
from holdzero.verify import verify

Record: TypeAlias = dict[str, Any]
BROKEN_AFTER = 4  # answers


class Measuring:
    """A run from a readings file that was broken off, and what `resume` makes of its journal."""

    def __init__(self) -> None:
        Path("washer.toml").write_text(PLAIN, "utf-8")
        self.run("run", "washer.toml", *self.readings(GOOD[:BROKEN_AFTER]), "--operator", "T. Ester", "--serial", "7")
        (self.journal,) = Path("out").glob("*.journal.jsonl")
        self.mark = mark_of(self.journal)

    def readings(self, answers: Any) -> tuple[str, str]:
        Path("readings.csv").write_text("time,answer\n" + "".join(f',"{one}"\n' for one in answers), "utf-8")
        return "--source", "readings:readings.csv"

    def run(self, *arguments: str) -> tuple[int, str]:
        done = CliRunner().invoke(app, [*arguments, "--out", "out"])
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code, " ".join(done.output.split())

    @property
    def answered(self) -> int:
        """How many of the answers the journal has."""
        kinds = (e.ReadingTaken, e.TemperatureRead)
        return sum(isinstance(event, kinds) for event in read_journal(self.journal).events)

    def cut(self, lines: int) -> None:
        """Take entries off the end, as an editor does."""
        rest = self.journal.read_bytes().splitlines(keepends=True)[:-lines]
        self.journal.write_bytes(b"".join(rest))

    def resume(self) -> tuple[Record, str]:
        """Go on with the answers that are still wanted, to the end."""
        _, said = self.run("resume", str(self.journal), *self.readings(GOOD[self.answered :]))
        (record,) = Path("out").glob("*.record.json")
        return json.loads(record.read_text("utf-8")), said


@pytest.fixture
def measuring(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Measuring:
    monkeypatch.chdir(tmp_path)
    return Measuring()


def told(record: Record) -> list[tuple[str, str]]:
    codes = ("run/continued", "run/journal_cut")
    return [(found["code"], found["level"]) for found in record["findings"] if found["code"] in codes]


class TestARunThatWentOn:
    def test_says_so_and_stands(self, measuring: Measuring, catalogue: Catalogue) -> None:
        record, said = measuring.resume()
        assert told(record) == [("run/continued", "note")]
        assert "The run was broken off before entry" in said
        assert "its journal was as it had been left." in said
        assert record["verdict"] == "pass"
        assert verify(record, catalogue) == []

    def test_says_so_each_time(self, measuring: Measuring) -> None:
        whole = GOOD[measuring.answered : measuring.answered + 1]
        measuring.run("resume", str(measuring.journal), *measuring.readings(whole))
        record, _ = measuring.resume()
        assert told(record) == [("run/continued", "note")] * 2

    @pytest.mark.parametrize("lines", [1, 2, 3])
    def test_on_a_cut_journal_is_undecided(self, measuring: Measuring, catalogue: Catalogue, lines: int) -> None:
        measuring.cut(lines)
        record, said = measuring.resume()
        assert told(record) == [("run/journal_cut", "stop")]
        assert record["verdict"] == "undecided"
        assert f"{lines} {'entry was' if lines == 1 else 'entries were'} missing at the end of its journal" in said
        assert verify(record, catalogue) == []

    def test_on_a_journal_that_was_cut_and_gone_on_with_stays_undecided(self, measuring: Measuring) -> None:
        measuring.cut(2)
        measuring.run("resume", str(measuring.journal), *measuring.readings(()))
        record, _ = measuring.resume()
        assert told(record) == [("run/journal_cut", "stop"), ("run/continued", "note")]
        assert record["verdict"] == "undecided"

    def test_whose_finished_journal_was_cut_to_be_measured_again_is_undecided(self, measuring: Measuring) -> None:
        measuring.resume()
        next(Path("out").glob("*.record.json")).unlink()
        measuring.cut(3)
        record, _ = measuring.resume()
        assert ("run/journal_cut", "stop") in told(record)

    def test_on_other_entries_than_it_was_left_with_is_undecided(self, measuring: Measuring) -> None:
        events = read_journal(measuring.journal).events
        last = events[-1]
        assert isinstance(last, e.ReadingTaken)
        kept = measuring.mark.read_bytes()
        measuring.journal.unlink()
        with Journal.create(measuring.journal) as journal:
            for event in events[:-1]:
                journal.append(event)
            forged = {name: getattr(last, name) for name in ("seq", "wall", "time_s", "slot", "line")}
            journal.append(e.ReadingTaken(**forged, raw="0", value_um=0.0))
        measuring.mark.write_bytes(kept)
        record, said = measuring.resume()
        assert told(record) == [("run/journal_cut", "stop")]
        assert "its journal had other entries than when it was left" in said

    @pytest.mark.parametrize("mark", [None, b"", b"nonsense\n", b"0" * 4000])
    def test_without_its_mark_is_in_doubt(self, measuring: Measuring, mark: bytes | None) -> None:
        measuring.mark.unlink()
        if mark is not None:
            measuring.mark.write_bytes(mark)
        record, said = measuring.resume()
        assert told(record) == [("run/continued", "doubt")]
        assert "nobody knows whether entries were cut off" in said
        text = read_journal(measuring.journal)
        assert end_of(measuring.journal, text) == (End.WHOLE, 0), "from here on there is one again"


class TestAJournalThatWasCutWithItsMark:
    """Both say the same then; what was made of the whole of it does not."""

    CUT = ("undecided", [("run/journal_cut", "stop"), ("run/continued", "note")])

    def cut(self, measuring: Measuring) -> None:
        measuring.cut(3)
        text = read_journal(measuring.journal)
        measuring.mark.write_text(f"{len(text.events):09d} {text.chain}\n", "ascii")
        assert end_of(measuring.journal, text) == (End.WHOLE, 0)

    def verdicts(self, measuring: Measuring, *more: str) -> list[tuple[str, list[tuple[str, str]]]]:
        measuring.run("resume", str(measuring.journal), *measuring.readings(GOOD[measuring.answered :]), *more)
        records = [json.loads(path.read_text("utf-8")) for path in Path("out").glob("*.record.json")]
        return sorted((record["verdict"], told(record)) for record in records)

    def test_is_undecided_where_a_record_of_it_lies_beside_it(self, measuring: Measuring) -> None:
        measuring.resume()
        self.cut(measuring)
        assert self.CUT in self.verdicts(measuring)

    def test_is_undecided_where_a_record_of_it_is_in_the_book(self, measuring: Measuring) -> None:
        measuring.run(
            "resume", str(measuring.journal), *measuring.readings(GOOD[BROKEN_AFTER:]), "--book", "book.sqlite"
        )
        for path in Path("out").glob("*.record.json"):
            path.unlink()
        self.cut(measuring)
        assert self.verdicts(measuring, "--book", "book.sqlite") == [self.CUT]

    def test_goes_on_where_no_record_was_made_of_it(self, measuring: Measuring) -> None:
        # Of another run that began at the same second.
        measuring.run("run", "washer.toml", *measuring.readings(GOOD), "--operator", "T. Ester", "--serial", "8")
        (other,) = Path("out").glob("*.record.json")
        other.rename(other.with_name(f"{measuring.journal.name.removesuffix('.journal.jsonl')}-8.record.json"))
        assert ("pass", [("run/continued", "note")]) in self.verdicts(measuring)


class TestTheMark:
    def test_lags_behind_where_power_was_cut_and_that_is_whole(self, measuring: Measuring) -> None:
        text = read_journal(measuring.journal)
        for number, chain in enumerate(text.chains, 1):
            measuring.mark.write_text(f"{number:09d} {chain}\n", "ascii")
            assert end_of(measuring.journal, text) == (End.WHOLE, 0)

    def test_shows_a_line_that_was_torn_after_it_was_acknowledged(self, measuring: Measuring) -> None:
        content = measuring.journal.read_bytes()
        measuring.journal.write_bytes(content[:-5])
        text = read_journal(measuring.journal)
        assert text.torn
        assert end_of(measuring.journal, text) == (End.CUT, 1)

    def test_that_was_broken_off_while_it_was_written_calls_no_journal_cut(self, measuring: Measuring) -> None:
        text = read_journal(measuring.journal)
        count = len(text.events)
        before, after = (f"{number:09d} {text.chains[number - 1]}\n" for number in (count - 1, count))
        assert measuring.mark.read_text("ascii") == after
        for written in range(len(after) + 1):
            measuring.mark.write_text(after[:written] + before[written:], "ascii")
            assert end_of(measuring.journal, text) == (End.WHOLE, 0), written

    def test_that_was_broken_off_tells_a_journal_that_was_cut_all_the_same(self, measuring: Measuring) -> None:
        text = read_journal(measuring.journal)
        count = len(text.events)
        before, after = (f"{number:09d} {text.chains[number - 1]}\n" for number in (count - 1, count))
        measuring.mark.write_text(after[:30] + before[30:], "ascii")
        measuring.cut(2)
        assert end_of(measuring.journal, read_journal(measuring.journal))[0] is End.CUT

    def test_that_is_a_pipe_or_leads_elsewhere_holds_nothing_up(self, measuring: Measuring, tmp_path: Path) -> None:
        for make in (os.mkfifo, lambda path: path.symlink_to(tmp_path / "elsewhere")):
            measuring.mark.unlink()
            make(measuring.mark)
            assert end_of(measuring.journal, read_journal(measuring.journal)) == (End.NO_MARK, 0)
        record, _ = measuring.resume()
        assert told(record) == [("run/continued", "doubt")]
        assert not (tmp_path / "elsewhere").exists()

    def test_that_can_not_be_written_harms_no_run(self, start: Callable[..., Any], tmp_path: Path) -> None:
        mark_of(tmp_path / "7.journal.jsonl").mkdir()
        with Journal.create(tmp_path / "7.journal.jsonl") as journal:
            journal.append(start().run.events[0])
        assert len(read_journal(tmp_path / "7.journal.jsonl").events) == 1


def test_a_record_of_before_there_were_marks_is_as_it_was(start: Callable[..., Any]) -> None:
    bench = start().answer("0").take(e.RunContinued, away_s=3.0, source="keyboard")
    data = e.event_to_data(bench.run.events[-1])
    assert "journal" not in data
    assert "missing" not in data
    assert bench.run.state.reopened == ()
