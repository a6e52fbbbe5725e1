"""Texts with named fields, and the replies to questions: what a command table may hold instead of code."""

from __future__ import annotations

import math
import re
import string
from collections.abc import Iterable
from dataclasses import dataclass

from whichcore.errors import InputError, InstrumentError

_SPEC = re.compile(r"(\.\d{1,2})?[eEfgGd]?", re.ASCII)
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_SWITCH = {"1": True, "ON": True, "+1": True, "0": False, "OFF": False, "+0": False}
NOT_A_NUMBER = 9.9e37  # SCPI-1999, 7.2.1.4 and .5 (from memory): infinity 9.9E37, not a number 9.91E37


@dataclass(frozen=True, slots=True)
class Template:
    """A message with fields in braces; nothing in it is ever evaluated."""

    text: str

    @classmethod
    def parse(cls, text: object, fields: Iterable[str], where: str) -> Template:
        """Check a text of a table.

        Parameters
        ----------
        text : object
            What stands in the table.
        fields : iterable of str
            Names the caller will fill in.
        where : str
            Place in the table, for the error.

        Raises
        ------
        InputError
            No text, unbalanced braces, an unknown field, or a format other than of a plain number.
        """
        if not isinstance(text, str) or not text.strip():
            raise InputError("a command in quotes was expected", where=where, got=f"{text!r}")
        allowed = list(fields)
        try:
            parts = list(string.Formatter().parse(text))
        except ValueError as error:
            raise InputError(f"the braces are wrong: {error}", where=where, got=text) from None
        for _, name, spec, conversion in parts:
            if name is None:
                continue
            if name not in allowed:
                raise InputError(
                    "there is no such field here",
                    where=where,
                    got=f"{{{name}}}",
                    allowed=", ".join(f"{{{item}}}" for item in allowed) or "no field",
                )
            if conversion or not _SPEC.fullmatch(spec or ""):
                raise InputError(
                    "this is not the format of a number",
                    where=where,
                    got=f"{{{name}:{spec}}}",
                    allowed="such as {frequency_hz:.10g}",
                )
        return cls(text)

    def fill(self, **values: float | str) -> str:
        """Return the message."""
        return self.text.format(**values)


@dataclass(frozen=True, slots=True)
class Query:
    """A question and how its answer is read.

    Attributes
    ----------
    ask : Template
    reply : str
        ``number``, ``switch`` (0, 1, ON, OFF) or ``text``.
    field : int
        Which of the comma-separated values is meant, counted from 0; -1: the whole answer.
    factor : float
        The number is multiplied with it.
    """

    ask: Template
    reply: str = "number"
    field: int = -1
    factor: float = 1.0

    def number(self, answer: str, where: str) -> float:
        """Return the number in an answer; a unit behind it and a name before it are passed over.

        Raises
        ------
        InstrumentError
            There is none, or it is the mark for "not a number".
        """
        text = self._chosen(answer)
        found = re.findall(rf"(?<![\w.]){_NUMBER}", text)
        value = float(found[0]) if len(found) == 1 else math.nan
        if not math.isfinite(value) or abs(value) >= NOT_A_NUMBER:
            raise _unreadable(where, answer, "a number")
        return value * self.factor

    def switch(self, answer: str, where: str) -> bool:
        """Return True for 1 and ON, False for 0 and OFF; anything else raises InstrumentError."""
        state = _SWITCH.get(self._chosen(answer).upper())
        if state is None:
            raise _unreadable(where, answer, "0, 1, OFF, ON")
        return state

    def _chosen(self, answer: str) -> str:
        parts = answer.split(",")
        if self.field < 0:
            return answer.strip()
        return parts[self.field].strip() if self.field < len(parts) else ""


def _unreadable(where: str, answer: str, allowed: str) -> InstrumentError:
    return InstrumentError(
        "the answer is not what was asked for",
        where=where,
        got=repr(answer[:80]),
        allowed=allowed,
        next_step="check that the command table is the one of this instrument",
    )
