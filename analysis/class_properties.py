"""What is known of a class of material as such: ranges, typical values and priors, each with its source."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from whichcore.analysis.materials import MaterialClass


@dataclass(frozen=True, slots=True)
class ClassQuantity:
    """One quantity of a class, as the table has it.

    Attributes
    ----------
    low, high : float
        Range the handbooks or the trade give, in ``unit``.
    typical : float
        Centre of the prior, in ``unit``.
    spread : float
        One standard deviation of the prior: in ``unit``, but of log10 of the value for resistivity and
        relative permittivity, which run over decades.
    unit : str
        ``1`` for a pure number.
    mark : str
        Where the numbers stand: read, memory (recalled, not seen again) or practice (no source).
    source : str
    """

    low: float
    high: float
    typical: float
    spread: float
    unit: str
    mark: str
    source: str


@dataclass(frozen=True, slots=True)
class ClassProperties:
    """All that is known of one class.

    Attributes
    ----------
    quantities : mapping of str to ClassQuantity
        Every row of the class by its name; the properties below are the typical values and spreads of them.
    """

    quantities: Mapping[str, ClassQuantity]

    def _typical(self, name: str) -> float | None:
        return self.quantities[name].typical if name in self.quantities else None

    @property
    def resistivity_ohm_m(self) -> float | None:
        """Of the ferrite, of the pressed powder body, or of the metal of a ribbon; None when unknown."""
        return self._typical("resistivity")

    @property
    def relative_permittivity(self) -> float | None:
        """None for powder and ribbon too.

        Their eddy currents run in the particle and in the ribbon and stand in the curve: the section of the
        core does not act on them.
        """
        return self._typical("relative_permittivity")

    @property
    def curie_temperature_c(self) -> float | None:
        """Curie temperature, °C; None when unknown."""
        return self._typical("curie_temperature")

    @property
    def saturation_t(self) -> float | None:
        """μ0Ms at 25 °C, T; None when unknown."""
        return self._typical("saturation")

    @property
    def density_kg_m3(self) -> float:
        """Mean density, of the metal for ribbon, kg/m³."""
        return self.quantities["density"].typical

    @property
    def density_sd_kg_m3(self) -> float:
        """Standard deviation of the density over the grades of the class, kg/m³."""
        return self.quantities["density"].spread

    @property
    def corner_exponent(self) -> float:
        """Mean of p in f_corner ∝ s^{−p}, s the ratio of a core's permeability to that of its grade."""
        return self.quantities["corner_exponent"].typical

    @property
    def corner_exponent_sd(self) -> float:
        """Standard deviation of p."""
        return self.quantities["corner_exponent"].spread

    @property
    def probe_log10_ohm(self) -> float:
        """Mean of log10 of the resistance in Ω between two probe tips on the bare material."""
        return self.quantities["probe_log10_ohm"].typical

    @property
    def probe_log10_sd(self) -> float:
        """Standard deviation of that logarithm."""
        return self.quantities["probe_log10_ohm"].spread

    @property
    def probe_over_range_share(self) -> float:
        """Share of pieces that read over range on a hand meter, by their material or by their coat."""
        return self.quantities["probe_over_range_share"].typical

    @property
    def probe_spoiled_share(self) -> float:
        """Share of readings that say nothing: coat half scraped, dirt, bad contact."""
        return self.quantities["probe_spoiled_share"].typical


def _quantity(row: Mapping[str, str]) -> ClassQuantity:
    low, high, typical, spread = (float(row[name]) for name in ("low", "high", "typical", "spread"))
    return ClassQuantity(low, high, typical, spread, row["unit"], row["mark"], row["source"])


@cache
def _table() -> dict[MaterialClass, ClassProperties]:
    text = (resources.files("whichcore.analysis") / "class_properties.csv").read_text("utf-8")
    found: dict[MaterialClass, dict[str, ClassQuantity]] = {name: {} for name in MaterialClass}
    for row in csv.DictReader(text.splitlines()):
        found[MaterialClass(row["class"])][row["quantity"]] = _quantity(row)
    return {name: ClassProperties(quantities) for name, quantities in found.items()}


def class_properties(material_class: MaterialClass | str) -> ClassProperties:
    """Return what is known of a class as such.

    Parameters
    ----------
    material_class : MaterialClass or str

    Returns
    -------
    ClassProperties

    Raises
    ------
    ValueError
        When there is no such class.
    """
    return _table()[MaterialClass(material_class)]
