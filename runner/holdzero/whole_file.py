"""Reading a file whole: a file and nothing else, and no more of it than it may have.

A pipe that nobody writes into would be waited for without end, a device such as `/dev/zero` read without end.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

__all__ = ["MOST_OF_A_RECORD", "read_whole", "read_whole_text"]

MOST_OF_A_RECORD = 400_000_000
"""Bytes of a record's file: 100 million characters, which take up to four bytes each."""


def read_whole(path: Path, most: int) -> bytes:
    """The content of a file.

    Args:
        path: of the file.
        most: bytes that it may have.

    Raises:
        OSError: it can't be read, is no file, or has more; `strerror` says so in words.
    """
    try:
        # A pipe is not waited for before it is known to be one.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except ValueError:  # a name that no file system takes
        raise OSError(errno.EINVAL, "a name that no file can have", str(path)) from None
    mode = os.fstat(handle).st_mode
    if not stat.S_ISREG(mode):
        os.close(handle)
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        raise OSError(errno.EINVAL, "it is a pipe or a device; save it to a file first", str(path))
    with os.fdopen(handle, "rb") as file:
        raw = file.read(most + 1)
    if len(raw) > most:
        raise OSError(errno.EFBIG, f"more than {most} bytes", str(path))
    return raw


def read_whole_text(path: Path, most: int = MOST_OF_A_RECORD) -> str:
    """The same as text in UTF-8.

    Raises:
        OSError: as above.
        UnicodeDecodeError: it is no text in UTF-8.
    """
    return read_whole(path, most).decode("utf-8")
