"""What a test of the data found, and how an error that it found enters the covariance."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from whichcore.analysis.types import ErrorSource


class Fault(StrEnum):
    """What a test looks for."""

    NARROW_BAND = "narrow band"
    BELOW_AIR = "permeability below that of air"
    SWAPPED = "swapped columns"
    SCALE = "scale"
    NEGATIVE_LOSS = "negative loss"
    COPPER = "copper residue"
    CAUSALITY = "causality"
    SELF_RESONANCE = "self-resonance"
    SECTION = "section resonance"
    LEAKAGE = "leakage flux"
    LEVEL = "level"
    DRIFT = "drift"
    RANGE_STEP = "range step"


#: What leaves nothing of the data that may speak for a material, where the fault takes anything away.
VOIDING = frozenset({Fault.BELOW_AIR, Fault.SWAPPED, Fault.SCALE})


class Unit(StrEnum):
    """What a strength is counted in."""

    STANDARD_UNCERTAINTIES = "standard uncertainties"
    RATIO = "ratio"


@dataclass(frozen=True, slots=True)
class Strength:
    """How strongly a fault shows, beside the limit it is held against."""

    value: float
    limit: float
    unit: Unit


@dataclass(frozen=True, slots=True)
class Finding:
    """Outcome of one test.

    Attributes
    ----------
    fault : Fault
    passed : bool or None
        None where these data cannot be tested for it; ``sentence`` says why.
    sentence : str
        What was seen, what it means, what to do.
    strength : Strength or None
    band_hz : (float, float) or None
        Where it shows.
    sources : tuple of ErrorSource
        What the fault takes away: errors of the permeability, to be counted with the others.
    question : bool
        The sentence asks what only the user can know; it is a warning though no fault was found.
    copper : bool
        Too much taken off for the resistance of the winding explains it best.
    size : float or None
        Most of |μ| that the fault moves, relative, where one number says it.
    """

    fault: Fault
    passed: bool | None
    sentence: str
    strength: Strength | None = None
    band_hz: tuple[float, float] | None = None
    sources: tuple[ErrorSource, ...] = ()
    question: bool = False
    copper: bool = False
    size: float | None = None

    @property
    def failed(self) -> bool:
        """True where the fault was found."""
        return self.passed is False

    @property
    def told(self) -> bool:
        """True where the sentence belongs among the warnings."""
        return self.failed or self.question

    @property
    def voids(self) -> bool:
        """True where the data say nothing of the material: columns, units or signs are wrong."""
        return self.failed and self.fault in VOIDING and bool(self.sources)

    def to_dict(self) -> dict[str, object]:
        """Return it as the verdict's JSON has it."""
        return {"test": self.fault.value, "passed": self.passed, "sentence": self.sentence}
