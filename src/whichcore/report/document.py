"""What a report is made of: headings, sentences, tables and pictures, before they are set in type."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Draws a picture for a dark page or a light one, of a width in inches.
Draw = Callable[[bool, float], "Figure"]


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str


@dataclass(frozen=True, slots=True)
class Points:
    """Sentences, each on a line of its own."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table.

    Attributes
    ----------
    title : str
    heads : tuple of str
    rows : tuple of tuple of str
        As long as ``heads``; the first cell names the row.
    numbers : frozenset of str
        Heads of the columns set flush right.
    """

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture with what it shows in words and in numbers.

    Attributes
    ----------
    name : str
        Word that tells it from the others of the report.
    title, alt : str
        ``alt`` says what there is to see to whoever does not see it.
    draw : callable
        Takes ``dark`` and the width in inches, returns a figure.
    values : Sheet
    """

    name: str
    title: str
    alt: str
    draw: Draw
    values: Sheet


Block = Words | Points | Sheet | Picture


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands below it."""

    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """A report of one core.

    Attributes
    ----------
    title : str
        Name of the core.
    answer : str
        The verdict in one sentence.
    made : str
        When it was judged and by which version of the program.
    judged_at : str
        The same time, ISO 8601, UTC.
    warnings : tuple of str
    sections : tuple of Section
    """

    title: str
    answer: str
    made: str
    judged_at: str
    warnings: tuple[str, ...]
    sections: tuple[Section, ...]
