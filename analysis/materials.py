"""Reference materials: what is known of a grade, and a library of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import LibraryError

if TYPE_CHECKING:
    import pandas as pd
    import xarray


class MaterialClass(StrEnum):
    """Classes of soft magnetic material."""

    MNZN = "MnZn"
    NIZN = "NiZn"
    MGZN = "MgZn"
    CARBONYL_POWDER = "carbonyl-powder"
    ALLOY_POWDER = "alloy-powder"
    NANOCRYSTALLINE = "nanocrystalline"
    AMORPHOUS = "amorphous"
    OTHER = "other"


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """One reference material; compared by identity.

    Attributes
    ----------
    id, name, source, licence : str
    material_class : MaterialClass
    initial_permeability : float
        μi of the maker or of the table.
    tolerance : float
        Two standard deviations of the scale around ``initial_permeability``, relative.
    frequency_hz : float array (F,)
        Strictly increasing.
    permeability : complex array (F,)
        μ′ − jμ″.
    curve_deviation : float
        One standard deviation of the smooth deviation of a real core from the curve, relative.
    resistivity_ohm_m, relative_permittivity, density_kg_m3, curie_temperature_c : float or None
    section_m : (float, float) or None
        Sides of the rectangular section of the core the curve was taken on.
    temperature_c, flux_density_t : float or None
        Conditions of the curve.
    applications : tuple of str
    swept : bool
        The curve is the sweep of known cores, so that its detail is that of the grade; False for one that was
        read off a figure, computed, or taken from a table.
    """

    id: str
    name: str
    material_class: MaterialClass
    initial_permeability: float
    tolerance: float
    frequency_hz: FloatArray
    permeability: ComplexArray
    source: str
    licence: str
    curve_deviation: float = 0.03
    resistivity_ohm_m: float | None = None
    relative_permittivity: float | None = None
    density_kg_m3: float | None = None
    curie_temperature_c: float | None = None
    section_m: tuple[float, float] | None = None
    temperature_c: float | None = None
    flux_density_t: float | None = None
    applications: tuple[str, ...] = ()
    swept: bool = False


@dataclass(frozen=True, slots=True)
class Problem:
    """A material that could not be used, and why."""

    where: str
    what: str


@dataclass(frozen=True, slots=True, eq=False)
class Library:
    """Usable materials and the problems met while loading the others; compared by identity."""

    materials: tuple[Material, ...]
    problems: tuple[Problem, ...] = ()

    def __getitem__(self, material_id: str) -> Material:
        for material in self.materials:
            if material.id == material_id:
                return material
        raise LibraryError("no such material in the library", where="material", got=material_id)

    def _repr_html_(self) -> str:
        """Return a small table, as notebooks show it."""
        from whichcore.analysis.display import library_html  # noqa: PLC0415 - it imports this module

        return library_html(self)

    def to_pandas(self) -> pd.DataFrame:
        """Return it as a table of pandas; see :mod:`whichcore.analysis.frames`.

        Raises
        ------
        InputError
            pandas is not installed.
        """
        from whichcore.analysis.frames import library_to_pandas  # noqa: PLC0415 - it imports this module

        return library_to_pandas(self)

    def to_xarray(self) -> xarray.Dataset:
        """Return it as a data set of xarray; see :mod:`whichcore.analysis.frames`.

        Raises
        ------
        InputError
            xarray is not installed.
        """
        from whichcore.analysis.frames import library_to_xarray  # noqa: PLC0415 - it imports this module

        return library_to_xarray(self)


def merge(libraries: Sequence[Library]) -> Library:
    """Join libraries; of materials with equal ids none is used and each is listed as a problem."""
    everything = [material for library in libraries for material in library.materials]
    counts: dict[str, int] = {}
    for material in everything:
        counts[material.id] = counts.get(material.id, 0) + 1
    doubles = tuple(
        Problem(where=material_id, what=f"{count} materials carry this id; none of them is used")
        for material_id, count in counts.items()
        if count > 1
    )
    return Library(
        materials=tuple(material for material in everything if counts[material.id] == 1),
        problems=tuple(problem for library in libraries for problem in library.problems) + doubles,
    )
