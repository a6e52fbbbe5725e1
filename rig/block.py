"""IEEE 488.2 definite-length blocks, read by count so that no byte of the data can be taken for an end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from whichcore.errors import InstrumentError

LONGEST_BEFORE = 64  # bytes of an inline header in front of the block


Raw: TypeAlias = bytes | bytearray


@dataclass(frozen=True, slots=True)
class BlockFormat:
    """What surrounds a block.

    Attributes
    ----------
    before : str
        Text in front of the ``#``; "*" passes over any text up to 64 bytes.
    trailer : bytes
        What must follow the data.
    """

    before: str = ""
    trailer: bytes = b"\n"


def read_block(read: Callable[[int], Raw], form: BlockFormat, expected: int, where: str) -> Raw:
    """Read ``#<n><length><data>`` and its trailer (IEEE 488.2-1992, 8.7.9; from memory).

    Parameters
    ----------
    read : callable
        Returns exactly as many bytes as asked for, or raises.
    form : BlockFormat
    expected : int
        Bytes that must be in it.
    where : str
        Instrument and question, for the error.

    Raises
    ------
    InstrumentError
        No block, a block of indefinite length, another number of bytes than expected, or something else than
        the trailer behind the data.
    """
    head = _head(read, form, where)
    digits = head[1:2]
    if digits == b"0":
        raise _fault("the block does not state its length", where, got="#0")
    if not digits.isdigit():
        raise _fault("the answer is no block of data", where, got=repr(head.decode("latin-1")))
    text = read(int(digits))
    if not text.isdigit():
        raise _fault("the length of the block cannot be read", where, got=repr(text.decode("latin-1")))
    if int(text) != expected:
        raise _fault("the block has another length than asked for", where, got=f"{int(text)} bytes",
                     allowed=f"{expected} bytes")  # fmt: skip
    data = read(expected)
    trailer = read(len(form.trailer)) if form.trailer else b""
    if trailer != form.trailer:
        raise _fault(
            "the block does not end where it says", where, got=repr(trailer), allowed=repr(form.trailer)
        )
    return data


def _head(read: Callable[[int], Raw], form: BlockFormat, where: str) -> Raw:
    if form.before == "*":
        for _ in range(LONGEST_BEFORE):
            if read(1) == b"#":
                return b"#" + read(1)
        raise _fault("no block of data begins", where, allowed=f"# within {LONGEST_BEFORE} bytes")
    before = read(len(form.before)) if form.before else b""
    head = read(2)
    if before != form.before.encode("ascii") or head[:1] != b"#":
        raise _fault("the answer is no block of data", where, got=repr((before + head).decode("latin-1")))
    return head


def _fault(what: str, where: str, *, got: str = "", allowed: str = "") -> InstrumentError:
    return InstrumentError(
        what,
        where=where,
        got=got,
        allowed=allowed,
        next_step="try again; if it comes back, check dtype, before and trailer in the command table",
    )
