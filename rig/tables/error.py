"""What an instrument does that its command table does not say, with the key most likely wrong."""

from __future__ import annotations

from whichcore.errors import InstrumentError


class TableError(InstrumentError):
    """A record or an answer that cannot be what the table says.

    Attributes
    ----------
    key : str
        Dotted key of the command table.
    """

    key = ""

    @classmethod
    def at(cls, key: str, what: str, where: str = "", **more: str) -> TableError:
        """Return one that names a key; ``more`` are ``got``, ``allowed`` and ``next_step``."""
        error = cls(what, where=where, **more)
        error.key = key
        return error
