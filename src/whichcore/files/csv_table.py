"""Comma-separated tables with ``# key: value`` lines above them, as sweeps and reference curves are kept."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from whichcore.analysis.types import FloatArray
from whichcore.errors import InputError
from whichcore.files.text import did_you_mean
from whichcore.files.warn import warn

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,4})?", re.ASCII)
#: Key under which comment lines without a colon are kept.
COMMENT = "comment"


@dataclass(frozen=True, slots=True)
class Table:
    """A table as text.

    Attributes
    ----------
    path : Path
    header : mapping of str to str
        The ``# key: value`` lines; lines without a colon together under ``comment``.
    header_lines : mapping of str to int
        Line of each key.
    columns : tuple of str
    rows : tuple of tuple of str
        As many cells as there are columns.
    lines : tuple of int
        Line of each row.
    """

    path: Path
    header: Mapping[str, str]
    header_lines: Mapping[str, int]
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]

    def cells(self, column: str) -> list[str]:
        """Return the text of one column."""
        index = self.columns.index(column)
        return [row[index] for row in self.rows]

    def numbers(self, column: str) -> FloatArray:
        """Return one column as numbers, shape (rows,).

        Raises
        ------
        InputError
            A cell that is no finite number; the error names its line.
        """
        values = [
            parse_number(cell, self.where(line, column))
            for cell, line in zip(self.cells(column), self.lines, strict=True)
        ]
        return np.array(values, dtype=np.float64)

    def where(self, line: int, column: str) -> str:
        """Return a place in the table as errors name it."""
        return f"{self.path}, line {line}, {column}"

    def where_of(self, key: str) -> str:
        """Return the place of a header line."""
        return f"{self.path}, line {self.header_lines[key]}, {key}"


def parse_number(cell: str, where: str) -> float:
    """Return a finite number with a decimal point.

    Raises
    ------
    InputError
        Empty, NaN, infinite, no number, or with a decimal comma.
    """
    value = float(cell) if _NUMBER.fullmatch(cell) else math.nan
    if math.isfinite(value):
        return value
    what = "the cell is empty" if not cell else "a finite number was expected"
    comma = "," in cell and _NUMBER.fullmatch(cell.replace(",", ".", 1))
    step = f"write {cell.replace(',', '.')}" if comma else ""
    raise InputError(
        what,
        where=where,
        got=cell[:60],
        allowed="a number such as 1.5e3",
        next_step=step or "correct the row",
    )


def parse_table(text: str, path: Path) -> Table:
    """Split the text of a table into header lines, columns and rows.

    Parameters
    ----------
    text : str
        Line ends as line feeds.
    path : Path
        For the errors.

    Returns
    -------
    Table

    Raises
    ------
    InputError
        Empty, separated by semicolons or tabs, no line of column names, a column named twice, a row too
        short or too long, no rows.
    """
    header: dict[str, str] = {}
    header_lines: dict[str, int] = {}
    columns: tuple[str, ...] = ()
    rows: list[tuple[str, ...]] = []
    lines: list[int] = []
    all_lines = text.split("\n")
    for number, line in enumerate(all_lines, start=1):
        if not line.strip():
            continue
        if line.lstrip().startswith("#"):
            _add_header(line, number, path, header, header_lines)
        elif not columns:
            columns = _split_columns(line, number, path)
        else:
            torn = number == len(all_lines)
            rows.append(_split_row(line, columns, f"{path}, line {number}", torn=torn))
            lines.append(number)
    if not columns:
        what = "the file is empty" if not text.strip() else "the file has no line of column names"
        raise InputError(what, where=str(path), next_step="check that it is the right file")
    if not rows:
        raise InputError(
            "the table has column names but not one row",
            where=str(path),
            next_step="add a row, or check that it is the right file",
        )
    return Table(path, header, header_lines, columns, tuple(rows), tuple(lines))


def _add_header(
    line: str, number: int, path: Path, header: dict[str, str], header_lines: dict[str, int]
) -> None:
    content = line.strip().removeprefix("#").strip()
    key, colon, value = (part.strip() for part in content.partition(":"))
    if not colon or not key or key == COMMENT:
        # a line of the key comment is a comment with a colon in it
        if content:
            header[COMMENT] = f"{header[COMMENT]}\n{content}" if COMMENT in header else content
            header_lines.setdefault(COMMENT, number)
        return
    if header.get(key, value) != value:
        raise InputError(
            "this header line stands twice with different values",
            where=f"{path}, line {number}, {key}",
            got=value,
            allowed=header.get(key, ""),
            next_step="keep one of them",
        )
    header[key] = value
    header_lines.setdefault(key, number)


def _split_columns(line: str, number: int, path: Path) -> tuple[str, ...]:
    where = f"{path}, line {number}"
    for separator, name in ((";", "semicolons"), ("\t", "tabs")):
        if separator in line and "," not in line:
            raise InputError(
                f"the columns are separated by {name}",
                where=where,
                got=line.strip()[:80],
                allowed="commas between columns, points as decimal sign",
                next_step="save it again as CSV with commas and decimal points (English number format)",
            )
    columns = tuple(cell.strip() for cell in _cells(line, where))
    if all(_NUMBER.fullmatch(column) for column in columns):
        raise InputError(
            "the table has no line of column names",
            where=where,
            got=line.strip()[:80],
            allowed="the names of the columns above the first row",
            next_step="write them there, separated by commas",
        )
    for column in columns:
        if columns.count(column) > 1:
            raise InputError("a column stands twice", where=where, got=column, next_step="remove one of them")
    return columns


def _split_row(line: str, columns: tuple[str, ...], where: str, *, torn: bool) -> tuple[str, ...]:
    cells = tuple(cell.strip() for cell in _cells(line, where))
    if len(cells) == len(columns):
        return cells
    if len(cells) > len(columns):
        what, step = "the row is longer than the line of column names", "check for decimal commas"
    else:
        what = "the row is short" + ("; the file ends in the middle of it" if torn else "")
        step = "remove the cut row, or copy the file again" if torn else "complete or remove the row"
    raise InputError(
        what, where=where, got=f"{len(cells)} cells", allowed=f"{len(columns)} cells", next_step=step
    )


def _cells(line: str, where: str) -> list[str]:
    try:
        return next(csv.reader([line], strict=True))
    except (csv.Error, StopIteration) as error:
        raise InputError("the row cannot be split into cells", where=where, got=str(error)) from None


def csv_line(cells: tuple[str, ...] | list[str]) -> str:
    """Return cells as one CSV line without line end."""
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="").writerow(cells)
    return buffer.getvalue()


def check_columns(table: Table, required: Iterable[str], known: Iterable[str], hint: str = "") -> None:
    """Refuse missing and unknown columns; the nearest known one is named.

    Raises
    ------
    InputError
        The first unknown, else the first missing column.
    """
    needed, options = list(required), list(known)
    missing = [column for column in needed if column not in table.columns]
    for column in table.columns:
        if column not in options:
            step = did_you_mean(column, missing + options, hint or "remove it or correct its name")
            raise InputError(
                "unknown column",
                where=str(table.path),
                got=column or "a column without a name",
                allowed=", ".join(options),
                next_step=step,
            )
    if missing:
        raise InputError(
            f"the column {missing[0]} is missing",
            where=str(table.path),
            got=", ".join(table.columns)[:120],
            allowed=", ".join(options),
            next_step=hint or "add it",
        )


def frequency_order(table: Table, column: str = "frequency_hz") -> tuple[FloatArray, np.ndarray]:
    """Return the frequencies in rising order and the row each came from.

    Returns
    -------
    float array (rows,), int array (rows,)

    Raises
    ------
    InputError
        A frequency that is not positive, or stands twice.
    """
    frequency = table.numbers(column)
    for value, line in zip(frequency, table.lines, strict=True):
        if value <= 0:
            raise InputError(
                "a frequency must be positive",
                where=table.where(line, column),
                got=f"{value:g}",
                allowed="> 0",
                next_step="correct or remove the row",
            )
    order = np.argsort(frequency, kind="stable")
    ordered = frequency[order]
    if (same := np.flatnonzero(np.diff(ordered) == 0)).size:
        first, second = table.lines[order[same[0]]], table.lines[order[same[0] + 1]]
        raise InputError(
            "a frequency stands twice",
            where=table.where(second, column),
            got=f"{ordered[same[0]]:g} Hz, also in line {first}",
            allowed="each frequency once",
            next_step="keep one row, or average them by hand and say so",
        )
    return ordered, order


def warn_if_sorted(table: Table, order: np.ndarray) -> None:
    """Tell the user when the rows of the file stood in another order than they are used in."""
    if np.any(np.diff(order) < 0):
        warn(f"{table.path}: the rows were not in rising order of frequency; they have been sorted")
