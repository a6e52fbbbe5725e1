"""Sockets in front of the instruments."""

from __future__ import annotations

import socketserver
from typing import cast

from whichcore.rig.virtual.line import LONGEST_LINE, converse
from whichcore.rig.virtual.scpi import Instrument


class InstrumentServer(socketserver.ThreadingTCPServer):
    """One instrument on a free port of this machine, as a plain socket."""

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
                sent = converse(instrument, line)
                self.wfile.write(sent.data)
                if sent.hang_up:
                    return
        except (ConnectionError, OSError, ValueError):
            return  # the other side has gone; there is nobody to tell
