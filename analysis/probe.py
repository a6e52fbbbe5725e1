"""Resistances read with two tips: across the surface of the core, and from the winding to the core."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.class_properties import ClassProperties, class_properties
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.types import Resistance

#: A spoiled probe reading (coat, dirt, bad contact) may be anything in this span of log10(R/Ω). Practice.
SPOILED_SPAN = (2.0, 9.0)
#: Share of probings of a core with a coat on which the tips did not get through it. Practice.
COAT_HIDES = 0.5
#: Share of readings spoiled by the copper where the winding leaks to the core as easily. Practice.
COPPER_SPOILS = 0.4
#: A leakage up to this many times the surface reading may have carried part of it. Practice.
LEAKAGE_RATIO = 10.0
#: Share of windings whose enamel is nicked somewhere on the core. Practice.
NICKED_SHARE = 0.05
#: Spread a single, accidental contact adds to log10 of a reading. Practice.
CONTACT_SPREAD = 0.7
#: Share of leakages that go through dirt or flux residue and say nothing of the core. Practice.
DIRT_SHARE = 0.005


@dataclass(frozen=True, slots=True)
class SurfaceResistance(ClassEvidence):
    """Resistance between two probe tips a few millimetres apart on the surface.

    Attributes
    ----------
    reading : Resistance
    coated : bool
        The core has a coat: over range may then be the coat's.
    leakage : Resistance or None
        From the winding to the core, where it was read.
    """

    reading: Resistance
    coated: bool = False
    leakage: Resistance | None = None

    @property
    def name(self) -> str:
        """What it is, for the explanation."""
        return "surface resistance"

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-likelihood for the class; density per decade of resistance."""
        return float(np.log(self._of_class(class_properties(material_class))))

    @property
    def notes(self) -> tuple[str, ...]:
        """What weakens the reading, in words."""
        found = []
        if self.coated and self.reading.over_range:
            found.append(
                "the core has a coat: a surface resistance over range says little; scrape a spot bare"
            )
        if self._through_copper:
            found.append(
                "the winding leaks to the core as easily as the two tips read: part of the surface "
                "resistance may be the copper's; probe a bare spot away from the winding"
            )
        return tuple(found)

    @property
    def _through_copper(self) -> bool:
        leak = self.leakage
        return (
            leak is not None
            and not leak.over_range
            and not self.reading.over_range
            and leak.value_ohm <= LEAKAGE_RATIO * self.reading.value_ohm
        )

    def _of_class(self, p: ClassProperties) -> float:
        hidden = COAT_HIDES if self.coated else 0.0
        spoiled = COPPER_SPOILS if self._through_copper else 0.0
        if self.reading.over_range:
            return hidden + (1 - hidden) * self._over_range(p)
        low, high = SPOILED_SPAN
        decade = np.log10(self.reading.value_ohm)
        anything = 1 / (high - low) if low <= decade <= high else 0.0
        bare = (1 - spoiled) * self._plain(p) + (spoiled + p.probe_spoiled_share) * anything
        # a thin tail keeps a reading outside every model from excluding what the curve supports
        return float((1 - hidden) * bare + 1e-4)

    def _plain(self, p: ClassProperties) -> float:
        z = (np.log10(self.reading.value_ohm) - p.probe_log10_ohm) / p.probe_log10_sd
        plain = 1 - p.probe_over_range_share - p.probe_spoiled_share
        return float(plain * np.exp(-0.5 * z**2) / (p.probe_log10_sd * np.sqrt(2 * np.pi)))

    def _over_range(self, p: ClassProperties) -> float:
        low, high = SPOILED_SPAN
        decade = np.log10(self.reading.value_ohm)
        z = (decade - p.probe_log10_ohm) / p.probe_log10_sd
        plain = 1 - p.probe_over_range_share - p.probe_spoiled_share
        spoiled = np.clip((high - decade) / (high - low), 0, 1)
        return float(p.probe_over_range_share + plain * ndtr(-z) + p.probe_spoiled_share * spoiled)


@dataclass(frozen=True, slots=True)
class WindingLeakage(ClassEvidence):
    """Resistance from the copper of the winding to the core.

    Over range is what whole enamel shows on any core. A reading tells a nicked wire, and then a core that
    conducts at least that well.
    """

    reading: Resistance

    @property
    def name(self) -> str:
        """What it is, for the explanation."""
        return "leakage from winding to core"

    @property
    def notes(self) -> tuple[str, ...]:
        """A nicked wire may also short turns."""
        if self.reading.over_range:
            return ()
        return ("the winding leaks to the core: a nicked wire may short turns; use whole enamel",)

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-likelihood for the class; density per decade of resistance."""
        p = class_properties(material_class)
        width = float(np.hypot(p.probe_log10_sd, CONTACT_SPREAD))
        z = (np.log10(self.reading.value_ohm) - p.probe_log10_ohm) / width
        conducting = 1 - p.probe_over_range_share
        if self.reading.over_range:
            return float(np.log(1 - NICKED_SHARE * conducting * ndtr(z) - DIRT_SHARE))
        normal = np.exp(-0.5 * z**2) / (width * np.sqrt(2 * np.pi))
        low, high = SPOILED_SPAN
        return float(np.log(NICKED_SHARE * conducting * normal + DIRT_SHARE / (high - low)))
