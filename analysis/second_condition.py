"""A core measured under a second condition: warmer, or driven harder.

Both are read from the reluctivity, 1/μ. A gap adds a constant to it, and an error of geometry or turns
scales it, so that the difference of two readings of one winding is that of the material:

    temperature factor      α_F = (1/μ1 − 1/μ2)/(θ2 − θ1)                  (IEC 60401-3, from memory)
    hysteresis constant     η_B = (4/3π) (1/μ1 − 1/μ2)/(B2 − B1)

The second follows from Rayleigh's law (from memory): μ = μi + νH and tan δ_h = (4/3π) νH/μ, with the
definition η_B = tan δ_h/(μ B) (IEC 60401-3, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.warming import rise_per_kelvin
from whichcore.wording import in_percent

#: Share of second readings spoiled: core not warm through, after-effect, another level. Practice.
SPOILED_SHARE = 0.05
#: What a spoiled reading may show of |d ln μ|: any value up to this. Practice.
SPOILED_RISE = 0.5
#: Fastest change of a permeability with temperature, of ln μ per kelvin: high-permeability ferrite and ribbon
#: stay within 1 % below their Curie temperatures, near which anything may be. Practice.
FASTEST_PER_KELVIN = 0.03
#: Nodes, in standard deviations, over the logarithm of a hysteresis constant.
_NODES = np.linspace(-4.0, 4.0, 81)


@dataclass(frozen=True, slots=True)
class SecondReading:
    """Reluctivity of one core under two conditions.

    Attributes
    ----------
    permeability : float
        Effective, under the first condition.
    rise, standard_uncertainty : float
        (1/μ1 − 1/μ2)·μ1: the relative rise of the permeability, read on the reluctivity.
    step : float
        From the first condition to the second: K, or T of peak flux density.
    """

    permeability: float
    rise: float
    standard_uncertainty: float
    step: float

    @property
    def factor(self) -> float:
        """Change of reluctivity per unit of step, 1/K or 1/T."""
        return self.rise / (self.permeability * self.step)

    @property
    def factor_uncertainty(self) -> float:
        """Its standard uncertainty."""
        return self.standard_uncertainty / (self.permeability * abs(self.step))

    @property
    def spoiled_density(self) -> float:
        """Density of the factor of a spoiled reading."""
        return SPOILED_SHARE * self.permeability * abs(self.step) / (2 * SPOILED_RISE)


@dataclass(frozen=True, slots=True)
class TemperatureFactor(ClassEvidence):
    """The core at a second temperature."""

    reading: SecondReading

    @property
    def name(self) -> str:
        """What it is, for the explanation."""
        value, u = 1e6 * self.reading.factor, 1e6 * self.reading.factor_uncertainty
        return f"second temperature (α_F = ({value:.2g} ± {u:.1g})·10⁻⁶/K)"

    @property
    def plausible(self) -> bool:
        """Whether the permeability changed by no more than any class does."""
        return abs(self.reading.rise) < 2 * SPOILED_RISE

    @property
    def notes(self) -> tuple[str, ...]:
        """A change faster than that of any material below its Curie temperature."""
        rise, u = self.reading.rise, self.reading.standard_uncertainty
        if not self.plausible or abs(rise) <= 3 * u:
            return ()
        fast = abs(float(np.log1p(-rise)) / self.reading.step)
        if fast <= FASTEST_PER_KELVIN:
            return ()
        return (
            f"the second temperature changes the permeability by {in_percent(fast)} per kelvin, which no "
            "material does below its Curie temperature: check both temperatures and units, the turns, and "
            "whether both are of one core",
        )

    def log_likelihood(self, material: Material) -> float:
        """Log-density of the temperature factor for a grade of this class and permeability."""
        return self._log_density(material.material_class, material.initial_permeability)

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-density for an unlisted grade, of the permeability measured."""
        return self._log_density(material_class, self.reading.permeability)

    def _log_density(self, material_class: MaterialClass, permeability: float) -> float:
        mean, spread = (part / permeability for part in rise_per_kelvin(material_class, permeability))
        width = np.hypot(spread, self.reading.factor_uncertainty)
        z = (self.reading.factor - mean) / width
        normal = np.exp(-0.5 * z**2) / (width * np.sqrt(2 * np.pi))
        return float(np.log((1 - SPOILED_SHARE) * normal + self.reading.spoiled_density))


@dataclass(frozen=True, slots=True)
class HysteresisConstant(ClassEvidence):
    """The core at a second level."""

    reading: SecondReading

    @property
    def value(self) -> float:
        """η_B, 1/T."""
        return 4 / (3 * np.pi) * self.reading.factor

    @property
    def standard_uncertainty(self) -> float:
        """Of η_B, 1/T."""
        return 4 / (3 * np.pi) * self.reading.factor_uncertainty

    @property
    def name(self) -> str:
        """What it is, for the explanation."""
        value, u = 1e3 * self.value, 1e3 * self.standard_uncertainty
        return f"second level (η_B = ({value:.2g} ± {u:.1g})·10⁻⁶/mT)"

    @property
    def plausible(self) -> bool:
        """A permeability that falls with the level, beyond its uncertainty, is no Rayleigh region."""
        return self.value > -4 * self.standard_uncertainty

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-density for a log-normal law of the class, with the uncertainty of the reading, per 1/T."""
        law = class_properties(material_class).quantities["hysteresis_constant"]
        true = law.typical * 10 ** (law.spread * _NODES)
        weight = np.exp(-0.5 * _NODES**2)
        # a reading finer than the nodes lie apart is as good as one that just spans them
        width = np.maximum(
            self.standard_uncertainty, true * law.spread * np.log(10) * (_NODES[1] - _NODES[0])
        )
        normal = np.exp(-0.5 * ((self.value - true) / width) ** 2) / (width * np.sqrt(2 * np.pi))
        density = float(weight @ normal / weight.sum())
        spoiled = self.reading.spoiled_density * 3 * np.pi / 4
        return float(np.log((1 - SPOILED_SHARE) * density + spoiled))
