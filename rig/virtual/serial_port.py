"""A serial port in front of an instrument: the other end of a pseudo-terminal. POSIX only."""

from __future__ import annotations

import contextlib
import os
import select
import threading

from whichcore.errors import InputError
from whichcore.rig.virtual.line import LONGEST_LINE, converse
from whichcore.rig.virtual.scpi import Instrument

ROOM = 4096
POLL_S = 0.05


class SerialServer:
    """One instrument on a pseudo-terminal of its own; a line that is cut does not come back.

    Raises
    ------
    InputError
        This system has no pseudo-terminals.
    """

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self._ours, theirs = _pair()
        # both ends are held: a program that lets go of its own does not end the line
        self._held = [self._ours, theirs]
        self._end = threading.Event()
        self._closing = threading.Lock()
        self.port = os.ttyname(theirs)

    @property
    def address(self) -> str:
        """VISA resource string."""
        return f"ASRL{self.port}::INSTR"

    def serve_forever(self, poll_s: float = POLL_S) -> None:
        """Answer until it is shut down, or the line is cut."""
        line = b""
        with contextlib.suppress(OSError):  # closed on our side
            while not self._end.is_set():
                if not select.select([self._ours], [], [], poll_s)[0]:
                    continue
                if self._end.is_set():
                    return  # the handle may be another's by now
                line += os.read(self._ours, ROOM)
                *whole, line = line.replace(b"\r", b"\n").split(b"\n")
                if len(line) > LONGEST_LINE:
                    line = b""
                    self.instrument.push(-223)
                for command in whole:
                    if command and not self._answer(command + b"\n"):
                        return

    def shutdown(self) -> None:
        """End serving."""
        self._end.set()

    def server_close(self) -> None:
        """Take the port away; doing it twice does no harm."""
        self._end.set()
        with self._closing:
            while self._held:
                os.close(self._held.pop())

    def _answer(self, command: bytes) -> bool:
        sent = converse(self.instrument, command)
        left = memoryview(sent.data)
        while left and not self._end.is_set():
            if select.select([], [self._ours], [], POLL_S)[1]:
                left = left[os.write(self._ours, left[:ROOM]) :]
        if sent.hang_up:
            self.server_close()
        return not sent.hang_up


def _pair() -> tuple[int, int]:
    try:
        import pty  # noqa: PLC0415 - not there on Windows
        import tty  # noqa: PLC0415
    except ImportError:
        raise InputError(
            "this system has no pseudo-terminals, so the virtual bench has no serial ports here",
            where="virtual bench",
            next_step="use a socket or hislip in place of serial",
        ) from None
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    os.set_blocking(ours, False)
    return ours, theirs
