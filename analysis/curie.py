"""A core that still holds flux is below the Curie temperature of its material."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.second_condition import TemperatureFactor

#: Standard deviation of the Curie temperature of a core about that stated for its grade, K. Practice.
STATED_SPREAD_K = 10.0
#: Share of temperatures that were mistaken, or of another part than the core. Practice.
MISTAKEN = 1e-3
#: Share of its permeability that a core keeps at a second temperature if it is magnetic there. Practice.
KEPT = 0.5
#: A temperature that no reference is above with more than this probability tells nothing.
TELLS_NOTHING = 0.01


@dataclass(frozen=True, slots=True)
class CurieLaw:
    """Where the Curie temperature of a core lies, °C: a normal law, cut off below ``least``."""

    mean: float
    spread: float
    least: float = -np.inf

    def above(self, temperature_c: float) -> float:
        """Return the probability that it lies above a temperature."""
        share = norm.sf([temperature_c, self.least], self.mean, self.spread)
        return float(min(share[0] / share[1], 1.0))


@dataclass(frozen=True, slots=True)
class StillMagnetic(ClassEvidence):
    """The core has a permeability at a temperature, °C."""

    temperature_c: float

    @property
    def name(self) -> str:
        """What it is, for the explanation."""
        return "temperature of the core"

    @property
    def plausible(self) -> bool:
        """Whether any class of material is magnetic there."""
        laws = map(_of_class, MaterialClass)
        return any(law.above(self.temperature_c) > TELLS_NOTHING for law in laws if law)

    def log_likelihood(self, material: Material) -> float:
        """Log-probability that a core of a grade is below its Curie temperature."""
        stated = material.curie_temperature_c
        if stated is None:
            return self.class_log_likelihood(material.material_class)
        return self._log_share(CurieLaw(stated, STATED_SPREAD_K))

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-probability that a core of a class is; of a class of which nothing is known it is."""
        law = _of_class(material_class)
        return self._log_share(law) if law else 0.0

    def _log_share(self, law: CurieLaw) -> float:
        return float(np.log((1 - MISTAKEN) * law.above(self.temperature_c) + MISTAKEN))


def curie_evidence(
    temperature_c: float | None, beside: Sequence[ClassEvidence], materials: Sequence[Material]
) -> tuple[StillMagnetic, ...]:
    """Return what the temperature of the core tells of M materials, nothing where all are magnetic there.

    Parameters
    ----------
    temperature_c : float or None
        At which it was measured.
    beside : sequence of ClassEvidence
        A second temperature counts where the core kept half of its permeability.
    materials : sequence of Material (M)
    """
    if temperature_c is None:
        return ()
    found = StillMagnetic(temperature_c + max([0.0, *map(_warmer, beside)]))
    told = any(found.log_likelihood(material) < np.log1p(-TELLS_NOTHING) for material in materials)
    return (found,) if told else ()


def _warmer(item: ClassEvidence) -> float:
    """By how much the core was warmer a second time, K, and still magnetic."""
    if not isinstance(item, TemperatureFactor) or item.reading.rise < 1 - 1 / KEPT:
        return 0.0
    return item.reading.step


def _of_class(material_class: MaterialClass) -> CurieLaw | None:
    """Law of the Curie temperatures of a class; None where nothing is known."""
    quantity = class_properties(material_class).quantities.get("curie_temperature")
    return None if quantity is None else CurieLaw(quantity.typical, quantity.spread, quantity.low)
