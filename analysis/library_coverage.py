"""What a library covers: permeability, corner frequency and band by class, and the holes in it."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from whichcore.analysis.materials import Library, Material, MaterialClass
from whichcore.analysis.types import FloatArray

#: Loss angle at which the dispersion counts as reached: μ″ = μ′, the corner of a relaxation (analytic).
CORNER_ANGLE = np.pi / 4
#: A stretch of permeability without a reference is worth a word from this ratio of its ends on. Practice.
LEAST_HOLE = 1.15
#: Decades, Hz, in which the curves that reach across are counted.
DECADES_HZ = ((1e3, 1e4), (1e4, 1e5), (1e5, 1e6), (1e6, 1e7), (1e7, 1e8))
#: Band that a common bench reaches, Hz; a class whose curves end inside it has a hole there.
USUAL_BAND_HZ = (1e3, 3e6)


@dataclass(frozen=True, slots=True)
class Place:
    """Where one reference stands.

    Attributes
    ----------
    material : Material
    corner_hz : float
        Where its loss angle reaches 45°; the end of its curve where it does not.
    corner_seen : bool
    """

    material: Material
    corner_hz: float
    corner_seen: bool


@dataclass(frozen=True, slots=True)
class Hole:
    """Initial permeabilities of a class that no reference holds within its tolerance."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ClassCoverage:
    """One class of a library.

    Attributes
    ----------
    material_class : MaterialClass
    places : tuple of Place
        By rising permeability.
    usual : (float, float) or None
        Initial permeabilities of the trade; None for what has none.
    holes : tuple of Hole
        Within the usual range.
    across : tuple of int
        Curves that reach across each of DECADES_HZ.
    band_hz : (float, float) or None
        Where at least half of the curves speak; None where there is none.
    """

    material_class: MaterialClass
    places: tuple[Place, ...]
    usual: tuple[float, float] | None
    holes: tuple[Hole, ...]
    across: tuple[int, ...]
    band_hz: tuple[float, float] | None

    @property
    def band_missing(self) -> tuple[tuple[float, float], ...]:
        """Parts of the usual band in which fewer than half of the curves speak."""
        if self.band_hz is None:
            return ()
        (low, high), (start, end) = USUAL_BAND_HZ, self.band_hz
        parts = ((low, min(start, high)), (max(end, low), high))
        return tuple((a, b) for a, b in parts if b > a * (1 + 1e-9))


def coverage_of(library: Library) -> tuple[ClassCoverage, ...]:
    """Draw up the coverage, one entry for each class of the trade, and for any other that is there.

    Parameters
    ----------
    library : Library
    """
    usual = usual_permeability()
    return tuple(
        _class_coverage(name, [m for m in library.materials if m.material_class is name], usual.get(name))
        for name in MaterialClass
        if name in usual or any(m.material_class is name for m in library.materials)
    )


@cache
def usual_permeability() -> dict[MaterialClass, tuple[float, float]]:
    """Return the initial permeabilities of each class in the trade (open_alternative.csv)."""
    text = (resources.files("whichcore.analysis") / "open_alternative.csv").read_text("utf-8")
    rows = csv.DictReader(text.splitlines())
    return {
        MaterialClass(row["class"]): (float(row["level_low"]), float(row["level_high"]))
        for row in rows
        if row["class"] != MaterialClass.OTHER.value
    }


def corner_of(material: Material) -> Place:
    """Find where the loss angle of a curve first reaches 45°, straight in ln f between two points."""
    angle = -np.angle(material.permeability)
    x = np.log(material.frequency_hz)
    above = np.flatnonzero(angle >= CORNER_ANGLE)
    if not above.size:
        return Place(material, float(material.frequency_hz[-1]), corner_seen=False)
    i = int(above[0])
    if i == 0:
        return Place(material, float(material.frequency_hz[0]), corner_seen=False)
    share = (CORNER_ANGLE - angle[i - 1]) / (angle[i] - angle[i - 1])
    return Place(material, float(np.exp(x[i - 1] + share * (x[i] - x[i - 1]))), corner_seen=True)


def _class_coverage(
    name: MaterialClass, materials: Sequence[Material], usual: tuple[float, float] | None
) -> ClassCoverage:
    ordered = sorted(materials, key=lambda m: (m.initial_permeability, m.id))
    return ClassCoverage(
        material_class=name,
        places=tuple(corner_of(m) for m in ordered),
        usual=usual,
        holes=() if usual is None else _holes(ordered, usual),
        across=tuple(int(_speaking(ordered, np.array(ends)).min()) if ordered else 0 for ends in DECADES_HZ),
        band_hz=_band(ordered),
    )


def _holes(materials: Sequence[Material], usual: tuple[float, float]) -> tuple[Hole, ...]:
    """Return what lies within no tolerance: two standard deviations in ln μi, as identification has it."""
    reached, holes = usual[0], []
    spans = sorted(
        (m.initial_permeability * np.exp(-m.tolerance), m.initial_permeability * np.exp(m.tolerance))
        for m in materials
    )
    for low, high in [*spans, (usual[1], usual[1])]:
        if min(low, usual[1]) > reached * LEAST_HOLE:
            holes.append(Hole(float(reached), float(min(low, usual[1]))))
        reached = max(reached, float(high))
    return tuple(holes)


def _speaking(materials: Sequence[Material], frequency_hz: FloatArray) -> FloatArray:
    """Count the curves that speak at each frequency, (F,)."""
    spans = np.array([[m.frequency_hz[0], m.frequency_hz[-1]] for m in materials])
    f = frequency_hz[:, None]
    return np.asarray(((f >= spans[:, 0] * (1 - 1e-9)) & (f <= spans[:, 1] * (1 + 1e-9))).sum(axis=1))


def speaking(coverage: ClassCoverage, frequency_hz: FloatArray) -> FloatArray:
    """Count the curves of a class that speak at each frequency, (F,)."""
    materials = [place.material for place in coverage.places]
    return _speaking(materials, frequency_hz) if materials else np.zeros(frequency_hz.size)


def _band(materials: Sequence[Material]) -> tuple[float, float] | None:
    """Return from where to where at least half of the curves speak."""
    if not materials:
        return None
    ends = np.unique([m.frequency_hz[end] for m in materials for end in (0, -1)])
    at = ends[2 * _speaking(materials, ends) >= len(materials)]
    return (float(at[0]), float(at[-1])) if at.size else None
