"""One instrument, one program: a file lock for each address, let go by the system when a program dies."""

from __future__ import annotations

import hashlib
import os
import re
import sys
from pathlib import Path
from types import TracebackType
from typing import Self

from whichcore.errors import InstrumentError

_OWNER_PLACE = 1  # the byte that is locked is the first; who holds it stands behind it


class AddressLock:
    """Hold an instrument's address; a context manager.

    Parameters
    ----------
    folder : Path
        Where the lock files are; one for all programs of this user. It is made when it is not there.
    address : str
        Upper and lower case and spaces make no difference.
    """

    def __init__(self, folder: Path, address: str) -> None:
        self.address = address
        plain = "".join(address.split()).upper()
        readable = re.sub(r"[^A-Z0-9]+", "-", plain).strip("-")[:60]
        self.path = folder / f"{readable}-{hashlib.sha256(plain.encode()).hexdigest()[:12]}.lock"
        self._handle: int | None = None

    def acquire(self) -> None:
        """Take the lock; raises InstrumentError when another program holds it."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            handle = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise InstrumentError(
                "the instrument cannot be reserved",
                where=str(self.path),
                got=error.strerror or str(error),
                next_step="make the folder writable, or set WHICHCORE_HOME to one that is",
            ) from None
        try:
            _lock(handle)
        except OSError:
            owner = _owner(handle)
            os.close(handle)
            raise InstrumentError(
                "another program is using the instrument",
                where=self.address,
                got=owner,
                next_step="close it, or wait until it has finished",
            ) from None
        os.ftruncate(handle, 0)
        os.write(handle, b"\n" + str(os.getpid()).encode())
        self._handle = handle

    def release(self) -> None:
        """Let go; doing it twice does no harm. The file stays: removing it would open a race."""
        handle, self._handle = self._handle, None
        if handle is not None:
            os.close(handle)

    def __enter__(self) -> Self:
        self.acquire()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


def _owner(handle: int) -> str:
    try:
        os.lseek(handle, _OWNER_PLACE, os.SEEK_SET)
        text = os.read(handle, 20).decode("ascii", "replace").strip()
    except OSError:
        text = ""
    return f"process {text}" if text else "a process that is just starting"


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> None:
        os.lseek(handle, 0, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
