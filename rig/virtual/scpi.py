"""The language of the instruments: SCPI-1999 headers, compound messages, parameters, error queue.

Errors have the numbers and texts of SCPI-1999 volume 2, chapter 21 (from memory).
"""

from __future__ import annotations

import re
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from whichcore.errors import WhichcoreError
from whichcore.rig.virtual.faults import FaultBoard, FaultKind

QUEUE_LENGTH = 16
ERRORS = {
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -200: "Execution error",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -350: "Queue overflow",
}


class ScpiError(Exception):
    """What goes into the error queue."""

    def __init__(self, number: int, detail: str = "") -> None:
        self.number = number
        self.text = ERRORS[number] + (f"; {detail}" if detail else "")
        super().__init__(self.text)


@dataclass(frozen=True, slots=True)
class Waveform:
    """An answer that holds a block of data (IEEE 488.2-1992, 8.7.9; from memory).

    Attributes
    ----------
    data : bytes
    item_bytes : int
        Of one number.
    before : str
        Text in front of the block.
    trailer : bytes
        Behind it.
    digits : int
        Of the length; 0 for as many as it takes.
    """

    data: bytes
    item_bytes: int = 1
    before: str = ""
    trailer: bytes = b"\n"
    digits: int = 0

    @property
    def block(self) -> bytes:
        """Head and data."""
        length = str(len(self.data)).zfill(self.digits).encode()
        return b"#" + str(len(length)).encode() + length + self.data

    def swapped(self) -> Waveform:
        """Return the same numbers with their bytes in the other order."""
        kinds = {2: "<u2", 4: "<u4", 8: "<u8"}
        if self.item_bytes not in kinds:
            return self
        return replace(self, data=np.frombuffer(self.data, kinds[self.item_bytes]).byteswap().tobytes())


MEASURING, WAITING = 1 << 4, 1 << 5  # bits of the operation status: SCPI-1999, volume 1, 9.3 (from memory)
Reply = str | Waveform | None
Answer = str | Waveform
Suffixes = tuple[int, ...]
Action = Callable[[Suffixes, list[str]], Reply]


@dataclass(frozen=True, slots=True)
class Command:
    """One header and what it does.

    Attributes
    ----------
    pattern : str
        ``[SOURce:]VOLTage#:RANGe``: capitals are the short form, brackets an optional node, # a suffix.
    write, ask : callable or None
        Called with the suffixes and the parameters; ``ask`` returns the answer to the query form.
    """

    pattern: str
    write: Action | None = None
    ask: Action | None = None


def compile_header(pattern: str) -> re.Pattern[str]:
    """Return the expression that matches every spelling of a header, a suffix of 1 being optional."""
    expression = ""
    for part in re.findall(r"\[:?[A-Za-z]+#?:?\]|:|[*A-Za-z]+#?", pattern):
        if part.startswith("["):
            body = part[1:-1]
            inner = _node(body.strip(":"))
            expression += f"(?::{inner})?" if body.startswith(":") else f"(?:{inner}:)?"
        else:
            expression += ":" if part == ":" else _node(part)
    return re.compile(expression, re.IGNORECASE)


def _node(word: str) -> str:
    suffix = r"(\d*)" if word.endswith("#") else ""
    word = word.removesuffix("#")
    if word.startswith("*"):
        return re.escape(word)
    short = re.match(r"([A-Z]+)[a-z]*(\d*)$", word)
    stem = "".join(short.groups()) if short else word
    return f"(?:{word}|{stem}){suffix}"


