"""The initial permeability of this core, and what it is for, over all materials that are still possible."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

from whichcore.analysis.candidate_cube import Explanation
from whichcore.analysis.materials import Material
from whichcore.analysis.priors import level_centre
from whichcore.analysis.sold_as import applications, uses_of
from whichcore.analysis.types import FloatArray
from whichcore.analysis.verdict import InitialPermeability, PermeabilityRange, SharedUse

#: Probability that the range holds the core's initial permeability.
COVERAGE = 0.95
#: A range whose ends are farther apart than this tells nothing: nearly all materials lie within. Practice.
WIDEST = 100.0
#: Share of the probability from which a use is said to be that of the core. Practice.
SHARED = 0.8


def permeability_range(
    materials: Sequence[Material],
    listed: FloatArray,
    explanations: Mapping[int, Explanation],
    measured: InitialPermeability,
) -> PermeabilityRange | None:
    """Return the range of the core's own initial permeability, gap and turns of each explanation taken off.

    Parameters
    ----------
    materials : sequence of Material (M)
    listed : float array (M,)
        Probability of each material; what is missing to one is none of these.
    explanations : mapping of int to Explanation
        Of the materials that count; a material without one counts like none of these.
    measured : InitialPermeability
        Stands for the core where nothing explains it.

    Returns
    -------
    PermeabilityRange or None
        Central, of probability COVERAGE, under a mixture of log-normal laws. None where nothing explains the
        core and the measured value is not positive, and where the range is wider than WIDEST: the level is
        not determined then.
    """
    weight, mean, sd = [], [], []
    for i, explanation in explanations.items():
        weight.append(float(listed[i]))
        level = np.log(materials[i].initial_permeability) - level_centre(materials[i])
        mean.append(level - explanation.level)
        sd.append(explanation.level_sd)
    rest = 1 - sum(weight)
    if measured.value > 0:
        weight.append(max(rest, 0.0))
        mean.append(np.log(measured.value))
        sd.append(measured.standard_uncertainty / measured.value)
    laws = np.array([weight, mean, np.clip(sd, 1e-6, 1e6)])
    if not laws[0].sum() > 0:
        return None
    low, high = (_quantile(laws, level) for level in ((1 - COVERAGE) / 2, (1 + COVERAGE) / 2))
    if not high - low <= np.log(WIDEST):
        return None
    return PermeabilityRange(float(np.exp(low)), float(np.exp(high)), COVERAGE)


def _quantile(laws: FloatArray, level: float) -> float:
    """Quantile of a mixture of normal laws (weight, mean, sd) of ln μ."""
    weight, mean, sd = laws
    share = weight / weight.sum()

    def missing(x: float) -> float:
        return float(share @ ndtr((x - mean) / sd)) - level

    return float(brentq(missing, float((mean - 9 * sd).min()), float((mean + 9 * sd).max())))


def shared_use(materials: Sequence[Material], listed: FloatArray) -> SharedUse | None:
    """Return the use that at least SHARED of the probability has in common; None where there is none."""
    sums = [
        (float(sum(p for m, p in zip(materials, listed, strict=True) if a.name in uses_of(m))), a.name)
        for a in applications()
    ]
    probability, name = max(sums)
    return SharedUse(name, probability) if probability >= SHARED else None
