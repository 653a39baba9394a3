"""A file whole, or not at all: how it is read, written, and added to.

Reading: a file and nothing else, and no more of it than it may have. A pipe that nobody writes into would be waited for
without end, a device such as `/dev/zero` read without end.

Writing: what was asked for is on disk when it returns, name and content; where it could not be, an error says so and
nothing is there half. A system may take a part of what it is given, and say no only when it is asked for the rest.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO

__all__ = [
    "MOST_OF_A_RECORD",
    "UnconfirmedError",
    "add_whole",
    "keep_names",
    "read_whole",
    "read_whole_text",
    "write_all",
    "write_new",
    "write_whole",
    "writing_whole",
]

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


class UnconfirmedError(OSError):
    """A file took its place, whole, and the system could not say whether that survives a power cut."""


def write_all(file: IO[bytes], content: bytes) -> None:
    """Write all of it to a file without a buffer, which may take it in pieces.

    Raises:
        OSError: some of it may be in the file.
    """
    rest = memoryview(content)
    while rest:
        rest = rest[file.write(rest) :]


def add_whole(file: IO[bytes], content: bytes, at: int) -> None:
    """Put content at the end of a file and on disk.

    Args:
        file: open for writing, without a buffer.
        content: to be added.
        at: bytes that the file has; what is behind them was begun before and could not be taken back.

    Raises:
        OSError: it was not added. What was begun is taken back, now or before the next is added.
    """
    if file.seek(0, os.SEEK_END) != at:
        file.truncate(at)
        file.seek(at)
    try:
        write_all(file, content)
        os.fsync(file.fileno())
    except BaseException:
        with contextlib.suppress(OSError):
            file.truncate(at)
        raise


def write_whole(path: Path, content: bytes) -> None:
    """Write a file, in place of one that is there.

    Raises:
        UnconfirmedError: it is written, and may be lost in a power cut.
        OSError: it could not be written; what was there stays.
    """
    with writing_whole(path) as file:
        file.write(content)


@contextlib.contextmanager
def writing_whole(path: Path) -> Iterator[IO[bytes]]:
    """A file to write into, which takes its place when the block ends without an error.

    Who may read and write a file that is there stays as it was.

    Raises:
        OSError: as `write_whole`.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with _beside(path) as (file, name):
        yield file
        file.flush()
        os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, name)
        else:
            umask = os.umask(0)
            os.umask(umask)
            name.chmod(0o666 & ~umask)
        file.close()  # some systems rename no file that is open
        name.replace(path)
    _confirm(path)


def write_new(path: Path, content: bytes) -> None:
    """Write a file that is not there yet, readable by its owner alone.

    Raises:
        FileExistsError: it is there.
        UnconfirmedError: it is written, and may be lost in a power cut.
        OSError: it could not be written.
    """
    with _beside(path) as (file, name):
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
        file.close()
        if not _linked(name, path):
            os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
            name.replace(path)
    _confirm(path)


def _linked(name: Path, path: Path) -> bool:
    """Give a file a second name, which must not be taken; False where there are none."""
    try:
        os.link(name, path)
    except AttributeError:
        return False
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        return False
    return True


_NO_LINKS = frozenset({errno.EPERM, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP})
"""What a file system says that has no second names for a file."""


@contextlib.contextmanager
def _beside(path: Path) -> Iterator[tuple[IO[bytes], Path]]:
    """A file beside another, for its owner alone, and its name; gone when the block ends, unless it was renamed."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".writing-")
    try:
        with os.fdopen(handle, "wb") as file:
            yield file, Path(name)
    finally:
        with contextlib.suppress(OSError):
            Path(name).unlink()


def _confirm(path: Path) -> None:
    try:
        keep_names(path.parent)
    except OSError as error:
        raise UnconfirmedError(error.errno, error.strerror, str(path)) from None


_NO_FOLDERS = frozenset({errno.EINVAL, errno.EBADF, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP})
"""What a file system says that puts no folder on disk when it is asked to."""


def keep_names(folder: Path) -> None:
    """Put a folder on disk, so that a power cut takes no name of a new file.

    Raises:
        OSError: it could not be; nothing is raised where the system has no such thing.
    """
    try:
        handle = os.open(folder, os.O_RDONLY)
    except PermissionError:  # Windows opens no folder, and not everybody may read one in which they may write
        return
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _NO_FOLDERS:
            raise
    finally:
        os.close(handle)
