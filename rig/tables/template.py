"""Texts with named fields, and the replies to questions: what a command table may hold instead of code."""

from __future__ import annotations

import dataclasses
import math
import re
import string
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from whichcore.errors import InputError, InstrumentError

_SPEC = re.compile(r"(\.\d{1,2})?[eEfgGd]?", re.ASCII)
_NUMBER = re.compile(r"(?<![\w.])[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_SWITCH = {"1": True, "ON": True, "+1": True, "0": False, "OFF": False, "+0": False}
_PLAIN_UNITS = frozenset({"", "V", "S", "HZ", "SA/S", "S/S", "PTS", "X"})
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
    ask : Template or None
        None for a value that stands in the header of a record.
    reply : str
        ``number``, ``switch`` (0, 1, ON, OFF) or ``text``.
    field : int
        Which of the comma-separated values is meant, counted from 0; -1: the whole answer.
    fields : int
        So many of them there must be; 0 for any number.
    name : str
        The value behind this name is meant, up to a comma or semicolon; empty: the whole answer.
    factor : float
        The number is multiplied with it.
    inverse : bool
        Its reciprocal is meant: a rate where an interval is wanted.
    units : mapping of str to float
        What may stand behind the number and what it is worth; empty: plain units of the SI.
    yes, no : str
        Regular expressions of the answers that mean yes and no; where only ``yes`` is there, any other is no.
    bit : int
        The answer is a register, and this bit of it means yes, counted from 0; -1: it is none.
    """

    ask: Template | None
    reply: str = "number"
    field: int = -1
    fields: int = 0
    name: str = ""
    factor: float = 1.0
    inverse: bool = False
    units: Mapping[str, float] = dataclasses.field(default_factory=dict)
    yes: str = ""
    no: str = ""
    bit: int = -1

    def message(self, **values: float | str) -> str:
        """Return what is sent; raises InputError for a value of a header, for which nothing is."""
        if self.ask is None:
            raise InputError("this value stands in the header of a record", where=self.name)
        return self.ask.fill(**values)

    def number(self, answer: str, where: str) -> float:
        """Return the number in an answer; a name before it is passed over, and so is a plain unit behind it.

        Raises
        ------
        InstrumentError
            There is none, it is the mark for "not a number", or its unit is not known.
        """
        text = self._chosen(answer, where)
        found = list(_NUMBER.finditer(text))
        value = float(found[0][0]) if len(found) == 1 else math.nan
        if not math.isfinite(value) or abs(value) >= NOT_A_NUMBER:
            raise _unreadable(where, answer, "a number")
        value *= self._unit(text[found[0].end() :].strip(), answer, where) * self.factor
        if not self.inverse:
            return value
        if value == 0:
            raise _unreadable(where, answer, "a number other than 0")
        return 1 / value

    def switch(self, answer: str, where: str) -> bool:
        """Return True for yes and False for no; anything else raises InstrumentError."""
        text = self._chosen(answer, where)
        if self.bit >= 0:
            if not re.fullmatch(r"\+?\d+", text):
                raise _unreadable(where, answer, "a whole number, of bits")
            return bool(int(text) >> self.bit & 1)
        if self.yes:
            if re.search(self.yes, text):
                return True
            if self.no and not re.search(self.no, text):
                raise _unreadable(where, answer, f"a match of {self.yes} or of {self.no}")
            return False
        state = _SWITCH.get(text.upper())
        if state is None:
            raise _unreadable(where, answer, "0, 1, OFF, ON")
        return state

    def _chosen(self, answer: str, where: str) -> str:
        if self.name:
            # at the beginning or behind a separator, so that SCALE is not found in TIMESCALE
            found = re.search(rf"(?:^|[,;:\s]){re.escape(self.name)}[\s,=:]+([^,;\n]*)", answer)
            if found is None:
                raise _unreadable(where, answer, f"a value behind {self.name}")
            return found[1].strip()
        parts = answer.split(",")
        if self.fields and len(parts) != self.fields:
            raise _unreadable(where, answer, f"{self.fields} values separated by commas, not {len(parts)}")
        if self.field < 0:
            return answer.strip()
        return parts[self.field].strip() if self.field < len(parts) else ""

    def _unit(self, unit: str, answer: str, where: str) -> float:
        """Return what a unit is worth; one with a prefix is not guessed at."""
        if unit in self.units:
            return self.units[unit]
        if self.units or unit.upper() not in _PLAIN_UNITS:
            known = ", ".join(self.units) or "V, s, Hz, Sa/s or none; state others in units of this question"
            raise _unreadable(where, answer, f"a number with one of the units {known}")
        return 1.0


def _unreadable(where: str, answer: str, allowed: str) -> InstrumentError:
    return InstrumentError(
        "the answer is not what was asked for",
        where=where,
        got=repr(answer[:80]),
        allowed=allowed,
        next_step="check that the command table is the one of this instrument",
    )
