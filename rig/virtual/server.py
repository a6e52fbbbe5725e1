"""Sockets in front of the instruments, and the faults of their lines."""

from __future__ import annotations

import socketserver
import time
from typing import cast

from whichcore.rig.virtual.faults import BLOCK_KINDS, FaultKind
from whichcore.rig.virtual.scpi import ERRORS, Instrument

LONGEST_LINE = 65536
SPILL = b"\x2a\x15\x07"  # what a long block carries too much


class InstrumentServer(socketserver.ThreadingTCPServer):
    """One instrument on a free port of this machine."""

    allow_reuse_address = True
    daemon_threads = True
    block_on_close = False

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        super().__init__(("127.0.0.1", 0), _Line)

    @property
    def address(self) -> str:
        """VISA resource string."""
        host, port = cast("tuple[str, int]", self.server_address)
        return f"TCPIP::{host}::{port}::SOCKET"


class _Line(socketserver.StreamRequestHandler):
    disable_nagle_algorithm = True

    def handle(self) -> None:
        instrument = cast("InstrumentServer", self.server).instrument
        try:
            while line := self.rfile.readline(LONGEST_LINE):
                if not line.endswith(b"\n") and len(line) >= LONGEST_LINE:
                    instrument.push(-223)
                    return
                if not self._answer(instrument, line):
                    return
        except (ConnectionError, OSError, ValueError):
            return  # the other side has gone; there is nobody to tell

    def _answer(self, instrument: Instrument, line: bytes) -> bool:
        """Run one line and send what it asks for; False ends the connection."""
        faults, name = instrument.faults, instrument.name
        answers = [
            answer if isinstance(answer, bytes) else answer.encode("ascii", "replace")
            for answer in instrument.execute(line.decode("ascii", "replace").strip())
        ]
        if faults.find(FaultKind.ECHO, name):
            self.wfile.write(line)
        if not answers or faults.use(FaultKind.SILENT, name):
            return True
        slow = faults.use(FaultKind.SLOW, name)
        if slow:
            time.sleep(slow.value)
        if len(answers) == 1 and answers[0].startswith(b"#"):
            return self._send_block(instrument, answers[0])
        self.wfile.write(b";".join(answers) + b"\n")
        return True

    def _send_block(self, instrument: Instrument, data: bytes) -> bool:
        used = [kind for kind in BLOCK_KINDS if instrument.faults.use(kind, instrument.name)]
        kind = used[0] if used else None
        if kind is FaultKind.DEAD_MID_BLOCK:
            self.wfile.write(data[: len(data) // 2])
            return False
        if kind is FaultKind.SHORT_BLOCK:
            data = data[: -len(SPILL)]
        elif kind is FaultKind.LONG_BLOCK:
            data += SPILL
        elif kind is FaultKind.WRONG_DIGITS:
            data = b"#" + str(int(data[1:2]) - 1).encode() + data[2:]
        self.wfile.write(data + b"\n")
        return True


def push_fault(instrument: Instrument) -> None:
    """Put a fault of the hardware into an instrument's queue."""
    instrument.push(-240, ERRORS[-240])
