"""The answer: what the core is, how sure, and what to measure next."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from whichcore.analysis.trial.finding import Finding
from whichcore.analysis.types import ComplexArray, FloatArray, PermeabilitySpectrum

if TYPE_CHECKING:
    import pandas as pd
    import xarray

FORMAT = "whichcore-verdict/1"


class VerdictKind(StrEnum):
    """How far the answer goes."""

    MATERIAL = "material"
    GROUP = "group"
    CLASS = "class"
    UNLISTED = "unlisted"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Candidate:
    """One library material with its probability and its best explanation of the data.

    Attributes
    ----------
    material : str
        Id of the material.
    material_class : str
    probability : float
    scale : float or None
        Most likely ratio of the core's permeability to the reference's; None when the curve says nothing.
    corner_shift : float or None
        Most likely ratio of the core's corner frequency to the reference's.
    gap_ratio : float
        Most likely gap over magnetic path length (0: none).
    turns : int
        Turn count under which the candidate explains the data best.
    fitted : complex array (F,) or None
        Permeability predicted at the sweep's frequencies, NaN outside the curve's span.
    points_used, points_total : int
        How many of the data the curve could speak on.
    """

    material: str
    material_class: str
    probability: float
    scale: float | None = None
    corner_shift: float | None = None
    gap_ratio: float = 0.0
    turns: int = 0
    fitted: ComplexArray | None = None
    points_used: int = 0
    points_total: int = 0


@dataclass(frozen=True, slots=True)
class InitialPermeability:
    """Measured μ′ at the lowest unflagged frequency, or of the reading; never the library's value."""

    value: float
    standard_uncertainty: float
    frequency_hz: float
    flux_density_t: float | None
    temperature_c: float | None

    @property
    def determined(self) -> bool:
        """False where the standard uncertainty is as large as the value: it says nothing then."""
        return not self.standard_uncertainty >= abs(self.value)


@dataclass(frozen=True, slots=True)
class PermeabilityRange:
    """Central range of this core's own initial permeability; ``probability`` is how sure it holds it."""

    low: float
    high: float
    probability: float


@dataclass(frozen=True, slots=True)
class SharedUse:
    """A use that most of the probability has in common, and how much."""

    name: str
    probability: float


