"""A core that still holds flux is below the Curie temperature of its material."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.materials import Material, MaterialClass

#: Standard deviation of the Curie temperature of a core about that stated for its grade, K. Practice.
STATED_SPREAD_K = 10.0
#: Share of temperatures that were mistaken, or of another part than the core. Practice.
MISTAKEN = 1e-3
#: A temperature that no reference is above with more than this probability tells nothing.
TELLS_NOTHING = 0.01


@dataclass(frozen=True, slots=True)
class StillMagnetic:
    """The core has a permeability at a temperature, °C."""

    temperature_c: float

    @property
    def name(self) -> str:
        """What it is, for the explanation."""
        return "temperature of the core"

    @property
    def plausible(self) -> bool:
        """Whether any class of material is magnetic there."""
        return any(self._below(*law) > TELLS_NOTHING for law in map(_of_class, MaterialClass) if law)

    @property
    def notes(self) -> tuple[str, ...]:
        """Nothing beyond the verdict."""
        return ()

    def log_likelihood(self, material: Material) -> float:
        """Log-probability that a core of a grade is below its Curie temperature."""
        stated = material.curie_temperature_c
        law = (stated, STATED_SPREAD_K) if stated is not None else _of_class(material.material_class)
        return self._log_share(law)

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-probability that a core of a class is."""
        return self._log_share(_of_class(material_class))

    def _log_share(self, law: tuple[float, float] | None) -> float:
        below = 1.0 if law is None else self._below(*law)
        return float(np.log((1 - MISTAKEN) * below + MISTAKEN))

    def _below(self, curie_c: float, spread_k: float) -> float:
        return float(norm.sf(self.temperature_c, curie_c, spread_k))


def curie_evidence(temperature_c: float | None, materials: Sequence[Material]) -> tuple[StillMagnetic, ...]:
    """Return what the temperature of the core tells of M materials, nothing where all are magnetic there."""
    if temperature_c is None:
        return ()
    found = StillMagnetic(temperature_c)
    told = any(found.log_likelihood(material) < np.log1p(-TELLS_NOTHING) for material in materials)
    return (found,) if told else ()


def _of_class(material_class: MaterialClass) -> tuple[float, float] | None:
    """Mean and standard deviation of the Curie temperatures of a class, °C; None where nothing is known."""
    quantity = class_properties(material_class).quantities.get("curie_temperature")
    return None if quantity is None else (quantity.typical, quantity.spread)
