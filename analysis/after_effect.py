"""After-effect: how the permeability falls at rest after warming, handling or demagnetising.

D_F = (μ1 − μ2)/[μ1² log10(t2/t1)] (disaccommodation factor, IEC 60401-3, from memory): in a decade of time a
core loses the share D_F·μ of its permeability.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.second_condition import SPOILED_RISE, SPOILED_SHARE


@cache
def _table() -> dict[MaterialClass, tuple[float, float]]:
    text = (resources.files("whichcore.analysis") / "after_effect.csv").read_text("utf-8")
    return {
        MaterialClass(row["class"]): (1e-6 * float(row["factor_1e6"]), 1e-6 * float(row["spread_1e6"]))
        for row in csv.DictReader(text.splitlines())
    }


def disaccommodation_factor(material_class: MaterialClass) -> tuple[float, float]:
    """Return mean and standard deviation of D_F over the grades of a class."""
    return _table()[material_class]


@dataclass(frozen=True, slots=True)
class AfterEffect:
    """Fall of the permeability in one decade of time at rest.

    Attributes
    ----------
    permeability : float
    fall, standard_uncertainty : float
        Share of the permeability lost.
    """

    permeability: float
    fall: float
    standard_uncertainty: float

    def log_likelihood(self, material: Material) -> float:
        """Log-density of the fall for a grade of this class and permeability."""
        return self._log_density(material.material_class, material.initial_permeability)

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-density for an unlisted grade, of the permeability measured."""
        return self._log_density(material_class, self.permeability)

    def _log_density(self, material_class: MaterialClass, permeability: float) -> float:
        mean, spread = (permeability * part for part in disaccommodation_factor(material_class))
        width = np.hypot(spread, self.standard_uncertainty)
        normal = np.exp(-0.5 * ((self.fall - mean) / width) ** 2) / (width * np.sqrt(2 * np.pi))
        return float(np.log((1 - SPOILED_SHARE) * normal + SPOILED_SHARE / (2 * SPOILED_RISE)))
