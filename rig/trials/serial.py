"""Trying the table of a board on a serial line: which key is wrong, what was sent, what came."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from whichcore.errors import InstrumentError
from whichcore.rig.doctor import Finding, Status
from whichcore.rig.drivers.serial_source import REFUSED, SerialSource
from whichcore.rig.tables.serial_table import SerialTable

TRIED_HZ = 10e3
FIRST = "output off"  # the first line that is no question: here it shows what "done" is
_Step = tuple[str, str, Callable[[], str]]


def look_at_serial(table: SerialTable) -> Iterator[Finding]:
    """Judge what can be judged without the board."""
    yield Finding("table", Status.GOOD, table.title, "no fault in the file")
    if table.answers.good is None:
        yield Finding(
            "answers",
            Status.DOUBTFUL,
            "the board says nothing",
            "an answer to each line",
            "no wrong line will be noticed: name it in bench.toml and run doctor, where a digitizer sees it",
            place=table.places["answers"],
        )
    if table.identify is None:
        yield Finding(
            "identity",
            Status.DOUBTFUL,
            "not asked for",
            "[identify]",
            "another board on this port is not noticed: add ask and pattern, if there is a question",
            place=table.places["identify"],
        )
    if not table.output_off:
        yield Finding(
            "output",
            Status.DOUBTFUL,
            "cannot be switched off",
            "actions.output_off",
            "pull its cable before you change what is at the terminals",
            place=table.places["actions"],
        )


def try_serial_table(table: SerialTable, address: str) -> Iterator[Finding]:
    """Try a table from the port to the switching of the output.

    Parameters
    ----------
    table : SerialTable
    address : str
        Resource string of the port.

    Yields
    ------
    Finding
        In the order of the steps; the first that fails ends them. The output is on at the lowest level only,
        and off at the end, where it has a switch.
    """
    yield from look_at_serial(table)
    source = SerialSource(table, address)
    try:
        for check, key, action in _steps(table, source):
            finding = _tried(table, source, check, key, action)
            yield finding
            if finding.status is Status.BAD:
                return
    finally:
        source.close()


def _steps(table: SerialTable, source: SerialSource) -> Iterator[_Step]:
    low, high = table.limits.frequency_hz
    yield "answers", "identify" if table.identify else "link.baud_rate", lambda: source.identity
    if table.output_off:
        yield FIRST, "actions.output_off", partial(_done, source.output_off)
    middle = [TRIED_HZ] if low < TRIED_HZ < high else []
    for value in [max(low, table.frequency.step / 1e-4), *middle, high]:
        yield f"frequency {value:g} Hz", "frequency.command", partial(_set, source, "frequency_hz", value)
    levels = table.limits.level_vpp if table.output_off else table.limits.level_vpp[:1]
    for value in sorted(set(levels), reverse=True):
        yield f"level {value:g} V", "level.command", partial(_set, source, "level_vpp", value)
    if table.output_on:
        yield "output on", "actions.output_on", partial(_done, source.output_on)
    if table.output_off:
        yield "output off at the end", "actions.output_off", partial(_done, source.output_off)


def _set(source: SerialSource, name: str, value: float) -> str:
    setattr(source, name, value)
    return f"{getattr(source, name):.9g}"


def _done(action: Callable[[], None]) -> str:
    action()
    return "done"


def _tried(
    table: SerialTable, source: SerialSource, check: str, key: str, action: Callable[[], str]
) -> Finding:
    try:
        return Finding(check, Status.GOOD, action())
    except InstrumentError as error:
        sent, came = source.last
        remedy, where = error.next_step, _key(error, key)
        if check == FIRST and error.what == REFUSED:
            remedy, where = f"correct good if {came!r} means done; else the command", "answers.good"
        return Finding(
            check,
            Status.BAD,
            "; ".join(part for part in (error.what, error.got) if part),
            error.allowed,
            remedy,
            place=table.places.get(where, ""),
            sent=sent,
            came=came,
        )


def _key(error: InstrumentError, key: str) -> str:
    """Return the key that is most likely wrong."""
    if error.what.startswith("the board sends"):
        return "answers.echo"
    if error.what.startswith("another instrument"):
        return "identify.pattern"
    if error.what == "the board does not answer" and key == "identify":
        return "link.baud_rate"
    return key
