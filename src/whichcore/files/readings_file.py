"""A file of readings, one on each line."""

from __future__ import annotations

from pathlib import Path

from whichcore.errors import InputError
from whichcore.files.reading import parse_reading
from whichcore.files.text import read_text


def load_readings(path: Path) -> tuple[str, ...]:
    """Return the readings of a file as ``identify --reading`` takes them; lines with # are comments.

    Raises
    ------
    InputError
        A line that is no reading, or no reading at all.
    """
    lines = [(number, line.strip()) for number, line in enumerate(read_text(path).split("\n"), 1)]
    found = [(number, line) for number, line in lines if line and not line.startswith("#")]
    for number, line in found:
        parse_reading(line, where=f"{path}, line {number}")
    if not found:
        raise InputError(
            "the file holds no reading",
            where=str(path),
            allowed="one on each line, such as: 152 uH ± 2 uH @ 10 kHz",
        )
    return tuple(line for _, line in found)
