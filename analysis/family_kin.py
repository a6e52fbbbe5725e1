"""Unlisted grades that a reference explains, but only as its farthest cores or as the next grade of a family.

A core may lie about the curve of its grade by twice what is usual, and at a level and corner at the end of
the tolerance. Another grade of a similar curve does so as a rule. Two kin of a reference stand for that.
**Wide kin** are as its cores that deviate by the widest amplitude. **Family kin** are the next grades of its
family: of a permeability a third lower or higher, and a corner that much higher or lower (J. L. Snoek,
Physica 14, 207 (1948)); few of them are of quite the same shape (docs/decisions/0020).

Both are weighed around the best explanation of a sweep: how far its level and corner lie, and how much of it
is due to the widest amplitude, stands there. Nothing is searched anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from whichcore.analysis.candidate_cube import Explanation
from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.curve_deviation import amplitudes
from whichcore.analysis.curve_table import GRID_STEP
from whichcore.analysis.linear_candidate import unexplained
from whichcore.analysis.materials import Material
from whichcore.analysis.observation import Observation
from whichcore.analysis.priors import own_corner_spread, spreads
from whichcore.analysis.types import FloatArray

#: Distance of the next grade of a family in ln μ, and its spread; spread of its corner about what Snoek's
#: product says. Practice; what they do to verdicts is counted by benchmarks/identify.py.
STEP, STEP_SPREAD, CORNER_SPREAD = 0.3, 0.1, 0.1
#: Share of family kin whose curve lies as far from the reference's as that of its farthest cores. Practice.
OTHER_SHAPE = 0.9
#: Levels that are summed over, in ln μ about the reference's.
_LEVELS = np.linspace(-1.0, 1.0, 401)
#: Spread of a level below which the sum no longer tells it.
_FINEST = 0.005


def wide_kin_evidence(
    materials: Sequence[Material], log_evidence: FloatArray, explanations: Mapping[int, Explanation]
) -> FloatArray:
    """Log evidence of the wide kin of each material, (M,); −∞ of those without an explanation.

    Parameters
    ----------
    materials : sequence of Material (M)
    log_evidence : float array (M,)
        Of each material.
    explanations : mapping of int to Explanation
        Of a sweep, by index.
    """
    out = np.full(len(materials), -np.inf)
    for i, explanation in explanations.items():
        out[i] = log_evidence[i] + _wide_gain(materials[i], explanation)
    return out


def family_kin_evidence(
    materials: Sequence[Material],
    log_evidence: FloatArray,
    explanations: Mapping[int, Explanation],
    observation: Observation,
) -> FloatArray:
    """Log evidence of the family kin of each material, as `wide_kin_evidence` returns that of wide kin."""
    out = np.full(len(materials), -np.inf)
    for i, explanation in explanations.items():
        shape = np.logaddexp(
            np.log(1 - OTHER_SHAPE), np.log(OTHER_SHAPE) + _wide_gain(materials[i], explanation)
        )
        out[i] = log_evidence[i] + shape + _apart_gain(materials[i], explanation, observation)
    return out


def _wide_gain(material: Material, explanation: Explanation) -> float:
    """How much likelier the data are of cores that deviate by the widest amplitude, in ln."""
    share = amplitudes(material)[-1].share
    return float(np.log(max(explanation.widest, 1e-300) / share))


def _apart_gain(material: Material, explanation: Explanation, observation: Observation) -> float:
    """How much likelier level and corner are of the next grade of the family, in ln.

    What the data say of the level is its posterior less the prior of the material, both normal; the corner
    counts as found.
    """
    theta = _LEVELS + unexplained(material, explanation.turns, observation.temperature_c).theta
    own, exponent, _ = spreads(material, observation.temperature_c)
    shift = GRID_STEP * explanation.shift_steps
    log_likelihood = np.zeros_like(theta)
    told = max(explanation.level_sd, _FINEST)
    if told < own:  # else the data say nothing of the level
        log_likelihood = _log_normal(theta - explanation.level, told) - _log_normal(_LEVELS, own)
    exponent_sd = class_properties(material.material_class).corner_exponent_sd
    corner_sd = np.hypot(own_corner_spread(material), exponent_sd * theta)
    of_own = _log_normal(_LEVELS, own) + _log_normal(shift - exponent * theta, corner_sd)
    apart = np.logaddexp(*(_log_normal(_LEVELS - side * STEP, STEP_SPREAD) for side in (-1, 1))) - np.log(2)
    of_kin = apart + _log_normal(shift - theta, CORNER_SPREAD)
    return float(np.logaddexp.reduce(log_likelihood + of_kin) - np.logaddexp.reduce(log_likelihood + of_own))


def _log_normal(distance: FloatArray, sd: FloatArray | float) -> FloatArray:
    """Log density of a normal distribution, up to a constant."""
    return np.asarray(-0.5 * (distance / sd) ** 2 - np.log(sd))
