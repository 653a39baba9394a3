"""The tool as a process of its own, begun soon: by forks of a process that has made the imports."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

PREPARED_TOOL = Path(__file__).with_name("prepared_tool.py")


class Begun:
    """The tool as a process of its own, begun by a `Starter`.

    Args:
        report: where its number comes, and how it ended.
    """

    def __init__(self, report: int) -> None:
        self._report = os.fdopen(report, "rb", buffering=0)
        self.returncode: int | None = None
        self.pid = int(self._said())

    def poll(self) -> int | None:
        """How it ended; None while it has not."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.wait(0.0)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end; gives the exit code, less than zero for a signal."""
        if self.returncode is None:
            if not select.select([self._report], [], [], timeout)[0]:
                raise subprocess.TimeoutExpired("holdzero", timeout or 0.0)
            self.returncode = int(self._said())
            self._report.close()
        return self.returncode

    def send_signal(self, sign: int) -> None:
        """Send a signal, unless it has ended."""
        if self.poll() is None:
            with contextlib.suppress(ProcessLookupError):  # it ended meanwhile
                os.kill(self.pid, sign)

    def kill(self) -> None:
        """Pull the plug: nothing can be tidied up."""
        self.send_signal(signal.SIGKILL)

    def _said(self) -> bytes:
        line = self._report.readline()
        assert line, "the process that begins others has ended"
        return line


class Starter:
    """Begins the tool as `python -m holdzero` does, without the second of its imports; see `prepared_tool.py`."""

    def __init__(self) -> None:
        self._line, other = socket.socketpair()
        command = [sys.executable, str(PREPARED_TOOL), str(other.fileno())]
        with other:
            self._process = subprocess.Popen(command, pass_fds=[other.fileno()], stdin=subprocess.DEVNULL)

    def begin(
        self,
        *arguments: str,
        folder: Path,
        streams: tuple[int, int, int],
        env: Mapping[str, str] | None = None,
        terminal: bool = False,
        code: str = "",
    ) -> Begun:
        """Begin it in a folder, with stdin, stdout and stderr, which may be a terminal; the streams stay open here.

        Code takes the place of the tool, as with `python -c`. Where the environment says something else to the
        interpreter, that is begun anew.
        """
        given = dict(os.environ if env is None else env)
        python = {key for key in {*given, *os.environ} if key.startswith(("PYTHON", "LC_", "LANG"))}
        asked = {
            "arguments": arguments,
            "folder": str(folder),
            "env": given,
            "terminal": terminal,
            "code": code,
            "anew": any(given.get(key) != os.environ.get(key) for key in python),
        }
        ours, its = os.pipe()
        line = json.dumps(asked).encode() + b"\n"
        sent = socket.send_fds(self._line, [line], [*streams, its])
        self._line.sendall(line[sent:])
        os.close(its)
        return Begun(ours)

    def run(
        self,
        *arguments: str,
        folder: Path,
        given: str | None = None,
        env: Mapping[str, str] | None = None,
        timeout: float = 120.0,
    ) -> subprocess.CompletedProcess[str]:
        """Run it to its end, what is typed given beforehand; nothing to be typed if left out."""
        with tempfile.TemporaryFile() as typed, tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            typed.write((given or "").encode())
            typed.seek(0)
            begun = self.begin(*arguments, folder=folder, streams=(typed.fileno(), out.fileno(), err.fileno()), env=env)
            try:
                code = begun.wait(timeout)
            finally:
                begun.kill()
            said = []
            for stream in (out, err):
                stream.seek(0)
                said.append(stream.read().decode("utf-8").replace("\r\n", "\n"))
        return subprocess.CompletedProcess(["holdzero", *arguments], code, *said)

    def close(self) -> None:
        """Begin no more."""
        self._line.close()
        self._process.wait()
