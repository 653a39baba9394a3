"""Processes that work: all begun at once, deaf to Ctrl-C, and gone with the one that began them."""

from __future__ import annotations

import io
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor
from pathlib import Path
from typing import Any

import pytest

from holdzero.cli.workers import executor_for, heard_between_pieces
from holdzero.worker_processes import Processes
from tests.support.patience import PATIENCE_S

LONG_S = 3600.0


@pytest.fixture
def two() -> Iterator[Processes]:
    made = Processes(2)
    yield made
    made.shutdown()


def until(so: Callable[[], bool]) -> None:
    """Wait until it is so."""
    ends = time.monotonic() + PATIENCE_S
    while not so():
        assert time.monotonic() < ends, "waited too long"
        time.sleep(0.02)


def runs(pid: int) -> bool:
    """Whether a process is there and has not ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


class NeitherWay:
    """Can be sent neither to a process nor back."""

    def __reduce__(self) -> Any:
        raise TypeError("this is not for sending")


class TestAPiece:
    def test_gives_what_comes_of_it(self, two: Processes) -> None:
        assert [each.result(PATIENCE_S) for each in [two.submit(divmod, 7, by) for by in (2, 3)]] == [(3, 1), (2, 1)]

    def test_that_fails_says_so_and_where_and_the_next_is_done(self, two: Processes) -> None:
        for _ in range(4):
            with pytest.raises(ZeroDivisionError) as failed:
                two.submit(divmod, 7, 0).result(PATIENCE_S)
            assert "in _done" in failed.value.__notes__[0]
        assert two.submit(divmod, 7, 2).result(PATIENCE_S) == (3, 1)

    def test_that_cannot_be_sent_says_so_and_the_next_is_done(self, two: Processes) -> None:
        for _ in range(4):
            with pytest.raises(TypeError, match="not for sending"):
                two.submit(id, NeitherWay()).result(PATIENCE_S)
        assert two.submit(divmod, 7, 2).result(PATIENCE_S) == (3, 1)

    def test_whose_result_cannot_be_sent_says_so_and_the_next_is_done(self, two: Processes) -> None:
        for _ in range(4):
            with pytest.raises(TypeError, match="pickle"):
                two.submit(threading.Lock).result(PATIENCE_S)
        assert two.submit(divmod, 7, 2).result(PATIENCE_S) == (3, 1)

    def test_that_ends_its_process_is_said_and_so_is_each_one_after_the_last_is_gone(self, two: Processes) -> None:
        for each in [two.submit(os._exit, 1) for _ in range(2)] + [two.submit(abs, -1) for _ in range(4)]:
            with pytest.raises(BrokenExecutor):
                each.result(PATIENCE_S)

    def test_that_was_taken_back_is_not_done(self, tmp_path: Path) -> None:
        one = Processes(1)
        first = one.submit(time.sleep, 0.3)
        taken_back = one.submit((tmp_path / "done").mkdir)
        assert taken_back.cancel()
        first.result(PATIENCE_S)
        assert one.submit(abs, -1).result(PATIENCE_S) == 1
        assert not (tmp_path / "done").exists()
        one.shutdown()


class TestNobodyWaitsForWhatIsAtWork:
    @pytest.mark.parametrize("broken_off", [None, RuntimeError, KeyboardInterrupt, SystemExit])
    def test_whatever_ends_it(self, broken_off: type[BaseException] | None) -> None:
        before = set(multiprocessing.active_children())
        begun: set[Any] = set()

        def work() -> None:
            with executor_for(2) as (executor, ahead):
                for _ in range(ahead):
                    executor.submit(time.sleep, LONG_S)
                begun.update(set(multiprocessing.active_children()) - before)
                if broken_off is not None:
                    raise broken_off

        if broken_off is None:
            work()
        else:
            with pytest.raises(broken_off):
                work()
        assert len(begun) == 2
        assert not begun & set(multiprocessing.active_children())

    def test_and_no_ctrl_c_breaks_into_the_end(self, monkeypatch: pytest.MonkeyPatch) -> None:
        kept = Processes.shutdown

        def pressed(self: Processes, *args: Any, **kwargs: Any) -> None:
            signal.raise_signal(signal.SIGINT)
            kept(self, *args, **kwargs)

        monkeypatch.setattr(Processes, "shutdown", pressed)
        heard: list[int] = []
        kept_handler = signal.signal(signal.SIGINT, lambda number, _: heard.append(number))
        before = set(multiprocessing.active_children())
        try:
            with executor_for(2) as (executor, _):
                executor.submit(time.sleep, LONG_S)
        finally:
            signal.signal(signal.SIGINT, kept_handler)
        assert not heard
        assert set(multiprocessing.active_children()) <= before


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes as Linux shows them")
class TestOnLinux:
    def test_each_is_deaf_to_ctrl_c_before_it_has_loaded_anything(self) -> None:
        before = set(multiprocessing.active_children())
        with executor_for(3):
            begun = set(multiprocessing.active_children()) - before
            assert len(begun) == 3
            for process in begun:
                status = Path(f"/proc/{process.pid}/status").read_text("utf-8")
                ignored = int(next(line for line in status.splitlines() if line.startswith("SigIgn:")).split()[1], 16)
                assert ignored & 1 << (signal.SIGINT - 1)

    @pytest.mark.parametrize("at_work", [True, False])
    def test_none_outlives_the_tool_whatever_ends_that(self, tmp_path: Path, *, at_work: bool) -> None:
        """At work in the midst of a long piece, or begun a moment ago."""
        (tmp_path / "tool.py").write_text(
            "import multiprocessing, os, sys, time\n"
            "from holdzero.worker_processes import Processes\n"
            "def work(number):\n"
            "    os.mkdir(str(number))\n"
            f"    time.sleep({LONG_S})\n"
            "if __name__ == '__main__':\n"
            "    made = Processes(2)\n"
            "    for number in range(2): made.submit(work, number)\n"
            "    print(*(each.pid for each in multiprocessing.active_children()), flush=True)\n"
            f"    time.sleep({LONG_S})\n",
            "utf-8",
        )
        with subprocess.Popen([sys.executable, "tool.py"], cwd=tmp_path, stdout=subprocess.PIPE, text=True) as tool:
            assert tool.stdout is not None
            begun = [int(pid) for pid in tool.stdout.readline().split()]
            if at_work:
                until(lambda: all((tmp_path / name).exists() for name in ("0", "1")))
            assert [runs(pid) for pid in begun] == [True, True]
            tool.kill()
        until(lambda: not any(runs(pid) for pid in begun))


class Pressed(io.RawIOBase):
    """A stream on which Ctrl-C is pressed while something is written to it."""

    def __init__(self) -> None:
        self.times = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self.times += 1
        if self.times == 1:
            signal.raise_signal(signal.SIGINT)
        return len(data)


def test_ctrl_c_in_the_midst_of_something_printed_is_told_and_breaks_into_nothing(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """A stream that is being written refuses to be written by what broke into that."""
    monkeypatch.setattr(sys, "stderr", io.TextIOWrapper(io.BufferedWriter(Pressed()), write_through=True))
    with heard_between_pieces() as stopped:
        assert not stopped()
        sys.stderr.write("a bar\n")
        sys.stderr.flush()
        assert stopped()
    assert "Ctrl-C again stops at once" in capfd.readouterr().err
