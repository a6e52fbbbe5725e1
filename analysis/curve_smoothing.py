"""The smooth course of a swept curve, so that a reference does not keep the noise of its sweep.

A core is compared with a reference as if that were the mean of its grade. Frozen noise would count against
every core of the grade, while "none of these", whose spectra are smooth, would have none of it. −ln|μ| and
the loss angle are smoothed as Gaussian processes over ln f with the scatter that the sweep states; length and
amplitude of the process are those that make the curve most likely (C. E. Rasmussen and C. K. I. Williams,
*Gaussian Processes for Machine Learning* (2006), eqs. 2.25 and 2.30; from memory).
"""

from __future__ import annotations

import numpy as np

from whichcore.analysis.observation import CURVE_ROUGHNESS, log_reluctivity
from whichcore.analysis.types import ComplexArray, FloatArray, PermeabilitySpectrum

#: Relative scatter, of half of the points, below which a curve is left as it is; no point of another one is
#: granted less. A third of what curves hold anyway. Practice.
LEAST_SCATTER = CURVE_ROUGHNESS / 3
#: Correlation lengths in ln f, and amplitudes in ln μ or rad, that are tried.
LENGTHS, AMPLITUDES = (0.15, 0.25, 0.4, 0.7, 1.2, 2.0), np.geomspace(1e-3, 10, 9)
#: Prior standard deviation of level and slope of the whole curve: as good as unknown.
_UNKNOWN = 30.0
_FEWEST = 8


def relative_scatter(spectrum: PermeabilitySpectrum) -> FloatArray:
    """Return the standard deviation of the noise of each part of each point over |μ|, (F,)."""
    own = np.sqrt(np.trace(spectrum.scatter, axis1=1, axis2=2) / 2)
    return np.asarray(own / np.abs(spectrum.permeability))


def smoothed(frequency_hz: FloatArray, permeability: ComplexArray, scatter: FloatArray) -> ComplexArray:
    """Return the smooth course of a curve.

    Parameters
    ----------
    frequency_hz : float array (F,)
    permeability : complex array (F,)
    scatter : float array (F,)
        Of each point, as `relative_scatter` gives it.

    Returns
    -------
    complex array (F,)
        The curve itself where its scatter is below LEAST_SCATTER, or where it has too few points.
    """
    if frequency_hz.size < _FEWEST or np.median(scatter) < LEAST_SCATTER:
        return permeability
    x, rows = np.log(frequency_hz), log_reluctivity(permeability)
    noise = np.maximum(scatter, LEAST_SCATTER)
    real, imag = (_most_likely_mean(x, part, noise) for part in (rows.real, rows.imag))
    return np.asarray(np.exp(-(real + 1j * imag)))


def _most_likely_mean(x: FloatArray, values: FloatArray, noise: FloatArray) -> FloatArray:
    """Return the posterior mean of the process that makes the values most likely."""
    centred = x - x.mean()
    trend = _UNKNOWN**2 * (1 + np.outer(centred, centred))
    best, mean = -np.inf, values
    for length in LENGTHS:
        shape = np.exp(-0.5 * ((x[:, None] - x) / length) ** 2)
        for amplitude in AMPLITUDES:
            prior = trend + amplitude**2 * shape
            factor = np.linalg.cholesky(prior + np.diag(noise**2))
            white = np.linalg.solve(factor, values)
            likelihood = -0.5 * float(white @ white) - float(np.log(factor.diagonal()).sum())
            if likelihood > best:
                best, mean = likelihood, prior @ np.linalg.solve(factor.T, white)
    return mean
