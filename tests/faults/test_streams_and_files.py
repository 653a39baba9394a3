"""What is no file, streams that take nothing, and who ends a run from outside: a sentence and the right exit code."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdzero import cli
from holdzero.cli import output
from holdzero.hooks import Habits, Said, Sends
from holdzero.live.taking import Taker
from holdzero.testing.draft import GOOD, PLAIN
from holdzero.whole_file import read_whole

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(sys.platform == "win32", reason="no such pipes, devices and signals"),
]

if TYPE_CHECKING:
    from collections.abc import Sequence

TOOL = (sys.executable, "-m", "holdzero")
READINGS = "".join(f"{row}\n" for row in ("time,answer", *(f",{answer}" for answer in GOOD)))
PASS, INVALID, INTERRUPTED = 0, 2, 4


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
    (tmp_path / "readings.csv").write_text(READINGS, "utf-8")
    os.mkfifo(tmp_path / "pipe")
    return tmp_path


def said_by(folder: Path, words: Sequence[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*TOOL, *words],
        cwd=folder,
        capture_output=True,
        encoding="utf-8",
        timeout=60.0,
        check=False,
        stdin=subprocess.DEVNULL,
    )


@pytest.mark.parametrize("what", ["pipe", "/dev/zero", "."])
def test_what_is_no_file_is_told_at_once(folder: Path, what: str) -> None:
    with pytest.raises(OSError, match=r"pipe or a device|directory"):
        read_whole(folder / what, 1000)


@pytest.mark.parametrize("what", ["pipe", "/dev/zero"])
@pytest.mark.parametrize(
    "words",
    [
        "validate {}",
        "verify {}",
        "explain {}",
        "resume {}",
        "run washer.toml --source readings:{}",
        "run washer.toml --source serial:loop://,{}",
        "rehearse washer.toml --runs 1 --scenario {}",
        "register list --shop {}",
    ],
)
def test_a_pipe_and_an_endless_file_end_in_a_sentence(folder: Path, words: str, what: str) -> None:
    done = said_by(folder, words.format(what).split())
    told = done.stdout + done.stderr
    assert done.returncode in (INVALID, INTERRUPTED)
    assert what in told
    assert "fault of the tool" not in told
    assert "Traceback" not in told


RUN = f"{sys.executable} -m holdzero run washer.toml --source readings:readings.csv --serial 1"


@pytest.mark.parametrize(
    "where", [">/dev/full", "2>/dev/full", ">/dev/full 2>&1", ">&-", "2>&-", "<&-", "<&- >&- 2>&-"]
)
def test_a_run_that_passed_passes_whatever_takes_its_words(folder: Path, where: str) -> None:
    done = subprocess.run(["sh", "-c", f"{RUN} {where}"], cwd=folder, capture_output=True, timeout=60.0, check=False)
    assert done.returncode == PASS
    assert b"Traceback" not in done.stderr
    (record,) = (folder / "records").glob("*.record.json")
    (journal,) = (folder / "records").glob("*.journal.jsonl")
    assert journal.read_text("utf-8").count("\n") > 5
    assert b"\n{" not in record.read_bytes()


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        ([signal.SIGTERM], "SIGTERM"),
        ([signal.SIGHUP], "SIGHUP"),
        ([signal.SIGHUP, signal.SIGTERM], "SIGHUP"),
        ([signal.SIGTERM] * 4, "SIGTERM"),
    ],
)
def test_who_is_ended_from_outside_says_so_and_can_go_on(
    folder: Path, numbers: list[signal.Signals], words: str
) -> None:
    with subprocess.Popen(
        [*TOOL, "run", "washer.toml", "--operator", "T. Ester", "--serial", "1"],
        cwd=folder,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    ) as process:
        end_s = time.monotonic() + 30.0
        while not list(folder.glob("records/*.journal.jsonl")) and time.monotonic() < end_s:
            time.sleep(0.05)
        time.sleep(0.3)
        for number in numbers:
            process.send_signal(number)
            time.sleep(0.02)
        _, told = process.communicate(timeout=30.0)
    assert process.returncode == INTERRUPTED
    assert words in told
    assert "resume" in told
    assert "Traceback" not in told


def test_who_is_ended_while_the_tool_loads_says_so_and_gives_no_verdict(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def broken_into(*_: object) -> None:
        raise KeyboardInterrupt("ended from outside (SIGTERM)")

    # The command, and what would say that it was broken into.
    monkeypatch.setattr(cli, "app", broken_into)
    monkeypatch.setattr(output, "tell", broken_into)
    assert cli.ended() == INTERRUPTED
    assert capfd.readouterr().err == "\nholdzero: ended from outside (SIGTERM)\n"


def test_who_is_ended_after_the_verdict_keeps_its_exit_code(folder: Path) -> None:
    late = "import atexit, pathlib, time\natexit.register(lambda: (pathlib.Path('late').touch(), time.sleep(1.0)))\n"
    (folder / "sitecustomize.py").write_text(late, "utf-8")
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(folder), os.environ.get("PYTHONPATH", "")])}
    with subprocess.Popen(RUN.split(), cwd=folder, env=env, stdout=subprocess.DEVNULL) as process:
        end_s = time.monotonic() + 60.0
        while not (folder / "late").exists() and time.monotonic() < end_s:
            time.sleep(0.02)
        process.send_signal(signal.SIGHUP)
        process.send_signal(signal.SIGTERM)
        assert process.wait(30.0) == PASS


def test_a_module_that_is_missing_is_named(folder: Path) -> None:
    (folder / "sitecustomize.py").write_text("import sys\nsys.modules['rfc8785'] = None\n", "utf-8")
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(folder), os.environ.get("PYTHONPATH", "")])}
    done = subprocess.run(
        [*TOOL, "validate", "washer.toml"], cwd=folder, capture_output=True, encoding="utf-8", env=env, check=False
    )
    assert done.returncode == INVALID
    assert "rfc8785 is not installed" in done.stderr
    assert "fault of the tool" not in done.stderr


def test_the_hundred_thousandth_line_of_garbage_costs_as_much_as_the_first() -> None:
    taker = Taker(Habits(sends=Sends.PRESS))
    took_s = []
    for part in range(10):
        began_s = time.process_time()
        for number in range(10_000):
            at_s = float(part * 10_000 + number)
            taker.hear(Said(at_s=at_s, line=f"x{number}", answer=None, why="it has not the form"), None)
        took_s.append(time.process_time() - began_s)
    assert min(took_s[5:]) < 3.0 * min(took_s[:5])
