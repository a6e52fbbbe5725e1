"""What a line between program and instrument carries, whatever kind it is, and the faults it can have."""

from __future__ import annotations

import time
from dataclasses import dataclass

from whichcore.rig.virtual.faults import BLOCK_KINDS, FaultKind
from whichcore.rig.virtual.scpi import ERRORS, Instrument, Waveform

LONGEST_LINE = 65536
SPILL = b"\x2a\x15\x07"  # what a long block carries too much


@dataclass(frozen=True, slots=True)
class Sent:
    """What goes back for one line.

    Attributes
    ----------
    data : bytes
        Empty where nothing was asked, or nothing is said.
    hang_up : bool
        The line ends behind it.
    """

    data: bytes = b""
    hang_up: bool = False


def converse(instrument: Instrument, line: bytes) -> Sent:
    """Let an instrument do what one line says; return what it sends."""
    if instrument.faults.use(FaultKind.RESET, instrument.name):
        instrument.reset()
    sent = _answered(instrument, line)
    left = instrument.faults.carried(instrument.name, len(sent.data)) if sent.data else None
    return sent if left is None else Sent(sent.data[:left], hang_up=True)


def push_fault(instrument: Instrument) -> None:
    """Put a fault of the hardware into an instrument's queue."""
    instrument.push(-240, ERRORS[-240])


def _answered(instrument: Instrument, line: bytes) -> Sent:
    faults, name = instrument.faults, instrument.name
    answers = instrument.execute(line.decode("ascii", "replace").strip())
    echo = line if faults.find(FaultKind.ECHO, name) else b""
    if not answers or faults.use(FaultKind.SILENT, name):
        return Sent(echo)
    slow = faults.use(FaultKind.SLOW, name)
    if slow:
        time.sleep(slow.value)
    if len(answers) == 1 and isinstance(answers[0], Waveform):
        sent = _block(instrument, answers[0])
        return Sent(echo + sent.data, sent.hang_up)
    parts = [
        answer.before.encode("ascii") + answer.block
        if isinstance(answer, Waveform)
        else answer.encode("ascii", "replace")
        for answer in answers
    ]
    return Sent(echo + b";".join(parts) + instrument.end_of_answer)


def _block(instrument: Instrument, wave: Waveform) -> Sent:
    if instrument.faults.find(FaultKind.BYTE_ORDER, instrument.name):
        wave = wave.swapped()
    used = [kind for kind in BLOCK_KINDS if instrument.faults.use(kind, instrument.name)]
    kind, data, before = used[0] if used else None, wave.block, wave.before.encode("ascii")
    if kind is FaultKind.DEAD_MID_BLOCK:
        return Sent(before + data[: len(data) // 2], hang_up=True)
    if kind is FaultKind.SHORT_BLOCK:
        data = data[: -len(SPILL)]
    elif kind is FaultKind.LONG_BLOCK:
        data += SPILL
    elif kind is FaultKind.WRONG_DIGITS:
        data = b"#" + str(int(data[1:2]) - 1).encode() + data[2:]
    return Sent(before + data + wave.trailer)
