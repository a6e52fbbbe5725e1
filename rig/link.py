"""One connection to one instrument. Every foreign exception ends here.

pyvisa and pyvisa-py carry the bytes; over a plain socket they only connect. What is added: a deadline for
the whole answer instead of one for each read, no delay between consecutive writes, and a connection that is
closed after any failure, because an answer left half read would be taken for the next one.
"""

from __future__ import annotations

import contextlib
import gc
import logging
import socket
import time
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from whichcore.errors import InstrumentError
from whichcore.rig.block import BlockFormat, read_block
from whichcore.rig.wire import LONGEST_LINE, Wire

LINE_CHUNK = 256
SMALLEST_CHUNK = 64  # bytes asked for at once on a line that drips
LARGEST_CHUNK = 1 << 18
CHUNK_S = 0.05  # a chunk is what comes in this time, so that a deadline is seen
SILENCE_S = 1.5  # no byte for so long in the middle of an answer: it will not come

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
        self._wire: Wire | None = None
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
            line = self._socket()
            self._wire = None if line is None else Wire(line, SILENCE_S)

    def close(self) -> None:
        """Close the connection; doing it twice does no harm."""
        resource, self._resource, self._wire = self._resource, None, None
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
            if self._wire is None:
                self._answering = False
                self._resource.read_termination = None
            else:
                self._wire.expect(deadline)
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
        data = (message + self.settings.write_terminator).encode("ascii")
        if self._wire is not None:
            self._wire.send(data, self.settings.timeout_s)
        else:
            self._resource.timeout = max(1, int(self.settings.timeout_s * 1000))
            self._resource.write_raw(data)
        if self.settings.command_pause_s:
            time.sleep(self.settings.command_pause_s)

    def _read_line(self, deadline: float) -> str:
        end = self.settings.read_terminator.encode("ascii")
        if self._wire is not None:
            return self._wire.line(end, deadline).decode("ascii").strip()
        self._answering = False
        self._resource.read_termination = self.settings.read_terminator[-1]
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
        if self._wire is not None:
            return self._wire.exactly(count, deadline)
        data = bytearray()
        size = min(count, 1 << 14)
        while len(data) < count:
            self._patience(deadline)
            size = min(size, count - len(data))
            begun = time.monotonic()
            try:
                data += self._resource.read_bytes(size, chunk_size=size)
            except _foreign() as error:
                raise TimeoutError(f"the data stopped after {len(data)} or more of {count} bytes") from error
            self._answering = True
            rate = size / max(time.monotonic() - begun, 1e-6)
            size = int(min(max(rate * CHUNK_S, SMALLEST_CHUNK), LARGEST_CHUNK))
        return data

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
