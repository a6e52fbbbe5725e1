"""Trying a command table step by step against its instrument: which line is wrong, what was said."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator
from functools import partial

from whichcore.rig.doctor import Finding, Status
from whichcore.rig.drivers.conversation import Conversation
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.drivers.scpi_source import ScpiSource
from whichcore.rig.drivers.spoken import identity_wanted
from whichcore.rig.tables.command_table import CommandTable, DigitizerTable, SourceTable
from whichcore.rig.tables.error import TableError
from whichcore.rig.trials.digitizer import DigitizerTrial
from whichcore.rig.trials.step import Step

ANYBODY = "a,b,c,d"  # an identity in the form of IEEE 488.2, 10.14, that no instrument has
TRIED_HZ = 10e3


def try_table(
    table: SourceTable | DigitizerTable, address: str, cancel: threading.Event
) -> Iterator[Finding]:
    """Try a command table from the connection to a record, or to the switching of an output.

    Parameters
    ----------
    table : SourceTable or DigitizerTable
    address : str
        VISA resource string.
    cancel : threading.Event

    Yields
    ------
    Finding
        In the order of the steps; where one makes the next ones meaningless, these are left out. An output is
        on at the lowest level only, and off at the end, however it comes.

    Raises
    ------
    Cancelled
    """
    yield from look_at(table)
    talk = Conversation(address, table, careful=True)
    step = Step(table, talk)
    try:
        contact = list(_contact(table, talk, step))
        yield from contact
        if any(finding.status is Status.BAD for finding in contact):
            return
        if isinstance(table, DigitizerTable):
            yield from DigitizerTrial(table, ScpiDigitizer(table, address, talk=talk), step, cancel).run()
        else:
            yield from _source(table, ScpiSource(table, address, talk=talk), step)
    finally:
        talk.close()


def look_at(table: SourceTable | DigitizerTable) -> Iterator[Finding]:
    """Judge what can be judged without an instrument."""
    yield Finding("table", Status.GOOD, table.title, "no fault in the file")
    if re.search(table.identity, ANYBODY):
        yield Finding(
            "identity",
            Status.DOUBTFUL,
            f"{table.identity} takes any instrument",
            "maker and model",
            "write a part of what the instrument answers, so that another one is refused",
            place=table.place("identity"),
        )
    if table.errors is None and not _reads_back(table):
        yield Finding(
            "error queue",
            Status.DOUBTFUL,
            "no [errors], and no queries that read back",
            "one of the two",
            "a command that is not understood will not be noticed: add [errors] or queries",
            place=table.place("queries"),
        )
    if isinstance(table, SourceTable) and table.load_check is None:
        yield Finding(
            "display load",
            Status.DOUBTFUL,
            "not asked for",
            "load.confirm",
            "add confirm, if the instrument can be asked; a wrong load is a factor of two",
            place=table.place("load"),
        )


def _reads_back(table: CommandTable) -> bool:
    wanted = {"frequency", "level"} if isinstance(table, SourceTable) else {"interval", "range"}
    return wanted <= set(table.queries)


def _contact(table: CommandTable, talk: Conversation, step: Step) -> Iterator[Finding]:
    def connect() -> str:
        talk.ready()
        return talk.identity

    yield step.tried("answers", connect, identity_wanted(table))
    if talk.old_errors:
        yield Finding(
            "error queue",
            Status.DOUBTFUL,
            "; ".join(talk.old_errors[:3]),
            "empty",
            "nothing if they are of an earlier program; if they come back, a command of connect is refused",
            place=table.place("actions.connect") if "connect" in table.actions else "",
        )


def _source(table: SourceTable, source: ScpiSource, step: Step) -> Iterator[Finding]:
    """Try a generator; everything but its lowest level is set with the output off."""
    try:
        for check, action in _source_steps(table, source):
            finding = step.tried(check, action)
            yield finding
            if finding.status is Status.BAD:
                return
    finally:
        yield step.tried("output off at the end", lambda: _switched_off(source))


def _source_steps(table: SourceTable, source: ScpiSource) -> Iterator[tuple[str, Callable[[], str]]]:
    limits = table.limits
    low, high = limits.frequency_hz
    yield "settings", partial(_prepared, source)
    yield "output off", partial(_switched_off, source)
    for value in sorted({low, min(TRIED_HZ, high), high}):
        yield f"frequency {value:g} Hz", partial(_set, source, "frequency_hz", value)
    levels = [limits.level_vpp[0]]
    if "setup" not in table.actions and "output" in table.queries:
        levels = [limits.level_vpp[1], *levels]  # no risk: the output was seen to be off
    for value in levels:
        yield f"level {value:g} V", partial(_set, source, "level_vpp", value)
    if limits.offset_v != (0.0, 0.0):
        yield "offset 0 V", partial(_set, source, "offset_v", 0.0)
    yield "output on", partial(_switched_on, source)


def _prepared(source: ScpiSource) -> str:
    source.prepare()
    return "taken"


def _set(source: ScpiSource, name: str, value: float) -> str:
    setattr(source, name, value)
    return "taken"


def _switched_off(source: ScpiSource) -> str:
    source.output_off()
    return "off" if "output" in source.table.queries else "told; it cannot be asked"


def _switched_on(source: ScpiSource) -> str:
    source.output_on()
    on = source.output_is_on()
    if on is None:
        return "told; it cannot be asked"
    if not on:
        raise TableError.at(
            "actions.output_on",
            "the output is off after being switched on",
            next_step="correct the command, or the query output",
        )
    return "on"
