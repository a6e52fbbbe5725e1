"""HiSLIP in front of an instrument: messages with an end, on a synchronous and an asynchronous channel.

After IVI-6.1 (High-Speed LAN Instrument Protocol), revision 1.1, chapters 2 to 6 (from memory): message
types, header of 16 bytes, initialisation, maximum size, locks, status and device clear. The server does not
overlap (synchronised mode), offers no encryption and exclusive locks only.
"""

from __future__ import annotations

import socket
import socketserver
import struct
import threading
from dataclasses import dataclass, field
from enum import IntEnum
from typing import cast

from whichcore.rig.virtual.line import LONGEST_LINE, converse
from whichcore.rig.virtual.scpi import Instrument

HEADER = struct.Struct("!2sBBIQ")  # prologue, type, control code, parameter, length of the payload
PROLOGUE = b"HS"
VERSION = 0x0100
VENDOR = int.from_bytes(b"WB", "big")
LARGEST_MESSAGE = 1 << 20
POLL_S = 0.02


class Kind(IntEnum):
    """Types of messages (IVI-6.1, table 4; from memory)."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL_CONTROL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    ASYNC_MAX_MESSAGE_SIZE = 15
    ASYNC_MAX_MESSAGE_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


class FatalCode(IntEnum):
    """Errors that end a connection (IVI-6.1, table 14; from memory)."""

    POOR_HEADER = 1
    NOT_BOTH_CHANNELS = 2
    BAD_INITIALIZATION = 3


UNRECOGNIZED_TYPE = 1
RELEASE, REQUEST = 0, 1
LOCK_REFUSED, LOCK_DONE, LOCK_WRONG = 0, 1, 3


@dataclass(frozen=True, slots=True)
class Message:
    """One message of either channel."""

    kind: int
    control: int
    parameter: int
    payload: bytes = b""


class FatalError(Exception):
    """The protocol is broken; it is told and the connection ends."""

    def __init__(self, code: FatalCode, text: str) -> None:
        self.code = code
        super().__init__(text)


@dataclass
class Session:
    """What both channels of one client share."""

    number: int
    channel: socket.socket
    largest: int = LARGEST_MESSAGE
    both: threading.Event = field(default_factory=threading.Event)
    clearing: threading.Event = field(default_factory=threading.Event)


class HislipServer(socketserver.ThreadingTCPServer):
    """One instrument on a free port of this machine, as HiSLIP."""

    allow_reuse_address = True
    daemon_threads = True
    block_on_close = False

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self.sessions: dict[int, Session] = {}
        self.holder: int | None = None
        self.changed = threading.Condition()
        self._last = 0
        super().__init__(("127.0.0.1", 0), _Channel)

    @property
    def address(self) -> str:
        """VISA resource string."""
        host, port = cast("tuple[str, int]", self.server_address)
        return f"TCPIP::{host}::hislip0,{port}::INSTR"

    def new_session(self, channel: socket.socket) -> Session:
        """Begin a session on a synchronous channel."""
        with self.changed:
            self._last = self._last % 0xFFFF + 1
            session = Session(self._last, channel)
            self.sessions[session.number] = session
            return session

    def end_session(self, session: Session) -> None:
        """Forget a session and its lock."""
        with self.changed:
            self.sessions.pop(session.number, None)
            if self.holder == session.number:
                self.holder = None
            self.changed.notify_all()

    def lock(self, session: Session, patience_s: float) -> int:
        """Give a session the lock, after waiting so long at the most."""
        with self.changed:
            if self.holder == session.number:
                return LOCK_WRONG
            if not self.changed.wait_for(lambda: self.holder is None, patience_s):
                return LOCK_REFUSED
            self.holder = session.number
            return LOCK_DONE

    def unlock(self, session: Session) -> int:
        """Take the lock back."""
        with self.changed:
            if self.holder != session.number:
                return LOCK_WRONG
            self.holder = None
            self.changed.notify_all()
            return LOCK_DONE

    def wait_for_turn(self, session: Session) -> None:
        """Hold a client up while another has the lock."""
        with self.changed:
            while self.holder not in {None, session.number} and session.number in self.sessions:
                self.changed.wait(POLL_S)


class _Channel(socketserver.BaseRequestHandler):
    """One connection; its first message says which of both channels it is."""

    request: socket.socket

    def handle(self) -> None:
        self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            first = self._read()
            if first.kind == Kind.INITIALIZE:
                self._synchronous(first)
            elif first.kind == Kind.ASYNC_INITIALIZE:
                self._asynchronous(first)
            else:
                raise FatalError(FatalCode.BAD_INITIALIZATION, "initialize first")
        except FatalError as error:
            self._tell(Kind.FATAL_ERROR, error.code, 0, str(error).encode())
        except (OSError, EOFError):
            return  # the other side has gone; there is nobody to tell

    @property
    def _server(self) -> HislipServer:
        return cast("HislipServer", self.server)

    # --- synchronous channel ---

    def _synchronous(self, first: Message) -> None:
        session = self._server.new_session(self.request)
        try:
            self._tell(
                Kind.INITIALIZE_RESPONSE, 0, min(first.parameter >> 16, VERSION) << 16 | session.number
            )
            text = b""
            while True:
                text = self._serve(session, self._read(), text)
        finally:
            self._server.end_session(session)

    def _serve(self, session: Session, message: Message, text: bytes) -> bytes:
        """Take one message; return what is still a part of a command."""
        if message.kind == Kind.DEVICE_CLEAR_COMPLETE:
            session.clearing.clear()
            self._tell(Kind.DEVICE_CLEAR_ACKNOWLEDGE, 0, 0)
            return b""
        if message.kind == Kind.TRIGGER:
            return text
        if message.kind not in {Kind.DATA, Kind.DATA_END}:
            self._tell(Kind.ERROR, UNRECOGNIZED_TYPE, 0, b"unrecognized message type")
            return text
        if not session.both.is_set():
            raise FatalError(FatalCode.NOT_BOTH_CHANNELS, "the asynchronous channel is missing")
        if session.clearing.is_set():
            return b""
        text += message.payload
        if message.kind == Kind.DATA and len(text) < LONGEST_LINE:
            return text
        self._server.wait_for_turn(session)
        self._answer(session, text, message.parameter)
        return b""

    def _answer(self, session: Session, text: bytes, number: int) -> None:
        for line in text.splitlines(keepends=True):
            sent = converse(self._server.instrument, line)
            if not session.clearing.is_set() and sent.data:
                self._send_data(session, sent.data, number, ended=not sent.hang_up)
            if sent.hang_up:
                raise EOFError

    def _send_data(self, session: Session, data: bytes, number: int, *, ended: bool) -> None:
        size = max(1, session.largest - HEADER.size)
        parts = [data[k : k + size] for k in range(0, len(data), size)]
        for k, part in enumerate(parts):
            last = ended and k == len(parts) - 1
            self._tell(Kind.DATA_END if last else Kind.DATA, 0, number, part)

    # --- asynchronous channel ---

    def _asynchronous(self, first: Message) -> None:
        session = self._server.sessions.get(first.parameter)
        if session is None:
            raise FatalError(FatalCode.BAD_INITIALIZATION, "there is no such session")
        self._tell(Kind.ASYNC_INITIALIZE_RESPONSE, 0, VENDOR)
        session.both.set()
        try:
            while True:
                self._serve_async(session, self._read())
        finally:
            session.both.clear()

    def _serve_async(self, session: Session, message: Message) -> None:
        if message.kind == Kind.ASYNC_MAX_MESSAGE_SIZE and len(message.payload) == 8:
            session.largest = min(int.from_bytes(message.payload, "big"), LARGEST_MESSAGE)
            size = LARGEST_MESSAGE.to_bytes(8, "big")
            self._tell(Kind.ASYNC_MAX_MESSAGE_SIZE_RESPONSE, 0, 0, size)
        elif message.kind == Kind.ASYNC_LOCK:
            self._tell(Kind.ASYNC_LOCK_RESPONSE, self._lock(session, message), 0)
        elif message.kind == Kind.ASYNC_LOCK_INFO:
            held = self._server.holder is not None
            self._tell(Kind.ASYNC_LOCK_INFO_RESPONSE, int(held), int(held))
        elif message.kind == Kind.ASYNC_DEVICE_CLEAR:
            session.clearing.set()
            self._tell(Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, 0, 0)
        elif message.kind == Kind.ASYNC_STATUS_QUERY:
            self._tell(Kind.ASYNC_STATUS_RESPONSE, 0, 0)
        elif message.kind == Kind.ASYNC_REMOTE_LOCAL_CONTROL:
            self._tell(Kind.ASYNC_REMOTE_LOCAL_RESPONSE, 0, 0)
        else:
            self._tell(Kind.ERROR, UNRECOGNIZED_TYPE, 0, b"unrecognized message type")

    def _lock(self, session: Session, message: Message) -> int:
        if message.control == RELEASE:
            return self._server.unlock(session)
        if message.control != REQUEST or message.payload:  # a lock with a name would be a shared one
            return LOCK_WRONG
        return self._server.lock(session, message.parameter / 1000)

    # --- bytes ---

    def _read(self) -> Message:
        prologue, kind, control, parameter, size = HEADER.unpack(self._exactly(HEADER.size))
        if prologue != PROLOGUE or size > LARGEST_MESSAGE:
            raise FatalError(FatalCode.POOR_HEADER, "poorly formed message header")
        return Message(kind, control, parameter, self._exactly(size))

    def _exactly(self, count: int) -> bytes:
        data = bytearray()
        while len(data) < count:
            some = self.request.recv(count - len(data))
            if not some:
                raise EOFError
            data += some
        return bytes(data)

    def _tell(self, kind: Kind, control: int, parameter: int, payload: bytes = b"") -> None:
        self.request.sendall(HEADER.pack(PROLOGUE, kind, control, parameter, len(payload)) + payload)
