"""Starts of the tool without the second that its imports take: a process that has made them forks for each start.

`python prepared_tool.py FD`: what is to be started comes over the socket FD, as a line of JSON with the descriptors of
stdin, stdout, stderr and of a pipe for the report. The report is the number of the process, and how it ended.
The new process is one of its own in every respect that a test looks at: number, session, terminal, signals, exit.
"""

from __future__ import annotations

import contextlib
import fcntl
import gc
import importlib
import io
import json
import os
import runpy
import select
import signal
import socket
import sys
import tempfile
import termios
from pathlib import Path
from typing import Any

# What a run, a book and a bench page import late.
LATE = (
    "alembic.command",
    "holdzero.book",
    "holdzero.cli.benching",
    "holdzero.cli.book",
    "holdzero.cli.conduct",
    "holdzero.cli.inspect",
    "holdzero.cli.routines",
    "jinja2",
    "pint",
    "scipy.special",
    "starlette.applications",
    "uvicorn",
)


def prepare() -> None:
    """Import what a start imports sooner or later; a run makes the table of units, models and templates."""
    for name in LATE:
        importlib.import_module(name)
    from holdzero.catalogue import load_catalogue
    from holdzero.cli import app
    from holdzero.testing import GOOD, PLAIN

    load_catalogue().want_all()
    with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(io.StringIO()):
        routine, readings = Path(folder, "routine.toml"), Path(folder, "readings.csv")
        routine.write_text(PLAIN, "utf-8")
        readings.write_text("time,answer\n" + "".join(f",{answer}\n" for answer in GOOD), "utf-8")
        who = ("--operator", "T. Ester", "--serial", "7", "--out", folder)
        app(["run", str(routine), "--source", f"readings:{readings}", *who], standalone_mode=False)
    # The collector would write into every object, and each new process would copy its page.
    gc.collect()
    gc.freeze()


def serve(line: socket.socket) -> str:
    """Fork for each start that is asked for; comes back in the process that was begun, and nowhere else.

    Gives what is to be run in place of the tool; nothing if empty.
    """
    reports: dict[int, int] = {}
    woken, wake = os.pipe()
    os.set_blocking(wake, False)
    signal.set_wakeup_fd(wake)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    while True:
        ready = select.select([line.fileno(), woken], [], [])[0]
        if woken in ready:
            os.read(woken, 64)
            tell_of_ended(reports)
        if line.fileno() not in ready:
            continue
        data, descriptors, _, _ = socket.recv_fds(line, 65536, 4)
        while data and not data.endswith(b"\n"):
            data += line.recv(65536)
        if not data:
            sys.exit()
        *streams, report = descriptors
        pid = os.fork()
        if pid == 0:
            signal.set_wakeup_fd(-1)
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            signal.signal(signal.SIGHUP, signal.SIG_DFL)  # whoever began the tests may have them ignore it (nohup)
            line.close()
            for descriptor in (woken, wake, report, *reports.values()):
                os.close(descriptor)
            return become(json.loads(data), streams)
        reports[pid] = report
        os.write(report, f"{pid}\n".encode())
        for descriptor in streams:
            os.close(descriptor)


def tell_of_ended(reports: dict[int, int]) -> None:
    """Report how those ended that have ended."""
    with contextlib.suppress(ChildProcessError):
        while (ended := os.waitpid(-1, os.WNOHANG))[0]:
            report = reports.pop(ended[0])
            with contextlib.suppress(BrokenPipeError):
                os.write(report, f"{os.waitstatus_to_exitcode(ended[1])}\n".encode())
            os.close(report)


def become(asked: dict[str, Any], streams: list[int]) -> str:
    """Take on what makes one process another: session, streams, terminal, folder, environment, arguments.

    Gives what is to be run in place of the tool; nothing if empty.
    """
    os.setsid()
    for number, descriptor in enumerate(streams):
        os.dup2(descriptor, number)
        os.close(descriptor)
    if asked["terminal"]:
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)
    os.chdir(asked["folder"])
    os.environ.clear()
    os.environ.update(asked["env"])
    if asked["anew"]:
        os.execve(sys.executable, [sys.executable, "-m", "holdzero", *asked["arguments"]], asked["env"])  # noqa: S606
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.stdin = open(0, closefd=False)  # noqa: SIM115  it stays open, like the next two
    sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", buffering=1, errors="backslashreplace", closefd=False)  # noqa: SIM115
    sys.argv[1:] = asked["arguments"]
    sys.path[0] = asked["folder"]
    code: str = asked["code"]
    return code


if __name__ == "__main__":
    prepare()
    code = serve(socket.socket(fileno=int(sys.argv[1])))
    if code:
        exec(code)  # noqa: S102  as `python -c` does
    else:
        runpy.run_module("holdzero", run_name="__main__", alter_sys=True)
