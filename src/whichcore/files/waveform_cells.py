"""The text of a record, split: what stands above or beside the numbers, and the numbers themselves."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np

from whichcore.analysis.types import FloatArray
from whichcore.errors import InputError
from whichcore.files.csv_table import parse_number
from whichcore.files.text import read_bytes

HEAD_LINES = 400  # looked at for what the file says of itself
_LOOKED_AT = 20  # rows the columns are found from
_FEWEST_ROWS = 3  # of numbers above a row of text, from which on it stands in their midst
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,4})?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d+([eE][+-]?\d{1,4})?", re.ASCII)
_NO_NUMBER = {"nan", "-nan", "inf", "+inf", "-inf", "n/a", "null", "---", "----", "****"}
_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
HALF_WRITTEN = (
    "save it again, and wait until the instrument says that it has finished before the stick is out"
)
Row = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Entry:
    """Something the file says of itself: a word and what stands beside or below it."""

    word: str
    values: Row
    line: int


@dataclass(frozen=True, slots=True)
class Cells:
    """A file taken apart.

    Attributes
    ----------
    path : Path
    names, units : tuple of str
        Of the columns of numbers; empty texts where the file has none.
    numbers : float array (N, K)
    first_line : int
        Line of the first row.
    entries : tuple of Entry
    printed_to : tuple of float
        Worth of the last digit printed, at the largest value of each column.
    cut : bool
        The last line had no line end and was left out.
    """

    path: Path
    names: Row
    units: Row
    numbers: FloatArray
    first_line: int
    entries: tuple[Entry, ...]
    printed_to: tuple[float, ...]
    cut: bool

    def said(self, meaning: str) -> Entry | None:
        """Return what the file says under any word of a meaning; raises where it says two things."""
        found = [entry for entry in self.entries if meaning_of(entry.word) == meaning]
        values = {entry.values for entry in found}
        if len(values) > 1:
            raise InputError(
                f"the file states its {meaning} twice and differently",
                where=f"{self.path}, line {found[1].line}",
                got=f"{' '.join(found[0].values)} and {' '.join(found[1].values)}",
                next_step="save it again",
            )
        return found[0] if found else None


@cache
def _words() -> dict[str, str]:
    text = files("whichcore").joinpath("waveform_words.csv").read_text(encoding="utf-8")
    return {row["word"]: row["meaning"] for row in csv.DictReader(text.splitlines())}


def plain(word: str) -> str:
    """Return a word as the list of words has it: lower case, a unit in brackets and all signs away."""
    bare = re.sub(r"[(\[].*?[)\]]", " ", word)
    return " ".join(re.sub(r"[^a-z0-9]+", " ", bare.lower()).split())


def meaning_of(word: str) -> str:
    """Return the meaning of a word by ``waveform_words.csv``; empty where it has none."""
    return _words().get(plain(word), "")


def read_cells(path: Path) -> Cells:
    """Take a file apart.

    Raises
    ------
    InputError
        Cut off, no columns of numbers, decimal commas, a cell that is no finite number.
    """
    text = _text(path)
    lines = text.split("\n")
    cut = bool(lines[-1].strip())
    while lines and not lines[-1].strip():
        lines.pop()
    if len(lines) < 3:
        raise InputError("the file holds no record", where=str(path), got=f"{len(lines)} lines")
    head = lines[:HEAD_LINES]
    separator = _separator(head[:-1], path)
    rows = [_split(line, separator) for line in head]
    columns, start = _table(rows[:-1])
    _refuse_text_between(rows[:-1], columns, start, path)
    body = lines[start:]
    if cut and len(_split(body[-1], separator)) > columns[-1]:
        body = body[:-1]  # its last number may lack digits; a line without it is refused below
    numbers = _numbers(body, separator, columns, f"{path}, line ", start + 1)
    names, units = _headings(rows[:start], columns)
    entries = (*_above(rows[:start]), *_over(rows, start, columns), *_beside(rows, start, columns))
    printed = [_printed_to(rows[start:], column, numbers[:, k]) for k, column in enumerate(columns)]
    return Cells(path, names, units, numbers, start + 1, entries, tuple(printed), cut)


def _text(path: Path) -> str:
    """Decode whatever a scope may write: UTF-8, UTF-16 with a mark, else one byte for a letter."""
    raw = read_bytes(path)
    if not raw.strip(b"\0"):
        raise InputError(
            "the file is empty" if not raw else "the file holds nothing but null bytes",
            where=str(path),
            got=f"{len(raw)} bytes",
            next_step=HALF_WRITTEN,
        )
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = raw.decode("utf-16", errors="replace")
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("latin-1")
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise InputError(
            "the file goes over into null bytes: it was not written to its end",
            where=f"{path}, line {line}",
            next_step=HALF_WRITTEN,
        )
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _split(line: str, separator: str) -> Row:
    parts = line.lstrip("#%").split(separator)
    return tuple(part.strip().strip('"').strip() for part in parts)


def _is_number(cell: str) -> bool:
    return bool(_NUMBER.fullmatch(cell)) or cell.casefold() in _NO_NUMBER


def _numeric(row: Row) -> frozenset[int]:
    return frozenset(place for place, cell in enumerate(row) if _is_number(cell))


def _columns(rows: Sequence[Row]) -> tuple[int, ...]:
    """Return the columns of numbers: those most of the last rows have."""
    found = Counter(_numeric(row) for row in rows[-_LOOKED_AT:] if any(row))
    return tuple(sorted(found.most_common(1)[0][0])) if found else ()


def _separator(lines: list[str], path: Path) -> str:
    best, most = "", 0
    for separator, called in _SEPARATORS.items():
        rows = [_split(line, separator) for line in lines[-_LOOKED_AT:]]
        if separator != "," and rows and any(_COMMA.fullmatch(cell) for cell in rows[-1]):
            raise InputError(
                f"the file has {called} between columns and commas as decimal sign",
                where=f"{path}, line {len(lines)}",
                got=lines[-1].strip()[:60],
                allowed="decimal points",
                next_step="set the instrument to English number format and save again, or replace every , "
                "by . in the file",
            )
        columns = _columns(rows)
        if len(columns) > most:
            best, most = separator, len(columns)
    if not most:
        raise InputError(
            "no columns of numbers were found",
            where=str(path),
            got=lines[-1].strip()[:60],
            allowed="columns separated by commas, semicolons or tabs",
            next_step="save the waveform as CSV, not as a picture or as the settings",
        )
    return best


def _table(rows: Sequence[Row]) -> tuple[tuple[int, ...], int]:
    """Return the columns of numbers and the first row of them.

    What stands beside the numbers fills few rows; a channel that ends early fills most, and is a column.
    """
    start = _start(rows, _columns(rows))
    filled = Counter(place for row in rows[start:] for place in _numeric(row))
    columns = tuple(sorted(place for place, count in filled.items() if 2 * count > len(rows) - start))
    return columns, _start(rows, columns)


def _start(rows: Sequence[Row], columns: tuple[int, ...]) -> int:
    """Walk back to the first row that has numbers, or holes, and no text in these columns."""
    start = len(rows)
    while start:
        row = rows[start - 1]
        cells = [row[place] if place < len(row) else "" for place in columns]
        if any(row) and not (any(cells) and all(not cell or _is_number(cell) for cell in cells)):
            break
        start -= 1
    while start < len(rows) and not any(rows[start]):
        start += 1
    return start


def _refuse_text_between(rows: Sequence[Row], columns: tuple[int, ...], start: int, path: Path) -> None:
    """Refuse a row without numbers in the midst of them: what stands above it would be lost."""
    above = sum(frozenset(columns) <= _numeric(row) for row in rows[:start])
    if columns and start < len(rows) and above < _FEWEST_ROWS:
        return
    raise InputError(
        "a row in the midst of the numbers holds none",
        where=f"{path}, line {start}",
        got=", ".join(rows[start - 1])[:60],
        allowed=f"numbers in column {', '.join(str(c + 1) for c in columns)}" if columns else "numbers",
        next_step="remove the row if it is a remark; else save the file again",
    )


def _numbers(body: list[str], separator: str, columns: tuple[int, ...], where: str, first: int) -> FloatArray:
    try:
        found = np.loadtxt(body, delimiter=separator, usecols=columns, ndmin=2, comments=None, quotechar='"')
    except ValueError:
        found = np.empty((0, 0))
    if found.shape[0] == len(body) and np.isfinite(found).all():
        return np.asarray(found)
    return _numbers_one_by_one(body, separator, columns, where, first)


def _numbers_one_by_one(
    body: list[str], separator: str, columns: tuple[int, ...], where: str, first: int
) -> FloatArray:
    """Find the cell that is at fault; a cut last row is told as such."""
    rows = []
    for number, line in enumerate(body, first):
        cells = _split(line, separator)
        if len(cells) <= columns[-1]:
            last = number == first + len(body) - 1
            raise InputError(
                "the last line is cut: the file was not written to its end" if last else "the row is short",
                where=f"{where}{number}",
                got=line.strip()[:60] or "an empty line",
                allowed=f"{columns[-1] + 1} cells",
                next_step=HALF_WRITTEN,
            )
        _refuse_shorter_channel(cells, _split(body[-1], separator), columns, f"{where}{number}")
        rows.append([parse_number(cells[column], f"{where}{number}") for column in columns])
    return np.array(rows)


def _refuse_shorter_channel(cells: Row, last: Row, columns: tuple[int, ...], where: str) -> None:
    """Tell a channel that ends before the others from a single empty cell."""
    for column in columns:
        if not cells[column] and not (last[column] if column < len(last) else ""):
            raise InputError(
                "the channels are of different length",
                where=where,
                got=f"column {column + 1} ends here, others go on",
                next_step="save all channels with the same memory depth, from one and the same trigger",
            )


def _headings(rows: Sequence[Row], columns: tuple[int, ...]) -> tuple[Row, Row]:
    """Return names and units from the one or two full lines of text above the numbers."""
    full: list[Row] = []
    for row in reversed(rows):
        cells = tuple(row[c] if c < len(row) else "" for c in columns)
        if not all(cells) or any(_is_number(cell) for cell in cells) or len(full) == 2:
            break
        full.append(cells)
    empty = ("",) * len(columns)
    if not full:
        return empty, empty
    first = full[0][0]
    below_names = len(full) > 1 and (time_power(first) is not None or is_index_unit(first))
    if below_names or all(is_unit(cell) for cell in full[0]):
        return (full[1] if len(full) > 1 else empty), full[0]
    return full[0], tuple(_bracketed(cell) for cell in full[0])


def _bracketed(name: str) -> str:
    inside = re.search(r"[(\[]([^)\]]+)[)\]]\s*$", name)
    return inside[1].strip() if inside else ""


_TIME_UNITS = {"s": 0, "sec": 0, "second": 0, "seconds": 0, "ms": -3, "us": -6, "ns": -9, "ps": -12}
_VOLT_UNITS = {"v": 0, "volt": 0, "volts": 0, "mv": -3, "uv": -6, "kv": 3}
_INDEX_UNITS = {"sequence", "index", "sample", "samples", "point", "points", "#", "n"}


def _unit(text: str) -> str:
    return text.strip("()[] ").replace("\u00b5", "u").replace("\u03bc", "u").lower()


def time_power(text: str) -> int | None:
    """Return the power of ten of a unit of time; None where it is none."""
    return _TIME_UNITS.get(_unit(text))


def volt_power(text: str) -> int | None:
    """Return the power of ten of a unit of voltage; None where it is none."""
    return _VOLT_UNITS.get(_unit(text))


def is_index_unit(text: str) -> bool:
    """Tell whether a column so named counts samples."""
    return _unit(text) in _INDEX_UNITS


def is_unit(text: str) -> bool:
    """Tell whether a cell is a unit."""
    return time_power(text) is not None or volt_power(text) is not None or is_index_unit(text)


def _above(rows: Sequence[Row]) -> list[Entry]:
    """Return the lines of word and value above the numbers."""
    found = []
    for number, row in enumerate(rows, 1):
        cells = [cell for cell in row if cell]
        if len(cells) == 1 and (parts := re.split(r"\s*[:=]\s*", cells[0], maxsplit=1))[1:]:
            cells = parts
        elif len(cells) > 1:
            cells[0] = cells[0].rstrip(":= ")
        if len(cells) > 1 and not _is_number(cells[0]):
            found.append(Entry(cells[0], tuple(cells[1:]), number))
    return found


def _over(rows: Sequence[Row], start: int, columns: tuple[int, ...]) -> list[Entry]:
    """Return words in the line of names that stand over no column of numbers, with what is below them."""
    found = []
    for number in (start - 2, start - 1):
        if number < 0 or number + 1 >= len(rows):
            continue
        above, below = rows[number], rows[number + 1]
        if _numeric(above) & set(columns):
            continue
        for place, word in enumerate(above):
            value = below[place] if place < len(below) else ""
            if place not in columns and word and not _is_number(word) and _is_number(value):
                found.append(Entry(word, (value,), number + 1))
    return found


def _beside(rows: Sequence[Row], start: int, columns: tuple[int, ...]) -> list[Entry]:
    """Return what stands left or right of the numbers, line by line."""
    found = []
    for number, row in enumerate(rows[start:], start + 1):
        cells = [cell for place, cell in enumerate(row) if place not in columns and cell]
        if len(cells) > 1 and not _is_number(cells[0]):
            found.append(Entry(cells[0].rstrip(":= "), tuple(cells[1:]), number))
    return found


def _printed_to(rows: Sequence[Row], column: int, values: FloatArray) -> float:
    """Return what the last digit is worth: decimals are the same for all, significant digits are not."""
    cells = [row[column].lower() for row in rows if column < len(row) and _NUMBER.fullmatch(row[column])]
    mantissas = [cell.partition("e")[0].lstrip("+-") for cell in cells]
    if not any("e" in cell for cell in cells):
        return float(10.0 ** -max(len(text.partition(".")[2]) for text in mantissas))
    digits = max(len(text.replace(".", "").lstrip("0")) for text in mantissas)
    largest = float(np.abs(values).max(initial=0.0))
    return float(10.0 ** (np.floor(np.log10(largest)) - digits + 1)) if largest > 0 else 0.0
