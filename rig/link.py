"""One connection to one instrument. Every foreign exception ends here.

pyvisa and pyvisa-py carry the bytes. What is added: a deadline for the whole answer instead of one for each
read, no delay between consecutive writes, and a connection that is closed after any failure, because an
answer left half read would be taken for the next one.
"""

from __future__ import annotations

import contextlib
import gc
import logging
import select
import socket
import time
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from whichcore.errors import InstrumentError
from whichcore.rig.block import BlockFormat, read_block

LONGEST_LINE = 1 << 16
LINE_CHUNK = 256
SMALLEST_CHUNK = 64  # bytes asked for at once on a line that drips
LARGEST_CHUNK = 1 << 18
CHUNK_S = 0.05  # a chunk is what comes in this time, so that a deadline is seen
SILENCE_S = 1.5  # no byte for so long in the middle of an answer: it will not come
_RECEIVE = 1 << 16

# pyvisa-py tells its log of every time-out with a traceback; the error raised here says it in one line
logging.getLogger("pyvisa").addHandler(logging.NullHandler())


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """How to talk over a connection.

    Attributes
    ----------
    write_terminator, read_terminator : str
    timeout_s, block_timeout_s : float
        Longest time for a whole answer, and for a whole block of data.
    command_pause_s : float
        Rest after each command, for instruments that lose what comes too fast.
    baud_rate : int or None
        Of a serial line.
    """

    write_terminator: str = "\n"
    read_terminator: str = "\n"
    timeout_s: float = 5.0
    block_timeout_s: float = 20.0
    command_pause_s: float = 0.0
    baud_rate: int | None = None


