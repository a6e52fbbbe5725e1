"""What one reading of a meter says of the permeability."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whichcore.analysis.open_circuit import ROD_WARNING, rod_permeability
from whichcore.analysis.permeability import permeability
from whichcore.analysis.specimen import Rod, Specimen
from whichcore.analysis.types import ImpedanceSweep, PermeabilitySpectrum, Reading, ReadingKind
from whichcore.errors import AnalysisError
from whichcore.wording import hertz

READING_UNCERTAINTY = 0.02
"""Relative standard uncertainty of a reading that states none; practice, no source."""


@dataclass(frozen=True, slots=True)
class ReadingPermeability:
    """What one reading says of the permeability.

    Attributes
    ----------
    kind : ReadingKind
        INDUCTANCE: ``permeability`` is μ′. IMPEDANCE_MAGNITUDE: it is |μ|.
    frequency_hz : float
    permeability : float
    own_uncertainty : float
        Standard uncertainty from the reading itself.
    common : tuple of (str, float)
        Sources of winding and shape, which other data of the specimen share: id, and change of
        ``permeability`` for one standard uncertainty.
    notes : tuple of str
        What was assumed.
    """

    kind: ReadingKind
    frequency_hz: float
    permeability: float
    own_uncertainty: float
    common: tuple[tuple[str, float], ...] = ()
    notes: tuple[str, ...] = ()
    flux_density_t: float | None = None

    @property
    def standard_uncertainty(self) -> float:
        """Everything together."""
        return float(np.hypot(self.own_uncertainty, np.hypot.reduce([change for _, change in self.common])))


def _stated_uncertainty(reading: Reading) -> tuple[float, tuple[str, ...]]:
    """Return the standard uncertainty of a reading in its unit, and a note where it was assumed."""
    if reading.standard_uncertainty is not None:
        return reading.standard_uncertainty, ()
    note = (
        f"the {reading.kind.value} reading at {hertz(reading.frequency_hz)} states no uncertainty: "
        f"{100 * READING_UNCERTAINTY:g} % was taken"
    )
    return READING_UNCERTAINTY * abs(reading.value), (note,)


def _at_phase(reading: Reading, specimen: Specimen, phase: float) -> PermeabilitySpectrum:
    """Return the spectrum of one point with the reading as |Z| of a given phase.

    The scatter is that of the size of Z alone.
    """
    uncertainty, _ = _stated_uncertainty(reading)
    omega = 2 * np.pi * reading.frequency_hz
    scale = omega if reading.kind is ReadingKind.INDUCTANCE else 1.0
    along = np.array([np.cos(phase), np.sin(phase)])
    return permeability(
        ImpedanceSweep(
            frequency_hz=np.array([reading.frequency_hz], dtype=float),
            impedance_ohm=np.array([scale * reading.value * np.exp(1j * phase)]),
            scatter=(scale * uncertainty) ** 2 * np.outer(along, along)[np.newaxis],
        ),
        specimen,
    )


def _phase_spread(reading: Reading, specimen: Specimen) -> float:
    """Return the standard uncertainty of |μ| from not knowing the phase of Z: 0° to 90°, rectangular."""
    sizes = [
        abs(_at_phase(reading, specimen, phase).permeability[0]) for phase in (0.0, np.pi / 4, np.pi / 2)
    ]
    return float((max(sizes) - min(sizes)) / np.sqrt(12))


def permeability_of_reading(reading: Reading, specimen: Specimen) -> ReadingPermeability:
    """Return what one meter reading says of the effective permeability.

    Parameters
    ----------
    reading : Reading
        Series inductance in H, or |Z| in Ω.
    specimen : Specimen

    Returns
    -------
    ReadingPermeability
        An inductance gives μ′; the loss, which the meter does not tell, is taken as zero where the winding
        capacitance is removed. |Z| gives |μ|, taken at a phase of 45°; the spread from 0° to 90°, which
        matters only where copper or capacitance do, is part of its own uncertainty. A reading without a
        stated uncertainty gets 2 % and a note. A rod is judged by its inductance against the empty coil.

    Raises
    ------
    AnalysisError
        The reading is not positive, or a rod shows too little of its material for a value.
    """
    if not (0 < reading.value < np.inf and 0 < reading.frequency_hz < np.inf):
        raise AnalysisError(
            "a reading must be positive and finite",
            where=f"{reading.kind.value} reading",
            got=f"{reading.value:g} at {hertz(reading.frequency_hz)}",
            allowed="> 0",
        )
    if isinstance(specimen.core, Rod):
        return _rod_reading(reading, specimen.core)
    uncertainty_notes = _stated_uncertainty(reading)[1]
    magnitude = reading.kind is ReadingKind.IMPEDANCE_MAGNITUDE
    spectrum = _at_phase(reading, specimen, np.pi / 4 if magnitude else np.pi / 2)
    mu = spectrum.permeability[0]
    direction = mu / abs(mu) if magnitude else 1.0 + 0j
    axis = np.array([direction.real, direction.imag])
    own = float(np.sqrt(axis @ spectrum.scatter[0] @ axis))
    notes: tuple[str, ...] = ()
    if magnitude:
        own = float(np.hypot(own, _phase_spread(reading, specimen)))
        notes = (f"|Z| at {hertz(reading.frequency_hz)} says |μ|, not μ′: the phase is unknown",)
    return ReadingPermeability(
        kind=reading.kind,
        frequency_hz=reading.frequency_hz,
        permeability=float((mu * direction.conjugate()).real),
        own_uncertainty=own,
        common=tuple(
            (source.id, float((source.sensitivity[0] * direction.conjugate()).real))
            for source in spectrum.sources
        ),
        notes=uncertainty_notes + notes,
        flux_density_t=reading.flux_density_t,
    )


def _rod_reading(reading: Reading, rod: Rod) -> ReadingPermeability:
    uncertainty, notes = _stated_uncertainty(reading)
    scale = 1.0 if reading.kind is ReadingKind.INDUCTANCE else 1 / (2 * np.pi * reading.frequency_hz)
    found = rod_permeability(rod, scale * reading.value, uncertainty / reading.value)
    if found.permeability is None or found.standard_uncertainty is None:
        raise AnalysisError(
            "the rod hides its material: the reading only bounds the permeability from below",
            where=f"{reading.kind.value} reading",
            got=f"apparent permeability {found.apparent:.4g}",
            allowed=f"μ above {found.lower_bound:.4g}",
            next_step="compare with a known rod in the same coil",
        )
    return ReadingPermeability(
        kind=reading.kind,
        frequency_hz=reading.frequency_hz,
        permeability=found.permeability,
        own_uncertainty=found.standard_uncertainty,
        notes=(*notes, ROD_WARNING),
    )
