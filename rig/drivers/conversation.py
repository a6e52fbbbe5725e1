"""Talking to one instrument in the words of its command table: who it is, what to do, what went wrong."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from whichcore.errors import InstrumentError
from whichcore.rig.drivers.headers import OFF, headers_are_on, without_header
from whichcore.rig.lines.block import Block, BlockError, BlockFormat
from whichcore.rig.lines.link import Link
from whichcore.rig.tables.command_table import CommandTable
from whichcore.rig.tables.template import Query, Template

IDENTIFY = "*IDN?"
AFTER_BLOCK_S = 0.05  # what comes behind a block comes in this time, and is not taken for the next answer


class Conversation:
    """A link with a command table.

    After any failure the link is closed; the next command opens it again, asks who is there and empties the
    error queue, so that no old answer and no old error is taken for a new one.

    Attributes
    ----------
    address : str
    table : CommandTable
    identity : str
        What the instrument said it is, at the last connection.
    connections : int
        Counts connections: what was set on an earlier one may be lost.
    old_errors : tuple of str
        What lay in the error queue when the connection was made.
    at : Template or None
        Whose message was sent last.
    last : (str, str)
        That message, and what came; empty where nothing came or was asked for.

    Parameters
    ----------
    address : str
    table : CommandTable
    careful : bool
        Ask for errors after each single command, so that the one that is refused is known.
    """

    def __init__(self, address: str, table: CommandTable, *, careful: bool = False) -> None:
        self.address = address
        self.table = table
        self.at: Template | None = None
        self.last = ("", "")
        self._careful = careful
        self.identity = ""
        self.connections = 0
        self.old_errors: tuple[str, ...] = ()
        self._link = Link(address, table.link)

    def ready(self) -> None:
        """Connect where there is no connection; raises InstrumentError."""
        if self._link.is_open:
            return
        self.at, self.last = None, ("", "")
        self._link.open()
        identity = self._heard(None, IDENTIFY)
        if not re.search(self.table.identity, identity):
            identity = without_header(IDENTIFY, identity)  # nothing is told to it before it is known
        if not re.search(self.table.identity, identity):
            self._link.close()
            raise InstrumentError(
                "another instrument answers at this address",
                where=f"{self.address}, {IDENTIFY}",
                got=repr(identity[:120]),
                allowed=f"a match of {self.table.identity} ({self.table.title})",
                next_step="correct address or driver in bench.toml",
            )
        self.identity = identity
        for action in ("recover", OFF, "connect") if self.connections else (OFF, "connect"):
            for command in self.table.actions.get(action, ()):
                self._tell(command, command.fill())
        self.old_errors = self._drain()
        self.connections += 1

    def do(self, action: str, **values: float | str) -> None:
        """Send the commands of an action; one the table does not have is nothing."""
        self.ready()
        for command in self.table.actions.get(action, ()):
            self.send(command, **values)

    def send(self, command: Template, **values: float | str) -> None:
        """Send one command."""
        self.ready()
        self._tell(command, command.fill(**values))
        if self._careful:
            self._require_taken()

    def say(self, action: str) -> None:
        """Send the commands of an action to an instrument known from before, and wait for nothing.

        For what must be tried when questions fail; nothing is raised, as the failure is known already.
        """
        if not self.connections:
            return  # whoever is there was never asked who it is
        with suppress(InstrumentError):
            self._link.open()
            for command in self.table.actions.get(action, ()):
                self._link.write(command.fill())
        self._link.close()

    def ask(self, query: Query, wait_s: float = 0.0, **values: float | str) -> str:
        """Ask, and return the answer as it came; ``wait_s`` is time it may take on top of the usual."""
        self.ready()
        return self._heard(query.ask, query.message(**values), wait_s)

    def number(self, query: Query, **values: float | str) -> float:
        """Ask for a number."""
        return self.number_in(query, self.ask(query, 0.0, **values), **values)

    def number_in(self, query: Query, answer: str, **values: float | str) -> float:
        """Return the number in an answer."""
        where = self.where(query, **values)
        with self._in_step():
            try:
                return query.number(answer, where)
            except InstrumentError:
                bare = without_header(query.message(**values), answer)
                if bare != answer and _read(lambda: query.number(bare, where)) is not None:
                    raise headers_are_on(self.table, where, answer) from None
                raise

    def switch(self, query: Query, wait_s: float = 0.0, **values: float | str) -> bool:
        """Ask for yes or no; ``wait_s`` is time the instrument may take on top of the usual."""
        answer, where = self.ask(query, wait_s, **values), self.where(query, **values)
        with self._in_step():
            fault: InstrumentError | None = None
            try:
                if query.switch(answer, where):
                    return True
            except InstrumentError as error:
                fault = error
            bare = without_header(query.message(**values), answer)
            meant = None if bare == answer else _read(lambda: query.switch(bare, where))
            if meant or (fault is not None and meant is not None):
                raise headers_are_on(self.table, where, answer)
            if fault is not None:
                raise fault
            return False

    def aside(self, query: Query) -> bool | None:
        """Ask yes or no where another question was not answered, and tell the instrument nothing else.

        On a connection of its own, which is closed again: the next command makes a new one. None where there
        is no answer, or none that means anything; what was asked before stays the last that was said.
        """
        said = self.at, self.last
        answer = None
        with suppress(InstrumentError):
            self._link.open()
            answer = query.switch(self._heard(query.ask, query.message()), self.where(query))
        self._link.close()
        self.at, self.last = said
        return answer

    def block(self, ask: Template, form: BlockFormat, expected: int, **values: float | str) -> Block:
        """Ask for a block of so many bytes."""
        self.ready()
        self.at, self.last = ask, (ask.fill(**values), "")
        question = self.last[0]
        try:
            block = self._link.ask_block(question, form, expected)
        except BlockError as error:
            came = self._link.came
            self.last = (question, came)
            bare = without_header(question, came)
            if error.key == "before" and bare != came and bare.startswith("#"):
                raise headers_are_on(self.table, f"{self.address}, {question}", came) from None
            raise
        if self._careful:
            time.sleep(AFTER_BLOCK_S)
        return block

    def where(self, query: Query, **values: float | str) -> str:
        """Return instrument and question, for an error."""
        said = query.message(**values) if query.ask is not None else f"header of the record, {query.name}"
        return f"{self.address}, {said}"

    def check_errors(self) -> None:
        """Raise InstrumentError when the instrument holds an error; its queue is empty afterwards."""
        self.ready()
        errors = self._drain()
        if errors:
            raise InstrumentError(
                "the instrument reports an error",
                where=self.address,
                got=_some(errors),
                next_step="check that the command table is the one of this instrument",
            )

    def close(self) -> None:
        """Close the connection; doing it twice does no harm."""
        self._link.close()

    def _tell(self, command: Template, message: str) -> None:
        self.at, self.last = command, (message, "")
        self._link.write(message)

    def _heard(self, ask: Template | None, message: str, wait_s: float = 0.0) -> str:
        self.at, self.last = ask, (message, "")
        try:
            return self._link.ask(message, wait_s)
        finally:
            self.last = (message, self._link.came)

    def _require_taken(self) -> None:
        """Raise where the last command was refused."""
        at, (message, _) = self.at, self.last
        errors = self._drain()
        if errors:
            self.at, self.last = at, (message, _some(errors))
            raise InstrumentError(
                "the instrument refuses a command",
                where=f"{self.address}, {message}",
                got=_some(errors),
                next_step="correct it in the command table",
            )

    @contextmanager
    def _in_step(self) -> Iterator[None]:
        """Close the connection where an answer makes no sense: the next may belong to another question."""
        try:
            yield
        except InstrumentError:
            self._link.close()
            raise

    def _drain(self) -> tuple[str, ...]:
        """Read errors until there are none, but not for ever."""
        queue = self.table.errors
        if queue is None:
            return ()
        errors: list[str] = []
        if queue.first is not None:
            self._heard(queue.first, queue.first.text)
        for _ in range(queue.most):
            answer = self._heard(queue.ask, queue.ask.text)
            if re.search(queue.none, answer):
                return tuple(errors)
            if re.search(queue.none, without_header(queue.ask.text, answer)):
                self._link.close()
                raise headers_are_on(self.table, f"{self.address}, {queue.ask.text}", answer)
            errors.append(answer)
        for command in queue.clear:
            self._link.write(command.text)
        last = self._heard(queue.ask, queue.ask.text)
        if re.search(queue.none, last):
            return tuple(errors)
        self._link.close()
        raise InstrumentError(
            "the error queue does not become empty",
            where=f"{self.address}, {queue.ask.text}",
            got=repr(last[:120]),
            allowed=f"a match of {queue.none}",
            next_step="switch the instrument off and on, or correct [errors] in the command table",
        )


def _read(read: Callable[[], float]) -> float | None:
    """Return what is read, None where nothing can be."""
    try:
        return read()
    except InstrumentError:
        return None


def _some(errors: tuple[str, ...]) -> str:
    more = f" and {len(errors) - 3} more" if len(errors) > 3 else ""
    return "; ".join(errors[:3]) + more
