"""Splitting a table of unknown make into column names and numbers."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from whichcore.errors import InputError
from whichcore.files.csv_table import parse_number
from whichcore.files.text import read_text

_POINT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,4})?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d+([eE][+-]?\d{1,4})?", re.ASCII)
_MAYBE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)
_SEPARATORS = {";": "semicolon", "\t": "tab", ",": "comma", " ": "space"}


@dataclass(frozen=True, slots=True)
class RawTable:
    """Numbers of a table with their names.

    Attributes
    ----------
    path : Path
    names : tuple of str
        Empty when the table has no line of names.
    rows : tuple of tuple of float
    lines : tuple of int
    notes : tuple of str
        What was found out about the file.
    """

    path: Path
    names: tuple[str, ...]
    rows: tuple[tuple[float, ...], ...]
    lines: tuple[int, ...]
    notes: tuple[str, ...]


def read_raw_table(path: Path, *, decimal_comma: bool | None = None) -> RawTable:
    """Read a table whatever its separator; decimal commas are read where nothing else can be meant.

    Parameters
    ----------
    path : Path
    decimal_comma : bool, optional
        Said by the user where "1,000" may be one or a thousand.

    Returns
    -------
    RawTable

    Raises
    ------
    InputError
        No table of numbers, rows of different length, or commas that can be read in two ways.
    """
    lines = [
        (number, line.strip())
        for number, line in enumerate(read_text(path).split("\n"), start=1)
        if line.strip() and not line.lstrip().startswith(("#", "%", "!"))
    ]
    separator = _separator([line for _, line in lines], path)
    cells = [(number, _split(line, separator)) for number, line in lines]
    start = next((i for i, (_, row) in enumerate(cells) if all(map(_is_number, row))), len(cells))
    if start == len(cells):
        raise InputError("there is no row of numbers in the table", where=str(path))
    body = cells[start:]
    width = len(body[0][1])
    comma = _uses_comma(body, path, decimal_comma)
    rows = tuple(_numbers(number, row, width, comma, path) for number, row in body)
    notes = [f"columns separated by {_SEPARATORS[separator]}s"] + (["decimal commas read"] if comma else [])
    names = _names([row for _, row in cells[:start]], width)
    return RawTable(path, names, rows, tuple(number for number, _ in body), tuple(notes))


def _is_number(cell: str) -> bool:
    return bool(_POINT.fullmatch(cell) or _COMMA.fullmatch(cell))


def _split(line: str, separator: str) -> list[str]:
    parts = line.split() if separator == " " else line.split(separator)
    # quotes round a cell go, the two marks of μ" stay
    return [re.sub(r'^"(.*)"$', r"\1", part.strip()).strip() for part in parts]


def _separator(lines: list[str], path: Path) -> str:
    """Take the first separator under which most lines are rows of two or more numbers of one length."""
    best, best_count = "", 0
    for separator in _SEPARATORS:
        rows = [row for row in (_split(line, separator) for line in lines) if all(map(_is_number, row))]
        widths = [len(row) for row in rows if len(row) > 1]
        count = max((widths.count(width) for width in set(widths)), default=0)
        if count > best_count:
            best, best_count = separator, count
    if not best:
        raise InputError(
            "no columns of numbers were found",
            where=str(path),
            allowed="a table of two or more columns separated by commas, semicolons, tabs or spaces",
        )
    return best


def _uses_comma(body: list[tuple[int, list[str]]], path: Path, stated: bool | None) -> bool:
    with_comma = [(number, cell) for number, row in body for cell in row if "," in cell]
    if not with_comma or stated:
        return bool(with_comma)
    if stated is False or all(_MAYBE_THOUSANDS.fullmatch(cell) for _, cell in with_comma):
        number, cell = with_comma[0]
        raise InputError(
            "this comma may divide thousands or stand for the decimal point",
            where=f"{path}, line {number}",
            got=cell,
            next_step="say decimal_comma=True if it is the decimal sign, else remove the commas",
        )
    return True


def _numbers(number: int, row: list[str], width: int, comma: bool, path: Path) -> tuple[float, ...]:
    where = f"{path}, line {number}"
    if len(row) != width:
        raise InputError(
            "the row has another length", where=where, got=f"{len(row)}", allowed=f"{width} cells"
        )
    return tuple(parse_number(cell.replace(",", ".") if comma else cell, where) for cell in row)


def _names(rows: list[list[str]], width: int) -> tuple[str, ...]:
    """Join the one or two lines of names above the numbers, as where units stand in a line of their own."""
    fitting: list[list[str]] = []
    for row in reversed(rows):
        if len(row) != width or len(fitting) == 2:
            break
        fitting.insert(0, row)
    return tuple(" ".join(filter(None, parts)) for parts in zip(*fitting, strict=True))