class Instrument:
    """An instrument behind a line: identity, error queue, and the commands of a subclass.

    Parameters
    ----------
    name : str
        As faults name it.
    identity : str
        Answer to ``*IDN?``.
    faults : FaultBoard

    Attributes
    ----------
    end_of_answer : bytes
    """

    end_of_answer = b"\n"

    def __init__(self, name: str, identity: str, faults: FaultBoard) -> None:
        self.name = name
        self.faults = faults
        self._identity = identity
        self._errors: deque[tuple[int, str]] = deque()
        self._lock = threading.Lock()
        self._table = [(compile_header(c.pattern), c) for c in (*self._common(), *self.commands())]

    def commands(self) -> tuple[Command, ...]:
        """Return the commands of this instrument."""
        raise NotImplementedError

    def reset(self) -> None:
        """Do ``*RST``."""
        raise NotImplementedError

    def finish(self) -> None:
        """Wait until pending operations are complete, for ``*OPC?``, ``*WAI``."""

    def execute(self, message: str) -> list[Answer]:
        """Run one program message and return the answers of its queries, in order.

        The path of a header is kept for the next one after a semicolon; a leading colon or a common command
        does not touch it (SCPI-1999 volume 1, 6.2.4; from memory). The first error ends the message.
        """
        answers: list[Answer] = []
        path = ""
        try:
            for unit in filter(None, (part.strip() for part in message.split(";"))):
                header, _, rest = unit.partition(" ")
                full, path = _resolve(header, path)
                answer = self._run(full, [part.strip() for part in rest.split(",")] if rest.strip() else [])
                if answer is not None:
                    answers.append(answer)
        except ScpiError as error:
            self.push(error.number, error.text)
        except WhichcoreError as error:
            self.push(-200, f"{ERRORS[-200]}; {error.one_line()}".replace('"', "'"))
        return answers

    def push(self, number: int, text: str | None = None) -> None:
        """Put an error into the queue; a full queue says so in its last place."""
        with self._lock:
            if len(self._errors) >= QUEUE_LENGTH:
                self._errors[-1] = (-350, ERRORS[-350])
            else:
                self._errors.append((number, text or ERRORS[number]))

    def take_errors(self, most: int = QUEUE_LENGTH) -> list[tuple[int, str]]:
        """Take errors out of the queue, the oldest first."""
        with self._lock:
            return [self._errors.popleft() for _ in range(min(most, len(self._errors)))]

    def _run(self, header: str, arguments: list[str]) -> Reply:
        query = header.endswith("?")
        for expression, command in self._table:
            match = expression.fullmatch(header.removesuffix("?"))
            action = command.ask if query else command.write
            if match and action:
                suffixes = tuple(int(group or 1) for group in match.groups())
                return self._headed(header, action(suffixes, arguments))
        raise ScpiError(-113, header)

    def _headed(self, header: str, answer: Reply) -> Reply:
        """Put the header in front of an answer, where a fault has switched headers on."""
        if answer is None or header.startswith("*") or not self.faults.find(FaultKind.HEADER_ON, self.name):
            return answer
        head = f":{header.removesuffix('?').upper()} "
        return head + answer if isinstance(answer, str) else replace(answer, before=head)

    def _common(self) -> tuple[Command, ...]:
        return (
            Command("*IDN", ask=lambda _s, _a: self._identify()),
            Command("*RST", write=lambda _s, _a: self.reset()),
            Command("*CLS", write=lambda _s, _a: self._clear()),
            Command("*WAI", write=lambda _s, _a: self.finish()),
            Command("*OPC", write=lambda _s, _a: None, ask=lambda _s, _a: self._complete()),
            Command("SYSTem:ERRor[:NEXT]", ask=lambda _s, _a: self._next_error()),
        )

    def _identify(self) -> str:
        wrong = self.faults.find(FaultKind.WRONG_IDENTITY, self.name)
        return "Attic Electric,Kettle 3,0,0.1" if wrong else self._identity

    def _clear(self) -> None:
        with self._lock:
            self._errors.clear()

    def _complete(self) -> str:
        self.finish()
        return "1"

    def _next_error(self) -> str:
        if self.faults.find(FaultKind.ENDLESS_ERRORS, self.name):
            return f'-240,"{ERRORS[-240]}"'
        with self._lock:
            number, text = self._errors.popleft() if self._errors else (0, "No error")
        return f'{number},"{text}"'


def _resolve(header: str, path: str) -> tuple[str, str]:
    """Return the full header, and the path for the next one."""
    if header.startswith("*"):
        return header, path
    full = header[1:] if header.startswith(":") else path + header
    return full, full[: full.rfind(":") + 1]


def number(arguments: list[str], lowest: float, highest: float) -> float:
    """Return the one numeric parameter, MINimum and MAXimum included; raises ScpiError outside."""
    text = only(arguments)
    if re.fullmatch("MIN(IMUM)?", text, re.IGNORECASE):
        return lowest
    if re.fullmatch("MAX(IMUM)?", text, re.IGNORECASE):
        return highest
    try:
        value = float(text)
    except ValueError:
        raise ScpiError(-104, text) from None
    if not lowest * (1 - 1e-12) <= value <= highest * (1 + 1e-12) and not lowest <= value <= highest:
        raise ScpiError(-222, text)
    return value


def word(arguments: list[str], *choices: str) -> str:
    """Return which of the words (capitals: short form) the one parameter is; raises ScpiError."""
    text = only(arguments)
    for choice in choices:
        if re.fullmatch(_node(choice), text, re.IGNORECASE):
            return choice
    raise ScpiError(-224, text)


def only(arguments: list[str]) -> str:
    """Return the one parameter; raises ScpiError for none or more."""
    if not arguments:
        raise ScpiError(-109)
    if len(arguments) > 1:
        raise ScpiError(-108, arguments[1])
    return arguments[0]
