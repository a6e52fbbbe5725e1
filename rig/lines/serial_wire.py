"""Bytes over a serial port: opened for this program alone, and every way it fails told in one line."""

from __future__ import annotations

import errno
import sys
import time
from pathlib import Path
from typing import Any

from whichcore.errors import InstrumentError
from whichcore.rig.lines.wire import Wire

SERIAL = "ASRL"
QUIET_S, LONGEST_NOISE_S = 0.02, 5.0  # practice: at 9600 baud a character takes a millisecond


def port_of(address: str) -> str | None:
    """Return the port of a serial resource string such as ``ASRL/dev/ttyUSB0::INSTR``, or None.

    On Windows ``ASRL3::INSTR`` is COM3; a name that is typed in full is taken as it stands.
    """
    head, _, tail = address.strip().partition("::")
    if not head.upper().startswith(SERIAL) or tail.upper() not in {"", "INSTR"}:
        return None
    port = head[len(SERIAL) :]
    return f"COM{port}" if sys.platform == "win32" and port.isdigit() else port


class SerialWire(Wire):
    """A serial port, eight data bits, no parity, one stop bit.

    Parameters
    ----------
    address : str
        Resource string.
    baud_rate : int
    silence_s : float

    Raises
    ------
    InstrumentError
        It is not there, another program holds it, or this user may not open it.
    """

    def __init__(self, address: str, baud_rate: int, silence_s: float) -> None:
        super().__init__(silence_s)
        self._port = _opened(address, baud_rate)
        self._held = b""
        self._until_quiet()

    def send(self, data: bytes, patience_s: float) -> None:
        """Send all of it; raises OSError."""
        self._port.write_timeout = patience_s
        self._port.write(data)

    def close(self) -> None:
        """Close the port."""
        self._port.close()

    def _until_quiet(self) -> None:
        """Drop what the other side still sends for an earlier program."""
        deadline = time.monotonic() + LONGEST_NOISE_S
        while time.monotonic() < deadline and self._ready(QUIET_S):
            self._some(1 << 16)

    def _ready(self, patience_s: float) -> bool:
        if self._held or self._port.in_waiting:
            return True
        if patience_s <= 0:
            return False
        self._port.timeout = patience_s
        self._held = bytes(self._port.read(1))
        return bool(self._held)

    def _some(self, most: int) -> bytes:
        held, self._held = self._held, b""
        self._port.timeout = 0
        return held + bytes(self._port.read(min(most - len(held), self._port.in_waiting)))


def serial_faults() -> tuple[type[Exception], ...]:
    """Return what pyserial raises; its own exception is an OSError, that of the terminal driver is none."""
    try:
        import termios  # noqa: PLC0415 - not there on Windows
    except ImportError:
        return (OSError, ValueError)
    return (OSError, ValueError, termios.error)


def _opened(address: str, baud_rate: int) -> Any:
    import serial  # noqa: PLC0415 - only where a serial port is used

    port = port_of(address)
    try:
        return serial.Serial(port, baud_rate, timeout=0, write_timeout=1.0, exclusive=True)
    except serial_faults() as error:
        raise _refused(address, str(port), error) from None


def _refused(address: str, port: str, error: Exception) -> InstrumentError:
    """Return what is wrong with a port, and what to do about it."""
    number = getattr(error, "errno", None)
    text = str(error)
    if number is None and "exclusively lock" in text:
        number = errno.EAGAIN
    busy = "another program holds the serial port"
    known = {
        errno.ENOENT: ("there is no such serial port", "plug the cable in, or correct address in bench.toml"),
        errno.EACCES: ("this user may not open the serial port", _permission_step(port)),
        errno.EAGAIN: (busy, "close that program (a terminal, a modem service), then try again"),
        errno.EBUSY: (busy, "close that program (a terminal, a modem service), then try again"),
    }
    unknown = ("the serial port cannot be used", "check cable and address in bench.toml, plug it in again")
    what, step = known.get(number or 0, unknown)
    return InstrumentError(what, where=address, got=" ".join(text.split())[:160], next_step=step)


def _permission_step(port: str) -> str:
    """Say which group may open the port."""
    group = "dialout"
    try:
        import grp  # noqa: PLC0415 - not there on Windows

        group = grp.getgrgid(Path(port).stat().st_gid).gr_name
    except (ImportError, OSError, KeyError):
        pass
    return (
        f"sudo usermod -aG {group} $USER, then log in again; or a udev rule for the device with "
        f'MODE="0660", GROUP="{group}", then plug it in again'
    )
