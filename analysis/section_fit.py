"""Section of the specimen against section of the reference: correction where both are known, doubt elsewhere.

Only manganese-zinc ferrite has both the conductivity and the permittivity that make a core of some
millimetres feel its own section below a few MHz; in powder and ribbon the eddy currents run in the particle
and the ribbon and stand in the curve already.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.observation import Observation, RowKind
from whichcore.analysis.section import mnzn_dielectric, section_effect
from whichcore.analysis.types import ComplexArray, FloatArray

#: Relative doubt of a correction computed from the dielectric table of one grade (others differ by factors).
CORRECTION_DOUBT = 0.5
#: Share of the specimen's own effect that a reference of unknown section may miss, one standard deviation.
UNKNOWN_SECTION_DOUBT = 0.7
#: Effect from which on what a section makes of a curve tells grades apart as well as anything else. Practice.
FULL_EFFECT = 0.15
#: An effect below this, in ln μ over the whole band, is not worth a word.
NOTEWORTHY_EFFECT = 0.02
_TABLE_BAND_HZ = (1e3, 1e6)

Sides = tuple[float, float]


def by_section(materials: Sequence[Material]) -> list[list[int]]:
    """Return the positions of materials whose section acts alike, group by group."""
    groups: dict[object, list[int]] = {}
    for k, material in enumerate(materials):
        groups.setdefault((feels_section(material), material.section_m), []).append(k)
    return list(groups.values())


def feels_section(material: Material) -> bool:
    """Tell whether the class has a dimensional effect at all."""
    return material.material_class is MaterialClass.MNZN


def log_factor(frequency_hz: FloatArray, permeability: ComplexArray, sides_m: Sides) -> ComplexArray:
    """Return ln F of a manganese-zinc section, complex array (F,).

    Beyond the band of the dielectric table (1 kHz to 1 MHz) its end values are kept; the doubt of the
    correction stands for that too.
    """
    epsilon, sigma = mnzn_dielectric(np.clip(frequency_hz, *_TABLE_BAND_HZ))
    return np.asarray(np.log(section_effect(frequency_hz, permeability, sides_m, sigma, epsilon)))


def corrected_permeability(material: Material, sides_m: Sides | None) -> ComplexArray:
    """Return the reference's permeability as the specimen's section would show it.

    A material without section, or of a class without the effect, is used as it stands.

    Parameters
    ----------
    material : Material
    sides_m : (float, float) or None
        Section of the specimen.

    Returns
    -------
    complex array (F,)
    """
    if sides_m is None or material.section_m is None or not feels_section(material):
        return material.permeability
    own = log_factor(material.frequency_hz, material.permeability, sides_m)
    reference = log_factor(material.frequency_hz, material.permeability, material.section_m)
    return np.asarray(material.permeability * np.exp(own - reference))


def section_columns(observation: Observation, sides_m: Sides | None, known: bool) -> FloatArray:
    """Doubt about the section effect as a common column (P, 2, 1) of λ.

    Parameters
    ----------
    observation : Observation
    sides_m : (float, float) or None
        Section of the specimen.
    known : bool
        Whether the references state theirs.
    """
    out = np.zeros((observation.frequency_hz.size, 2, 1))
    spectrum = observation.kind == RowKind.SPECTRUM
    if sides_m is None or not spectrum.any():
        return out
    effect = _observed_effect(observation, sides_m)
    weight = CORRECTION_DOUBT if known else UNKNOWN_SECTION_DOUBT
    out[spectrum, 0, 0] = -weight * effect.real
    out[spectrum, 1, 0] = -weight * effect.imag
    return out


def largest_effect(observation: Observation, sides_m: Sides | None) -> float:
    """Return the largest |ln F| of the specimen's section over the band, were it manganese-zinc."""
    if sides_m is None or not (observation.kind == RowKind.SPECTRUM).any():
        return 0.0
    return float(np.abs(_observed_effect(observation, sides_m)).max())


def section_kin_share(observation: Observation) -> float:
    """Return the part of near kin that are section kin, 0 to 1, by what the section does in the band.

    Where it does little, grades that differ in what it does differ by little.
    """
    return min(1.0, largest_effect(observation, observation.section_m) / FULL_EFFECT)


def _observed_effect(observation: Observation, sides_m: Sides) -> ComplexArray:
    spectrum = observation.kind == RowKind.SPECTRUM
    measured = np.exp(-observation.log_reluctivity[spectrum])
    effect = log_factor(observation.frequency_hz[spectrum], measured, sides_m)
    # where the section rings or shields, its first-order size means nothing: the doubt is then a factor e
    return np.asarray(effect / np.maximum(np.abs(effect), 1.0))
