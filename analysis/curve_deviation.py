"""How far cores deviate from the curve of their grade, as common columns of a candidate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whichcore.analysis.candidate_cube import Explanation
from whichcore.analysis.dispersion_parts import has_parts, part_columns
from whichcore.analysis.materials import Material
from whichcore.analysis.observation import CORE_DEVIATION, Observation, behind_gap, deviation_columns
from whichcore.analysis.section_fit import feels_section
from whichcore.analysis.section_prior import section_key, section_prior_of
from whichcore.analysis.types import FloatArray

#: Correlation length, in ln f, of the smooth deviation of a core from its reference curve. Practice.
CURVE_DEVIATION_LENGTH = 1.2
#: A curve that may deviate by more than this is called loose. Practice.
LOOSE_DEVIATION = 0.05
#: Amplitude of deviation over the stated one, its share, and whether the early and the late part of the
#: dispersion move apart too: cores of one grade differ in how far they deviate. Practice.
AMPLITUDES = ((0.8, 0.6, False), (1.0, 0.2, True), (2.0, 0.2, True))
#: A loose curve fits half of the cores better than it promises, by this factor. Practice.
LOOSE_AMPLITUDES = ((0.4, 0.5), (1.0, 0.5))


@dataclass(frozen=True, slots=True)
class Amplitude:
    """How far cores deviate from a curve: in its dispersion, below it, and the share of such cores.

    ``parts`` tells whether the early and the late part of a dispersion may move apart in them.
    """

    deviation: float
    flat: float
    share: float = 1.0
    parts: bool = True


def is_loose(material: Material) -> bool:
    """Tell whether a curve stands for many grades: cores may deviate far from it."""
    return material.curve_deviation > LOOSE_DEVIATION


def amplitudes(material: Material) -> tuple[Amplitude, ...]:
    """Return the amplitudes of deviation a curve is judged under; their shares add up to one."""
    stated = material.curve_deviation
    if is_loose(material):
        return tuple(Amplitude(ratio * stated, CORE_DEVIATION, share) for ratio, share in LOOSE_AMPLITUDES)
    # a core that keeps closely to the dispersion of its grade has a level and a small loss of its own still
    return tuple(
        Amplitude(ratio * stated, max(1.0, ratio) * CORE_DEVIATION, share, parts)
        for ratio, share, parts in AMPLITUDES
    )


@dataclass(frozen=True, slots=True)
class Supposed:
    """What is supposed of a core beside its material; an `Explanation` says as much."""

    gap_ratio: float = 0.0
    other_section: bool = False

    @property
    def covering_gap(self) -> float:
        """Gap behind which the deviation of the core is seen."""
        return self.gap_ratio


AS_IT_STANDS = Supposed()


def curve_columns(
    observation: Observation,
    material: Material,
    amplitude: Amplitude,
    explanation: Supposed | Explanation = AS_IT_STANDS,
) -> FloatArray:
    """Whitened common sources, deviation of a core from a curve, and doubt about its section, (2P, K).

    A curve that misses the core by more also misses it in finer detail: the correlation length falls from 1.2
    in ln f at 3 % to half of that at 30 % (practice). Behind a gap only the share that the core has in the
    reluctivity deviates: with 1/μe = 1/μ + g and λ their logarithms, δλe = (μe/μ) δλ (derived here, first
    order).
    """
    core, share = behind_gap(observation, explanation.covering_gap)
    length = CURVE_DEVIATION_LENGTH * (CORE_DEVIATION / max(amplitude.deviation, CORE_DEVIATION)) ** 0.3
    parts = [deviation_columns(core, amplitude.deviation, length, amplitude.flat)]
    if amplitude.parts and has_parts(material):
        parts.append(part_columns(core, material, amplitude.deviation / max(material.curve_deviation, 1e-9)))
    parts.append(section_prior_of(material, observation, other_section=explanation.other_section).columns)
    own = share * np.concatenate(parts, axis=2)
    return observation.whiten_columns(np.concatenate([observation.common, own], axis=2))


def column_key(material: Material) -> tuple[float, bool, tuple[float, float], str]:
    """Return what the common columns of a material depend on."""
    parted = material.material_class.value if has_parts(material) else ""
    section = section_key(material.section_m) if feels_section(material) else None
    return material.curve_deviation, feels_section(material), section or (0.0, 0.0), parted
