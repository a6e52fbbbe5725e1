"""Evidence on a material beside its curve: what a piece of it offers, and what a specimen file holds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.probe import SurfaceResistance, WindingLeakage
from whichcore.analysis.specimen import Ring, Rod, Specimen

#: Relative standard uncertainty of the density of one grade from piece to piece. Practice.
GRADE_DENSITY_SPREAD = 0.015
#: Relative standard uncertainty of a volume from caliper dimensions, edges and marks included. Practice.
VOLUME_UNCERTAINTY = 0.025
#: Density of a coat of epoxy or parylene with its standard uncertainty. Practice.
COAT_DENSITY_KG_M3 = (1300.0, 300.0)


@dataclass(frozen=True, slots=True)
class Density(ClassEvidence):
    """Mass over volume of the bare core, kg/m³."""

    value_kg_m3: float
    standard_uncertainty_kg_m3: float

    @property
    def name(self) -> str:
        """What it is, for the explanation."""
        return "density"

    @property
    def plausible(self) -> bool:
        """Whether it lies within four standard deviations of any class, and not below the lightest of all."""
        classes = [class_properties(c) for c in MaterialClass]
        # the class of which nothing is known is wide: four of its standard deviations reach below nothing
        lightest = min(p.quantities["density"].low for p in classes)
        if self.value_kg_m3 + 4 * self.standard_uncertainty_kg_m3 < lightest:
            return False
        return any(
            abs(self.value_kg_m3 - p.density_kg_m3)
            < 4 * np.hypot(p.density_sd_kg_m3, self.standard_uncertainty_kg_m3)
            for p in classes
        )

    def log_likelihood(self, material: Material) -> float:
        """Log-density of a normal law around the grade's density, or around its class's."""
        if material.density_kg_m3 is not None:
            return self._normal(material.density_kg_m3, GRADE_DENSITY_SPREAD * material.density_kg_m3)
        return self.class_log_likelihood(material.material_class)

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-density of a normal law around the density of the class."""
        p = class_properties(material_class)
        return self._normal(p.density_kg_m3, p.density_sd_kg_m3)

    def _normal(self, mean: float, sd: float) -> float:
        width = np.hypot(sd, self.standard_uncertainty_kg_m3)
        z = (self.value_kg_m3 - mean) / width
        # one core in a thousand has a chip, a clip or a pool of varnish: the tail stays finite
        return float(np.log(0.999 * np.exp(-0.5 * z**2) / width + 0.001 / 8000.0))


def evidence_of_specimen(specimen: Specimen) -> tuple[ClassEvidence, ...]:
    """Evidence that the specimen file itself holds.

    A core in a case says nothing by its surface or its mass; a rod's volume is plain.
    """
    if specimen.encased:
        return ()
    found: list[ClassEvidence] = []
    leakage = specimen.winding_leakage
    if specimen.surface_resistance is not None:
        coated = isinstance(specimen.core, Ring) and specimen.core.coating_thickness_m > 0
        found.append(SurfaceResistance(specimen.surface_resistance, coated, leakage))
    if leakage is not None:
        found.append(WindingLeakage(leakage))
    density = _density(specimen)
    if density is not None:
        found.append(density)
    return tuple(found)


def _density(specimen: Specimen) -> Density | None:
    if specimen.mass_kg is None:
        return None
    core = specimen.core
    if isinstance(core, Rod):
        volume, u_volume, coat = float(np.pi / 4 * core.diameter_m**2 * core.length_m), 0.0, 0.0
    else:
        geometry = core_geometry(specimen)
        if geometry.metal_volume_m3 is None:
            return None
        volume, u_volume = geometry.metal_volume_m3, geometry.metal_volume_uncertainty_m3 or 0.0
        coat = _coat_volume(core, volume) if isinstance(core, Ring) else 0.0
    density, u_density = COAT_DENSITY_KG_M3
    value = (specimen.mass_kg - density * coat) / volume
    relative = np.hypot(VOLUME_UNCERTAINTY, u_volume / volume)
    return Density(value, float(np.hypot(relative * value, u_density * coat / volume)))


def _coat_volume(ring: Ring, bare_volume_m3: float) -> float:
    """Volume of the coat of a ring, which is weighed with it, m³."""
    if ring.coating_thickness_m == 0:
        return 0.0
    area = np.pi / 4 * (ring.outer_diameter_m**2 - ring.inner_diameter_m**2)
    return float(area * ring.height_m * ring.stack - bare_volume_m3)
