"""The journal under damage, in two hands, and on a full disk: what was accepted is safe, and it is said."""

from __future__ import annotations

import errno
import io
import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero import events as e
from holdzero.cli.conduct import Options, resume_run
from holdzero.errors import JournalError
from holdzero.journal import Journal, mark_of, read_journal
from holdzero.run import Run

Measure: TypeAlias = Callable[..., object]  # see conftest

ZEROS_AND_ONE = ("0", "+0.1", "-0.1", "+1.0")
REST = ("+1.1", "+0.9", "0")


@pytest.fixture
def interrupted(measure: Measure, tmp_path: Path) -> Path:
    """A journal of a run that stopped for want of answers: a start and four readings."""
    measure(answers=ZEROS_AND_ONE)
    (journal,) = tmp_path.rglob("*.journal.jsonl")
    return journal


def resumed(journal: Path, answers: tuple[str, ...], routine: Path | None = None) -> int:
    readings = journal.parent / "rest.csv"
    readings.write_text("time,answer\n" + "".join(f",{answer}\n" for answer in answers), "utf-8")
    options = Options(
        source=f"readings:{readings}",
        out=journal.parent,
        json=False,
        shop=journal.parent / "shop.toml",
        overrule=None,
        choices={},
    )
    return resume_run(journal, options, routine=routine)


def note(seq: int, text: str = "a note") -> e.NoteAdded:
    return e.NoteAdded(seq=seq, wall="2026-01-05T08:00:00.000+01:00", time_s=float(seq), text=text)


