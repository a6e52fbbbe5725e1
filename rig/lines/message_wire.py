"""Bytes of a session that knows where a message ends (HiSLIP, VXI-11, USB), taken through pyvisa."""

from __future__ import annotations

from typing import Any

from whichcore.rig.lines.wire import CHUNK, Wire

LARGEST_CHUNK = 1 << 18


class MessageWire(Wire):
    """A message session; an answer that ends before it should is seen at once.

    Parameters
    ----------
    resource : pyvisa MessageBasedResource
    silence_s : float
    """

    def __init__(self, resource: Any, silence_s: float) -> None:
        super().__init__(silence_s)
        self._resource = resource
        self._held = b""
        self._ended = False

    def send(self, data: bytes, patience_s: float) -> None:
        """Send all of it; raises pyvisa's errors and OSError."""
        self._held, self._ended = b"", False
        self._resource.timeout = max(1, int(patience_s * 1000))
        self._resource.write_raw(data)

    def _ready(self, patience_s: float) -> bool:
        if self._held:
            return True
        if self._ended:
            raise ConnectionResetError("the message ended before the answer was whole")
        if patience_s <= 0:
            return False
        self._resource.timeout = max(1, int(patience_s * 1000))
        self._held = self._read()
        return bool(self._held)

    def _some(self, most: int) -> bytes:
        some, self._held = self._held[:most], self._held[most:]
        return some

    def _read(self) -> bytes:
        from pyvisa import errors  # noqa: PLC0415 - takes a tenth of a second that --help must not
        from pyvisa.constants import StatusCode  # noqa: PLC0415

        size = LARGEST_CHUNK if self._come else CHUNK
        try:
            with self._resource.ignore_warning(StatusCode.success_max_count_read):
                data, status = self._resource.visalib.read(self._resource.session, size)
        except errors.VisaIOError as error:
            if error.error_code == StatusCode.error_timeout:
                return b""
            raise
        self._ended = status in {StatusCode.success, StatusCode.success_termination_character_read}
        return bytes(data)
