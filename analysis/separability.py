"""How well data tell two materials apart.

Under each of two materials the whitened data are normal, with means m₁, m₂ and covariances Σ₁, Σ₂: scatter,
common sources, deviation of a core from its curve, and the level and corner left open. Their Bhattacharyya
distance, with Σ̄ the mean of both,

    B = (m₁ − m₂)ᵀ Σ̄⁻¹ (m₁ − m₂)/8 + ln(det Σ̄ / √(det Σ₁ det Σ₂))/2

(T. Kailath, IEEE Trans. Commun. Technol. 15 (1967) 52, from memory), is the Chernoff exponent at one half: of
two materials equally likely beforehand the wrong one wins with a probability of at most e^{−B}/2, and if
Σ₁ = Σ₂ of exactly Φ(−d/2) with d² = 8B, d being how many standard deviations lie between the means. That
probability is what is stated: level and corner are integrated and not fitted, because a fit of them would
count as difference what a core of either grade may show. A Kullback distance would give the mean log odds
instead and has a side; how often two materials are mistaken for each other has none.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr, ndtri

from whichcore.analysis.level_integral import InnerFactor
from whichcore.analysis.types import FloatArray

#: Squared distance below which two materials count as not separable: two standard deviations between the
#: means, the wrong one winning 16 times in 100, or likelihoods apart by a factor of e² on average. Practice.
SEPARABLE_CHI2 = 4.0


def confusion(squared_distance: FloatArray) -> FloatArray:
    """Probability that the wrong one of two materials, equally likely beforehand, wins."""
    return np.asarray(ndtr(-np.sqrt(np.maximum(squared_distance, 0.0)) / 2))


def squared_distance_of(probability: FloatArray) -> FloatArray:
    """Return the squared distance at which the wrong one wins with a probability, at most one half."""
    return np.asarray((2 * ndtri(np.minimum(probability, 0.5))) ** 2)


class Shared:
    """Whitened columns (R, K) that the covariance of several materials shares, and their factor."""

    def __init__(self, columns: FloatArray) -> None:
        self.columns = columns
        self.factor = InnerFactor(columns)

    def gram(self, rows: FloatArray) -> FloatArray:
        """Return the inner products (J, q, q) of rows (J, q, R) under (I + C Cᵀ)⁻¹."""
        projected = self.factor.apply(rows @ self.columns)
        return np.asarray(rows @ rows.transpose(0, 2, 1) - projected @ projected.transpose(0, 2, 1))


def squared_distances(
    differences: FloatArray,
    shared: tuple[Shared, Shared],
    own: tuple[FloatArray, FloatArray] | None = None,
) -> FloatArray:
    """Return d² = 8B between pairs of materials.

    Parameters
    ----------
    differences : float array (J, R)
        Whitened differences of the means, for J pairs on R rows.
    shared : pair of Shared
        Columns C of the covariance of all first and of all second materials: Σ = I + C Cᵀ + U Uᵀ.
    own : pair of float array (J, R, q) or None
        Whitened columns U of the single materials.

    Returns
    -------
    float array (J,)
    """
    first, second = shared
    same = first is second
    middle = first if same else Shared(np.concatenate([s.columns for s in shared], axis=1) / np.sqrt(2))
    log_det = 0.0 if same else 4 * middle.factor.log_det - 2 * sum(s.factor.log_det for s in shared)
    rows = differences[:, None]
    if own is not None:
        joint = np.concatenate(own, axis=2).transpose(0, 2, 1) / np.sqrt(2)
        rows = np.concatenate([rows, joint], axis=1)
    gram = middle.gram(rows)
    quadratic, along = gram[:, 0, 0], gram[:, 1:, 0]
    if own is None:
        return np.asarray(quadratic + log_det)
    inner = np.eye(along.shape[1]) + gram[:, 1:, 1:]
    explained = np.einsum("jq,jq->j", along, np.linalg.solve(inner, along[..., None])[..., 0])
    total = quadratic - explained + log_det + 4 * np.linalg.slogdet(inner)[1]
    for common, one in zip(shared, own, strict=True):
        product = common.gram(one.transpose(0, 2, 1))
        total = total - 2 * np.linalg.slogdet(np.eye(one.shape[2]) + product)[1]
    return np.asarray(total)
