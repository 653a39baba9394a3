"""A PostgreSQL server for the tests of the book: begun in a folder of its own, killed and removed."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.support.patience import PATIENCE_S


class Server:
    """A PostgreSQL server of its own, in a folder that is gone afterwards.

    It waits for no disk: it may be killed here, not its machine, and what it wrote is then with the system. It refuses
    to run as root: root runs it as another user.

    Args:
        programs: folder of the server's programs.
    """

    def __init__(self, programs: Path) -> None:
        self._programs = programs
        self._folder = Path(tempfile.mkdtemp(prefix="holdzero-postgresql-", dir="/tmp"))  # a socket's path is short
        self._as: dict[str, Any] = {}
        if os.geteuid() == 0:
            self._as = {"user": _another_user(), "group": "nogroup", "extra_groups": []}
            shutil.chown(self._folder, self._as["user"], self._as["group"])
        self.port = _lasting_port()
        self._count = 0
        self._process: subprocess.Popen[bytes] | None = None
        options = ["-A", "trust", "-U", "holdzero", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync"]
        command = [str(programs / "initdb"), "-D", str(self._folder / "data"), *options]
        subprocess.run(command, cwd=self._folder, check=True, capture_output=True, **self._as)
        self.start()

    def url(self, database: str) -> str:
        """The address of a database."""
        return f"postgresql://holdzero@127.0.0.1:{self.port}/{database}"

    @property
    def pid(self) -> int:
        """The number of its first process."""
        assert self._process is not None
        return self._process.pid

    def start(self) -> None:
        """Start it, or start it again after it was killed; it takes connections then."""
        ends = time.monotonic() + PATIENCE_S
        command = [str(self._programs / "postgres"), "-D", str(self._folder / "data"), "-p", str(self.port)]
        command += ["-k", str(self._folder), "-c", "listen_addresses=127.0.0.1", "-c", "fsync=off"]
        while time.monotonic() < ends:
            if self._process is None or self._process.poll() is not None:
                # Killed, its children hold its memory for a moment, and it gives up: once more.
                with (self._folder / "log").open("ab") as log:
                    self._process = subprocess.Popen(command, cwd=self._folder, stdout=log, stderr=log, **self._as)
            with contextlib.suppress(Exception):  # not up yet: whatever a driver says then
                self._do("SELECT 1")
                return
            time.sleep(0.05)
        raise RuntimeError((self._folder / "log").read_text("utf-8"))

    def kill(self) -> None:
        """Pull the plug."""
        self._ended(signal.SIGKILL)

    def database(self) -> str:
        """A new database; gives its address."""
        self._count += 1
        self._do(f"CREATE DATABASE book{self._count}")
        return self.url(f"book{self._count}")

    def drop(self, url: str) -> None:
        """Drop a database, whoever is in it."""
        self._do(f"DROP DATABASE {url.rpartition('/')[2]} WITH (FORCE)")

    def remove(self) -> None:
        """Stop it, and leave nothing behind."""
        self._ended(signal.SIGQUIT)  # at once: what it wrote goes with it
        shutil.rmtree(self._folder)

    def _ended(self, sign: int) -> None:
        if self._process is not None:
            self._process.send_signal(sign)
            self._process.wait(PATIENCE_S)

    def _do(self, statement: str) -> None:
        import psycopg

        with psycopg.connect(self.url("postgres"), autocommit=True, connect_timeout=int(PATIENCE_S)) as connection:
            connection.execute(statement.encode())


def _lasting_port() -> int:
    """A free port that the system hands to nobody who asks for any: it may be left for a while, and had again."""
    first = 20_000 + 13 * os.getpid() % 10_000  # so that two that run at once look at different ones
    for number in range(first, first + 200):
        with contextlib.suppress(OSError), socket.socket() as free:
            free.bind(("127.0.0.1", number))
            return number
    raise RuntimeError(f"no port is free from {first} on")


def _another_user() -> str:
    import pwd

    known = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in known else "nobody"


def programs_of_postgresql() -> Path | None:
    """Where PostgreSQL's server programs are: on the path, or where Debian keeps them, the newest first."""
    found = shutil.which("initdb")
    if found is not None:
        return Path(found).resolve().parent
    folders = Path("/usr/lib/postgresql").glob("*/bin/initdb")
    return max((path.parent for path in folders), key=lambda path: float(path.parent.name), default=None)
