"""Residuals of unit variance under a covariance with common causes, in time and memory linear in the points.

V = B Bᵀ + J Jᵀ with B block diagonal (each point's own scatter) and J the columns of the common causes.
With U = B⁻¹J = Q diag(s) Wᵀ the residual r is turned into

    w = y − Q diag(1 − 1/√(1 + s²)) Qᵀ y,   y = B⁻¹ r,   so that wᵀw = rᵀV⁻¹r

(the Woodbury identity in its square root; derived here).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.types import ComplexArray, ErrorSource, FloatArray, PermeabilitySpectrum
from whichcore.analysis.uncertainty import PER_POINT, common_columns, independent_covariance
from whichcore.errors import InputError

_BUMP_DISTANCE, _BUMP_REACH = 0.8, 3.0


@dataclass(frozen=True, slots=True)
class Whitening:
    """How residuals are turned into ones of unit variance.

    Attributes
    ----------
    inverse_blocks : float array (F, 2, 2)
        B⁻¹ of each point.
    directions : float array (2F, K)
        Q, in the order (real, imaginary) point by point.
    singular : float array (K,)
        s.
    log_determinant : float
        ln|V|.
    """

    inverse_blocks: FloatArray
    directions: FloatArray
    singular: FloatArray
    log_determinant: float

    def own(self, residual: ComplexArray) -> FloatArray:
        """Return B⁻¹r, (2F,): each point in units of its own scatter."""
        parts = np.stack([residual.real, residual.imag], axis=-1)
        return np.asarray(np.einsum("fij,fj->fi", self.inverse_blocks, parts).reshape(-1))

    def __call__(self, residual: ComplexArray) -> FloatArray:
        """Return w (2F,) of a residual (F,)."""
        y = self.own(residual)
        shrink = 1 - 1 / np.sqrt(1 + self.singular**2)
        return np.asarray(y - self.directions @ (shrink * (self.directions.T @ y)))

    def left(self, residual: ComplexArray) -> FloatArray:
        """Return what the most likely common errors leave, in units of each point's scatter, (F, 2)."""
        y = self.own(residual)
        taken = self.singular**2 / (1 + self.singular**2)
        return np.asarray(y - self.directions @ (taken * (self.directions.T @ y))).reshape(-1, 2)


def whitening(spectrum: PermeabilitySpectrum, extra: FloatArray | None = None) -> Whitening:
    """Return the whitening of a spectrum's covariance.

    Parameters
    ----------
    spectrum : PermeabilitySpectrum
    extra : float array (F, 2, R) or None
        Further common columns, in units of μ.

    Returns
    -------
    Whitening

    Raises
    ------
    InputError
        The scatter of a point is not a positive covariance.
    """
    blocks = independent_covariance(spectrum.scatter, spectrum.sources)
    points = len(blocks)
    try:
        factors = np.linalg.cholesky(blocks)
    except np.linalg.LinAlgError:
        raise InputError(
            "the scatter of a point is no positive covariance",
            where="scatter",
            allowed="positive standard uncertainties, a correlation inside −1 to 1",
            next_step="state u_real_ohm and u_imag_ohm above zero",
        ) from None
    inverse = np.linalg.inv(factors)
    stacked = common_columns(spectrum.sources, spectrum.range_labels, points).matrix
    columns = np.stack([stacked[:points], stacked[points:]], axis=1)
    if extra is not None:
        columns = np.concatenate([columns, extra], axis=2)
    scaled = np.einsum("fij,fjk->fik", inverse, columns).reshape(2 * points, -1)
    directions, singular, _ = np.linalg.svd(scaled, full_matrices=False)
    diagonal = np.diagonal(factors, axis1=1, axis2=2)
    log_determinant = 2 * np.log(diagonal).sum() + np.log1p(singular**2).sum()
    return Whitening(inverse, directions, singular, float(log_determinant))


def smooth_columns(frequency_hz: FloatArray, permeability: ComplexArray, length: float) -> FloatArray:
    """Return columns (F, 2, 2R) of a smooth deviation of μ, of standard deviation 1 relative to its size.

    Both parts of the quotient of curve and model are Gaussian processes over ln f with the covariance
    exp(−Δ²/2ℓ²), written as white noise smoothed by bumps of width ℓ/√2 at a distance of 0.8 ℓ (derived
    here; the ripple is below 10⁻⁴).
    """
    x = np.log(frequency_hz)
    width, distance = length / np.sqrt(2), _BUMP_DISTANCE * length
    reach = _BUMP_REACH * width
    centres = np.arange(x.min() - reach, x.max() + reach + distance, distance)
    norm = np.sqrt(distance / (width * np.sqrt(np.pi)))
    bumps = norm * np.exp(-0.5 * ((x[:, None] - centres) / width) ** 2)
    turned = np.concatenate([permeability[:, None] * bumps, 1j * permeability[:, None] * bumps], axis=1)
    return np.stack([turned.real, turned.imag], axis=1)


def follow_model(spectrum: PermeabilitySpectrum, model: ComplexArray) -> PermeabilitySpectrum:
    """Free the common sensitivities of the noise of the data they were worked out from.

    A common error of the scale has a sensitivity proportional to the *measured* value. Left so, a fit comes
    out low by about the share f²χ² of a scale error f (G. D'Agostini, Nucl. Instrum. Methods A 346, 306
    (1994); from memory), which for many points is far more than f. The cure is to let the sensitivity
    follow the model. Of s·(μ_model/μ)^p with p = 0 (nothing to do with μ), 1 (a scale) and 2 (a
    capacitance) the smoothest over the frequencies is taken.
    """
    ratio = model / spectrum.permeability
    sources = tuple(
        source if source.scope in PER_POINT else _smoothest(source, ratio, spectrum.range_labels)
        for source in spectrum.sources
    )
    return replace(spectrum, sources=sources)


def _smoothest(source: ErrorSource, ratio: ComplexArray, labels: Sequence[str] | None) -> ErrorSource:
    versions = [source.sensitivity * ratio**power for power in (0, 1, 2)]
    rough = [_roughness(version, labels) for version in versions]
    return replace(source, sensitivity=versions[int(np.argmin(rough))])


def _roughness(values: ComplexArray, labels: Sequence[str] | None) -> float:
    """Return the size of the second differences, relative; across a change of range there are none."""
    if values.size < 3:
        return 0.0
    size = np.abs(values)
    second = np.abs(values[2:] - 2 * values[1:-1] + values[:-2])
    scale = np.maximum(size[2:] + 2 * size[1:-1] + size[:-2], np.finfo(float).tiny)
    if labels is not None:
        same = np.array([labels[i] == labels[i + 2] for i in range(values.size - 2)])
        second = np.where(same, second, 0.0)
    return float(np.median(second / scale))
