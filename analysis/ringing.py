"""What points are worth at which the section of a core rings and hides its material.

There neither a reference nor the family of :mod:`whichcore.analysis.unlisted` says what a manganese-zinc core
would show. It shows some smooth course that starts where the followed points end: a Gaussian process wide
enough for a resonance. A core of any other class has to explain these points by its own curve, and does so
better by far if it is one.
"""

from __future__ import annotations

import numpy as np

from whichcore.analysis.level_integral import InnerFactor
from whichcore.analysis.observation import Observation, deviation_basis
from whichcore.analysis.types import FloatArray

#: Standard deviation of that course in ln|μ| and in the loss angle, and its correlation length in ln f: a
#: resonance takes both through about two units within a factor of two in frequency. Practice.
AMPLITUDE, LENGTH = 1.0, 0.3
#: Points by which the course is tied to the followed ones.
_TIED = 5


def log_evidence_of_ringing(observation: Observation, followed: int) -> float:
    """Log evidence of the spectrum points from one on, up to the constant all candidates leave out.

    Parameters
    ----------
    observation : Observation
        Frequencies of the spectrum rising.
    followed : int
        Points before.
    """
    size = observation.spectrum_points
    if followed >= size:
        return 0.0
    at = np.arange(followed, size)
    start = observation.log_reluctivity[max(followed - _TIED, 0) : max(followed, 1)].mean()
    hidden = observation.at(at)
    residual = hidden.whiten(hidden.log_reluctivity - start)
    columns = _columns(hidden)
    factor = InnerFactor(columns)
    explained = factor.apply(residual @ columns)
    return float(-0.5 * (residual @ residual - explained @ explained + factor.log_det))


def _columns(hidden: Observation) -> FloatArray:
    basis = deviation_basis(hidden.log_frequency, LENGTH)
    own = np.zeros((basis.shape[0], 2, 2 * basis.shape[1]))
    own[:, 0, : basis.shape[1]] = own[:, 1, basis.shape[1] :] = AMPLITUDE * basis
    return hidden.whiten_columns(np.concatenate([hidden.common, own], axis=2))
