"""What can go wrong on the bench, switched on by hand."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from enum import StrEnum

from whichcore.errors import InputError


class FaultKind(StrEnum):
    """Faults, first those of one instrument's line, then those of the bench."""

    SILENT = "silent"
    SLOW = "slow"
    ECHO = "echo"
    WRONG_IDENTITY = "wrong-identity"
    ERROR_IN_QUEUE = "error-in-queue"
    ENDLESS_ERRORS = "endless-errors"
    DEAD_MID_BLOCK = "dead-mid-block"
    SHORT_BLOCK = "short-block"
    LONG_BLOCK = "long-block"
    WRONG_DIGITS = "wrong-digits"
    BYTE_ORDER = "byte-order"
    HEADER_ON = "header-on"
    RESET = "reset"
    CUT = "cut"
    TRIGGER_LOST = "trigger-lost"
    UNPLUGGED = "unplugged"
    CLIPPED = "clipped"
    SWAPPED = "swapped"
    DISPLAY_LOAD = "display-load"
    FREQUENCY_OFF = "frequency-off"
    NO_SIGNAL = "no-signal"
    HUM = "hum"
    OFFSET = "offset"


INSTRUMENTS = ("source", "digitizer")
BLOCK_KINDS = (FaultKind.DEAD_MID_BLOCK, FaultKind.SHORT_BLOCK, FaultKind.LONG_BLOCK, FaultKind.WRONG_DIGITS)


@dataclass
class Fault:
    """One fault that is on.

    Attributes
    ----------
    kind : FaultKind
    on : str
        Instrument, for a fault of the line.
    channel : int
        1 or 2, for an unplugged or clipping channel.
    value : float
        Seconds of a slow line, ppm of a frequency, bytes a line still carries before it is cut, volts of an
        offset, how many times the hum is as high.
    times : int or None
        How often it still happens; None for as long as it is on. Only faults of single replies count; a
        reset happens once unless told otherwise.
    """

    kind: FaultKind
    on: str = "digitizer"
    channel: int = 1
    value: float = 0.0
    times: int | None = None


DEFAULT_VALUES = {
    FaultKind.SLOW: 1.0,
    FaultKind.FREQUENCY_OFF: 1000.0,
    FaultKind.CUT: 0.0,
    FaultKind.HUM: 300.0,
    FaultKind.OFFSET: 0.05,
}


def parse_fault(table: dict[str, object]) -> Fault:
    """Read ``{"kind": …, "on": …, "channel": …, "value": …, "times": …}``; raises InputError."""
    unknown = set(table) - {"kind", "on", "channel", "value", "times"}
    kinds = ", ".join(FaultKind)
    if unknown or table.get("kind") not in set(FaultKind):
        raise InputError("no such fault", where="fault", got=f"{table}", allowed=f"kind: {kinds}")
    kind = FaultKind(str(table["kind"]))
    fault = Fault(kind, value=DEFAULT_VALUES.get(kind, 0.0))
    fault.on = str(table.get("on", fault.on))
    fault.channel = _whole(table.get("channel", 1), "channel")
    usual = 1 if kind is FaultKind.RESET else None
    fault.times = usual if table.get("times") is None else _whole(table["times"], "times")
    value = table.get("value", fault.value)
    if fault.on not in INSTRUMENTS:
        raise InputError("no such instrument", where="fault", got=fault.on, allowed=", ".join(INSTRUMENTS))
    if fault.channel not in {1, 2}:
        raise InputError("no such channel", where="fault", got=f"{fault.channel}", allowed="1, 2")
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise InputError("a number was expected", where="fault value", got=f"{value}")
    fault.value = float(value)
    return fault


def _whole(value: object, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise InputError("a whole number was expected", where=f"fault {where}", got=f"{value}")
    return value


@dataclass
class FaultBoard:
    """The faults that are on; safe to ask from any thread."""

    active: list[Fault] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def add(self, fault: Fault) -> None:
        """Switch a fault on."""
        with self._lock:
            self.active.append(fault)

    def clear(self) -> None:
        """Switch every fault off."""
        with self._lock:
            self.active.clear()

    def find(self, kind: FaultKind, on: str | None = None, channel: int | None = None) -> Fault | None:
        """Return a fault that is on, without using it up."""
        with self._lock:
            return self._find(kind, on, channel)

    def use(self, kind: FaultKind, on: str) -> Fault | None:
        """Return a fault that is on, and count that it has happened."""
        with self._lock:
            fault = self._find(kind, on, None)
            if fault is not None and fault.times is not None:
                fault.times -= 1
                if fault.times <= 0:
                    self.active.remove(fault)
            return fault

    def carried(self, on: str, size: int) -> int | None:
        """Return how many of so many bytes still pass before the line is cut; None for all of them."""
        with self._lock:
            fault = self._find(FaultKind.CUT, on, None)
            if fault is None:
                return None
            if fault.value >= size:
                fault.value -= size
                return None
            self.active.remove(fault)
            return int(fault.value)

    def _find(self, kind: FaultKind, on: str | None, channel: int | None) -> Fault | None:
        for fault in self.active:
            if fault.kind is kind and on in {None, fault.on} and channel in {None, fault.channel}:
                return fault
        return None
