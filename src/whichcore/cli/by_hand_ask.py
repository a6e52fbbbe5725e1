"""``whichcore by-hand ask``."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from whichcore.analysis.types import ImpedanceSweep, Wiring
from whichcore.cli import interrupt
from whichcore.cli.options import reporting
from whichcore.cli.session import Session
from whichcore.errors import InputError
from whichcore.files.csv_table import csv_line, parse_table
from whichcore.files.screen_sheet import COLUMNS, FORMAT, SheetHead, SheetRow, read_head, read_row
from whichcore.files.screen_value import parse_height, parse_shift
from whichcore.files.text import create_text, read_text
from whichcore.files.units import Dimension, parse_quantity
from whichcore.measure.by_hand import SIGMAS, check_row, impedance_of, standard_uncertainties
from whichcore.wording import quantity, with_uncertainty

REPORT = "whichcore-by-hand-ask/1"
_HEAD = (
    ("wiring", "What is at ground, shunt or specimen; or are there two windings?", ""),
    ("shunt", "Shunt, such as 10 ohm", ""),
    ("shunt_tolerance", "Its tolerance", "1 %"),
    ("gain_tolerance", "By how much may the channels with their probes differ in size?", "3 %"),
    ("delay_tolerance", "And in time?", "3 ns"),
)
_SECOND = (
    ("input_resistance", "Channel A on the second winding: resistance at the tip of its probe", "10 Mohm"),
    ("input_resistance_tolerance", "Its tolerance", "2 %"),
    ("input_capacitance", "And capacitance there", "15 pF"),
    ("input_capacitance_tolerance", "Its tolerance", "3 pF"),
)
_ROW = (
    ("frequency", "Frequency, such as 10 kHz (empty to end)", False),
    ("a_scale", "  Channel A, volts per division", True),
    ("a", "  Channel A, height such as 5.2 div pp", False),
    ("b_scale", "  Channel B, volts per division", True),
    ("b", "  Channel B, height", False),
    ("time_scale", "  Time per division, such as 5 us", True),
    ("shift", "  Shift between A and B, such as 1.3 div", False),
    ("leads", "  Which peak stands further left, A or B?", False),
)


@click.command()
@click.option(
    "--sheet",
    required=True,
    metavar="FILE",
    help="Sheet (CSV) to begin, or to go on with: each row is on the disk before the next is asked for.",
)
@reporting
@click.pass_obj
def command(session: Session, /, sheet: str) -> None:
    """Ask for readings one by one and keep them in a sheet.

    After each row the impedance is shown, so that a slip is seen while the signal still stands on the screen.
    An empty frequency ends it; an empty answer elsewhere takes what stands in brackets. Then: whichcore
    by-hand sweep --sheet FILE --out FILE.
    """
    path = Path(sheet)
    if not path.exists():
        create_text(path, _begun(path))
    head, known = _head_of(path)
    added = 0
    usual: dict[str, str] = {}
    while (cells := _asked_row(head, usual, known)) is not None:
        _append(path, cells)
        added += 1
    session.deliver(
        lambda: {"format": REPORT, "file": sheet, "rows": len(known), "added": added},
        lambda: (
            f"{len(known)} row{'s' * (len(known) != 1)} in {sheet}.\n"
            f"Next: whichcore by-hand sweep --sheet {sheet} --out sweep.csv"
        ),
    )


def _begun(path: Path) -> str:
    """Ask for what holds for all rows and return the head of a new sheet."""
    header = {"format": FORMAT}
    for item in _HEAD:
        _ask_head(item, header, path)
    for item in _SECOND if header["wiring"] == Wiring.TWO_WINDINGS else ():
        _ask_head(item, header, path)
    lines = [f"# {key}: {value}" for key, value in header.items()]
    return "\n".join([*lines, ",".join(COLUMNS)]) + "\n"


def _ask_head(item: tuple[str, str, str], header: dict[str, str], path: Path) -> None:
    """Ask for one line of the head until it can be read; an example stands for what is not asked yet."""
    key, question, usual = item
    while True:
        answer = _answer(question, usual)
        if answer is None:
            raise InputError("the questions were not answered to the end", where=key, got="no answer")
        value = _WIRING.get(answer.casefold(), answer)
        so_far = {**header, key: value}
        two = so_far["wiring"] == Wiring.TWO_WINDINGS
        second = {name: example for name, _, example in _SECOND if two}
        try:
            read_head({**_EXAMPLE, **second, **so_far}, path)
        except InputError as error:
            _say(error)
            continue
        header[key] = value
        return


_WIRING = {
    "shunt": Wiring.SHUNT_AT_GROUND.value,
    "specimen": Wiring.SPECIMEN_AT_GROUND.value,
    "two windings": Wiring.TWO_WINDINGS.value,
    "two": Wiring.TWO_WINDINGS.value,
}
_EXAMPLE = {
    "shunt": "10 ohm",
    "shunt_tolerance": "1 %",
    "gain_tolerance": "3 %",
    "delay_tolerance": "3 ns",
}


def _head_of(path: Path) -> tuple[SheetHead, list[float]]:
    """Return the head of a sheet and the frequencies it has; one without rows is none yet to the reader."""
    text = read_text(path)
    whole = text if text.endswith("\n") else f"{text}\n"
    table = parse_table(f"{whole}{','.join('x' * len(COLUMNS))}\n", path)
    if table.columns != COLUMNS:
        raise InputError(
            "this sheet has other columns than the questions",
            where=str(path),
            got=", ".join(table.columns),
            allowed=", ".join(COLUMNS),
            next_step="go on with it in an editor, or begin another sheet",
        )
    places = zip(table.cells("frequency")[:-1], table.lines, strict=False)
    known = [
        parse_quantity(cell, Dimension.FREQUENCY, where=table.where(line, "frequency"))
        for cell, line in places
    ]
    return read_head(table.header, path, table.header_lines), known


def _asked_row(head: SheetHead, usual: dict[str, str], known: list[float]) -> dict[str, str] | None:
    """Ask for one row until it can be and shall be kept; None at the end."""
    while (cells := _asked_cells(head, usual, known)) is not None:
        try:
            row = read_row(cells, head, "this row")
            point = impedance_of(head, (row,))
            check_row(row, point)
        except InputError as error:
            _say(error)
            continue
        _tell(row, point)
        if _shall_be_kept():
            known.append(row.reading.frequency_hz)
            return cells
    return None


def _shall_be_kept() -> bool:
    """Ask until it is yes or no; the end of the input is no."""
    while (answer := _answer("  Keep it, yes or no?", "yes")) is not None:
        if answer.casefold() in _YES_OR_NO:
            return _YES_OR_NO[answer.casefold()]
        _say(InputError("one of both is meant", where="keep it", got=answer, allowed="yes or no"))
    return False


_YES_OR_NO = {"yes": True, "y": True, "no": False, "n": False}


def _asked_cells(head: SheetHead, usual: dict[str, str], known: list[float]) -> dict[str, str] | None:
    """Ask for the cells of one row, each until it can be read; None at the end of the input."""
    cells: dict[str, str] = {}
    for name, question, keep in _ROW:
        while True:
            answer = _answer(question, usual.get(name, "") if keep else "")
            if answer is None or (name == "frequency" and not answer):
                return None
            cells[name] = answer
            try:
                _check_cell(name, cells, head, known)
            except InputError as error:
                _say(error)
                continue
            break
        if keep:
            usual[name] = answer
    return cells


def _check_cell(name: str, cells: dict[str, str], head: SheetHead, known: list[float]) -> None:
    """Read what was answered last; raises InputError."""
    if name == "frequency":
        hertz = parse_quantity(cells[name], Dimension.FREQUENCY, where=name)
        if hertz in known:
            raise InputError("the sheet has this frequency already", where=name, got=cells[name])
    elif name in {"a", "b"}:
        parse_height(cells[name], cells[f"{name}_scale"], head.eye, where=name)
    elif name == "shift":
        hertz = parse_quantity(cells["frequency"], Dimension.FREQUENCY)
        parse_shift(cells[name], cells["time_scale"], hertz, head.eye, where=name)
    elif name == "leads":
        if cells[name].upper() not in {"A", "B"}:
            raise InputError("one of both is meant", where=name, got=cells[name], allowed="A or B")
    elif cells[name]:
        dimension = Dimension.TIME if name == "time_scale" else Dimension.VOLTAGE
        parse_quantity(cells[name], dimension, where=name)


def _say(error: InputError) -> None:
    click.echo(f"  {error.one_line()}\n  Please once more.", err=True)


def _tell(row: SheetRow, point: ImpedanceSweep) -> None:
    z, (u_real, u_imag) = complex(point.impedance_ohm[0]), standard_uncertainties(point)[0]
    hint = "; a capacitor, and no core below its resonance: which peak is further left?"
    click.echo(
        f"  {quantity(row.reading.frequency_hz, 'Hz', 6)}: R = {with_uncertainty(z.real, u_real)} Ω, "
        f"X = {with_uncertainty(z.imag, u_imag)} Ω{hint if z.imag < -SIGMAS * u_imag else ''}",
        err=True,
    )


def _answer(question: str, usual: str) -> str | None:
    """Return an answer, the usual one for an empty line; None at the end of the input."""
    click.echo(f"{question}{f' [{usual}]' if usual else ''}: ", err=True, nl=False)
    with interrupt.at_once():
        line = sys.stdin.readline()
    if not line:
        click.echo("", err=True)
        return None
    return line.strip() or usual


def _append(path: Path, cells: dict[str, str]) -> None:
    """Add one row, on the disk when this returns."""
    line = csv_line([cells[name] for name in COLUMNS])
    try:
        with path.open("r+b") as file:
            end = file.seek(0, os.SEEK_END)
            file.seek(max(end - 1, 0))
            torn = file.read(1) not in {b"\n", b""}
            file.write((("\n" if torn else "") + line + "\n").encode())
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise InputError(
            "the row cannot be written down",
            where=str(path),
            got=f"{error.strerror or error}: {line}",
            next_step="make room or permit writing, then type this row again",
        ) from error
