"""Taking a file for oneself alone, as long as it is open."""

from __future__ import annotations

import errno
from typing import IO, Any

__all__ = ["lock_alone"]


def lock_alone(file: IO[Any]) -> bool:
    """Lock an open file; whether nobody else has it.

    Raises:
        OSError: the system can't lock it.
    """
    import portalocker

    try:
        portalocker.lock(file, portalocker.LOCK_EX | portalocker.LOCK_NB)
    except portalocker.AlreadyLocked:
        return False
    except portalocker.LockException as error:
        cause = error.__cause__
        raise cause if isinstance(cause, OSError) else OSError(errno.ENOLCK, str(error)) from None
    return True