class TestTornLastLine:
    def test_cut_at_any_byte_all_lines_before_it_stand(self, interrupted: Path) -> None:
        raw = interrupted.read_bytes()
        start = raw.rstrip(b"\n").rfind(b"\n") + 1
        whole = read_journal(interrupted).events
        for end in range(start, len(raw) - 1):
            interrupted.write_bytes(raw[:end])
            text = read_journal(interrupted)
            assert text.events == whole[:-1], end
            assert text.torn == (end > start)

    def test_cut_before_its_newline_alone_it_is_whole(self, interrupted: Path) -> None:
        whole = read_journal(interrupted).events
        interrupted.write_bytes(interrupted.read_bytes().rstrip(b"\n"))
        assert read_journal(interrupted).events == whole
        assert resumed(interrupted, REST) == 0
        assert read_journal(interrupted).events[: len(whole)] == whole

    @pytest.mark.parametrize("rubbish", [b"\x00" * 512, b"\xff\xfe", b"{", b'{"chain":"', b"}}}"])
    def test_rubbish_without_an_end_is_dropped(self, interrupted: Path, rubbish: bytes) -> None:
        whole = read_journal(interrupted).events
        with interrupted.open("ab") as file:
            file.write(rubbish)
        text = read_journal(interrupted)
        assert text.events == whole
        assert text.torn

    def test_a_torn_line_is_cut_off_and_the_run_goes_on(
        self, interrupted: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        # As a power cut leaves it: the mark beside it is of the entry before, for the torn one was not acknowledged.
        *_, before, _ = read_journal(interrupted).chains
        kept = interrupted.read_bytes()[:-7]
        number = len(read_journal(interrupted).events) - 1
        mark_of(interrupted).write_text(f"{number:09d} {before}\n", "ascii")
        interrupted.write_bytes(kept)
        assert resumed(interrupted, ("+1.0", *REST)) == 0
        assert "The last line of the journal was torn and is dropped" in capsys.readouterr().out
        assert Run.of(read_journal(interrupted).events).state.phase.value == "finished"

    def test_a_cut_inside_a_device_of_the_register_is_torn_too(self, tmp_path: Path) -> None:
        """A line that ends in a bracket of its own looks whole."""
        path = tmp_path / "x.journal.jsonl"
        entry = {"id": "B5", "size": "5 mm", "nested": {"a": {"b": 1}}}
        chosen = e.EntryChosen(seq=2, wall="w", time_s=2.0, slot="s", role="reference", entry=entry, overruled=None)
        with Journal.create(path) as journal:
            journal.append(note(1))
            journal.append(chosen)
        raw = path.read_bytes()
        first = raw.index(b"\n") + 1
        for end in range(first + 1, len(raw) - 1):
            path.write_bytes(raw[:end])
            assert read_journal(path).events == (note(1),), end


class TestDamage:
    """Anything but a torn last line names its line and says what is sound."""

    def damaged(self, journal: Path, lines: list[bytes]) -> JournalError:
        journal.write_bytes(b"".join(lines))
        before = journal.read_bytes()
        with pytest.raises(JournalError) as caught:
            read_journal(journal)
        with pytest.raises(JournalError):
            Journal.reopen(journal)
        assert journal.read_bytes() == before
        return caught.value

    def lines(self, journal: Path) -> list[bytes]:
        return journal.read_bytes().splitlines(keepends=True)

    @pytest.mark.parametrize("number", [2, 3, 4, 5])
    def test_a_changed_value(self, interrupted: Path, number: int) -> None:
        lines = self.lines(interrupted)
        lines[number - 1] = lines[number - 1].replace(b'"time_s":0.0', b'"time_s":0.5')
        error = self.damaged(interrupted, lines)
        assert f"{interrupted}:{number}:" in str(error)
        assert f"the {number - 1} entries before it are sound" in error.mend

    def test_a_changed_routine(self, interrupted: Path) -> None:
        lines = self.lines(interrupted)
        lines[0] = lines[0].replace(b'"+3 um"', b'"+9 um"')
        error = self.damaged(interrupted, lines)
        assert f"{interrupted}:1:" in str(error)
        assert "no entry before it is sound" in error.mend

    @pytest.mark.parametrize("number", [1, 2, 3, 4])
    def test_a_removed_line(self, interrupted: Path, number: int) -> None:
        lines = self.lines(interrupted)
        del lines[number - 1]
        assert f"{interrupted}:{number}: its running digest is wrong" in str(self.damaged(interrupted, lines))

    @pytest.mark.parametrize("number", [2, 3, 4])
    def test_two_lines_swapped(self, interrupted: Path, number: int) -> None:
        lines = self.lines(interrupted)
        lines[number - 1], lines[number] = lines[number], lines[number - 1]
        assert f"{interrupted}:{number}: its running digest is wrong" in str(self.damaged(interrupted, lines))

    @pytest.mark.parametrize("number", [1, 2, 3, 4, 5])
    def test_a_line_doubled(self, interrupted: Path, number: int) -> None:
        lines = self.lines(interrupted)
        lines.insert(number, lines[number - 1])
        assert f"{interrupted}:{number + 1}: its running digest is wrong" in str(self.damaged(interrupted, lines))

    @pytest.mark.parametrize("number", [1, 3, 5])
    def test_an_empty_line_between(self, interrupted: Path, number: int) -> None:
        lines = self.lines(interrupted)
        lines.insert(number - 1, b"\n")
        assert f"{interrupted}:{number}: it is empty" in str(self.damaged(interrupted, lines))

    @pytest.mark.parametrize("line", [b"{}\n", b"time,answer\n", b"\xff\xfe\n", b"\x00\n", b"null\n", b"[1]\n"])
    def test_a_strange_line_between(self, interrupted: Path, line: bytes) -> None:
        lines = self.lines(interrupted)
        lines.insert(2, line)
        assert f"{interrupted}:3: it is no" in str(self.damaged(interrupted, lines))

    def test_a_whole_last_line_that_was_changed(self, interrupted: Path) -> None:
        lines = self.lines(interrupted)
        lines[-1] = lines[-1].replace(b'"value_um":1.0', b'"value_um":0.5')
        assert f"{interrupted}:{len(lines)}: its running digest" in str(self.damaged(interrupted, lines))

    def test_brackets_nested_without_end(self, interrupted: Path) -> None:
        lines = self.lines(interrupted)
        deep = b'{"chain":"' + b"0" * 64 + b'","event":' + b"[" * 200_000 + b"}\n"
        lines.insert(2, deep)
        assert f"{interrupted}:3:" in str(self.damaged(interrupted, lines))


class TestNoJournal:
    @pytest.mark.parametrize(
        ("content", "word"),
        [
            (b"", "it holds no event"),
            (b"\n", "it is empty"),
            (b"\x89PNG\r\n\x1a\n\x00\x00", "it is no text"),
            (b"x" * 5_000_000, "it holds no event"),
            (b"x" * 5_000_000 + b"\n", "it is no whole entry"),
            (b'{"a": 1}\n', "it is no whole entry"),
        ],
        ids=["empty", "a newline", "binary", "one huge line without end", "one huge line", "other JSON"],
    )
    def test_it_is_refused_and_left_as_it_is(self, tmp_path: Path, content: bytes, word: str) -> None:
        path = tmp_path / "x.journal.jsonl"
        path.write_bytes(content)
        with pytest.raises(JournalError, match=word):
            read_journal(path)
        with pytest.raises(JournalError, match=word):
            resumed(path, REST)
        assert path.read_bytes() == content

    def test_a_file_of_a_size_that_no_journal_has_is_not_even_read(self, tmp_path: Path) -> None:
        path = tmp_path / "x.journal.jsonl"
        with path.open("wb") as file:
            file.truncate(10**12)  # takes no room: the file is one hole
        with pytest.raises(JournalError, match="is this a journal"):
            read_journal(path)

    def test_a_missing_file_and_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(JournalError, match="No such file"):
            read_journal(tmp_path / "none.journal.jsonl")
        with pytest.raises(JournalError, match="directory"):
            read_journal(tmp_path)

    def test_events_that_make_no_run_are_refused(self, tmp_path: Path) -> None:
        path = tmp_path / "x.journal.jsonl"
        with Journal.create(path) as journal:
            journal.append(note(1))
        with pytest.raises(JournalError, match="NoteAdded can't come while the run is new"):
            resumed(path, REST)


class TestLock:
    def test_a_second_handle_is_refused_and_the_first_goes_on(self, tmp_path: Path) -> None:
        path = tmp_path / "x.journal.jsonl"
        with Journal.create(path) as journal:
            journal.append(note(1))
            with pytest.raises(JournalError, match="another run holds it"):
                Journal.reopen(path)
            journal.append(note(2))
        assert len(read_journal(path).events) == 2

    def test_a_second_process_is_refused_with_exit_code_2(self, interrupted: Path, starter: Any) -> None:
        held, _ = Journal.reopen(interrupted)
        with held:
            done = starter.run("resume", str(interrupted), folder=interrupted.parent)
        assert done.returncode == 2
        assert "another run holds it" in done.stderr
        assert "Traceback" not in done.stderr
        assert resumed(interrupted, REST) == 0

    def test_a_journal_is_never_started_over(self, interrupted: Path) -> None:
        before = interrupted.read_bytes()
        with pytest.raises(JournalError, match="it exists already"):
            Journal.create(interrupted)
        assert interrupted.read_bytes() == before


class TestFolderThatCannotBeWritten:
    def test_a_file_stands_where_the_folder_should_be(self, tmp_path: Path) -> None:
        (tmp_path / "out").write_text("in the way", "utf-8")
        with pytest.raises(JournalError, match="choose another folder with --out"):
            Journal.create(tmp_path / "out" / "x.journal.jsonl")

    def test_read_only(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(self: Path, *_: object, **__: object) -> None:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(self))

        monkeypatch.setattr(Path, "open", refuse)
        with pytest.raises(JournalError, match="Read-only file system"):
            Journal.create(tmp_path / "x.journal.jsonl")

    def test_the_command_says_so_and_ends_with_2(self, routines: Path, tmp_path: Path) -> None:
        out = tmp_path / "out"
        out.write_text("in the way", "utf-8")
        done = run_ring(routines, out)
        assert done.returncode == 2
        assert "choose another folder with --out" in done.stderr
        assert "Traceback" not in done.stderr


_open = Path.open


class Disk:
    """A disk with so much room [bytes], that takes so much at once."""

    room = 10_000
    at_once = 10_000

    def opened(self, path: Path, mode: str, **how: Any) -> Any:
        """A file of it."""
        disk = self

        class File(io.FileIO):
            def write(self, data: Any) -> int:
                if not disk.room:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                taken = super().write(bytes(data[: min(disk.room, disk.at_once)]))
                disk.room -= taken
                return taken

        return File(path, mode.replace("b", "")) if how.get("buffering") == 0 else _open(path, mode, **how)


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    """The disk that a journal is on."""
    made = Disk()
    monkeypatch.setattr(Path, "open", lambda path, mode="r", **how: made.opened(path, mode, **how))
    return made


class TestDiskFull:
    @pytest.mark.parametrize("room", [0, 1, 70, 100, 170])
    def test_the_event_that_found_no_room_is_not_in_and_all_before_it_are(
        self, tmp_path: Path, disk: Disk, room: int
    ) -> None:
        path = tmp_path / "x.journal.jsonl"
        with Journal.create(path) as journal:
            journal.append(note(1))
            sound = path.read_bytes()
            disk.room = room
            with pytest.raises(JournalError) as caught:
                journal.append(note(2))
            assert "No space left on device" in str(caught.value)
            assert "all 1 entries before it are safe" in caught.value.mend
            assert f"holdzero resume {path}" in caught.value.mend
            assert path.read_bytes() == sound
            disk.room = 10_000
            journal.append(note(2, "there is room again"))
        assert read_journal(path).events == (note(1), note(2, "there is room again"))

    def test_a_write_in_pieces_is_put_together(self, tmp_path: Path, disk: Disk) -> None:
        path = tmp_path / "x.journal.jsonl"
        disk.at_once = 7
        with Journal.create(path) as journal:
            journal.append(note(1))
        assert read_journal(path).events == (note(1),)

    def test_what_could_not_be_synced_was_not_accepted(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = tmp_path / "x.journal.jsonl"
        with Journal.create(path) as journal:
            journal.append(note(1))

            def fail(_: int) -> None:
                raise OSError(errno.EIO, os.strerror(errno.EIO))

            with monkeypatch.context() as patch:
                patch.setattr(os, "fsync", fail)
                with pytest.raises(JournalError, match="Input/output error"):
                    journal.append(note(2))
            journal.append(note(2, "again"))
        assert read_journal(path).events == (note(1), note(2, "again"))

    def test_before_the_first_entry_it_says_that_nothing_was_read(self, tmp_path: Path, disk: Disk) -> None:
        with Journal.create(tmp_path / "x.journal.jsonl") as journal:
            disk.room = 0
            with pytest.raises(JournalError, match="nothing was read yet"):
                journal.append(note(1))

    @pytest.mark.long
    @pytest.mark.parametrize("room", [2600, 3000, 3300])
    def test_for_real_the_run_ends_with_4_and_can_be_resumed(
        self, routines: Path, tmp_path: Path, size_of_a_whole_journal: int, starter: Any, room: int
    ) -> None:
        """The system itself refuses to let any file grow beyond `room` bytes."""
        limit = size_of_a_whole_journal * room // 4000

        def small_files() -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

        out = tmp_path / "out"
        done = run_ring(routines, out, small_files)
        assert done.returncode == 4, done.stderr
        assert "could not be saved" in done.stderr
        assert "Traceback" not in done.stderr
        (journal,) = out.glob("*.journal.jsonl")
        assert f"holdzero resume {journal}" in done.stderr
        text = read_journal(journal)
        assert not text.torn
        assert f"entry {len(text.events) + 1} could not be saved" in done.stderr
        answers = [event.raw for event in text.events if isinstance(event, e.ReadingTaken)]

        rest = tmp_path / "rest.csv"
        kept = ring_answers(routines)
        rest.write_text("time,answer\n" + "".join(f",{answer}\n" for answer in kept[len(answers) :]), "utf-8")
        again = starter.run("resume", str(journal), "--source", f"readings:{rest}", folder=tmp_path)
        assert again.returncode == 0, again.stderr
        final = [event.raw for event in read_journal(journal).events if isinstance(event, e.ReadingTaken)]
        assert final == kept


def ring_answers(routines: Path) -> list[str]:
    rows = (routines / "spacer-ring.readings.csv").read_text("utf-8").splitlines()
    return [row.partition(",")[2] for row in rows if row and not row.startswith(("#", "time"))]


def run_ring(routines: Path, out: Path, limits: Callable[[], None] | None = None) -> subprocess.CompletedProcess[str]:
    ring, readings = routines / "spacer-ring.toml", routines / "spacer-ring.readings.csv"
    options = ["--source", f"readings:{readings}", "--serial", "7", "--operator", "T. Ester", "--out", str(out)]
    return subprocess.run(
        [sys.executable, "-m", "holdzero", "run", str(ring), *options],
        preexec_fn=limits,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture(scope="module")
def size_of_a_whole_journal(routines: Path, tmp_path_factory: pytest.TempPathFactory) -> int:
    out = tmp_path_factory.mktemp("whole")
    assert run_ring(routines, out).returncode == 0
    (journal,) = out.glob("*.journal.jsonl")
    return journal.stat().st_size


class TestAnotherRoutine:
    def test_it_is_refused_and_the_journal_is_as_it_was(self, interrupted: Path, routines: Path) -> None:
        before = interrupted.read_bytes()
        with pytest.raises(JournalError, match="another routine or another text of it"):
            resumed(interrupted, REST, routines / "spacer-ring.toml")
        assert interrupted.read_bytes() == before

    def test_an_edited_routine_is_another_one(self, interrupted: Path, tmp_path: Path) -> None:
        (routine,) = tmp_path.rglob("routine.toml")
        edited = tmp_path / "edited.toml"
        edited.write_text(routine.read_text("utf-8").replace('"+3 um"', '"+4 um"'), "utf-8")
        with pytest.raises(JournalError, match=r"routine\.toml"):
            resumed(interrupted, REST, edited)

    def test_with_its_own_routine_it_goes_on(self, interrupted: Path, tmp_path: Path) -> None:
        (routine,) = tmp_path.rglob("routine.toml")
        assert resumed(interrupted, REST, routine) == 0

    def test_it_goes_on_by_the_routine_it_holds_whatever_became_of_the_file(
        self, interrupted: Path, tmp_path: Path
    ) -> None:
        (routine,) = tmp_path.rglob("routine.toml")
        routine.unlink()
        assert resumed(interrupted, REST) == 0
