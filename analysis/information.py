"""Expected information of a measurement not yet made: how much it would narrow a set of answers, in bits.

The information a datum y gives on the answer o is the entropy of the answers now less the mean entropy after
y, I(O; Y) = H(O) − E_y H(O | y) (D. V. Lindley, Ann. Math. Stat. 27 (1956) 986, from memory). It is never
negative and at most H(O).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from whichcore.analysis.types import FloatArray

#: Draws from each component; each is used with both signs.
_DRAWS = 24
_SEED = 20260
#: Noise over the spread of a number, where double precision shows none: sources that dwarf it, as near the
#: resonance of a winding of thousands of turns. Far above rounding, far below what decides anything.
_LEAST_NOISE = 1e-6


def entropy_bits(probability: FloatArray) -> FloatArray:
    """Entropy in bits over the last axis; a probability of zero adds nothing."""
    p = np.asarray(probability, dtype=np.float64)
    return np.asarray(0.0 - (p * np.log2(np.where(p > 0, p, 1.0))).sum(axis=-1))


def information_of_table(prior: FloatArray, likelihood: FloatArray) -> float:
    """Return the expected information of a datum that takes one of a few values, bits.

    Parameters
    ----------
    prior : float array (M,)
        Probability of each answer; they add up to one.
    likelihood : float array (Y, M)
        Weight of each value under each answer; each column is normalised here.
    """
    share = likelihood / likelihood.sum(axis=0)
    joint = share * prior
    of_value = joint.sum(axis=1)
    seen = of_value > 0
    after = entropy_bits(joint[seen] / of_value[seen, None])
    return max(0.0, float(entropy_bits(prior) - of_value[seen] @ after))


@dataclass(frozen=True, slots=True)
class GaussianMixture:
    """What a measurement of D numbers would show: one Gaussian for each of J cases.

    Attributes
    ----------
    weight : float array (J,)
        Probability of each case; they add up to one.
    answer : int array (J,)
        Answer each case belongs to.
    mean : float array (J, D)
    covariance : float array (J, D, D)
    """

    weight: FloatArray
    answer: NDArray[np.int_]
    mean: FloatArray
    covariance: FloatArray


def information_of_mixture(mixture: GaussianMixture, trust: float = 1.0) -> float:
    """Return the expected information of a measurement on the answers, bits.

    The mean over y is taken over a fixed set of draws from each case, the same for all of them, so that equal
    cases stay exactly equal.

    Parameters
    ----------
    mixture : GaussianMixture
    trust : float
        Probability that the measurement concerns this specimen at all; else it shows any of the cases.
    """
    weight, answer, mean = mixture.weight, mixture.answer, mixture.mean
    cases, size = mean.shape
    factor = _factor(mixture.covariance)
    inverse = np.linalg.inv(factor)
    log_det = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    draws = _normal_draws(size)
    values = (mean[:, None] + draws @ factor.transpose(0, 2, 1)).reshape(-1, size)
    shifted = values @ inverse.transpose(0, 2, 1) - np.einsum("jde,je->jd", inverse, mean)[:, None]
    log_density = -0.5 * np.einsum("jnd,jnd->jn", shifted, shifted) - log_det[:, None]
    indicator = np.equal.outer(np.unique(answer), answer)
    with np.errstate(divide="ignore"):
        log_weight = np.log(weight * indicator)[:, :, None]
        log_answer = logsumexp(log_density + log_weight, axis=1)
        prior = indicator @ weight
        whole = logsumexp(log_answer, axis=0) + np.log(prior)[:, None]
        log_answer = np.logaddexp(np.log(trust) + log_answer, np.log1p(-trust) + whole)
    after = np.exp(log_answer - logsumexp(log_answer, axis=0))
    mean_after = entropy_bits(after.T).reshape(cases, -1).mean(axis=1) @ weight
    gain = float(entropy_bits(prior) - mean_after)
    # what may concern another specimen tells at most its share (data processing inequality)
    return min(max(gain, 0.0), trust * float(entropy_bits(prior)))


def _factor(covariance: FloatArray) -> FloatArray:
    """Return Cholesky factors (J, D, D), with a millionth of noise where rounding has left none."""
    try:
        return np.asarray(np.linalg.cholesky(covariance))
    except np.linalg.LinAlgError:
        own = np.diagonal(covariance, axis1=1, axis2=2)
        return np.asarray(
            np.linalg.cholesky(covariance + _LEAST_NOISE**2 * own[:, :, None] * np.eye(own.shape[1]))
        )


@cache
def _normal_draws(size: int) -> FloatArray:
    """Return standard normal draws with both signs, (2·_DRAWS, size)."""
    draws = np.random.default_rng(_SEED).normal(size=(_DRAWS, size))
    return np.concatenate([draws, -draws])
