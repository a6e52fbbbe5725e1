"""The data are tried before they are judged: a failed test lowers what is claimed, and says why."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.specimen import Specimen
from whichcore.analysis.trial.at_the_bench import drift, level, range_step
from whichcore.analysis.trial.data import TriedData
from whichcore.analysis.trial.finding import Fault, Finding, Strength, Unit
from whichcore.analysis.trial.loss import causal_fit, causality, copper_residue, negative_loss
from whichcore.analysis.trial.of_the_core import leakage_flux, section_resonance, self_resonance
from whichcore.analysis.trial.refusal import require_core
from whichcore.analysis.trial.set_up import (
    below_air,
    narrow_band,
    scale,
    scale_of_reading,
    swapped_columns,
)
from whichcore.analysis.types import ImpedanceSweep, PermeabilitySpectrum

__all__ = ["Fault", "Finding", "Strength", "Trial", "Unit", "scale_of_reading", "try_data"]


@dataclass(frozen=True, slots=True)
class Trial:
    """What all tests found.

    Attributes
    ----------
    findings : tuple of Finding
        One for each fault, in the order of ``Fault``.
    spectrum : PermeabilitySpectrum
        The one tried, with what the failed tests take away among its sources.
    """

    findings: tuple[Finding, ...]
    spectrum: PermeabilitySpectrum

    @property
    def failed(self) -> tuple[Finding, ...]:
        """The faults that were found."""
        return tuple(finding for finding in self.findings if finding.failed)


def try_data(
    sweep: ImpedanceSweep, specimen: Specimen, spectrum: PermeabilitySpectrum, *, refuse: bool = False
) -> Trial:
    """Try a sweep before it is judged.

    Parameters
    ----------
    sweep : ImpedanceSweep
    specimen : Specimen
        A closed core.
    spectrum : PermeabilitySpectrum
        What :func:`~whichcore.analysis.permeability.permeability` makes of both.
    refuse : bool
        Whether data that no passive inductor can have given are refused.

    Returns
    -------
    Trial

    Raises
    ------
    AnalysisError
        Data were to be refused, and are: see `require_core`.
    """
    if not np.all(spectrum.permeability):
        return Trial((), spectrum)  # a core of no permeability is refused where it is compared
    data = TriedData.of(sweep, specimen, spectrum)
    if refuse:
        require_core(data)
    fit = causal_fit(data)
    findings = (
        narrow_band(data),
        below_air(data),
        swapped_columns(data),
        scale(data),
        negative_loss(data),
        copper_residue(data),
        causality(data, fit),
        self_resonance(data),
        section_resonance(data, fit),
        leakage_flux(data),
        level(data),
        drift(data),
        range_step(data),
    )
    taken = tuple(source for finding in findings for source in finding.sources)
    return Trial(findings, replace(spectrum, sources=(*spectrum.sources, *taken)) if taken else spectrum)
