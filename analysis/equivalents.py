"""Which materials the data at hand cannot tell from the first candidate."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from whichcore.analysis.materials import Library
from whichcore.analysis.observation import Observation
from whichcore.analysis.posterior import Evidence, fitted_reluctivity, whitened_for

#: Two candidates whose best explanations differ by less than this chi-squared cannot be told apart: their
#: likelihoods would differ by a factor of e² on average. Practice.
SEPARABLE_CHI2 = 4.0
_COMPARED = 32


def equivalents_of_first(
    library: Library, evidence: Evidence, order: Sequence[int], observation: Observation
) -> Iterator[int]:
    """Yield the first candidate, then those not separable from it by these data, most probable first.

    Two candidates are compared by their best explanations (level, corner, gap and turns free within their
    priors) under the covariance of the data, deviation of core from curve included, on the points where both
    curves speak. A candidate that speaks on no common point cannot be told apart.

    Parameters
    ----------
    library : Library
    evidence : Evidence
    order : sequence of int (M)
        Materials by falling probability.
    observation : Observation

    Yields
    ------
    int
        Index of the material.
    """
    indices = list(order[:_COMPARED])
    fitted = fitted_reluctivity(library, evidence, indices, observation)
    whitened = whitened_for(observation, library.materials[indices[0]].curve_deviation)
    difference = fitted - fitted[0]
    difference = observation.whiten(np.where(np.isnan(difference), 0, difference))
    inner = np.eye(whitened.columns.shape[1]) + whitened.columns.T @ whitened.columns
    projected = difference @ whitened.columns
    chi2 = (difference**2).sum(axis=1) - np.einsum("ck,kc->c", projected, np.linalg.solve(inner, projected.T))
    for index, distance in zip(indices, chi2, strict=True):
        if distance < SEPARABLE_CHI2:
            yield index
