"""A serial port: opened for one program alone, or refused in words. It knows nothing of lines."""

from __future__ import annotations

import errno
from pathlib import Path
from typing import Any, Final, Protocol

from holdzero.hooks import SourceError
from holdzero_plugins.sources._profile import Profile, brief

__all__ = ["FAILS", "LOOK_S", "WRITE_S", "Port", "mark_of", "opened"]

LOOK_S: Final = 0.05  # how long one read waits
WRITE_S: Final = 1.0  # how long a request may take to leave


def _failures() -> tuple[type[Exception], ...]:
    """What a port fails with: the library's own error is an OSError; that of terminals is not."""
    try:
        import termios
    except ImportError:  # a system without them
        return (OSError,)
    return (OSError, termios.error)


FAILS: Final = _failures()
_REFUSES: Final[tuple[type[Exception], ...]] = (*FAILS, ValueError, OverflowError)


class Port(Protocol):
    """What is used of the serial library's port."""

    @property
    def in_waiting(self) -> int: ...

    def read(self, size: int = 1) -> bytes: ...

    def write(self, data: bytes) -> int | None: ...

    def close(self) -> None: ...


def opened(port: str, profile: Profile) -> Port:
    """An open port that nobody else can open.

    Raises:
        SourceError: it can't be opened; says why in words.
    """
    try:
        import serial
    except ImportError:
        mend = "pip install 'holdzero[serial]'"
        raise SourceError(f"the source serial needs the library pyserial, which is not installed: {mend}") from None
    try:
        made: Any = serial.serial_for_url(
            port,
            do_not_open=True,
            baudrate=profile.baud,
            bytesize=profile.bits,
            parity=profile.parity[0].upper(),
            stopbits=profile.stop,
            timeout=LOOK_S,
            write_timeout=WRITE_S,
        )
        made.exclusive = True
        made.dtr, made.rts = profile.dtr, profile.rts
        made.open()
    except _REFUSES as error:
        raise SourceError(f"{brief(port)}: {_refusal(error)}") from None
    port_: Port = made
    return port_


def _refusal(error: Exception) -> str:
    """Why a port can't be opened, and what to do."""
    match getattr(error, "errno", None):
        case errno.EAGAIN | errno.EBUSY:
            return "another program listens to it; close that program first"
        case errno.ENOENT | errno.ENXIO | errno.ENODEV:
            return f"there is no such port; check the cable and the name. {_ports()}"
        case errno.EACCES | errno.EPERM:
            return "you may not open it, or another program has it; ask who looks after the machine for the right"
        case _:
            return f"it can't be opened as a serial line; check the name. {_ports()} ({error})"


def _ports() -> str:
    from serial.tools.list_ports import comports

    found = ", ".join(sorted(str(item.device) for item in comports()))
    return f"Ports here: {found}." if found else "No port is here now."


def mark_of(port: str) -> tuple[int, int, int] | None:
    """What stands behind the name of a port now; None where the name is no file's."""
    try:
        found = Path(port).stat()
    except (OSError, ValueError):
        return None
    return found.st_dev, found.st_ino, found.st_rdev
