"""The journal of a running sweep: its sweep file, written point by point so that nothing measured is lost."""

from __future__ import annotations

import os
from collections.abc import Mapping
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import Self

from whichcore.errors import InputError
from whichcore.files.csv_table import Table, parse_table
from whichcore.files.sweep_file import layout_of, points_of
from whichcore.files.sweep_layout import SweepLayout, SweepPoint, row_of
from whichcore.files.text import create_text, decode, read_bytes
from whichcore.files.writer_lock import hold, let_go


class SweepJournal:
    """An open journal; each point is on the disk when :meth:`append` returns.

    Make one with :meth:`create` or :meth:`resume`; it is a context manager.

    Attributes
    ----------
    path : Path
    layout : SweepLayout
    points : tuple of SweepPoint
        The points found by :meth:`resume`, in the order they were taken; empty for a new journal.
    """

    def __init__(
        self, path: Path, layout: SweepLayout, points: tuple[SweepPoint, ...] = (), file: FileIO | None = None
    ) -> None:
        self.path = path
        self.layout = layout
        self.points = points
        self._file = _held(path) if file is None else file

    @classmethod
    def create(cls, path: str | Path, layout: SweepLayout) -> Self:
        """Begin a journal: its head appears whole, in a file that did not exist.

        Raises
        ------
        InputError
            The file exists already, cannot be written, or is being written by another program.
        """
        place = Path(path)
        create_text(place, layout.head())
        return cls(place, layout)

    @classmethod
    def resume(cls, path: str | Path, expected: Mapping[str, str] | None = None) -> Self:
        """Go on with a journal that was left in the middle; a torn last line is cut off.

        Parameters
        ----------
        path : str or Path
        expected : mapping of str to str, optional
            Header lines that must be there with these values (such as the fingerprint of the plan).

        Raises
        ------
        InputError
            No journal, another header than expected, a damaged line before the last one, or another program
            is writing it.
        """
        place = Path(path)
        read_bytes(place)  # says what is wrong with a file that is not there
        file = _held(place)
        try:
            layout, points = cls._found(place, expected)
        except BaseException:
            _close(file)
            raise
        return cls(place, layout, points, file)

    @staticmethod
    def _found(place: Path, expected: Mapping[str, str] | None) -> tuple[SweepLayout, tuple[SweepPoint, ...]]:
        raw = read_bytes(place)
        whole = raw[: raw.rfind(b"\n") + 1]
        table = _table(whole, place)
        layout = layout_of(table)
        for key, value in (expected or {}).items():
            if table.header.get(key) != value:
                raise InputError(
                    "the file belongs to another sweep",
                    where=f"{place}, {key}",
                    got=table.header.get(key, "no such line"),
                    allowed=value,
                    next_step="choose another file name for the new sweep",
                )
        points = points_of(table, layout) if table.rows else ()
        if len(whole) < len(raw):
            _cut(place, len(whole))
        return layout, points

    def append(self, point: SweepPoint) -> None:
        """Write one point and wait until it is on the disk.

        Raises
        ------
        InputError
            The point does not fit the layout, or the disk is full.
        """
        self._write(row_of(self.layout, point))

    def remark(self, key: str, value: str) -> None:
        """Add a header line at the end, about all points; one that stands there already is left alone.

        Raises
        ------
        InputError
            The disk is full.
        """
        if key not in self.layout.header:
            self._write(f"# {key}: {value}")

    def _write(self, text: str) -> None:
        line = f"{text}\n".encode()
        try:
            written = self._file.write(line)
            if written != len(line):
                raise OSError(f"only {written} of {len(line)} bytes were written")
            os.fsync(self._file.fileno())
        except OSError as error:
            raise _not_writable(self.path, error) from None

    def close(self) -> None:
        """Close the file; doing it twice does no harm."""
        _close(self._file)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _held(path: Path) -> FileIO:
    """Open a file to add to it, and keep other writers off."""
    try:
        file = path.open("ab", buffering=0)
    except OSError as error:
        raise _not_writable(path, error) from None
    try:
        hold(file, path)
    except InputError:
        file.close()
        raise
    return file


def _close(file: FileIO) -> None:
    let_go(file)
    file.close()


def _table(whole: bytes, place: Path) -> Table:
    text = decode(whole, place)
    lines = [line for line in text.split("\n") if line.strip() and not line.lstrip().startswith("#")]
    if len(lines) != 1:
        return parse_table(text, place)
    # a journal killed before its first point has a head alone; one row of zeros lets it be read as a table
    filler = parse_table(f"{text}{','.join('0' for _ in lines[0].split(','))}\n", place)
    return Table(place, filler.header, filler.header_lines, filler.columns, (), ())


def _cut(place: Path, length: int) -> None:
    try:
        os.truncate(place, length)
    except OSError as error:
        raise _not_writable(place, error) from None


def _not_writable(path: Path, error: OSError) -> InputError:
    return InputError(
        "the sweep cannot be written down",
        where=str(path),
        got=str(error),
        next_step="make room or permit writing, then resume with the same file name",
    )
