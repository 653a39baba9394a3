"""Routine (a) through a real terminal, killed after every event: nothing that was accepted is lost."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import pytest

from holdzero.catalogue import load_catalogue
from holdzero.events import PluginSlow, QuestionAsked
from holdzero.journal import read_journal
from holdzero.verify import verify

pytestmark = [pytest.mark.long, pytest.mark.terminal]

Record: TypeAlias = dict[str, Any]

# One answer a prompt, in the order of the routine; the soak is ended early with a reason and confirmed, so that the
# thickness is undecided. The zero closes to nothing, so that no drift is spread over times that differ from run to run.
SOAK_ENDED = "soaked on the bench beside it\ne"
UNDECIDED = 3
ANSWERS = (
    "",
    "",
    SOAK_ENDED,
    *("0", "+0.5", "-0.5"),
    "+20",
    *("+1.0", "+1.5", "+1.0", "+1.0", "+1.5", "+0.5", "+1.5", "+1.5", "+1.0"),
    *("-0.5", "+0.5"),
    "",
)
SOAK = ANSWERS.index(SOAK_ENDED)
READINGS = [answer for answer in ANSWERS if answer and answer != SOAK_ENDED]


class Person(Protocol):
    """Somebody at a terminal; see conftest."""

    @property
    def screen(self) -> str: ...
    def prompted(self) -> str: ...
    def types(self, *lines: str) -> str: ...
    def ends(self) -> int: ...
    def kill(self, sign: int = signal.SIGKILL) -> None: ...
    def say(self, line: str) -> None: ...
    def begin(self, text: str) -> None: ...


Sit: TypeAlias = Callable[..., Person]
Starter: TypeAlias = Any  # see conftest


@pytest.fixture
def ring(routines: Path) -> Path:
    return routines / "spacer-ring.toml"


def start(person: Sit, routine: Path) -> Person:
    return person("run", str(routine), "--operator", "T. Ester", "--serial", "7", "--out", "out")


def journal_in(folder: Path) -> Path:
    (journal,) = (folder / "out").glob("*.journal.jsonl")
    return journal


def resume(person: Sit, folder: Path) -> Person:
    return person("resume", str(journal_in(folder)))


def record_in(folder: Path) -> Record:
    (path,) = (folder / "out").glob("*.record.json")
    record: Record = json.loads(path.read_text("utf-8"))
    return record


def raw_readings(record: Record) -> list[str]:
    return [event["raw"] for event in record["events"] if event["event"] == "reading_taken"]


def breaks(record: Record) -> int:
    return sum(event["event"] == "run_continued" for event in record["events"])


TIMES = {"wall", "time_s", "started", "finished", "duration_s"}
# Digests over the times, and over software that somebody may be working on meanwhile.
DIGESTS = {"journal_sha256", "digest", "software"}
BREAKS = ("run_continued", "run_paused")
# That a check took long is no more than a time, too: on a machine that stalls any may.
SLOW = ("plugin_slow", "/slow")
CONTINUED = "run/continued"


BY_ITSELF = (PluginSlow, QuestionAsked)
"""What comes without an answer."""


def without_times(record: Record) -> Record:
    """A record less all that differs between two runs with the same answers: times, breaks, and what follows."""
    kept = [event for event in record["events"] if event["event"] not in (*BREAKS, *SLOW)]
    told = [finding for finding in record["findings"] if not finding["code"].endswith((*SLOW, CONTINUED))]
    numbers = {event["seq"]: number for number, event in enumerate(kept, 1)}

    def plain(item: Any) -> Any:
        if isinstance(item, dict):
            if str(item.get("name")).startswith("drift of zero"):
                # The share of a drift of nothing that falls to the readings, by their times.
                item = {**item, "sensitivity": None}
            return {key: numbered(key, value) for key, value in item.items() if key not in TIMES | DIGESTS}
        if isinstance(item, list):
            return [plain(entry) for entry in item]
        if isinstance(item, str):
            return re.sub(r"[0-9.]+ min of the soak|Asked at [0-9:]+", "then", item)
        return item

    def numbered(key: str, value: Any) -> Any:
        return numbers[value] if key in ("seq", "entry", "target", "soak_entry") else plain(value)

    stripped: Record = plain({**record, "events": kept, "findings": told})
    return stripped


@pytest.fixture(scope="module")
def unbroken(routines: Path, tmp_path_factory: pytest.TempPathFactory) -> Record:
    """The record of the same answers, given in one go."""
    folder = tmp_path_factory.mktemp("unbroken")
    text = "".join(f"{answer}\n" for answer in ANSWERS)
    command = [sys.executable, "-m", "holdzero", "run", str(routines / "spacer-ring.toml")]
    options = ["--operator", "T. Ester", "--serial", "7", "--out", "out"]
    done = subprocess.run([*command, *options], input=text, cwd=folder, text=True, capture_output=True, check=False)
    assert done.returncode == UNDECIDED, done.stderr
    return record_in(folder)


def assert_same_as_unbroken(record: Record, unbroken: Record) -> None:
    assert raw_readings(record) == READINGS
    # Each break is told, and that nothing was missing after it.
    told = [finding["level"] for finding in record["findings"] if finding["code"] == CONTINUED]
    assert told == ["note"] * breaks(record)
    assert without_times(record) == without_times(unbroken)
    assert list(record["results"]) == list(unbroken["results"])
    assert [event["seq"] for event in record["events"]] == list(range(1, len(record["events"]) + 1))


class TestKilledAfterAnyEvent:
    @pytest.mark.parametrize("given", range(len(ANSWERS)))
    def test_the_resumed_run_ends_as_an_unbroken_one(
        self, given: int, person: Sit, ring: Path, tmp_path: Path, unbroken: Record
    ) -> None:
        first = start(person, ring)
        first.types(*ANSWERS[:given])
        first.prompted()
        first.kill()
        # The start of the run, and one event an answer: all on disk before the prompt was shown.
        events = read_journal(journal_in(tmp_path)).events
        assert sum(not isinstance(event, BY_ITSELF) for event in events) == 1 + given

        second = resume(person, tmp_path)
        second.types(*ANSWERS[given:])

        assert second.ends() == UNDECIDED
        record = record_in(tmp_path)
        assert_same_as_unbroken(record, unbroken)
        assert breaks(record) == 1

    def test_killed_after_each_event_of_one_run(
        self, person: Sit, ring: Path, tmp_path: Path, unbroken: Record
    ) -> None:
        at_bench = start(person, ring)
        for answer in ANSWERS[:-1]:
            at_bench.types(answer)
            at_bench.prompted()
            at_bench.kill()
            at_bench = resume(person, tmp_path)
        at_bench.types(ANSWERS[-1])

        assert at_bench.ends() == UNDECIDED
        record = record_in(tmp_path)
        assert_same_as_unbroken(record, unbroken)
        assert breaks(record) == len(ANSWERS) - 1
        assert verify(record, load_catalogue()) == []

    def test_killed_after_the_last_event_it_can_still_write_the_record(
        self, person: Sit, ring: Path, tmp_path: Path, unbroken: Record
    ) -> None:
        first = start(person, ring)
        first.types(*ANSWERS)
        assert first.ends() == UNDECIDED
        for path in (tmp_path / "out").iterdir():
            if not path.name.endswith(".journal.jsonl"):
                path.unlink()

        second = resume(person, tmp_path)

        assert second.ends() == UNDECIDED
        record = record_in(tmp_path)
        assert_same_as_unbroken(record, unbroken)
        assert breaks(record) == 0


def begun(folder: Path, *, written: bool) -> bool:
    """Whether there is a journal, or anything in it."""
    return any(not written or path.stat().st_size > 0 for path in folder.glob("out/*.journal.jsonl"))


class TestKilledAtAnyMoment:
    def test_what_is_in_the_journal_is_sound_and_what_was_echoed_is_in_it(
        self, starter: Starter, ring: Path, tmp_path: Path
    ) -> None:
        """Answers come through a pipe as fast as they are taken, so that the kill falls anywhere."""
        chance = random.Random(20)  # noqa: S311  no secret
        whole = 0
        for trial in range(4):
            folder = tmp_path / str(trial)
            folder.mkdir()
            words = ["run", str(ring), "--operator", "T. Ester", "--serial", "7", "--out", "out"]
            with (folder / "shown").open("wb") as shown:
                end, pipe = os.pipe()
                process = starter.begin(*words, folder=folder, streams=(end, shown.fileno(), shown.fileno()))
                os.close(end)
                os.write(pipe, "".join(f"{answer}\n" for answer in ANSWERS).encode())
                # Every other one is killed as it starts, before anything or after; the rest in the midst of it.
                while process.poll() is None and not begun(folder, written=trial % 2 == 1):
                    time.sleep(0.002)
                time.sleep(chance.uniform(0.0, 0.08))
                process.kill()
                process.wait()
                os.close(pipe)
            if journal_in(folder).stat().st_size == 0:
                continue  # killed before the run had started
            events = [event for event in read_journal(journal_in(folder)).events if not isinstance(event, BY_ITSELF)]
            echoed = len(re.findall("█  µm$", (folder / "shown").read_text("utf-8"), re.MULTILINE))
            read = [event for event in events if type(event).__name__ == "ReadingTaken"]
            assert len(read) >= echoed
            whole += 1

            rest = "".join(f"{answer}\n" for answer in ANSWERS[len(events) - 1 :])
            done = starter.run("resume", str(journal_in(folder)), folder=folder, given=rest)
            assert done.returncode == UNDECIDED, done.stderr
            finished = next(folder.glob("out/*.record.json"))
            assert raw_readings(json.loads(finished.read_text("utf-8"))) == READINGS
        assert whole > 0


class TestKilledTwice:
    @pytest.mark.parametrize(("first", "second"), [(0, 0), (2, 2), (4, 9), (18, 18)])
    def test_both_breaks_are_on_record_and_nothing_is_lost(
        self, first: int, second: int, person: Sit, ring: Path, tmp_path: Path, unbroken: Record
    ) -> None:
        at_bench = start(person, ring)
        at_bench.types(*ANSWERS[:first])
        at_bench.prompted()
        at_bench.kill()
        at_bench = resume(person, tmp_path)
        at_bench.types(*ANSWERS[first:second])
        at_bench.prompted()
        at_bench.kill()
        at_bench = resume(person, tmp_path)
        at_bench.types(*ANSWERS[second:])

        assert at_bench.ends() == UNDECIDED
        record = record_in(tmp_path)
        assert_same_as_unbroken(record, unbroken)
        assert breaks(record) == 2


class TestKilledElsewhere:
    def test_with_an_answer_half_typed_the_half_is_forgotten(
        self, person: Sit, ring: Path, tmp_path: Path, unbroken: Record
    ) -> None:
        first = start(person, ring)
        first.types(*ANSWERS[:8])
        first.prompted()
        first.begin("+9")  # no Enter
        first.kill()

        second = resume(person, tmp_path)
        second.types(*ANSWERS[8:])

        assert second.ends() == UNDECIDED
        assert_same_as_unbroken(record_in(tmp_path), unbroken)

    def test_while_a_reason_is_asked_for_nothing_is_struck_out(
        self, person: Sit, ring: Path, tmp_path: Path, unbroken: Record
    ) -> None:
        first = start(person, ring)
        first.types(*ANSWERS[:8], "s", "5")
        first.prompted()
        first.kill()

        second = resume(person, tmp_path)
        second.types(*ANSWERS[8:])

        assert second.ends() == UNDECIDED
        assert_same_as_unbroken(record_in(tmp_path), unbroken)

    def test_in_a_pause_the_run_goes_on_where_it_was(
        self, person: Sit, ring: Path, tmp_path: Path, unbroken: Record
    ) -> None:
        first = start(person, ring)
        first.types(*ANSWERS[:10], "p")
        assert "PAUSED" in first.prompted()
        first.kill()

        second = resume(person, tmp_path)
        second.types(*ANSWERS[10:])

        assert second.ends() == UNDECIDED
        assert_same_as_unbroken(record_in(tmp_path), unbroken)

    def test_in_a_soak_the_soak_goes_on_by_the_clock(
        self, person: Sit, ring: Path, tmp_path: Path, unbroken: Record
    ) -> None:
        first = start(person, ring)
        begun_s = time.monotonic()
        first.types(*ANSWERS[:SOAK])
        first.prompted()
        killed_s = time.monotonic()
        first.kill()
        time.sleep(2.2)

        second = resume(person, tmp_path)
        resumed_s = time.monotonic()
        shown = second.prompted()
        left = re.search(r"(\d+):(\d\d) to go", shown)
        assert left, shown
        # It is shown in whole seconds.
        gone_s = 20 * 60 - (60 * int(left[1]) + int(left[2]))
        assert resumed_s - killed_s - 1.0 <= gone_s <= time.monotonic() - begun_s + 1.0
        reason, sure = SOAK_ENDED.split("\n")
        second.say(reason)
        second.types(sure, *ANSWERS[SOAK + 1 :])

        assert second.ends() == UNDECIDED
        assert_same_as_unbroken(record_in(tmp_path), unbroken)

    def test_a_soak_that_ended_while_nobody_was_there_is_over(self, person: Sit, ring: Path, tmp_path: Path) -> None:
        short = tmp_path / "short.toml"
        fragment = ring.parent / "fragments" / "clean-and-soak.toml"
        (tmp_path / "fragments").mkdir()
        (tmp_path / "fragments" / fragment.name).write_text(fragment.read_text("utf-8"), "utf-8")
        short.write_text(ring.read_text("utf-8").replace('wait = "20 min"', 'wait = "1 s"'), "utf-8")
        first = start(person, short)
        first.types("", "")
        first.prompted()
        first.kill()
        time.sleep(1.2)

        second = resume(person, tmp_path)
        second.types(*ANSWERS[SOAK + 1 :])

        assert second.ends() == 0
        record = record_in(tmp_path)
        assert raw_readings(record) == READINGS
        assert "soak/short" not in [finding["code"] for finding in record["findings"]]

    def test_by_a_closed_terminal_as_by_a_power_cut(
        self, person: Sit, ring: Path, tmp_path: Path, unbroken: Record
    ) -> None:
        first = start(person, ring)
        first.types(*ANSWERS[:6])
        first.prompted()
        first.kill(signal.SIGHUP)

        second = resume(person, tmp_path)
        second.types(*ANSWERS[6:])

        assert second.ends() == UNDECIDED
        assert_same_as_unbroken(record_in(tmp_path), unbroken)


class TestLeftTooLong:
    """The zero is not trusted after `longest_absence`; what was read under it must still be bracketed."""

    @pytest.fixture
    def impatient(self, ring: Path, tmp_path: Path) -> Path:
        fragment = ring.parent / "fragments" / "clean-and-soak.toml"
        (tmp_path / "fragments").mkdir()
        (tmp_path / "fragments" / fragment.name).write_text(fragment.read_text("utf-8"), "utf-8")
        text = ring.read_text("utf-8")
        assert 'longest_absence = "30 min"' in text
        path = tmp_path / "impatient.toml"
        path.write_text(text.replace('longest_absence = "30 min"', 'longest_absence = "0.2 s"'), "utf-8")
        return path

    def test_before_any_zero_nothing_is_asked_for(self, person: Sit, impatient: Path, tmp_path: Path) -> None:
        first = start(person, impatient)
        first.types(*ANSWERS[:2])
        first.prompted()
        first.kill()
        time.sleep(0.3)

        second = resume(person, tmp_path)
        second.types(*ANSWERS[2:])

        assert second.ends() == UNDECIDED
        assert raw_readings(record_in(tmp_path)) == READINGS

    def test_the_return_is_asked_for_then_a_fresh_zero_and_the_earlier_readings_count(
        self, person: Sit, impatient: Path, tmp_path: Path
    ) -> None:
        given = 11
        first = start(person, impatient)
        first.types(*ANSWERS[:given])
        first.prompted()
        first.kill()
        time.sleep(0.3)

        second = resume(person, tmp_path)
        told = second.types("+0.5")
        assert "That is longer than 0:00: the reference once more, then a fresh zero" in " ".join(told.split())
        assert "RETURN TO THE REFERENCE" in told
        assert "ZERO ON THE REFERENCE, READING 1 OF 3" in second.types("0")
        assert "ZERO ON THE REFERENCE, READING 3 OF 3" in second.types("0", "0")
        assert "READ PLACE B" in second.types(ANSWERS[given])
        second.types(*ANSWERS[given + 1 :])

        assert second.ends() == UNDECIDED, second.screen
        record = record_in(tmp_path)
        before = [answer for answer in ANSWERS[3:given] if answer]
        assert raw_readings(record) == [*before, "+0.5", "0", "0", "0", *(a for a in ANSWERS[given:] if a)]
        stops = [finding["code"] for finding in record["findings"] if finding["level"] == "stop"]
        assert stops == ["thermal/soak_short"]

    def test_a_return_out_of_limit_leaves_the_earlier_readings_undecided(
        self, person: Sit, impatient: Path, tmp_path: Path
    ) -> None:
        given = 11
        first = start(person, impatient)
        first.types(*ANSWERS[:given])
        first.prompted()
        first.kill()
        time.sleep(0.3)

        second = resume(person, tmp_path)
        second.types("+4")
        shown = second.prompted()
        if "c or q" in shown:
            second.say("c")
            second.prompted()
        second.say("0")
        second.types("0", "0", *ANSWERS[given:])

        assert second.ends() == 3, second.screen
        record = record_in(tmp_path)
        assert record["verdict"] == "undecided"
        assert "bracket/limit" in [finding["code"] for finding in record["findings"]]

    def test_a_pause_is_an_absence_too_and_says_so(self, person: Sit, impatient: Path) -> None:
        at_bench = start(person, impatient)
        at_bench.types(*ANSWERS[:11], "p")
        at_bench.prompted()
        time.sleep(0.3)
        at_bench.say("")

        shown = at_bench.prompted()

        assert "a fresh zero before you go on" in " ".join(shown.split())
        assert "RETURN TO THE REFERENCE" in shown
