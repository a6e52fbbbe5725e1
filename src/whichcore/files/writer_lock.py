"""One file, one writer: a lock on the open file, let go by the system when a program dies."""

from __future__ import annotations

import contextlib
import errno
import sys
from io import FileIO
from pathlib import Path

from whichcore.errors import InputError

_HELD = {errno.EAGAIN, errno.EACCES, errno.EDEADLK}


def hold(file: FileIO, path: Path) -> None:
    """Take the lock of an open file. Readers are not kept out; a file system without locks holds nobody off.

    Raises
    ------
    InputError
        Another program is writing this file.
    """
    try:
        _lock(file.fileno())
    except OSError as error:
        if error.errno in _HELD:
            raise InputError(
                "another sweep is being written to this file",
                where=str(path),
                next_step="wait until it has finished, or choose another file name",
            ) from None


def let_go(file: FileIO) -> None:
    """Give the lock back; doing it twice does no harm."""
    # a forked process may hold the file open still, so that closing it were not enough
    if not file.closed:
        with contextlib.suppress(OSError):
            _unlock(file.fileno())


if sys.platform == "win32":
    import msvcrt
    import os

    # Windows keeps readers off what is locked: a byte that no sweep reaches
    _PLACE = 1 << 30

    def _lock(handle: int) -> None:
        os.lseek(handle, _PLACE, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

    def _unlock(handle: int) -> None:
        os.lseek(handle, _PLACE, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _unlock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_UN)
