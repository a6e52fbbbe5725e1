"""Dimensions of a core against the parts a shop knows: which material came in this size before.

A core is one of the noted parts, in the proportion in which they were counted, or it is another part: it lies
on the bench because nobody knows it. Sizes are shared between makers and materials, so that another part has
the size of a noted one more often than by chance. And the material of a part may have been noted wrongly,
like any label.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.materials import Library, Material, MaterialClass
from whichcore.analysis.sold_as import SoldAsMaterial, label_of
from whichcore.analysis.specimen import EffectiveCore, Rod, Specimen, TwoHole
from whichcore.analysis.types import FloatArray
from whichcore.errors import InputError

#: Cores of parts nobody noted that a shop's list is taken to lack, and their least share. Practice.
UNNOTED_CORES, LEAST_UNNOTED = 5.0, 0.5
#: Share of other parts that have the size of a noted one, for sizes are standardised. Practice.
SHARED_SIZES = 0.5
#: Span of ln(dimension) in which any other part may lie, for each dimension: a factor of 200. Practice.
SIZE_SPAN = float(np.log(200.0))
#: Tolerance of a dimension from piece to piece, one standard deviation, where the list states none. Practice.
PIECE_TOLERANCE = 0.01

#: A part fits when every dimension lies within this many standard deviations. Practice.
FITS = 3.0
#: Parts named at most where the size is said to speak of several materials.
MOST_NAMED = 3
#: Inverse prior of a material that is not in the library.
UNLISTED_WEIGHT = 10.0

#: Dimensions that tell a part, in the order in which a parts list has them.
SHAPE_DIMENSIONS: dict[str, tuple[str, ...]] = {
    "ring": ("outer_diameter_m", "inner_diameter_m", "height_m"),
    "sleeve": ("outer_diameter_m", "inner_diameter_m", "height_m"),
    "two-hole": ("width_m", "thickness_m", "length_m", "hole_diameter_m", "hole_spacing_m"),
    "rod": ("diameter_m", "length_m"),
}


@dataclass(frozen=True, slots=True)
class Part:
    """One part the shop knows.

    Attributes
    ----------
    name : str
    material : str
        Id of the material.
    count : int
        How many cores of it were seen.
    shape : str
        Key of SHAPE_DIMENSIONS.
    dimensions_m : tuple of float
        In the order of SHAPE_DIMENSIONS.
    tolerance : float
        One standard deviation of a dimension from piece to piece, relative.
    """

    name: str
    material: str
    count: int
    shape: str
    dimensions_m: tuple[float, ...]
    tolerance: float = PIECE_TOLERANCE

    def __post_init__(self) -> None:
        wanted = SHAPE_DIMENSIONS.get(self.shape)
        if wanted is None:
            raise InputError(
                "unknown shape of a part", where="shape", got=self.shape, allowed=", ".join(SHAPE_DIMENSIONS)
            )
        sound = all(0 < d < np.inf for d in self.dimensions_m)
        if len(self.dimensions_m) != len(wanted) or not sound:
            raise InputError(
                f"a {self.shape} has {len(wanted)} positive dimensions",
                where="dimensions",
                got=", ".join(f"{1e3 * d:g} mm" for d in self.dimensions_m) or "none",
                allowed=" x ".join(name.removesuffix("_m").replace("_", " ") for name in wanted),
            )
        if self.count < 1:
            raise InputError(
                "a part was seen at least once", where="count", got=f"{self.count}", allowed="1, 2, …"
            )


@dataclass(frozen=True, slots=True)
class SizeOfPart(ClassEvidence):
    """The dimensions fit, or fit not, the parts of the shop.

    Attributes
    ----------
    noted : tuple of (SoldAsMaterial, float)
        Each material noted, as a label, and the density of the dimensions jointly with it.
    strange : dict of str to float
        The same for materials noted that the library lacks.
    other : float
        Density for another part, whatever its material.
    size : int
        Materials in the library.
    fitting : tuple of Part
        The parts that fit, the best first.
    """

    noted: tuple[tuple[SoldAsMaterial, float], ...]
    strange: dict[str, float]
    other: float
    size: int
    fitting: tuple[Part, ...]

    @property
    def name(self) -> str:
        """What it is, for the explanation."""
        return self.name_for(())

    def name_for(self, materials: Sequence[str]) -> str:
        """Return what it is where it speaks of these materials, by id: the part of each that fits.

        Without a part of theirs the one that fits best is named.
        """
        spoken = [part for name in materials for part in self.fitting if part.material == name]
        spoken = spoken[:MOST_NAMED] or list(self.fitting[:1])
        return f"size ({'; '.join(map(_said, spoken)) or 'no part noted'})"

    @property
    def checkable(self) -> bool:
        """Half of all other parts share a noted size: to be one of them is nothing to check."""
        return False

    @property
    def notes(self) -> tuple[str, ...]:
        """Parts whose material is not in the library."""
        return tuple(
            f"a part of this size is noted as {name}, which is not in the library: it counts as none of these"
            for name in self.strange
        )

    def log_likelihood(self, material: Material) -> float:
        """Log-density of the dimensions for a core of this material, its uniform prior taken off."""
        joint = sum(density * np.exp(label.log_likelihood(material)) for label, density in self.noted)
        return float(np.log(self.other + self.size * joint))

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-density for a core of a material nobody listed; a part of an unknown material is one."""
        del material_class
        return float(np.log(self.other + UNLISTED_WEIGHT * sum(self.strange.values())))


