"""IEEE 488.2 blocks, read by count so that no byte of the data can be taken for an end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from whichcore.errors import InstrumentError

LONGEST_BEFORE = 4096  # bytes of an inline header in front of the block
ANY = "*"


Raw: TypeAlias = bytes | bytearray


@dataclass(frozen=True, slots=True)
class BlockFormat:
    """What surrounds a block.

    Attributes
    ----------
    before : str
        Text in front of the ``#``; "*" passes over any text up to 4096 bytes.
    trailer : bytes
        What must follow the data.
    digits : int
        Digits the length must have; 0 for any number of them.
    indefinite : bool
        A block that does not state its length (``#0``) is taken too: as many bytes as expected, then the
        trailer.
    """

    before: str = ""
    trailer: bytes = b"\n"
    digits: int = 0
    indefinite: bool = False


@dataclass(frozen=True, slots=True)
class Block:
    """An answer with a block.

    Attributes
    ----------
    header : str
        Text in front of the ``#``.
    data : bytes or bytearray
    """

    header: str
    data: Raw


class BlockError(InstrumentError):
    """A block that is not what was expected.

    Attributes
    ----------
    key : str
        What of the command table is most likely wrong: ``before``, ``digits``, ``length``, ``trailer``.
    stated : int
        Bytes the block says it has; 0 where that is not known.
    begin : str
        What came in place of a block, as far as it was read.
    """

    def __init__(self, what: str, key: str, where: str, *, got: str = "", allowed: str = "") -> None:
        super().__init__(
            what,
            where=where,
            got=got,
            allowed=allowed,
            next_step=f"try again; if it comes back, check {_CHECK[key]} in the command table",
        )
        self.key = key
        self.stated = 0
        self.begin = ""


_CHECK = {
    "before": "before and ask",
    "digits": "digits",
    "indefinite": "indefinite",
    "length": "dtype, window and whole",
    "trailer": "trailer and dtype",
}


def read_block(read: Callable[[int], Raw], form: BlockFormat, expected: int, where: str) -> Block:
    """Read ``#<n><length><data>`` and its trailer (IEEE 488.2-1992, 8.7.9 and 8.7.10; from memory).

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
    BlockError
        No block, a block of indefinite length where that is not expected, another number of bytes than
        expected, or something else than the trailer behind the data.
    """
    before, digit = _head(read, form, where)
    if digit == b"0":
        if not form.indefinite:
            raise BlockError("the block does not state its length", "indefinite", where, got="#0")
    else:
        _require_length(_length(read, digit, form, where), expected, where)
    data = read(expected)
    trailer = bytes(read(len(form.trailer))) if form.trailer else b""
    if trailer != form.trailer:
        raise BlockError(
            "the block does not end where it says",
            "trailer",
            where,
            got=repr(trailer),
            allowed=repr(form.trailer),
        )
    return Block(before.decode("latin-1"), data)


def _head(read: Callable[[int], Raw], form: BlockFormat, where: str) -> tuple[Raw, Raw]:
    """Return what stands in front of the # and the digit behind it."""
    if form.before == ANY:
        before = bytearray()
        while (byte := read(1)) != b"#":
            before += byte
            if len(before) > LONGEST_BEFORE:
                what = "no block of data begins"
                got, allowed = repr(bytes(before[:60])), f"# within {LONGEST_BEFORE} bytes"
                raise BlockError(what, "before", where, got=got, allowed=allowed)
        return before, read(1)
    wanted = form.before.encode("ascii") + b"#"
    head = bytearray()
    for place in range(len(wanted)):
        head += read(1)
        if not wanted.startswith(head):
            # no more is read than has come: an answer may be shorter than what was expected of it
            got, allowed = repr(head.decode("latin-1")), repr(wanted[: place + 1].decode("ascii"))
            error = BlockError("the answer is no block of data", "before", where, got=got, allowed=allowed)
            error.begin = head.decode("latin-1")
            raise error
    return head[:-1], read(1)


def _length(read: Callable[[int], Raw], digit: Raw, form: BlockFormat, where: str) -> int:
    """Return the length a block states."""
    if not digit.isdigit():
        got = repr(f"#{digit.decode('latin-1')}")
        raise BlockError("the answer is no block of data", "before", where, got=got, allowed="# and a digit")
    if form.digits and int(digit) != form.digits:
        raise BlockError(
            "the length of the block has another number of digits than expected",
            "digits",
            where,
            got=f"#{int(digit)}",
            allowed=f"#{form.digits}",
        )
    text = read(int(digit))
    if not text.isdigit():
        got = repr(f"#{int(digit)}{text.decode('latin-1')}")
        raise BlockError("the length of the block cannot be read", "digits", where, got=got)
    return int(text)


def _require_length(stated: int, expected: int, where: str) -> None:
    if stated != expected:
        error = BlockError(
            "the block has another length than asked for",
            "length",
            where,
            got=f"{stated} bytes",
            allowed=f"{expected} bytes",
        )
        error.stated = stated
        raise error