class Link:
    """A connection that is opened on demand and closed after any failure.

    Parameters
    ----------
    address : str
        VISA resource string.
    settings : LinkSettings
    """

    def __init__(self, address: str, settings: LinkSettings) -> None:
        self.address = address
        self.settings = settings
        self._resource: Any = None
        self._answering = False

    @property
    def is_open(self) -> bool:
        """True while a connection is held; nothing is said of the other end."""
        return self._resource is not None

    def open(self) -> None:
        """Connect; raises InstrumentError. A socket to a closed port opens, and fails at the first use."""
        self.close()
        with self._guarded("connect"):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ResourceWarning)
                fault = self._try_to_connect()
                if fault:
                    gc.collect()  # pyvisa-py leaves the socket of a failed connection open, in a cycle
            if fault:
                raise RuntimeError(fault)
            if self.settings.baud_rate is not None:
                self._resource.baud_rate = self.settings.baud_rate
            self._hurry()

    def close(self) -> None:
        """Close the connection; doing it twice does no harm."""
        resource, self._resource = self._resource, None
        if resource is not None:
            # a connection that is broken already may refuse to be closed
            with contextlib.suppress(*_foreign()):
                resource.close()

    def write(self, message: str) -> None:
        """Send one command."""
        with self._guarded(message):
            self._send(message)

    def ask(self, message: str, wait_s: float = 0.0) -> str:
        """Send a question and return its answer without terminator.

        Parameters
        ----------
        message : str
        wait_s : float
            Time the instrument may take on top of the usual.
        """
        with self._guarded(message):
            deadline = time.monotonic() + self.settings.timeout_s + wait_s
            self._send(message)
            return self._read_line(deadline)

    def ask_block(self, message: str, form: BlockFormat, expected: int) -> bytes | bytearray:
        """Send a question and return the data of the block it is answered with."""
        with self._guarded(message):
            deadline = time.monotonic() + self.settings.block_timeout_s
            self._send(message)
            self._await(deadline)
            self._resource.read_termination = None
            return read_block(
                lambda count: self._read_exactly(count, deadline), form, expected, self._where(message)
            )

    def _try_to_connect(self) -> str:
        """Return what went wrong as text: pyvisa-py raises bare exceptions here, and they hold the socket."""
        import pyvisa  # noqa: PLC0415 - takes a tenth of a second that --help must not

        try:
            # the manager is one for the whole process and is never closed: other links hang on it
            manager = pyvisa.ResourceManager("@py")
            self._resource = manager.open_resource(
                self.address, open_timeout=int(self.settings.timeout_s * 1000)
            )
        except Exception as error:  # noqa: BLE001 - see above
            return _shortly(error)
        return ""

    def _send(self, message: str) -> None:
        self._resource.timeout = max(1, int(self.settings.timeout_s * 1000))
        self._resource.write_raw((message + self.settings.write_terminator).encode("ascii"))
        if self.settings.command_pause_s:
            time.sleep(self.settings.command_pause_s)

    def _await(self, deadline: float) -> None:
        """Wait for the first byte of an answer; a peer that has gone is seen at once, on a socket."""
        self._answering = False
        line = self._socket()
        if line is None:
            return
        ready, _, _ = select.select([line], [], [], max(0.0, deadline - time.monotonic()))
        if not ready:
            raise TimeoutError("no answer in time")
        if line.recv(1, socket.MSG_PEEK) == b"":
            raise ConnectionResetError("the instrument has closed the connection")
        self._answering = True

    def _read_line(self, deadline: float) -> str:
        self._await(deadline)
        self._resource.read_termination = self.settings.read_terminator[-1]
        end = self.settings.read_terminator.encode("ascii")
        answer = bytearray()
        while True:
            self._patience(deadline)
            chunk = self._resource.read_bytes(LINE_CHUNK, chunk_size=LINE_CHUNK, break_on_termchar=True)
            self._answering = True
            answer += chunk
            if answer.endswith(end) or len(chunk) < LINE_CHUNK:
                # other than in a comment of a waveform, SCPI is ASCII
                return answer.decode("ascii").strip()
            if len(answer) > LONGEST_LINE:
                raise RuntimeError(f"an answer of more than {LONGEST_LINE} bytes without an end")

    def _read_exactly(self, count: int, deadline: float) -> bytes | bytearray:
        line = self._socket()
        if count > LINE_CHUNK and line is not None and not getattr(self._session(), "_pending_buffer", b"?"):
            return self._receive(line, count, deadline)
        data = bytearray()
        size = min(count, 1 << 14)
        while len(data) < count:
            self._patience(deadline)
            size = min(size, count - len(data))
            begun = time.monotonic()
            try:
                data += self._resource.read_bytes(size, chunk_size=size)
            except _foreign() as error:
                raise self._cut_short(f"{len(data)} or more", count) from error
            self._answering = True
            rate = size / max(time.monotonic() - begun, 1e-6)
            size = int(min(max(rate * CHUNK_S, SMALLEST_CHUNK), LARGEST_CHUNK))
        return data

    def _receive(self, line: socket.socket, count: int, deadline: float) -> bytearray:
        """Read from the socket itself: pyvisa-py copies every byte eight times, and sees no end of a line."""
        data = bytearray(count)
        view, got = memoryview(data), 0
        while got < count:
            left = min(deadline - time.monotonic(), SILENCE_S)
            if left <= 0 or not select.select([line], [], [], left)[0]:
                raise self._cut_short(f"{got}", count)
            size = line.recv_into(view[got:])
            if size == 0:
                raise self._cut_short(f"{got}", count)
            got += size
        return data

    def _cut_short(self, got: str, count: int) -> OSError:
        with contextlib.suppress(OSError):
            line = self._socket()
            if line is not None and select.select([line], [], [], 0)[0] and not line.recv(1, socket.MSG_PEEK):
                return ConnectionResetError(
                    f"the instrument closed the connection after {got} of {count} bytes"
                )
        return TimeoutError(f"the data stopped after {got} of {count} bytes")

    def _patience(self, deadline: float) -> None:
        left = deadline - time.monotonic()
        if left <= 0:
            raise TimeoutError("the answer did not end in time")
        # the first byte may take as long as the whole answer, those behind it not
        self._resource.timeout = max(1, int((min(left, SILENCE_S) if self._answering else left) * 1000))

    def _session(self) -> Any:
        return self._resource.visalib.sessions.get(self._resource.session)

    def _socket(self) -> socket.socket | None:
        line = getattr(self._session(), "interface", None)
        return line if isinstance(line, socket.socket) else None

    def _hurry(self) -> None:
        line = self._socket()
        if line is not None:
            # else each of several commands in a row waits some 40 ms for the acknowledgement of the last
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._session().max_recv_size = _RECEIVE

    def _where(self, message: str) -> str:
        return f"{self.address}, {message}"

    @contextlib.contextmanager
    def _guarded(self, message: str) -> Iterator[None]:
        """Turn whatever the libraries raise into one InstrumentError, and close what is now out of step."""
        try:
            if message != "connect" and self._resource is None:
                raise RuntimeError("the connection is closed")
            yield
        except InstrumentError:
            self.close()
            raise
        except _foreign() as error:
            self.close()
            raise InstrumentError(
                "cannot connect to the instrument"
                if message == "connect"
                else "the instrument does not answer",
                where=self._where(message),
                got=_shortly(error),
                next_step="check power, cable and address in bench.toml, then run the doctor command",
            ) from error
        except BaseException:
            self.close()  # stopped by hand in the middle of an answer
            raise


def _foreign() -> tuple[type[Exception], ...]:
    from pyvisa import errors  # noqa: PLC0415

    try:
        import termios  # noqa: PLC0415 - not there on Windows
    except ImportError:
        return (errors.Error, OSError, RuntimeError, ValueError)
    return (errors.Error, OSError, RuntimeError, ValueError, termios.error)


def _shortly(error: BaseException) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 160 else f"{text[:160]}…"
