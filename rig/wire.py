"""Bytes over a plain socket, with one deadline for a whole answer.

pyvisa-py opens the socket and keeps it; each of its reads and writes costs several times what the system
calls do, copies every byte of a block eight times, and sees the end of a line only by a time-out.
"""

from __future__ import annotations

import select
import socket
import time

LONGEST_LINE = 1 << 16
CHUNK = 4096  # so little of a block passes through the buffer; the rest goes where it belongs


class Wire:
    """A connected socket, and what came beyond the answer read so far.

    Parameters
    ----------
    line : socket
    silence_s : float
        No byte for so long in the middle of an answer: it will not come.
    """

    def __init__(self, line: socket.socket, silence_s: float) -> None:
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # else commands in a row wait 40 ms each
        self._line, self._silence_s = line, silence_s
        self._come = bytearray()

    def send(self, data: bytes, patience_s: float) -> None:
        """Send all of it; raises OSError."""
        left = memoryview(data)
        while left:
            if not select.select([], [self._line], [], patience_s)[1]:
                raise TimeoutError("the command was not taken in time")
            left = left[self._line.send(left) :]

    def expect(self, deadline: float) -> None:
        """Wait for the first byte of an answer; a peer that has gone is seen at once. Raises OSError."""
        if not self._come:
            if not self._ready(deadline - time.monotonic()):
                raise TimeoutError("no answer in time")
            self._take("the instrument has closed the connection")

    def line(self, end: bytes, deadline: float) -> bytearray:
        """Return the one line of an answer; raises OSError, and RuntimeError where it is none."""
        self.expect(deadline)
        while not self._come.endswith(end):
            if len(self._come) > LONGEST_LINE:
                raise RuntimeError(f"an answer of more than {LONGEST_LINE} bytes without an end")
            if not self._ready(min(deadline - time.monotonic(), self._silence_s)):
                raise TimeoutError("the answer did not end in time")
            self._take("the instrument has closed the connection")
        answer, self._come = self._come, bytearray()
        if end in answer[: -len(end)]:
            raise RuntimeError(f"several lines where one was expected: {bytes(answer[:80])!r}")
        return answer

    def exactly(self, count: int, deadline: float) -> bytearray:
        """Return so many bytes; raises OSError that says how many came."""
        data, got = bytearray(count), min(count, len(self._come))
        data[:got] = self._come[:got]
        del self._come[:got]
        view = memoryview(data)
        while got < count:
            if not self._ready(min(deadline - time.monotonic(), self._silence_s)):
                raise TimeoutError(f"the data stopped after {got} of {count} bytes")
            if count - got < CHUNK:
                self._take(_gone(got, count))
                size = min(count - got, len(self._come))
                view[got : got + size] = self._come[:size]
                del self._come[:size]
            else:
                size = self._line.recv_into(view[got:])
                if size == 0:
                    raise ConnectionResetError(_gone(got, count))
            got += size
        return data

    def _take(self, gone: str) -> None:
        some = self._line.recv(CHUNK)
        if not some:
            raise ConnectionResetError(gone)
        self._come += some

    def _ready(self, patience_s: float) -> bool:
        return patience_s > 0 and bool(select.select([self._line], [], [], patience_s)[0])


def _gone(got: int, count: int) -> str:
    return f"the instrument closed the connection after {got} of {count} bytes"
