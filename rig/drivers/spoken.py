"""What every instrument behind a command table says of itself, source and digitizer alike."""

from __future__ import annotations

from whichcore.rig.drivers.conversation import Conversation
from whichcore.rig.tables.command_table import CommandTable


def identity_wanted(table: CommandTable) -> str:
    """Return what an instrument must say it is, and which table says so."""
    return f"{table.identity} ({table.name})"


class Spoken:
    """An instrument spoken to by a command table.

    Parameters
    ----------
    talk : Conversation
    """

    def __init__(self, talk: Conversation) -> None:
        self._talk = talk

    @property
    def identity(self) -> str:
        """What the instrument says it is."""
        self._talk.ready()
        return self._talk.identity

    @property
    def identity_wanted(self) -> str:
        """What it must say it is."""
        return identity_wanted(self._talk.table)

    @property
    def old_errors(self) -> tuple[str, ...]:
        """Errors found in the queue when the connection was made."""
        return self._talk.old_errors

    def check_errors(self) -> None:
        """Raise InstrumentError when the instrument holds an error, and empty its queue."""
        self._talk.check_errors()

    def close(self) -> None:
        """Close the connection; doing it twice does no harm."""
        self._talk.close()
