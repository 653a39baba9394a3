"""Which browsers of this machine were let in, kept for its user from one start of the server to the next.

What is kept are digests: who reads the file can't come in with them. Who could write it could; so it lies in a folder
of the user's own, and is left alone where that can be written by others.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from holdzero.json_text import read_json
from holdzero.whole_file import write_whole

__all__ = ["Visitors"]

_DAYS_S = 30 * 86_400.0
_OTHERS_WRITE = 0o022


class Visitors:
    """Those of the server on one port.

    Args:
        port: of the server; a browser knows cookies of different ports apart by their names.
    """

    def __init__(self, port: int) -> None:
        self._path = _folder() / f"bench-{port}.json"

    def read(self) -> tuple[str, ...]:
        """Digests of the cookies that were given in the last 30 days, oldest first; none where none can be trusted."""
        try:
            if not _own(self._path.parent) or not _own(self._path):
                return ()
            given = read_json(self._path.read_text("utf-8"))["given"]
            known = [(float(at_s), str(digest)) for digest, at_s in given.items()]
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return ()
        return tuple(digest for at_s, digest in sorted(known) if time.time() - at_s < _DAYS_S)

    def keep(self, digests: Sequence[str]) -> bool:
        """Keep these; whether it could be."""
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            if not _own(self._path.parent):
                return False
            before = set(self.read())
            times = read_json(self._path.read_text("utf-8"))["given"] if before else {}
            given = {digest: times.get(digest, time.time()) for digest in digests}
            write_whole(self._path, json.dumps({"given": given}).encode())
        except (OSError, ValueError):
            return False
        return True


def _own(path: Path) -> bool:
    """Whether nobody else can write there."""
    if os.name == "nt":
        return True  # a user's own folder is closed to others by the system
    status = path.lstat()
    return status.st_uid == os.geteuid() and not status.st_mode & _OTHERS_WRITE


def _folder() -> Path:
    """Where a program of this system keeps what it remembers for its user.

    The XDG Base Directory Specification, XDG_STATE_HOME (from memory); on the other two, common practice, no source.
    """
    try:
        home = Path.home()
    except RuntimeError:  # a user without a home: nothing is kept there
        home = Path("/nonexistent")
    if os.name == "nt":
        return Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local") / "holdzero"
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "holdzero"
    said = os.environ.get("XDG_STATE_HOME", "")
    return (Path(said) if said.startswith("/") else home / ".local" / "state") / "holdzero"
