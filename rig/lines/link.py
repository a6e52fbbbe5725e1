"""One connection to one instrument. Every foreign exception ends here.

pyvisa and pyvisa-py carry the bytes; over a plain socket they only connect, and a serial port is opened by
pyserial alone, for one program. What is added: a deadline for the whole answer instead of one for each read,
no delay between consecutive writes, and a connection that is closed after any failure, because an answer left
half read would be taken for the next one.
"""

from __future__ import annotations

import contextlib
import gc
import logging
import socket
import time
import warnings
from dataclasses import dataclass
from typing import Any

from whichcore.errors import InstrumentError
from whichcore.rig.lines.block import Block, BlockError, BlockFormat, read_block
from whichcore.rig.lines.message_wire import MessageWire
from whichcore.rig.lines.serial_wire import SerialWire, port_of
from whichcore.rig.lines.wire import SocketWire, Wire

USUAL_BAUD = 9600
NO_ANSWER = "the instrument does not answer"
CUE = 60  # bytes shown of what came in place of a block
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
        Of a serial line; None takes the usual 9600.
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

    Attributes
    ----------
    sent, came : str
        Last message and its answer; empty where none came or was asked for.
    """

    def __init__(self, address: str, settings: LinkSettings) -> None:
        self.address = address
        self.settings = settings
        self._end = settings.read_terminator.encode("ascii")
        self._resource: Any = None
        self._wire: Wire | None = None
        self._used = False
        self.sent = ""
        self.came = ""

    @property
    def is_open(self) -> bool:
        """True while a connection is held; nothing is said of the other end."""
        return self._wire is not None

    def open(self) -> None:
        """Connect; raises InstrumentError. A socket to a closed port opens, and fails at the first use."""
        self.close()
        self._used = False  # what a line says when it is opened is no answer
        with self._guarded("connect"):
            if port_of(self.address) is not None:
                baud_rate = self.settings.baud_rate or USUAL_BAUD
                self._resource = self._wire = SerialWire(self.address, baud_rate, SILENCE_S)
                return
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ResourceWarning)
                fault = self._try_to_connect()
                if fault:
                    gc.collect()  # pyvisa-py leaves the socket of a failed connection open, in a cycle
            if fault:
                raise RuntimeError(fault)
            line = self._socket()
            self._wire = (
                MessageWire(self._resource, SILENCE_S) if line is None else SocketWire(line, SILENCE_S)
            )

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
            line = self._send(message).line(self._end, deadline)
            self.came = line.decode("ascii", "backslashreplace").strip()
            if self.came == message.strip():
                raise InstrumentError(
                    "the instrument sends back what it is sent",
                    where=self._where(message),
                    got=repr(self.came[:80]),
                    next_step="switch its echo off",
                )
            return line.decode("ascii").strip()

    def ask_block(self, message: str, form: BlockFormat, expected: int) -> Block:
        """Send a question and return the block it is answered with."""
        with self._guarded(message):
            deadline = time.monotonic() + self.settings.block_timeout_s
            wire = self._send(message)
            wire.expect(deadline)
            try:
                return read_block(
                    lambda count: wire.exactly(count, deadline), form, expected, self._where(message)
                )
            except BlockError as error:
                with contextlib.suppress(*_foreign()):
                    text = error.begin + wire.forget()[:CUE].decode("ascii", "backslashreplace")
                    self.came = "".join(text.partition("#")[:2]) if error.begin else ""
                raise

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

    def _send(self, message: str) -> Wire:
        wire = self._wire
        if wire is None:
            raise RuntimeError("the connection is closed")
        unasked = b"" if isinstance(wire, MessageWire) else wire.forget()  # a message has its own end
        if unasked and self._used:
            raise InstrumentError(
                "something came from the instrument that nobody asked for",
                where=f"{self.address}, before {message}",
                got=repr(unasked[:80].decode("latin-1")),
                next_step="try again; if it comes back, check trailer and questions in the command table",
            )
        self._used, self.sent, self.came = True, message, ""
        wire.send((message + self.settings.write_terminator).encode("ascii"), self.settings.timeout_s)
        if self.settings.command_pause_s:
            time.sleep(self.settings.command_pause_s)
        return wire

    def _session(self) -> Any:
        return self._resource.visalib.sessions.get(self._resource.session)

    def _socket(self) -> socket.socket | None:
        line = getattr(self._session(), "interface", None)
        return line if isinstance(line, socket.socket) else None

    def _where(self, message: str) -> str:
        return f"{self.address}, {message}"

    def _guarded(self, message: str) -> _Guard:
        return _Guard(self, message)


class _Guard:
    """Turns whatever the libraries raise into one InstrumentError, and closes what is now out of step."""

    __slots__ = ("_link", "_message")

    def __init__(self, link: Link, message: str) -> None:
        self._link, self._message = link, message

    def __enter__(self) -> None: ...

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: object) -> None:
        if error is None:
            return
        self._link.close()  # stopped by hand in the middle of an answer, too
        if isinstance(error, InstrumentError) or not isinstance(error, _foreign()):
            return
        raise InstrumentError(
            "cannot connect to the instrument" if self._message == "connect" else NO_ANSWER,
            where=f"{self._link.address}, {self._message}",
            got=_shortly(error),
            next_step="check power, cable and address in bench.toml, then run the doctor command",
        ) from error


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
