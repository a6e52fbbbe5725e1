"""One step of a trial: tried, and told with the line of the table where it fails."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from whichcore.errors import InstrumentError, WhichcoreError
from whichcore.rig.doctor import Finding, Status
from whichcore.rig.drivers.conversation import Conversation
from whichcore.rig.lines.block import BlockError
from whichcore.rig.lines.link import NO_ANSWER
from whichcore.rig.tables.command_table import CommandTable, DigitizerTable
from whichcore.rig.tables.error import TableError
from whichcore.rig.tables.keys import key_of

SHOWN = 160


class Step:
    """Runs steps and finds the line of the one that fails.

    Parameters
    ----------
    table : CommandTable
    talk : Conversation
        A careful one.
    """

    def __init__(self, table: CommandTable, talk: Conversation) -> None:
        self._table, self._talk = table, talk

    def tried(self, check: str, action: Callable[[], str], expected: str = "") -> Finding:
        """Return how a step came out; Cancelled passes."""
        try:
            return Finding(check, Status.GOOD, action(), expected)
        except InstrumentError as error:
            return self._failed(check, error)

    def _failed(self, check: str, error: InstrumentError) -> Finding:
        sent, came = self._talk.last
        key, text, remedy = self._cause(error, sent)
        came = came or error.got
        queue = self._queue_after(error)
        return Finding(
            check,
            Status.BAD,
            _short("; ".join(part for part in (error.what, error.got) if part)),
            error.allowed,
            remedy,
            place=self._table.place(key, text),
            sent=sent,
            came=_short("; ".join(part for part in (came, queue) if part)),
        )

    def _cause(self, error: InstrumentError, sent: str) -> tuple[str, str, str]:
        """Return the key that is most likely wrong, the text of it to look for, and the remedy."""
        template = self._talk.at
        key, text = key_of(self._table, template), template.text if template else ""
        remedy = error.next_step
        if isinstance(error, BlockError):
            return self._of_block(error, key, text)
        if isinstance(error, TableError):
            key, text = error.key, ""
        elif error.what.startswith("something came") and isinstance(self._table, DigitizerTable):
            key, text, remedy = "waveform.trailer", "", "correct trailer: more comes behind the block"
        elif error.what.startswith("another instrument"):
            key, text, remedy = "identity", "", "correct identity, or the address"
        elif not key:
            key, text, remedy = "link", "", f"{remedy}; check the terminators of [link]"
        elif key == "errors.ask" and "queue" in error.what:
            key, text, remedy = "errors.none", "", "correct none: it is the answer when there is no error"
        elif error.what == NO_ANSWER:
            remedy = f"it answered before: look {sent!r} up in its programming guide"
        return key, text, remedy

    def _of_block(self, error: BlockError, key: str, text: str) -> tuple[str, str, str]:
        form = self._table.waveform if isinstance(self._table, DigitizerTable) else None
        if form is None or error.key == "before":
            return key, text, error.next_step
        if error.key != "length":
            return f"waveform.{error.key}", "", error.next_step
        memory, size = getattr(self._table, "memory_points", 0), form.dtype.itemsize
        wanted = int(error.allowed.split()[0]) // size
        for bytes_each in (1, 2, 4, 8):
            if error.stated == wanted * bytes_each:
                step = f"{error.stated} bytes are {wanted} points of {bytes_each} bytes: correct dtype"
                return "waveform.dtype", "", step
        if memory and not form.whole and error.stated == memory * size:
            step = "it hands out all of its memory: write whole = true, or correct window"
            return "waveform.window", "", step
        points = error.stated / size
        if form.whole:
            step = f"it hands out {points:g} points: correct memory_points and the command that sets them"
            return "limits.memory_points", "", step
        return "waveform.window", "", f"it hands out {points:g} points: correct window or window_points"

    def _queue_after(self, error: InstrumentError) -> str:
        """Return what the instrument holds against the last message; it may not have answered for that."""
        if error.what != NO_ANSWER or not self._talk.connections:
            return ""
        with suppress(WhichcoreError):
            self._talk.close()
            self._talk.ready()
            if self._talk.old_errors:
                return f"error queue: {'; '.join(self._talk.old_errors[:2])}"
        return ""


def _short(text: str) -> str:
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}…"
