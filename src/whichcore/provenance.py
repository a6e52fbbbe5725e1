"""Who measured what, when and on which bench: a line of text that stays with a reference material."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

from whichcore.analysis.materials import Material, MaterialClass
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


def known_already(
    sweeps: Sequence[Path], materials: Sequence[Material], material_class: MaterialClass
) -> tuple[str, ...]:
    """Say which sweeps references of the same class were made of before.

    Raises
    ------
    InputError
        One of them made a reference of another class: a core has one.
    """
    told = []
    for path in sweeps:
        mark = f"sha256 {checksum(path)} and "
        for material in materials:
            if mark not in material.source:
                continue
            if material.material_class is not material_class:
                raise InputError(
                    "this sweep made a reference of another class before; a core has one class",
                    where=str(path),
                    got=f"{material_class.value}, and {material.id} is {material.material_class.value}",
                    allowed=material.material_class.value,
                    next_step="give the class of that reference, or move its files away if it is wrong",
                )
            told.append(
                f"{path.name} made the reference {material.id} before: both hold the same core, and share "
                "the probability of what looks like it"
            )
    return tuple(told)


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
