"""Which instruments a virtual bench has, and on which lines they hang."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from whichcore.rig.virtual.hislip import HislipServer
from whichcore.rig.virtual.scpi import Instrument
from whichcore.rig.virtual.serial_port import SerialServer
from whichcore.rig.virtual.server import InstrumentServer

USUAL_LINE, SERIAL_LINE = "socket", "serial"


class Server(Protocol):
    """An instrument on a line."""

    @property
    def address(self) -> str:
        """VISA resource string."""

    def serve_forever(self) -> None:
        """Answer until it is shut down."""

    def shutdown(self) -> None:
        """End serving."""

    def server_close(self) -> None:
        """Take the line away."""


LINES: Mapping[str, Callable[[Instrument], Server]] = {
    USUAL_LINE: InstrumentServer,
    "hislip": HislipServer,
    SERIAL_LINE: SerialServer,
}


def line_of(source: str, line: str | None) -> str:
    """Return the line an instrument hangs on; a serial board hangs on a serial one unless told otherwise."""
    return line or (SERIAL_LINE if source.startswith("serial-") else USUAL_LINE)
