"""Bytes of one connection, with one deadline for a whole answer.

Every kind of line (socket, serial port, messages of a VISA session) gives the same readings; what differs is
how bytes are waited for and taken. pyvisa-py opens sockets and message sessions; each of its reads costs
several times what the system calls do, copies every byte of a block eight times, sees the end of a line only
by a time-out, and never returns when a message is shorter than was asked for.
"""

from __future__ import annotations

import select
import socket
import time
from abc import ABC, abstractmethod
from collections.abc import Callable

GONE = "the instrument has closed the connection"
LONGEST_LINE = 1 << 16
CHUNK = 4096  # so little of a block passes through the buffer; the rest goes where it belongs


class Wire(ABC):
    """A connected line, and what came beyond the answer read so far.

    Parameters
    ----------
    silence_s : float
        No byte for so long in the middle of an answer: it will not come.
    """

    def __init__(self, silence_s: float) -> None:
        self._silence_s = silence_s
        self._come = bytearray()

    @abstractmethod
    def send(self, data: bytes, patience_s: float) -> None:
        """Send all of it; raises OSError."""

    @abstractmethod
    def _ready(self, patience_s: float) -> bool:
        """Wait until bytes can be taken; False after so long without any."""

    @abstractmethod
    def _some(self, most: int) -> bytes:
        """Return the bytes that are there, at most so many; none where the other side has gone."""

    def expect(self, deadline: float) -> None:
        """Wait for the first byte of an answer; a peer that has gone is seen at once. Raises OSError."""
        if not self._come:
            if not self._ready(deadline - time.monotonic()):
                raise TimeoutError("no answer in time")
            self._take(GONE)

    def line(self, end: bytes, deadline: float) -> bytearray:
        """Return the one line of an answer; raises OSError, and RuntimeError where it is none."""
        self.expect(deadline)
        while not self._come.endswith(end):
            self._more_of_a_line(deadline)
        answer, self._come = self._come, bytearray()
        if end in answer[: -len(end)]:
            raise RuntimeError(f"several lines where one was expected: {bytes(answer[:80])!r}")
        return answer

    def next_line(self, end: bytes, deadline: float) -> bytearray:
        """Return the next line without its end and keep what is behind it; raises OSError, RuntimeError."""
        self.expect(deadline)
        while end not in self._come:
            self._more_of_a_line(deadline)
        answer, _, self._come = self._come.partition(end)
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
                size = self._into(view[got:])
                if size == 0:
                    raise ConnectionResetError(_gone(got, count))
            got += size
        return data

    def forget(self) -> bytes:
        """Return and drop whatever has come and was not asked for."""
        while self._ready(0.0):
            self._take(GONE)
        old, self._come = bytes(self._come), bytearray()
        return old

    def _into(self, view: memoryview) -> int:
        some = self._some(len(view))
        view[: len(some)] = some
        return len(some)

    def _more_of_a_line(self, deadline: float) -> None:
        if len(self._come) > LONGEST_LINE:
            raise RuntimeError(f"an answer of more than {LONGEST_LINE} bytes without an end")
        if not self._ready(min(deadline - time.monotonic(), self._silence_s)):
            raise TimeoutError("the answer did not end in time")
        self._take(GONE)

    def _take(self, gone: str) -> None:
        some = self._some(CHUNK)
        if not some:
            raise ConnectionResetError(gone)
        self._come += some


class SocketWire(Wire):
    """A plain socket; it is tried first and waited for where that fails, which is the rarer case by far."""

    def __init__(self, line: socket.socket, silence_s: float) -> None:
        super().__init__(silence_s)
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # else commands in a row wait 40 ms each
        line.setblocking(False)
        self._line = line
        self._readable = _watch(line)

    def send(self, data: bytes, patience_s: float) -> None:
        """Send all of it; raises OSError."""
        left = memoryview(data)
        while left:
            try:
                left = left[self._line.send(left) :]
            except BlockingIOError:
                if not select.select([], [self._line], [], patience_s)[1]:
                    raise TimeoutError("the command was not taken in time") from None

    def _ready(self, patience_s: float) -> bool:
        return patience_s >= 0 and self._readable(patience_s)

    def _some(self, most: int) -> bytes:
        return self._line.recv(most)

    def _into(self, view: memoryview) -> int:
        return self._line.recv_into(view)


def _watch(line: socket.socket) -> Callable[[float], bool]:
    """Return what waits for bytes, or for the end of the line, for so many seconds."""
    if not hasattr(select, "poll"):  # Windows
        return lambda patience_s: bool(select.select([line], [], [], patience_s)[0])
    watch = select.poll()
    watch.register(line, select.POLLIN)
    return lambda patience_s: bool(watch.poll(1000 * patience_s))


def _gone(got: int, count: int) -> str:
    return f"the instrument closed the connection after {got} of {count} bytes"
