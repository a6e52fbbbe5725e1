"""Answers that repeat their question: those of an instrument whose headers are on.

A response header in front of the answer is allowed by IEEE 488.2-1992, 8.4 (from memory); many scopes have a
command that switches it off. A number is found behind it all the same; words, queues and blocks are not.
"""

from __future__ import annotations

import re

from whichcore.rig.tables.command_table import CommandTable
from whichcore.rig.tables.error import TableError

SHORTEST = 3  # letters of a short form (SCPI-1999, volume 1, 6.2.1; from memory)
OFF = "headers_off"
_WORD = re.compile(r"([^\W\d]+)(\d*)")


def without_header(question: str, answer: str) -> str:
    """Return an answer without the name of its question in front; unchanged where it does not begin with it.

    The long and the short form of each word count as the same name, and so do a missing number and 1; either
    may leave words out that the other has, as ``SYST:ERR`` and ``SYSTEM:ERROR:NEXT`` do.
    """
    head, _, rest = answer.strip().partition(" ")
    asked, said = question.partition("?")[0], head.rstrip("?")
    alike = _names_the_other(*sorted((_words(asked), _words(said)), key=len))
    return rest.strip() if alike and rest.strip() else answer


def headers_are_on(table: CommandTable, where: str, answer: str) -> TableError:
    """Return the error that says so, with the command that should switch them off where the table has one."""
    commands = [command.text for command in table.actions.get(OFF, ())]
    step = (
        f"it does not obey {commands[0]!r}: correct {OFF} in the command table, or switch headers off by hand"
        if commands
        else f"switch headers off at the instrument, or write its command for that as {OFF} into [actions]"
    )
    return TableError.at(
        f"actions.{OFF}" if commands else "actions",
        "it repeats the command in its answers: headers are on",
        where,
        got=repr(answer[:80]),
        allowed="the answer alone",
        next_step=step,
    )


def _words(header: str) -> list[str]:
    return header.strip().strip(":*").upper().split(":")


def _names_the_other(short: list[str], long: list[str]) -> bool:
    """Return whether the words of one name are all found in the other, in order."""
    left = iter(long)
    return all(any(_same_word(word, other) for other in left) for word in short)


def _same_word(one: str, other: str) -> bool:
    a, b = _WORD.match(one), _WORD.match(other)
    if a is None or b is None or (a[2] or "1") != (b[2] or "1"):
        return False
    short, long = sorted((a[1], b[1]), key=len)
    return short == long or (len(short) >= SHORTEST and long.startswith(short))