def size_of_part(specimen: Specimen, parts: Sequence[Part], library: Library) -> SizeOfPart | None:
    """Compare the dimensions of a core with the parts of a shop.

    Returns
    -------
    SizeOfPart or None
        None where the core is given by its core constants, or no part is noted.
    """
    known = _log_dimensions(specimen)
    if known is None or not parts:
        return None
    size, uncertainty = known
    total = sum(part.count for part in parts)
    unnoted = max(LEAST_UNNOTED, UNNOTED_CORES / (UNNOTED_CORES + total))
    densities = [part.count / total * _density(part, size, uncertainty) for part in parts]
    joint: dict[str, float] = {}
    for part, density in zip(parts, densities, strict=True):
        joint[part.material] = joint.get(part.material, 0.0) + (1 - unnoted) * density
    anywhere = SIZE_SPAN**-size.size
    order = np.argsort([-density for density in densities], kind="stable")
    ids = {material.id for material in library.materials}
    return SizeOfPart(
        noted=tuple(
            (label_of(library[name], library), density) for name, density in joint.items() if name in ids
        ),
        strange={name: d for name, d in joint.items() if name not in ids and d > (1 - unnoted) * anywhere},
        other=unnoted * ((1 - SHARED_SIZES) * anywhere + SHARED_SIZES * sum(densities)),
        size=len(library.materials),
        fitting=tuple(parts[i] for i in order if _fits(parts[i], size, uncertainty)),
    )


def _deviation(part: Part, size: FloatArray, uncertainty: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return how far the dimensions lie from those of a part, in standard deviations, and these."""
    width = np.hypot(uncertainty, part.tolerance)
    return np.asarray((size - np.log(part.dimensions_m)) / width), np.asarray(width)


def _density(part: Part, size: FloatArray, uncertainty: FloatArray) -> float:
    """Density of the dimensions for a core of the part; a part of another number of them is no match."""
    if len(part.dimensions_m) != size.size:
        return 0.0
    z, width = _deviation(part, size, uncertainty)
    return float(np.prod(np.exp(-0.5 * z**2) / (width * np.sqrt(2 * np.pi))))


def _fits(part: Part, size: FloatArray, uncertainty: FloatArray) -> bool:
    if len(part.dimensions_m) != size.size:
        return False
    return bool(np.all(np.abs(_deviation(part, size, uncertainty)[0]) < FITS))


def _said(part: Part) -> str:
    return f"{part.name}, {part.material}, {part.count} seen"


def part_of(specimen: Specimen, material: str, name: str) -> Part | None:
    """Return the core as one part of the shop, seen once; None for a core given by its constants."""
    if isinstance(specimen.core, EffectiveCore):
        return None
    shape = (
        "rod"
        if isinstance(specimen.core, Rod)
        else "two-hole"
        if isinstance(specimen.core, TwoHole)
        else "ring"
    )
    values = tuple(getattr(specimen.core, field) for field in SHAPE_DIMENSIONS[shape])
    return Part(name, material, 1, shape, values)


def _log_dimensions(specimen: Specimen) -> tuple[FloatArray, FloatArray] | None:
    """Logarithms of the telling dimensions, and their relative standard uncertainties."""
    part = part_of(specimen, "", "")
    if part is None:
        return None
    values = np.array(part.dimensions_m)
    stated = specimen.dimension_uncertainties_m
    u = np.array([stated.get(name, 0.0) for name in SHAPE_DIMENSIONS[part.shape]])
    return np.log(values), u / values
