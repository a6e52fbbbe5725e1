"""Who measured what, when and on which bench: a line of text that stays with a reference material."""

from __future__ import annotations

import hashlib
from pathlib import Path

from whichcore.analysis.types import ImpedanceSweep
from whichcore.errors import InputError
from whichcore.files.text import read_bytes

#: Leading digits of a checksum that are kept: enough that no two files of a shop share them by chance.
CHECKSUM_DIGITS = 16
_HEADER = ("bench", "calibration", "started")


def checksum(path: Path) -> str:
    """Return the leading digits of the SHA-256 checksum of a file (FIPS 180-4)."""
    return hashlib.sha256(read_bytes(path)).hexdigest()[:CHECKSUM_DIGITS]


def measured_text(specimen: Path, sweep: Path, data: ImpedanceSweep, turns: int) -> str:
    """Return what was measured: files with their checksums, bench, calibration, start, as the sweep says."""
    said = [f"{key} {data.notes[key]}" for key in _HEADER if data.notes.get(key)]
    sums = f"sha256 {checksum(sweep)} and {checksum(specimen)}"
    return f"{sweep.name} on {specimen.name}, {turns} turns ({'; '.join([*said, sums])})"


def refuse_twice(sweeps: list[Path]) -> None:
    """Refuse sweeps of equal content: one core counted twice would make a spread look small.

    Raises
    ------
    InputError
    """
    seen: dict[str, Path] = {}
    for path in sweeps:
        first = seen.setdefault(checksum(path), path)
        if first is not path:
            raise InputError(
                "two sweeps are one and the same",
                where="--sweep",
                got=f"{first} and {path}",
                allowed="one sweep of each core",
                next_step="leave one of them out",
            )
