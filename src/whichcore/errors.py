"""Everything whichcore raises on purpose, as one tree.

::

    WhichcoreError                 exit  what it means
    ├── UsageError                    2  the command was called wrongly
    ├── InputError                    3  a file or a value given by the user is wrong
    │   └── LibraryError              3  no usable reference material
    ├── AnalysisError                 3  the data cannot carry what was asked of them
    ├── InstrumentError               4  the hardware, or the way to it
    ├── CalibrationError              5  a calibration is missing, unfit or refused
    ├── RecordError                   6  the record store
    └── Cancelled                   130  the user stopped it

    WhichcoreWarning                     something the user should know (a UserWarning, not an error)

Every error says what failed, where, the value got, the values allowed and the next step. This module
imports nothing, so every layer may use it.
"""

from __future__ import annotations

#: Letters of an offending value that are repeated; what a user has to see of it is in the first of them.
LONGEST_GOT = 200
#: Letters of one word, and of one clause, that are shown of anything else: a path, a command to type and a
#: list of faults stay whole.
LONGEST_WORD, LONGEST_CLAUSE = 400, 4000


class WhichcoreError(Exception):
    """Root of the tree.

    Parameters
    ----------
    what : str
        What is wrong, a clause without a full stop.
    where : str
        File and line, key, option or instrument.
    got : str
        The offending value as the user wrote it; its beginning is shown where it is longer than LONGEST_GOT,
        and of the other clauses the ends of words longer than LONGEST_WORD.
    allowed : str
        The values that would have been accepted.
    next_step : str
        What the user can do now.
    """

    code = "internal"
    exit_code = 70

    def __init__(
        self, what: str, *, where: str = "", got: str = "", allowed: str = "", next_step: str = ""
    ) -> None:
        self.what = what
        self.where = where
        self.got = got
        self.allowed = allowed
        self.next_step = next_step
        super().__init__(self.one_line())

    @property
    def shown_got(self) -> str:
        """The offending value, or its beginning and its length."""
        if len(self.got) <= LONGEST_GOT:
            return self.got
        return f"{self.got[:LONGEST_GOT]}… ({len(self.got)} characters)"

    def one_line(self) -> str:
        """Return the whole story in one line."""
        what, where = _shown(self.what), _shown(self.where)
        parts = [f"{where}: {what}" if where else what]
        if self.got:
            parts.append(f"got {self.shown_got}")
        if self.allowed:
            parts.append(f"allowed: {_shown(self.allowed)}")
        if self.next_step:
            parts.append(f"next: {_shown(self.next_step)}")
        return "; ".join(" ".join(part.split()) for part in parts)

    def to_dict(self) -> dict[str, str]:
        """Return the fields of the ``error`` object of the JSON contract."""
        return {
            "code": self.code,
            "what": _shown(self.what),
            "where": _shown(self.where),
            "got": self.shown_got,
            "allowed": _shown(self.allowed),
            "next": _shown(self.next_step),
        }


def _shown(clause: str) -> str:
    """Return a clause with each word that fills pages cut in its middle, and then the clause itself."""
    if len(clause) <= LONGEST_WORD:
        return clause
    words = " ".join(_cut(word, LONGEST_WORD) for word in clause.split(" "))
    return _cut(words, LONGEST_CLAUSE)


def _cut(text: str, longest: int) -> str:
    """Return a text, or both its ends and its length: what stands at its end, a line or a key, is kept."""
    if len(text) <= longest:
        return text
    half = longest // 2
    return f"{text[:half]}… ({len(text)} characters) …{text[-half:]}"


class UsageError(WhichcoreError):
    """The command was called wrongly."""

    code = "usage"
    exit_code = 2


class InputError(WhichcoreError):
    """A file or a value given by the user is wrong."""

    code = "input"
    exit_code = 3


class LibraryError(InputError):
    """No usable reference material."""

    code = "library"


class AnalysisError(WhichcoreError):
    """The data cannot carry what was asked of them."""

    code = "analysis"
    exit_code = 3


class InstrumentError(WhichcoreError):
    """The hardware, or the way to it."""

    code = "instrument"
    exit_code = 4


class CalibrationError(WhichcoreError):
    """A calibration is missing, unfit or refused."""

    code = "calibration"
    exit_code = 5


class RecordError(WhichcoreError):
    """The record store cannot do what was asked."""

    code = "record"
    exit_code = 6


class Cancelled(WhichcoreError):  # noqa: N818 - not a fault
    """The user stopped it."""

    code = "cancelled"
    exit_code = 130


class WhichcoreWarning(UserWarning):
    """Something the user should know, though the work went on; the command line collects them."""