@dataclass(frozen=True, slots=True)
class EvidenceShift:
    """What one piece of evidence did: probability before and after it, by class and of some materials.

    Attributes
    ----------
    name : str
    before, after : dict of str to float
        By class, none of these included.
    materials_before, materials_after : dict of str to float
        Of the materials it moved most, by id, the largest move first.
    """

    name: str
    before: dict[str, float]
    after: dict[str, float]
    materials_before: dict[str, float] = field(default_factory=dict)
    materials_after: dict[str, float] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return it as the JSON contract has it."""
        return {
            "name": self.name,
            "classes": {"before": self.before, "after": self.after},
            "materials": {"before": self.materials_before, "after": self.materials_after},
        }


@dataclass(frozen=True, slots=True)
class NextStep:
    """One thing still to do, and what it may bring.

    Attributes
    ----------
    action : str
        Name of the action, as in next_steps.csv.
    sentence : str
    gain_bits : float
        Expected information on the material, none of these included.
    minutes : float
        What it costs, by practice.
    """

    action: str
    sentence: str
    gain_bits: float
    minutes: float


@dataclass(frozen=True, slots=True)
class DecidedBy:
    """Which part of the curve speaks for the first candidate against the second, or against any of them.

    Attributes
    ----------
    first : str
        Id of the most probable material.
    second : str or None
        Id of the next one; None where the verdict is none of these.
    frequency_hz : float array (P,)
        Of the points compared.
    log_odds : float array (P, 2)
        What each point adds by μ′ and by μ″ to the natural log of the odds of first over second; where there
        is no second, of none of these over the first; each candidate linearised around its best explanation.
    judged : float
        Natural log of the same odds of the whole curve as the judge has them, all parameters integrated.
    band_hz : (float, float) or None
        Narrowest band that holds the deciding share; None where the curve decides nothing, where the level
        alone does, or where the points do not show what was judged.
    part : str
        ``μ′``, ``μ″``, or both.
    misfit : (float, float)
        First and second over measured, less one, of that part where the two part most within that band.
    sentence : str
    """

    first: str
    second: str | None
    frequency_hz: FloatArray
    log_odds: FloatArray
    judged: float
    band_hz: tuple[float, float] | None
    part: str
    misfit: tuple[float, float]
    sentence: str

    @property
    def total(self) -> float:
        """Sum of ``log_odds``; about ``judged``, unless a candidate fits by strained parameters only."""
        return float(self.log_odds.sum())

    def to_dict(self) -> dict[str, Any]:
        """Return what the JSON says of it."""
        return {
            "first": self.first,
            "second": self.second,
            "log_odds": self.judged,
            "band_hz": None if self.band_hz is None else list(self.band_hz),
            "part": self.part,
            "sentence": self.sentence,
        }


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer for one specimen.

    Attributes
    ----------
    kind : VerdictKind
    materials : tuple of str
        Ids the answer names (empty for unlisted and undecided).
    material_class : str or None
        None when undecided, and for a group or an unlisted material whose class is not sure.
    probability : float
        Probability of the statement made.
    candidates : tuple of Candidate
        Every library material, most probable first.
    unlisted_probability : float
        Probability that it is none of the library.
    initial_permeability : InitialPermeability
    unlisted_classes : dict of str to float
        The same by class; their sum is ``unlisted_probability``.
    warnings : tuple of str
    next_measurement : str
        One sentence.
    spectrum : PermeabilitySpectrum or None
        The measured spectrum, when there was a sweep.
    gapped_probability : float
        Probability, over all candidates, that the magnetic path is cracked or gapped.
    other_turns_probability : float
        Probability that the winding has a turn more or less than stated.
    permeability_range : PermeabilityRange or None
        Of this core at its temperature, gap and turns taken off, over all that is still possible; None where
        the data do not determine it, its ends more than a hundredfold apart.
    use : SharedUse or None
        What cores like it are used for, where that is sure.
    evidence : tuple of EvidenceShift
    next_steps : tuple of NextStep
        What may still be done, the best first; its sentence is ``next_measurement``.
    decided_by : DecidedBy or None
        None without a sweep, and where a failed test leaves nothing of the data.
    trial : tuple of Finding
        What the tests of the sweep found before it was judged.
    void : bool
        The data failed a test after which they say nothing of the material: the probabilities are those of
        what is known beside them.
    stated_turns : int
        Turn count that ``spectrum`` and the fitted curves are reduced with; 0 when not known.
    """

    kind: VerdictKind
    materials: tuple[str, ...]
    material_class: str | None
    probability: float
    candidates: tuple[Candidate, ...]
    unlisted_probability: float
    initial_permeability: InitialPermeability
    unlisted_classes: dict[str, float] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    next_measurement: str = ""
    spectrum: PermeabilitySpectrum | None = None
    gapped_probability: float = 0.0
    other_turns_probability: float = 0.0
    permeability_range: PermeabilityRange | None = None
    use: SharedUse | None = None
    evidence: tuple[EvidenceShift, ...] = ()
    next_steps: tuple[NextStep, ...] = ()
    decided_by: DecidedBy | None = None
    trial: tuple[Finding, ...] = ()
    void: bool = False
    stated_turns: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Return the verdict as the JSON contract has it; finite numbers only."""
        return {
            "format": FORMAT,
            "verdict": {
                "kind": self.kind.value,
                "materials": list(self.materials),
                "class": self.material_class,
                "probability": self.probability,
            },
            "candidates": [
                {"material": candidate.material, "probability": candidate.probability}
                for candidate in self.candidates
            ],
            "unlisted_probability": self.unlisted_probability,
            "unlisted_classes": self.unlisted_classes,
            "initial_permeability": {
                "value": self.initial_permeability.value,
                "standard_uncertainty": self.initial_permeability.standard_uncertainty,
                "frequency_hz": self.initial_permeability.frequency_hz,
                "flux_density_t": self.initial_permeability.flux_density_t,
                "temperature_c": self.initial_permeability.temperature_c,
            },
            "gapped_probability": self.gapped_probability,
            "other_turns_probability": self.other_turns_probability,
            "permeability_range": asdict(self.permeability_range) if self.permeability_range else None,
            "use": asdict(self.use) if self.use else None,
            "evidence": [shift.to_dict() for shift in self.evidence],
            "trial": [finding.to_dict() for finding in self.trial],
            "void": self.void,
            "warnings": list(self.warnings),
            "next_measurement": self.next_measurement,
            "next_steps": [
                {
                    "action": step.action,
                    "sentence": step.sentence,
                    "gain_bits": step.gain_bits,
                    "minutes": step.minutes,
                }
                for step in self.next_steps
            ],
            "decided_by": None if self.decided_by is None else self.decided_by.to_dict(),
        }

    def _repr_html_(self) -> str:
        """Return a small table, as notebooks show it."""
        from whichcore.analysis.display import verdict_html  # noqa: PLC0415 - it imports this module

        return verdict_html(self)

    def to_pandas(self) -> pd.DataFrame:
        """Return it as a table of pandas; see :mod:`whichcore.analysis.frames`.

        Raises
        ------
        InputError
            pandas is not installed.
        """
        from whichcore.analysis.frames import verdict_to_pandas  # noqa: PLC0415 - it imports this module

        return verdict_to_pandas(self)

    def to_xarray(self) -> xarray.Dataset:
        """Return it as a data set of xarray; see :mod:`whichcore.analysis.frames`.

        Raises
        ------
        InputError
            xarray is not installed.
        """
        from whichcore.analysis.frames import verdict_to_xarray  # noqa: PLC0415 - it imports this module

        return verdict_to_xarray(self)
