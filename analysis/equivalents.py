"""Which materials the data at hand cannot tell from the first candidate."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from whichcore.analysis.curve_deviation import amplitudes, curve_columns
from whichcore.analysis.materials import Library
from whichcore.analysis.observation import Observation
from whichcore.analysis.posterior import Evidence, fitted_log_reluctivity
from whichcore.analysis.separability import SEPARABLE_CHI2, Shared, squared_distances


def equivalents_of_first(
    library: Library, evidence: Evidence, order: Sequence[int], observation: Observation
) -> Iterator[int]:
    """Yield the first candidate, then those not separable from it by these data, most probable first.

    Two candidates are compared by their best explanations (level, corner, gap and turns free within their
    priors) under the covariance of the data, deviation of core from curve included, on the points where both
    curves speak; the distance is that of `whichcore.analysis.separability`. A candidate that speaks on no
    common point cannot be told apart.

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
    indices = [i for i in order if i in evidence.explanations]
    fitted = fitted_log_reluctivity(library, evidence, indices, observation)
    first = library.materials[indices[0]]
    usual = max(amplitudes(first), key=lambda amplitude: amplitude.share)
    columns = curve_columns(observation, first, usual, evidence.explanations[indices[0]])
    difference = fitted - fitted[0]
    common = np.tile(~np.isnan(difference), 2)
    rows = observation.whiten(np.where(np.isnan(difference), 0, difference))
    for index, row, used in zip(indices, rows, common, strict=True):
        shared = Shared(columns[used])
        if squared_distances(row[used][None], (shared, shared))[0] < SEPARABLE_CHI2:
            yield index
