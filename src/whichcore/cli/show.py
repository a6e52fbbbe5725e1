"""How results look on a terminal of any width, and as plain text in a file or a pipe."""

from __future__ import annotations

import io
import os
import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass

from rich import box
from rich.console import Console
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from whichcore.cli.session import clean
from whichcore.wording import bound

#: Width of running text where no terminal says its own.
PIPE_WIDTH = 100
#: Stands for a space where no line may break, until the lines are made; no text that is shown can hold it.
_JOINT = "\ue000"


@dataclass(frozen=True, slots=True)
class Heading:
    """A line that stands out."""

    text: str


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines that belong together, each wrapped with a hanging indent."""

    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table; on a terminal too narrow for it, each row becomes a block of lines.

    Attributes
    ----------
    heads : tuple of str
    rows : tuple of tuple of str
        As long as ``heads``; the first cell names the row.
    numbers : frozenset of str
        Heads of the columns set flush right.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[str] = frozenset()


Block = Heading | Lines | Grid


def page(blocks: Sequence[Block]) -> str:
    """Return the blocks as text, an empty line between them, coloured only for a terminal."""
    terminal = sys.stdout.isatty()
    width = shutil.get_terminal_size((PIPE_WIDTH, 24)).columns
    fixed = terminal or bool(os.environ.get("COLUMNS"))
    parts = [_block(block, width, fixed, terminal) for block in blocks]
    return "\n\n".join(part for part in parts if part)


def _block(block: Block, width: int, fixed: bool, terminal: bool) -> str:
    if isinstance(block, Heading):
        return _printed(Text(bound(clean(block.text), _JOINT), style="bold"), width, terminal)
    if isinstance(block, Lines):
        return "\n".join(_printed(_hanging(line, width), width, terminal) for line in block.lines)
    table = _table(block)
    needed = _natural_width(table)
    if fixed and needed > width:
        return "\n".join(_printed(_record(block, row, width), width, terminal) for row in block.rows)
    return _printed(table, needed, terminal)


def _printed(item: Text | Table, width: int, terminal: bool) -> str:
    console = Console(
        file=io.StringIO(),
        force_terminal=terminal,
        color_system="auto" if terminal else None,
        width=width,
        legacy_windows=False,
    )
    with console.capture() as captured:
        console.print(item)
    text = captured.get().replace(_JOINT, " ")
    return "\n".join(line.rstrip() for line in text.rstrip("\n").split("\n"))


def _natural_width(table: Table) -> int:
    console = Console(file=io.StringIO(), width=10_000)
    return Measurement.get(console, console.options, table).maximum


def _table(grid: Grid) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for head in grid.heads:
        table.add_column(Text(clean(head)), justify="right" if head in grid.numbers else "left", no_wrap=True)
    for row in grid.rows:
        table.add_row(*(Text(clean(cell)) for cell in row))
    return table


def _record(grid: Grid, row: tuple[str, ...], width: int) -> Text:
    """Return one row as lines: its name, then what the other columns say, indented."""
    lines = [_hanging(row[0], width)]
    for head, cell in zip(grid.heads[1:], row[1:], strict=True):
        if cell:
            lines.append(_hanging(f"  {head}: {cell}", width))
    return Text("\n").join(lines)


def _hanging(line: str, width: int) -> Text:
    """Return a line wrapped so that what runs over is indented by two more than its start."""
    text = bound(clean(line), _JOINT)
    start = len(text) - len(text.lstrip())
    indent = start + 2 if width > start + 20 else 0
    wrapped = Text(text.strip()).wrap(Console(width=width), max(width - indent, 8))
    pieces = [
        f"{' ' * (start if number == 0 else indent)}{piece.plain.rstrip()}"
        for number, piece in enumerate(wrapped)
    ]
    return Text("\n".join(pieces))
